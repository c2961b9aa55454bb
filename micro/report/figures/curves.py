"""Curves of fields, joined into one of a specimen."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from micro.specimens.sampling import student_t

if TYPE_CHECKING:
    import pandas as pd

FloatArray = NDArray[np.float64]
POINTS = 80


def field_curves(profiles: pd.DataFrame, specimen: str, curve: str) -> list[tuple[FloatArray, FloatArray]]:
    """(x, y) of a curve of every field of a specimen."""
    own = profiles[(profiles["specimen"] == specimen) & (profiles["curve"] == curve)]
    fields = [f for _, f in own.groupby("field", sort=False, observed=True) if len(f) > 1]
    return [(f["x"].to_numpy(float), f["y"].to_numpy(float)) for f in fields]


def mean_density(fields: list[tuple[FloatArray, FloatArray]]) -> tuple[FloatArray, FloatArray, FloatArray]:
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
