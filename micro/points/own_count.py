"""The program's own count: a grid laid on its segmentation."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def judge_points(
    labels: NDArray[np.int32], x_px: NDArray[np.float64], y_px: NDArray[np.float64]
) -> tuple[NDArray[np.str_], NDArray[np.int32]]:
    """Verdicts that the labels give.

    A point is on a boundary when the outline runs within half a pixel of it: the square of one pixel about the
    point touches both carbide and matrix.

    Parameters
    ----------
    labels
        (rows, columns), 0 in the matrix.
    x_px, y_px
        (n,) points on the picture; those beyond its edge raise ValueError.

    Returns
    -------
    (n,) "in", "boundary" or "out", and (n,) the label that was hit, 0 for out.
    """
    rows, columns = labels.shape
    if not (np.all((x_px >= 0) & (x_px <= columns)) and np.all((y_px >= 0) & (y_px <= rows))):
        raise ValueError(f"a point lies beyond the picture of {columns} × {rows} px")
    left, top = np.floor(x_px - 0.5).astype(int), np.floor(y_px - 0.5).astype(int)
    column = np.clip(left[:, None] + np.array([0, 1, 0, 1]), 0, columns - 1)
    row = np.clip(top[:, None] + np.array([0, 0, 1, 1]), 0, rows - 1)
    about = labels[row, column]
    hits = (about > 0).sum(axis=1)
    verdicts = np.where(hits == 4, "in", np.where(hits == 0, "out", "boundary"))
    here = labels[np.clip(y_px.astype(int), 0, rows - 1), np.clip(x_px.astype(int), 0, columns - 1)]
    return verdicts, np.where(here > 0, here, about.max(axis=1))
