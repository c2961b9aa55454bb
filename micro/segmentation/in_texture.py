"""What stands out of a strong texture by its width: crests of laths are as high as carbides, but narrower.

A picture opened by a disc has at each summit the highest level that a whole disc reaches. The valleys of the same
texture, turned up and opened alike, tell which heights the matrix alone passes.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from micro.geometry.regions import connected

Picture = NDArray[np.float32]
Flags = NDArray[np.bool_]
RADII_PX = (1.5, 2.0, 2.5, 3.0, 4.0)
# Of what passes a height the other side may have that share as well (chosen), and ten must pass.
FALSE_SHARE, FEWEST = 0.02, 10
SUMMIT_PX = 9  # the highest within that square is a summit
LOWEST = 1.5  # standard deviations of the smoothed matrix: lower summits tell nothing (chosen)
# Share of the level at which outlines are drawn: at a half, crests of three standard deviations of 20 % texture touch
# carbides and hold 5 % of their area (simulated: tests/etch/test_in_texture.py).
OUTLINED_AT = 0.7
ROUNDED = 0.6  # of the radius of a region's largest circle: what is narrower belongs to a crest (chosen)
STEP_PX = 0.5


@dataclass(frozen=True)
class Heights:
    """What tells carbides from crests.

    Parameters
    ----------
    passed
        (radius, px; grey levels over the matrix): what a summit of the opened picture must pass.
    level
        Contrast of the carbides, grey levels.
    """

    passed: tuple[tuple[float, float], ...]
    level: float


def disc(radius: float) -> NDArray[np.uint8]:
    """(side, side) 1 inside a disc, 0 outside."""
    reach = int(np.ceil(radius))
    y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    return (x * x + y * y <= radius**2).astype(np.uint8)


def opened(picture: NDArray, radius: float) -> NDArray:
    """(rows, columns) without what is narrower than a disc of that radius."""
    return np.asarray(cv2.morphologyEx(picture, cv2.MORPH_OPEN, disc(radius)))


def find_heights(smooth: Picture, scatter: float) -> Heights | None:
    """Heights that carbides pass and the other side of the matrix does not; None where nothing parts them.

    Parameters
    ----------
    smooth
        (rows, columns) smoothed contrast, carbides upward; 0 where nothing is analysed.
    scatter
        Its standard deviation on the matrix.
    """
    passed, level = [], 0.0
    for radius in RADII_PX:
        above, below = (summits(opened(side, radius), LOWEST * scatter) for side in (smooth, -smooth))
        height = _parting(above, below)
        if height is not None:
            passed.append((radius, height))
            level = level or float(np.median(above[above > height]))
    return Heights(tuple(passed), level) if passed else None


def summits(picture: Picture, least: float) -> NDArray[np.float64]:
    """(n,) heights of the summits above `least`, lowest first."""
    highest = cv2.dilate(picture, np.ones((SUMMIT_PX, SUMMIT_PX), np.uint8))
    count, labels = connected(((picture >= highest) & (picture > least)).view(np.uint8))
    on = np.flatnonzero(labels)
    height = np.zeros(count + 1)
    height[labels.ravel()[on]] = picture.ravel()[on]
    return np.sort(height[1:])


def _parting(above: NDArray[np.float64], below: NDArray[np.float64]) -> float | None:
    """Return the lowest height from which on `below` has no more than FALSE_SHARE of the summits of `above`."""
    heights = np.union1d(above, below)
    real, mirrored = (len(side) - np.searchsorted(side, heights, side="right") for side in (above, below))
    enough = real >= FEWEST
    false = np.flatnonzero(enough & (mirrored > np.maximum(FALSE_SHARE * real - 1, 0)))
    first = false[-1] + 1 if len(false) else 0
    return float(heights[first]) if first < len(heights) and enough[first] else None


def wide_regions(smooth: Picture, heights: Heights) -> Flags:
    """(rows, columns) True inside what passes, at OUTLINED_AT of its level, less the crests that touch it.

    Parameters
    ----------
    smooth
        (rows, columns) smoothed contrast, carbides upward.
    heights
        What it must pass.
    """
    found = np.zeros(smooth.shape, bool)
    for radius, height in heights.passed:
        found |= opened(smooth, radius) > height
    mask = _rounded((opened(smooth, RADII_PX[0]) > OUTLINED_AT * heights.level).astype(np.uint8))
    count, labels = connected(mask)
    holds = np.zeros(count + 1, bool)
    holds[labels[found]] = True
    holds[0] = False
    return holds[labels]


def _rounded(mask: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Regions, each opened by a disc of ROUNDED of its own largest circle."""
    depth = cv2.distanceTransform(mask, cv2.DIST_L2, cv2.DIST_MASK_5)
    count, labels = connected(mask)
    deepest = np.zeros(count + 1, np.float32)
    np.maximum.at(deepest, labels.ravel(), depth.ravel())
    step = np.floor(ROUNDED * deepest / STEP_PX).astype(np.intp)
    step[0] = 0
    rounded = ((step < RADII_PX[0] / STEP_PX)[labels] & (mask > 0)).astype(np.uint8)
    for k in np.unique(step[step >= RADII_PX[0] / STEP_PX]):
        rounded |= opened((step == k)[labels].astype(np.uint8), float(k) * STEP_PX)
    return rounded
