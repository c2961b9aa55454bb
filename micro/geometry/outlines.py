"""Perimeter and Feret diameters of outlines."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from micro.geometry.runs import Runs, sums

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]
STEPS = ((0, 1), (1, 2), (1, 1), (2, 1), (1, 0), (2, -1), (1, -1), (1, -2))
ALONG_GRID = ((0, 1), (1, 1), (1, 0), (1, -1))
REACH = 2


def crofton_perimeter(runs: Runs, steps: Sequence[tuple[int, int]] = STEPS) -> FloatArray:
    """(n,) length of each label's outline, px.

    On parallel lines of lattice points in a direction, spaced 1/|step|, the pairs that leave the label are
    counted; times the spacing they are the label's total width. Directions are weighted by the angle they
    stand for.

    Parameters
    ----------
    runs
        Runs of the labels.
    steps
        (rows, columns) of the step from point to point in each direction.
    """
    own = runs.by_label
    length = own.length
    # Every label on rows of its own, so far apart that no step leads from one label or row into another.
    rows, columns = runs.shape[0] + REACH, runs.shape[1] + 2 * REACH
    start = (own.label * rows + own.row) * columns + own.start
    before = np.cumsum(length) - length
    width = np.zeros(len(length))
    for (down, right), weight in zip(steps, _angle_weights(steps), strict=True):
        step = down * columns + right
        first, last = (_pixels_before(place + step, start, length, before, down) for place in (start, start + length))
        width += weight / np.hypot(down, right) * (length - (last - first))
    return np.pi * sums(width, own)


def _pixels_before(place: IntArray, start: IntArray, length: IntArray, before: IntArray, ahead: int) -> IntArray:
    """(m,) how many pixels of all runs (m,) come before each place, which mostly lies at the run so far `ahead`."""
    run = np.minimum(np.arange(len(start)) + ahead, len(start) - 1)
    elsewhere = np.append(0, start + length)[run] > place
    elsewhere |= np.append(start, np.iinfo(np.intp).max)[run + 1] < place
    run[elsewhere] = np.searchsorted(start, place[elsewhere], side="right") - 1
    return before[run] + np.clip(place - start[run], 0, length[run])


def _angle_weights(steps: Sequence[tuple[int, int]]) -> FloatArray:
    angle = np.sort(np.mod([np.arctan2(rows, columns) for rows, columns in steps], np.pi))
    gap = np.diff(np.append(angle, angle[0] + np.pi))
    return (gap + np.roll(gap, 1)) / 2 / np.pi


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
