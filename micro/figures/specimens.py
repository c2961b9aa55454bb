"""Figures of specimens: curves and a field of each, and all bars under each other on one axis."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from micro.figures.style import colour, dash, legend, plain_powers
from micro.geometry.runs import along_rows
from micro.pictures.page import no_wider
from micro.statistics.sampling import FloatArray, student_t

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

POINTS = 80


Curve = tuple[FloatArray, FloatArray]
"""x and y."""
Curves = dict[tuple[str, str], list[Curve]]
"""Of every field, by specimen and name of the curve. Arrays, so that a process that draws need not load pandas."""


def field_curves(profiles: pd.DataFrame) -> Curves:
    """Curves of a table of profiles, of two points and more."""
    found: Curves = {}
    for (specimen, curve, _), f in profiles.groupby(["specimen", "curve", "field"], sort=False, observed=True):
        if len(f) > 1:
            own = found.setdefault((str(specimen), str(curve)), [])
            own.append((f["x"].to_numpy(float), f["y"].to_numpy(float)))
    return found


def curves_of_field(profiles: pd.DataFrame) -> dict[str, Curve]:
    """Curves of one field by name."""
    every = profiles.groupby("curve", sort=False, observed=True)
    return {str(name): (f["x"].to_numpy(float), f["y"].to_numpy(float)) for name, f in every}


def mean_density(fields: list[Curve]) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Share per unit of x, mean over the fields, and half its 95 % interval (NaN for one field), on one grid."""
    highest = max(x[-1] for x, _ in fields)
    grid = np.linspace(0, highest, POINTS)
    density = np.array([np.interp(grid, x, y / (x[1] - x[0]), left=0, right=0) for x, y in fields])
    return grid, density.mean(axis=0), half_interval(density)


def half_interval(values: FloatArray) -> FloatArray:
    """(m,) half the 95 % interval of the mean of (fields, m) values; NaN for one field."""
    n = len(values)
    if n < 2:
        return np.full(values.shape[1], np.nan)
    return student_t(n - 1) * values.std(axis=0, ddof=1) / np.sqrt(n)


DIRECTIONS = {"along": "solid", "across": (0, (4, 2))}


def draw_chords(axes: list[Axes], curves: Curves, specimens: list[str]) -> None:
    """Carbide (left) and matrix (right); a colour a specimen, whole lines along, broken lines across."""
    for axis, phase in zip(axes, ("carbide", "matrix"), strict=True):
        for number, specimen in enumerate(specimens):
            for direction, dashes in DIRECTIONS.items():
                fields = curves.get((specimen, f"{phase}_chord_{direction}"))
                if fields:
                    x, density, _ = mean_density(fields)
                    label = f"{specimen}, {direction}"
                    axis.plot(x, 100 * density, color=colour(number), linestyle=dashes, label=label)
        axis.set(xlabel=f"chord of {phase}, µm", ylabel="% of the chords per µm", yscale="log", xlim=(0, None))
        axis.set_ylim(bottom=0.01)
        plain_powers(axis.yaxis)
        axis.yaxis.minorticks_off()
    legend(axes[0])


def draw_neighbours(axes: list[Axes], curves: Curves, specimens: list[str]) -> None:
    """One axis a specimen: observed with its 95 % band, and at random."""
    for number, (axis, specimen) in enumerate(zip(axes, specimens, strict=True)):
        observed, at_random = (curves.get((specimen, f"neighbour{which}")) for which in ("", "_at_random"))
        axis.set(title=specimen, xlabel="distance to the nearest, µm")
        if not (observed and at_random):
            continue
        x, density, half = mean_density(observed)
        axis.plot(x, 100 * density, color=colour(number), label="measured")
        if np.isfinite(half).all():
            low, high = np.maximum(density - half, 0), density + half
            axis.fill_between(x, 100 * low, 100 * high, color=colour(number), alpha=0.2, linewidth=0)
        x, density, _ = mean_density(at_random)
        axis.plot(x, 100 * density, color="#555555", linestyle="dashed", label="at random")
        axis.set_ylim(bottom=0)
        axis.legend(loc="upper right", fontsize=7)
    axes[0].set_ylabel("% of the carbides per µm")


def draw_edges(axes: list[Axes], curves: Curves, specimens: list[str]) -> None:
    """One axis a specimen: grey across the mean edge, with its 95 % band between fields, and that of a lens alone."""
    for number, (axis, specimen) in enumerate(zip(axes, specimens, strict=True)):
        axis.set(title=specimen, xlabel="distance from the outline, µm")
        for curve, shade, line, label in (
            ("edge", colour(number), "solid", "measured"),
            ("edge_of_lens", "#555555", "dashed", "a lens alone"),
        ):
            fields = curves.get((specimen, curve))
            if not fields:
                continue
            across, height = np.array([x for x, _ in fields]), fields[0][1]
            axis.plot(across.mean(axis=0), 100 * height, color=shade, linestyle=line, label=label)
            half = half_interval(across)
            if curve == "edge" and np.isfinite(half).all():
                low, high = across.mean(axis=0) - half, across.mean(axis=0) + half
                axis.fill_betweenx(100 * height, low, high, color=colour(number), alpha=0.2, linewidth=0)
        if axis.lines:
            axis.legend(loc="upper right", fontsize=7)
    axes[0].set_ylabel("grey, % of the contrast")


SizeCurve = tuple[str, str, FloatArray]
"""Specimen, "number" or "area", and (4, n) diameter, share in smaller ones and the ends of its interval."""


def size_curves(distributions: pd.DataFrame) -> list[SizeCurve]:
    """Curves of the table from `micro.comparison.size_distributions`."""
    columns = ["ecd_um", "share", "ci95_low", "ci95_high"]
    every = distributions.groupby(["specimen", "weighting"], sort=False)
    return [(str(specimen), str(weighting), own[columns].to_numpy(float).T) for (specimen, weighting), own in every]


def draw_sizes(axes: list[Axes], distributions: list[SizeCurve]) -> None:
    """Cumulative size distributions by number (left) and by area (right), with 95 % bands between fields."""
    for axis, weighting in zip(axes, ("number", "area"), strict=True):
        own = [(specimen, curve) for specimen, which, curve in distributions if which == weighting]
        for number, (specimen, (ecd_um, share, low, high)) in enumerate(own):
            look: dict[str, Any] = {"color": colour(number), "linestyle": dash(number), "label": specimen}
            axis.plot(ecd_um, 100 * share, **look)
            axis.fill_between(ecd_um, 100 * low, 100 * high, color=colour(number), alpha=0.18, linewidth=0)
        axis.set(xscale="log", ylim=(0, 100), xlabel="equivalent circle diameter, µm")
        plain_powers(axis.xaxis)
        axis.set_ylabel(f"% of carbide {weighting} in smaller ones")
    legend(axes[0])


def draw_rose(axes: list[Axes], curves: Curves, specimens: list[str]) -> None:
    """One axis a specimen: the share of the carbides' length in each direction; rolling is horizontal."""
    for number, (axis, specimen) in enumerate(zip(axes, specimens, strict=True)):
        fields = curves.get((specimen, "rose"))
        axis.set(aspect="equal", title=specimen, anchor="N")
        axis.axis("off")
        if not fields:
            continue
        angle = np.radians(fields[0][0])
        share = np.mean([y for _, y in fields], axis=0)
        even = 1 / len(share)
        half = np.pi / len(share) / 2
        for middle, length in zip(np.concatenate([angle, angle + np.pi]), np.tile(share, 2), strict=True):
            arc = np.linspace(middle - half, middle + half, 9)
            x, y = length * np.cos(arc), length * np.sin(arc)
            axis.fill(np.append(0, x), np.append(0, y), color=colour(number), linewidth=0.4, edgecolor="white")
        circle = np.linspace(0, 2 * np.pi, 181)
        axis.plot(even * np.cos(circle), even * np.sin(circle), color="#555555", linewidth=0.8, linestyle="dashed")
        reach = 1.1 * max(share.max(), even)
        axis.annotate("rolling", (reach, 0), ha="left", va="center", fontsize=7)
        axis.set(xlim=(-reach * 1.3, reach * 1.3), ylim=(-reach, reach))


WIDEST_PX = 900


def draw_banding(
    axes: list[Axes], picture: NDArray[np.uint8], um_per_px: float, rolling_deg: float, curves: dict[str, Curve]
) -> None:
    """Field turned so that rolling is horizontal (left), and area fraction across rolling at the same height (right).

    Parameters
    ----------
    picture
        (rows, columns) grey levels for the eye.
    curves
        Of this field.
    """
    rows, columns = picture.shape
    turned = along_rows(picture, rolling_deg, 255, smooth=True)
    high, wide = turned.shape
    turn = np.radians(rolling_deg)
    middle = (columns * np.sin(turn) + rows * np.cos(turn)) / 2
    top, bottom = (middle - high / 2) * um_per_px, (middle + high / 2) * um_per_px
    shown, extent = no_wider(turned, WIDEST_PX), (0, wide * um_per_px, bottom, top)
    axes[0].imshow(shown, cmap="gray", extent=extent, interpolation="bilinear", vmin=0)
    axes[0].set(xlabel="along rolling, µm", ylabel="across rolling, µm", anchor="W")
    axes[0].grid(visible=False)
    draw_band_profile(axes[1], curves)
    axes[1].set_ylim(bottom, top)


def draw_band_profile(axis: Axes, curves: dict[str, Curve]) -> None:
    """Area fraction across rolling of one field, beside carbides placed at random; x of the curves runs downwards."""
    if "band_profile_random_low" in curves:
        (x, low), (_, high) = curves["band_profile_random_low"], curves["band_profile_random_high"]
        axis.fill_betweenx(x, 100 * low, 100 * high, color="#c8c8c8", linewidth=0, label="at random")
    for name, tint, width, label in (
        ("band_profile", "#9a9a9a", 0.5, "every row"),
        ("band_profile_smoothed", colour(0), 1.8, "smoothed"),
    ):
        if name in curves:
            x, y = curves[name]
            axis.plot(100 * y, x, color=tint, linewidth=width, label=label)
    axis.set_xlabel("area fraction, %")
    axis.set_xlim(0, _reach(curves) if "band_profile_smoothed" in curves else None)
    if curves:
        # Above the axes: no place inside them is free of the profile.
        axis.legend(loc="lower right", bbox_to_anchor=(1, 1), ncols=3, borderaxespad=0.2, columnspacing=1, fontsize=7)


def _reach(curves: dict[str, Curve]) -> float:
    """Right end of the axis, in %: the smoothed profile and the middle of the band at random with some room."""
    smoothed, far = curves["band_profile_smoothed"][1], curves["band_profile_random_high"][1]
    return 130 * max(float(smoothed.max()), float(np.median(far)))


MARGIN_IN, ROW_IN = 0.62, 0.22
BAND = "#eef0ec"
LONGEST_NAME = 28
WIDE = 4.0
"""Largest over smallest value from which the axis is logarithmic, so that small bars stay readable. Chosen."""


@dataclass(frozen=True)
class ForestRow:
    """One bar: name, value with the ends of its interval (NaN where unknown), and letters."""

    name: str
    value: float
    low: float
    high: float
    letters: str = ""
    reference: bool = False


def height_in(rows: int) -> float:
    """Height of a figure of so many bars, inches."""
    return MARGIN_IN + ROW_IN * max(rows, 2)


def draw_forest(axes: list[Axes], rows: Sequence[ForestRow], label: str, *, signed: bool = False) -> None:
    """One line a bar from top to bottom: its value (dot) and 95 % interval (line), letters at the right.

    Where the interval is unknown the dot is open. The interval of the reference bar runs down the figure as a band.
    What is `signed` may be 0 and below, and has an axis with equal steps.
    """
    axis = axes[0]
    places = np.arange(len(rows))[::-1]
    shown = [row.name if len(row.name) <= LONGEST_NAME else row.name[: LONGEST_NAME - 1] + "…" for row in rows]
    for place, row in zip(places, rows, strict=True):
        _draw_row(axis, float(place), row)
    axis.set_yticks(places, shown)
    axis.set(ylim=(-0.6, len(rows) - 0.4), xlabel=label)
    known = np.array([v for row in rows for v in (row.value, row.low, row.high) if np.isfinite(v)])
    if len(known) and not signed and known.min() > 0 and known.max() / known.min() > WIDE:
        _logarithmic(axis, known)
    elif len(known):
        axis.set_xlim(min(0.0, 1.05 * known.min()), 1.06 * known.max() or 1.0)
    axis.grid(axis="y", visible=False)
    axis.tick_params(axis="y", length=0)


def _draw_row(axis: Axes, place: float, row: ForestRow) -> None:
    tint = colour(1) if row.reference else colour(0)
    certain = np.isfinite(row.low) and np.isfinite(row.high)
    if row.reference and certain:
        axis.axvspan(row.low, row.high, color=BAND, zorder=0)
    if certain:
        axis.plot([row.low, row.high], [place, place], color=tint, linewidth=1.6, solid_capstyle="butt")
    if np.isfinite(row.value):
        axis.plot(row.value, place, "o", color=tint, markersize=5, markerfacecolor=tint if certain else "white")
    else:
        axis.annotate("unknown", (0.02, place), xycoords=("axes fraction", "data"), va="center", fontsize=7)
    if row.letters:
        axis.annotate(
            row.letters, (1.0, place), (4, 0), ("axes fraction", "data"), textcoords="offset points", va="center",
            fontsize=8, annotation_clip=False,
        )  # fmt: skip


def _logarithmic(axis: Axes, known: np.ndarray) -> None:
    from matplotlib.ticker import FixedLocator, NullLocator

    axis.set_xscale("log")
    low, high = known.min() / 1.15, known.max() * 1.15
    steps = np.outer(10.0 ** np.arange(-9, 10), (1, 2, 5)).ravel()
    ticks = steps[(steps >= low) & (steps <= high)]
    axis.set_xlim(low, high)
    axis.xaxis.set_major_locator(FixedLocator(ticks.tolist()))
    axis.xaxis.set_minor_locator(NullLocator())
    axis.xaxis.set_major_formatter(lambda value, _: f"{value:g}")
