"""The transverse toughness ratio over the structure."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from micro.report.figures.style import colour
from micro.report.wording import plain_name

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes


def draw_structure(axes: list[Axes], points: pd.DataFrame) -> None:
    """One axis a quantity, one point a specimen; columns as in `structure_against_toughness`."""
    for axis, (quantity, own) in zip(axes, points.groupby("quantity", sort=False), strict=True):
        for number, row in enumerate(own.to_dict("records")):
            x_ends = np.nan_to_num([[row["x"] - row["x_low"]], [row["x_high"] - row["x"]]])
            y_ends = np.nan_to_num([[row["ratio"] - row["ratio_low"]], [row["ratio_high"] - row["ratio"]]])
            axis.errorbar(row["x"], row["ratio"], y_ends, x_ends, fmt="o", color=colour(number), capsize=3)
            axis.annotate(row["specimen"], (row["x"], row["ratio"]), xytext=(6, 6), textcoords="offset points")
        unit = own["unit"].iloc[0]
        axis.set_xlabel(
            plain_name(str(quantity)).partition(" (")[0] + (f", {unit}" if isinstance(unit, str) and unit else "")
        )
        axis.set_ylim(0, None)
        axis.margins(x=0.15)
    axes[0].set_ylabel("transverse over longitudinal toughness")
