"""Figures of the whole study."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from micro.comparison.coupons import LONGITUDINAL, TRANSVERSE, CouponAnalysis
from micro.figures.style import colour, legend, plain_powers
from micro.report.wording import plain_name, printed_factor, printed_unit

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

    from micro.points.estimate import Bias
    from micro.specimens.detected import Detected
    from micro.statistics.detection import DetectionCurve
    from micro.taught.lesson import Lesson


SHORT = {"ecd_d90_by_area": "d90 by area"}


def draw_structure(axes: list[Axes], points: pd.DataFrame) -> None:
    """One axis a quantity, one point a specimen; columns as in `structure_against_toughness`."""
    for axis, (quantity, own) in zip(axes, points.groupby("quantity", sort=False), strict=True):
        factor = printed_factor(str(quantity))
        own = own.assign(**{name: factor * own[name] for name in ("x", "x_low", "x_high")})
        for number, row in enumerate(own.to_dict("records")):
            x_ends = np.nan_to_num([[row["x"] - row["x_low"]], [row["x_high"] - row["x"]]])
            y_ends = np.nan_to_num([[row["ratio"] - row["ratio_low"]], [row["ratio_high"] - row["ratio"]]])
            axis.errorbar(row["x"], row["ratio"], y_ends, x_ends, fmt="o", color=colour(number), capsize=3)
            axis.annotate(row["specimen"], (row["x"], row["ratio"]), xytext=(6, 6), textcoords="offset points")
        unit = own["unit"].iloc[0]
        unit = printed_unit(str(quantity), unit if isinstance(unit, str) else "")
        name = SHORT.get(str(quantity), plain_name(str(quantity)).partition(" (")[0])
        axis.set_xlabel(f"{name}, {unit}" if unit else name, fontsize=7)
        axis.set_ylim(0, None)
        axis.margins(x=0.15)
    axes[0].set_ylabel("transverse over longitudinal toughness")


WIDTH = 0.6


def draw_chemistry(axes: list[Axes], chemistry: pd.DataFrame) -> None:
    """One place a specimen and class; columns CHEMISTRY of `micro.tables.columns`."""
    axis = axes[0]
    names = []
    for place, row in enumerate(chemistry.to_dict("records")):
        axis.bar(place, 100 * row["ceiling"], WIDTH, color="#d9ded8", edgecolor="#8b938a")
        band = 100 * (row["ceiling_high"] - row["ceiling_low"])
        axis.bar(place, band, WIDTH, 100 * row["ceiling_low"], color="none", edgecolor="#8b938a", hatch="////")
        if np.isfinite(row["measured"]):
            ends = np.nan_to_num([[row["measured"] - row["measured_low"]], [row["measured_high"] - row["measured"]]])
            axis.errorbar(place, 100 * row["measured"], 100 * ends, fmt="o", color=colour(0), capsize=3)
        names.append(f"{row['specimen']}\n{row['carbide_class']}")
    axis.set_xticks(range(len(names)), names)
    axis.set_ylabel("volume or area fraction, %")
    axis.grid(axis="x", visible=False)
    axis.set_axisbelow(True)
    specimens = chemistry["specimen"].to_numpy()
    for border in np.flatnonzero(specimens[1:] != specimens[:-1]).tolist():
        axis.axvline(border + 0.5, color="#8b938a", linewidth=0.6)
    axis.set_ylim(0, 1.3 * axis.get_ylim()[1])
    _explain(axis)


def _explain(axis: Axes) -> None:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    axis.legend(
        handles=[
            Patch(facecolor="#d9ded8", edgecolor="#8b938a", label="ceiling by composition"),
            Patch(facecolor="none", edgecolor="#8b938a", hatch="////", label="left open by the densities"),
            Line2D([], [], color=colour(0), marker="o", label="measured, with 95 % interval"),
        ],
        loc="upper center", ncols=3, fontsize=7,
    )  # fmt: skip


MARKS = ("o", "s", "^", "D", "v", "P")


def draw_point_count(axes: list[Axes], fields: pd.DataFrame, bias: tuple[Bias, ...]) -> None:
    """Draw counted over measured (left), and their difference over their mean with limits of agreement (right).

    Parameters
    ----------
    fields
        Columns POINTS of `micro.tables.columns`; rows of all classes together are drawn.
    bias
        Of the same fields.
    """
    own = fields[fields["carbide_class"] == "all"]
    whole = [b for b in bias if b.carbide_class == "all"][-1]
    for number, (specimen, block) in enumerate(own.groupby("specimen", sort=False)):
        counted, measured = 100 * block["point_fraction"].to_numpy(), 100 * block["area_fraction"].to_numpy()
        look: dict[str, Any] = {
            "marker": MARKS[number % len(MARKS)],
            "color": colour(number),
            "linestyle": "none",
            "alpha": 0.8,
        }
        axes[0].plot(measured, counted, label=str(specimen), **look)
        axes[1].plot((measured + counted) / 2, counted - measured, **look)
    top = 105 * max(own["point_fraction"].max(), own["area_fraction"].max(), 0.001)
    axes[0].plot([0, top], [0, top], color="#8b938a", linewidth=0.8, zorder=0)
    axes[0].set(xlim=(0, top), ylim=(-0.02 * top, top), xlabel="measured, %", ylabel="counted, %")
    axes[0].legend(loc="upper left")
    axes[1].axhline(0, color="#8b938a", linewidth=0.8, zorder=0)
    axes[1].axhline(100 * whole.difference.value, color="black", linewidth=1)
    axes[1].axhspan(*(100 * np.array([whole.difference.low, whole.difference.high])), color="#d9ded8", zorder=-1)
    for limit in whole.limits:
        axes[1].axhline(100 * limit, color="black", linewidth=0.9, linestyle=(0, (5, 3)))
    axes[1].set(xlabel="mean of counted and measured, %", ylabel="counted less measured, percentage points")


OFFSETS = {LONGITUDINAL: -0.18, TRANSVERSE: 0.18}
MARKERS = {LONGITUDINAL: "o", TRANSVERSE: "s"}
DOTS_ABREAST = 0.18


def draw_coupons(axes: list[Axes], analysis: CouponAnalysis) -> None:
    """Toughness by group (one place each) and direction; outliers are ringed, none is left out."""
    axis = axes[0]
    groups = list(dict.fromkeys(analysis.coupons["group"]))
    by_direction: Any = analysis.coupons.groupby(["group", "direction"], sort=False)
    for (group, direction), own in by_direction:
        place = groups.index(group) + OFFSETS[direction]
        toughness, beyond = own["toughness"].to_numpy(float), own["censored"].to_numpy(bool)
        spots = place - 0.04 - DOTS_ABREAST * np.linspace(0, 1, len(own)) * (len(own) > 1)
        look: dict[str, Any] = {"marker": MARKERS[direction], "color": colour(0 if direction == LONGITUDINAL else 1)}
        axis.scatter(spots[~beyond], toughness[~beyond], s=16, zorder=3, linewidths=0, **look)
        axis.scatter(spots[beyond], toughness[beyond], s=40, zorder=3, marker="$\u2191$", color=look["color"])
        odd = (own["outlier"] != "").to_numpy()
        axis.scatter(spots[odd], toughness[odd], s=80, facecolors="none", edgecolors="#a0322f")
    means: Any = analysis.summary[analysis.summary["quantity"] == "toughness"]
    for row in means.itertuples(index=False):
        place = groups.index(row.group) + OFFSETS[row.direction] + 0.04
        ends = np.nan_to_num([[row.mean - row.ci95_low], [row.ci95_high - row.mean]])
        marker, tint = MARKERS[row.direction], colour(list(OFFSETS).index(row.direction))
        axis.errorbar(
            place, row.mean, ends, color=tint, marker=marker, markersize=7, markerfacecolor="white", capsize=3
        )
    for number, direction in enumerate(OFFSETS):
        axis.scatter([], [], s=16, color=colour(number), marker=MARKERS[direction], label=direction)
    axis.set_xticks(range(len(groups)), groups)
    axis.set(xlim=(-0.6, len(groups) - 0.4), ylabel=f"toughness, {analysis.unit}")
    axis.set_ylim(bottom=0)
    axis.grid(axis="x", visible=False)
    axis.legend(loc="best")


CURVE_POINTS = 120


def draw_detection(axes: Axes, table: pd.DataFrame, curve: DetectionCurve | None) -> None:
    """Draw shares found by size, the curve with its 95 % band, and a90; `table` as detection.csv."""
    size = table["ecd_um"].to_numpy(float)
    share = 100 * table["found"] / table["set_in"]
    axes.plot(size, share, "o", color=colour(1), label="found of those set in")
    if curve is not None:
        x = np.geomspace(size.min(), size.max(), CURVE_POINTS)
        low, high = curve.band(x)
        axes.plot(x, 100 * curve.probability(x), color=colour(0), label="probability of detection")
        axes.fill_between(x, 100 * low, 100 * high, color=colour(0), alpha=0.2, linewidth=0)
        if size.min() < curve.a90 < size.max():
            axes.axvline(curve.a90, color=colour(4), linewidth=0.8, linestyle="dotted", label=f"a90 {curve.a90:.2g} µm")
    axes.set(xscale="log", ylim=(0, 103), xlabel="equivalent circle diameter, µm", ylabel="found, %")
    plain_powers(axes.xaxis)
    legend(axes)


def draw_detections(axes: list[Axes], detected: Sequence[Detected]) -> None:
    """Draw the curve of each specimen."""
    import pandas as pd

    for axis, one in zip(axes, detected, strict=True):
        draw_detection(axis, pd.DataFrame(list(one.table)), one.curve)
        axis.set_title(one.specimen)


def draw_reliability(axes: list[Axes], lessons: list[Lesson]) -> None:
    """Draw answers against probability, a mark a bin, beside the line where both are alike."""
    axes[0].plot([0, 1], [0, 1], color="#8b938a", linewidth=0.8, zorder=0)
    for number, lesson in enumerate(lessons):
        p, y, low, high, _ = zip(*lesson.reliability, strict=True)
        below, above = ([abs(a - b) for a, b in zip(y, end, strict=True)] for end in (low, high))
        axes[0].errorbar(
            p, y, (below, above), fmt=MARKS[number % len(MARKS)], color=colour(number), linewidth=1,
            label=lesson.specimen,
        )  # fmt: skip
    axes[0].set(xlim=(0, 1), ylim=(0, 1), xlabel="probability of carbide by the map", ylabel="share of answers")
    axes[0].legend(loc="upper left")
