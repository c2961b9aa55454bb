"""Measured carbide under the ceiling of the composition."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from micro.report.figures.style import colour

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

WIDTH = 0.6


def draw_chemistry(axes: list[Axes], chemistry: pd.DataFrame) -> None:
    """One place a specimen and class; columns CHEMISTRY of `micro.columns`."""
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
