"""Distances of nearest neighbours beside those of the same carbides placed at random."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from micro.report.figures.curves import field_curves, mean_density
from micro.report.figures.style import colour

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes


def draw_neighbours(axes: list[Axes], profiles: pd.DataFrame, specimens: list[str]) -> None:
    """One axis a specimen: observed with its 95 % band, and at random."""
    for number, (axis, specimen) in enumerate(zip(axes, specimens, strict=True)):
        observed = field_curves(profiles, specimen, "neighbour")
        at_random = field_curves(profiles, specimen, "neighbour_at_random")
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
