"""Perimeter by Cauchy and Crofton: π times the mean width over eight lattice directions."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from micro.particles.runs import Runs, sums

FloatArray = NDArray[np.float64]
STEPS = ((0, 1), (1, 2), (1, 1), (2, 1), (1, 0), (2, -1), (1, -1), (1, -2))


def crofton_perimeter(labels: NDArray[np.int32], runs: Runs) -> FloatArray:
    """(n,) length of each label's outline, px.

    On parallel lines of lattice points in a direction, spaced 1/|step|, the pairs that leave the label are
    counted; times the spacing they are the label's total width. Directions are weighted by the angle they
    stand for.
    """
    if not len(runs.label):
        return np.zeros(runs.count)
    padded = np.pad(labels, 2)
    flat, wide = padded.ravel(), padded.shape[1]
    first = (runs.row + 2) * wide + runs.start + 2
    begin = np.concatenate([[0], np.cumsum(runs.length)[:-1]])
    pixel = np.repeat(first - begin, runs.length) + np.arange(runs.length.sum())
    own = flat[pixel]
    width = np.zeros(runs.count)
    for (rows, columns), weight in zip(STEPS, _angle_weights(), strict=True):
        leaves = flat[pixel + rows * wide + columns] != own
        exits = sums(np.add.reduceat(leaves, begin, dtype=np.int32), runs)
        width += weight * exits / np.hypot(rows, columns)
    return np.pi * width


def _angle_weights() -> FloatArray:
    angle = np.sort(np.mod([np.arctan2(rows, columns) for rows, columns in STEPS], np.pi))
    gap = np.diff(np.append(angle, angle[0] + np.pi))
    return (gap + np.roll(gap, 1)) / 2 / np.pi
