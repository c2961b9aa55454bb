"""Size distributions of all specimens in one figure."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from micro.report.figures.style import colour, dash, legend, plain_powers

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes


def draw_sizes(axes: list[Axes], distributions: pd.DataFrame) -> None:
    """Cumulative size distributions by number (left) and by area (right), with 95 % bands between fields.

    Parameters
    ----------
    distributions
        From `micro.comparison.size_distributions`.
    """
    for axis, weighting in zip(axes, ("number", "area"), strict=True):
        own = distributions[distributions["weighting"] == weighting]
        for number, (specimen, curve) in enumerate(own.groupby("specimen", sort=False)):
            look: dict[str, Any] = {"color": colour(number), "linestyle": dash(number), "label": str(specimen)}
            axis.plot(curve["ecd_um"], 100 * curve["share"], **look)
            axis.fill_between(
                curve["ecd_um"], 100 * curve["ci95_low"], 100 * curve["ci95_high"], color=colour(number), alpha=0.18,
                linewidth=0,
            )  # fmt: skip
        axis.set(xscale="log", ylim=(0, 100), xlabel="equivalent circle diameter, µm")
        plain_powers(axis.xaxis)
        axis.set_ylabel(f"% of carbide {weighting} in smaller ones")
    legend(axes[0])
