"""Every coupon as a dot, beside the mean of its group with its interval."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from micro.comparison.coupons import LONGITUDINAL, TRANSVERSE, CouponAnalysis
from micro.report.figures.style import colour

if TYPE_CHECKING:
    from matplotlib.axes import Axes

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
        toughness = own["toughness_J"].to_numpy(float)
        spots = place - 0.04 - DOTS_ABREAST * np.linspace(0, 1, len(own)) * (len(own) > 1)
        look: dict[str, Any] = {"marker": MARKERS[direction], "color": colour(0 if direction == LONGITUDINAL else 1)}
        axis.scatter(spots, toughness, s=16, zorder=3, linewidths=0, **look)
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
    axis.set(xlim=(-0.6, len(groups) - 0.4), ylabel="toughness, J")
    axis.set_ylim(bottom=0)
    axis.grid(axis="x", visible=False)
    axis.legend(loc="best")
