"""Size distributions of all specimens in one figure."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from micro.report.figures.style import colour, dash, plain_powers
from micro.specimens.sampling import student_t

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

FloatArray = NDArray[np.float64]
GRID = 160


def draw_sizes(axes: list[Axes], particles: pd.DataFrame) -> None:
    """Cumulative size distributions by number (left) and by area (right), with 95 % bands between fields."""
    for axis, by_area in zip(axes, (False, True), strict=True):
        for number, (specimen, own) in enumerate(particles.groupby("specimen", sort=False)):
            weight = own["weight"].to_numpy(float)
            if by_area:
                weight = weight * own["area_um2"].to_numpy(float)
            _curve(axis, own["ecd_um"].to_numpy(float), weight, own["field"].to_numpy(), str(specimen), number)
        axis.set(xscale="log", ylim=(0, 100), xlabel="equivalent circle diameter, µm")
        plain_powers(axis.xaxis)
        axis.set_ylabel(f"% of carbide {'area' if by_area else 'number'} in smaller ones")
    axes[0].legend(loc="upper left")


def _curve(axis: Axes, size: FloatArray, weight: FloatArray, field: NDArray, specimen: str, number: int) -> None:
    counted = weight > 0
    if not counted.any():
        return
    grid = np.geomspace(size[counted].min(), size[counted].max() * 1.001, GRID)
    share, half = share_below(size[counted], weight[counted], field[counted], grid)
    axis.plot(grid, 100 * share, color=colour(number), linestyle=dash(number), label=specimen)
    if np.isfinite(half).all():
        low, high = np.clip(share - half, 0, 1), np.clip(share + half, 0, 1)
        axis.fill_between(grid, 100 * low, 100 * high, color=colour(number), alpha=0.18, linewidth=0)


def share_below(
    size: FloatArray, weight: FloatArray, field: NDArray, grid: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Share of the weight in sizes up to each of `grid`, and half its 95 % interval between fields.

    The share is a ratio of field sums; its uncertainty is that of a ratio estimator (linearised), t with
    fields - 1 degrees of freedom; NaN for one field.
    """
    _, field_number = np.unique(field, return_inverse=True)
    fields = int(field_number.max()) + 1
    bins = np.searchsorted(grid, size)
    table = np.zeros((fields, len(grid) + 1))
    np.add.at(table, (field_number, bins), weight)
    below = np.cumsum(table, axis=1)[:, :-1]
    whole = table.sum(axis=1)
    share = below.sum(axis=0) / whole.sum()
    if fields == 1:
        return share, np.full(len(grid), np.nan)
    spread = np.square(below - share * whole[:, None]).sum(axis=0) * fields / (fields - 1)
    return share, student_t(fields - 1) * np.sqrt(spread) / whole.sum()
