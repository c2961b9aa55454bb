"""The frame cuts large carbides more often than small ones; weights make up for it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from micro.particles.runs import Runs

FloatArray = NDArray[np.float64]


def touches_edge(runs: Runs) -> NDArray[np.bool_]:
    """(n,) True where a label reaches the outermost pixels of the frame."""
    rows, columns = runs.shape
    at_edge = (runs.row == 0) | (runs.row == rows - 1) | (runs.start == 0) | (runs.stop == columns)
    return np.bincount(runs.label, at_edge, runs.count) > 0


def weights(runs: Runs, cut: NDArray[np.bool_], frame: tuple[int, int] | None = None) -> FloatArray:
    """(n,) W·H/((W-w)·(H-h)) for a carbide of bounding box w × h in a frame W × H; 0 where it is cut.

    `frame` is (rows, columns) of the whole picture where the runs are of a part of it.

    The inverse of the chance that a carbide of that box, placed at random, lies wholly inside
    (Miles 1974; Lantuéjoul 1980).
    """
    rows, columns = frame or runs.shape
    left, right = np.full(runs.count, columns), np.zeros(runs.count)
    top, bottom = np.full(runs.count, rows), np.zeros(runs.count)
    np.minimum.at(left, runs.label, runs.start)
    np.maximum.at(right, runs.label, runs.stop)
    np.minimum.at(top, runs.label, runs.row)
    np.maximum.at(bottom, runs.label, runs.row + 1)
    with np.errstate(divide="ignore"):
        weight = rows * columns / ((columns - (right - left)) * (rows - (bottom - top)))
    return np.where(cut, 0.0, weight)
