"""Steps at the borders of 8 × 8 blocks, as lossy compression (JPEG) leaves them."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

BLOCK = 8


@dataclass(frozen=True)
class BlockSteps:
    """Steps across block borders.

    Parameters
    ----------
    excess
        Mean step across borders over that elsewhere, less 1.
    significance
        `excess` over its standard uncertainty, the smaller of rows and columns.
    """

    excess: float
    significance: float


def block_steps(grey: NDArray[np.float32], noise: float) -> BlockSteps:
    """Compare the steps between neighbouring pixels at every eighth column and row with those between.

    Parameters
    ----------
    grey
        (rows, columns) grey levels as in the file; the grid may start anywhere.
    noise
        Standard deviation of the matrix; steps beyond four of it count as four, so that carbides do not matter.
    """
    found = [_along(grey[::2], noise, 1), _along(grey[:, ::2], noise, 0)]
    weakest = min(found, key=lambda one: one.significance)
    return BlockSteps(float(np.mean([one.excess for one in found])), weakest.significance)


def _along(grey: NDArray[np.float32], noise: float, axis: int) -> BlockSteps:
    ahead, behind = (grey[:, 1:], grey[:, :-1]) if axis == 1 else (grey[1:], grey[:-1])
    steps = np.minimum(
        cv2.absdiff(np.ascontiguousarray(ahead), np.ascontiguousarray(behind)), np.float32(4 * noise + 1)
    )
    mean = cv2.reduce(steps, 1 - axis, cv2.REDUCE_AVG, dtype=cv2.CV_32F).ravel().astype(float)
    # Each against its neighbours: uneven light and noise change slowly.
    bump = mean[1:-1] - (mean[:-2] + mean[2:]) / 2
    whole = len(bump) // BLOCK * BLOCK
    if whole < 4 * BLOCK or mean.mean() <= 0:
        return BlockSteps(0.0, 0.0)
    phases = bump[:whole].reshape(-1, BLOCK)
    each = phases.mean(axis=0)
    best = int(np.argmax(each))
    spread = 1.4826 * np.median(np.abs(phases - np.median(phases, axis=0)))
    certainty = max(float(spread) / np.sqrt(len(phases)), 1e-9)
    return BlockSteps(float(each[best] / mean.mean()), float(each[best] / certainty))
