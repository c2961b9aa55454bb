"""Figure of what a picture can show: probability of detection against size."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from micro.figures.style import colour, legend, plain_powers

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

    from micro.statistics.detection import DetectionCurve

POINTS = 120


def draw_detection(axes: Axes, table: pd.DataFrame, curve: DetectionCurve | None) -> None:
    """Draw shares found by size, the curve with its 95 % band, and a90; `table` as detection.csv."""
    size = table["ecd_um"].to_numpy(float)
    share = 100 * table["found"] / table["set_in"]
    axes.plot(size, share, "o", color=colour(1), label="found of those set in")
    if curve is not None:
        x = np.geomspace(size.min(), size.max(), POINTS)
        low, high = curve.band(x)
        axes.plot(x, 100 * curve.probability(x), color=colour(0), label="probability of detection")
        axes.fill_between(x, 100 * low, 100 * high, color=colour(0), alpha=0.2, linewidth=0)
        if size.min() < curve.a90 < size.max():
            axes.axvline(curve.a90, color=colour(4), linewidth=0.8, linestyle="dotted", label=f"a90 {curve.a90:.2g} µm")
    axes.set(xscale="log", ylim=(0, 103), xlabel="equivalent circle diameter, µm", ylabel="found, %")
    plain_powers(axes.xaxis)
    legend(axes)
