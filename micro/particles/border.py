"""The frame cuts large carbides more often than small ones; weights make up for it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from micro.segmentation.matrix import ADDED_SPREAD_PX
from micro.segmentation.runs import Runs

FloatArray = NDArray[np.float64]


def guard_px(blur_px: float | None) -> int:
    """How near to the frame an outline is no longer what it would be further in: two edge spreads."""
    return int(np.ceil(2 * np.hypot(blur_px or 0.0, ADDED_SPREAD_PX)))


def weights(runs: Runs, guard: int, frame: tuple[int, int] | None = None) -> FloatArray:
    """(n,) W·H/((W − 2g − w + 1)·(H − 2g − h + 1)) for a box w × h that keeps g px from the frame W × H, else 0.

    The inverse of the share of all places, in whole pixels, at which a carbide of that bounding box does so (Miles
    1974; Lantuéjoul 1980). The picture ends at the frame, and with it the light that draws the outline: without the
    guard, carbides near the frame merge with it and are taken for cut.

    Parameters
    ----------
    runs
        Runs of the labels.
    guard
        g, px; at least 1, as one that touches the outermost pixels may be cut.
    frame
        (rows, columns) of the whole picture where the runs are of a part of it.
    """
    rows, columns = runs.shape
    left, right, top, bottom = boxes(runs)
    inside = (left >= guard) & (right <= columns - guard) & (top >= guard) & (bottom <= rows - guard)
    rows, columns = frame or runs.shape
    places = (columns - 2 * guard - (right - left) + 1) * (rows - 2 * guard - (bottom - top) + 1)
    return np.where(inside, rows * columns / np.maximum(places, 1), 0.0)


def boxes(runs: Runs) -> NDArray[np.intp]:
    """(4, n) first column, column after the last, first row and row after the last of each label; 0 without a pixel."""
    own = runs.by_label
    found = np.zeros((4, runs.count), np.intp)
    if len(own.first):
        last = np.append(own.first[1:], len(own.label)) - 1
        found[:, own.label[own.first]] = (
            np.minimum.reduceat(own.start, own.first),
            np.maximum.reduceat(own.stop, own.first),
            own.row[own.first],
            own.row[last] + 1,
        )
    return found
