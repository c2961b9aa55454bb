"""Feret diameters: the extent of each carbide's convex hull, direction by direction."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from micro.segmentation.runs import Runs

FloatArray = NDArray[np.float64]
# How far the extreme pixel centres fall short of the outline, both ends: the distance of the rows of pixels along the
# grid and its diagonals; in between, a mean over discs and ellipses.
SHORT_ON_GRID_PX, SHORT_ON_DIAGONAL_PX, SHORT_PX = 1.0, 0.7071, 0.6


def extent(runs: Runs, angle_deg: float | NDArray) -> FloatArray:
    """(n,) or (directions, n) extent of pixel centres along a direction, px.

    Parameters
    ----------
    runs
        Runs of the labels.
    angle_deg
        Direction from the horizontal, counter-clockwise as seen.
    """
    runs, bounds = runs.by_label, runs.by_label.first
    left, right, y = (value.astype(float) for value in (runs.start, runs.stop - 1, runs.row))
    angles = np.radians(np.atleast_1d(angle_deg))
    result = np.zeros((len(angles), runs.count))
    if not len(bounds):
        return result if np.ndim(angle_deg) else result[0]
    for i, angle in enumerate(angles):
        ux, uy = np.cos(angle), -np.sin(angle)
        far, near = (right, left) if ux >= 0 else (left, right)
        high = np.maximum.reduceat(ux * far + uy * y, bounds)
        low = np.minimum.reduceat(ux * near + uy * y, bounds)
        result[i, runs.label[bounds]] = high - low
    return result if np.ndim(angle_deg) else result[0]


def short_of_outline(angle_deg: float) -> float:
    """How far pixel centres fall short of the outline, both ends of a direction together, px: a mean over places."""
    from_grid = abs((angle_deg + 45) % 90 - 45)
    if from_grid < 1e-6:
        return SHORT_ON_GRID_PX
    return SHORT_ON_DIAGONAL_PX if abs(from_grid - 45) < 1e-6 else SHORT_PX
