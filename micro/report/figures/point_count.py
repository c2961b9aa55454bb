"""A count beside the measurement, field by field."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from micro.report.figures.style import colour

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

    from micro.points.bias import Bias

MARKS = ("o", "s", "^", "D", "v", "P")


def draw_point_count(axes: list[Axes], fields: pd.DataFrame, bias: tuple[Bias, ...]) -> None:
    """Draw counted over measured (left), and their difference over their mean with limits of agreement (right).

    Parameters
    ----------
    fields
        Columns POINTS of `micro.columns`; rows of all classes together are drawn.
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
    axes[1].set(xlabel="mean of counted and measured, %", ylabel="counted less measured, % points")
