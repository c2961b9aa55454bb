"""The program's own count: a grid laid on its segmentation."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def judge_points(
    carbide: NDArray[np.bool_], x_px: NDArray[np.float64], y_px: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Scores that the outlines give: 1 in, ½ on a boundary, 0 out.

    A point is on a boundary when the outline runs within half a pixel of it: the square of one pixel about the
    point touches both carbide and matrix.

    Parameters
    ----------
    carbide
        (rows, columns) True inside the outlines.
    x_px, y_px
        (n,) points on the picture; those beyond its edge raise ValueError.
    """
    rows, columns = carbide.shape
    if not (np.all((x_px >= 0) & (x_px <= columns)) and np.all((y_px >= 0) & (y_px <= rows))):
        raise ValueError(f"a point lies beyond the picture of {columns} × {rows} px")
    left, top = np.floor(x_px - 0.5).astype(int), np.floor(y_px - 0.5).astype(int)
    column = np.clip(left[:, None] + np.array([0, 1, 0, 1]), 0, columns - 1)
    row = np.clip(top[:, None] + np.array([0, 0, 1, 1]), 0, rows - 1)
    about = carbide[row, column]
    return (about.any(axis=1).astype(float) + about.all(axis=1)) / 2


def expected_score(carbide: NDArray[np.bool_]) -> float:
    """Mean of `judge_points` over every place of the picture: what the own count comes to without counting noise.

    The score is constant on squares of one pixel between pixel centres, so that a sum over them is exact; the
    squares are halved along the edges of the picture.
    """
    padded = np.pad(carbide, 1, mode="edge")
    corners = (padded[:-1, :-1], padded[:-1, 1:], padded[1:, :-1], padded[1:, 1:])
    touched = corners[0] | corners[1] | corners[2] | corners[3]
    filled = corners[0] & corners[1] & corners[2] & corners[3]
    across, down = (_halved_ends(length) for length in (carbide.shape[1], carbide.shape[0]))
    weighted = down @ touched @ across + down @ filled @ across
    return float(weighted / 2 / carbide.size)


def _halved_ends(length: int) -> NDArray[np.float64]:
    weight = np.ones(length + 1)
    weight[[0, -1]] = 0.5
    return weight
