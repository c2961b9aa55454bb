"""What stands out of a strong texture by its width: crests of laths are as high as carbides, but narrower.

A picture opened by a disc has at each summit the highest level that a whole disc reaches. The valleys of the same
texture, turned up and opened alike, tell which heights the matrix alone passes.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from micro.geometry.regions import Pixels, firsts

Picture = NDArray[np.float32]
Flags = NDArray[np.bool_]
Kernel = NDArray[np.uint8]
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


@cache
def disc(radius: float) -> NDArray[np.uint8]:
    """(side, side) 1 inside a disc, 0 outside."""
    reach = int(radius)
    y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    return (x * x + y * y <= radius**2).astype(np.uint8)


def opened(picture: NDArray, radius: float) -> NDArray:
    """(rows, columns) without what is narrower than a disc of that radius."""
    kernels, tips = PARTS.get(radius, ((disc(radius),), None))
    eroded = _by_parts(cv2.erode, cv2.min, picture, kernels, tips)
    return _by_parts(cv2.dilate, cv2.max, eroded, kernels, tips)


def _by_parts(
    step: Callable, joined: Callable, picture: NDArray, kernels: tuple[Kernel, ...], tips: Kernel | None
) -> NDArray:
    """(rows, columns) eroded or dilated by a disc: by what makes up its middle one after the other, and by its tips."""
    found = picture
    for kernel in kernels:
        found = step(found, kernel)
    return np.asarray(found if tips is None else joined(found, step(picture, tips), dst=found))


def _tips(radius: float) -> Kernel:
    """(side, side) 1 on the outermost rows and columns of a disc."""
    tips = disc(radius).copy()
    tips[1:-1, 1:-1] = 0
    return tips


# What a disc on the grid of pixels is, but for its four tips: squares and few points take less time than all of it.
SQUARE, CROSS = np.ones((5, 5), np.uint8), disc(1.0)
PARTS: dict[float, tuple[tuple[Kernel, ...], Kernel | None]] = {
    2.5: ((disc(1.5), CROSS), None),
    3.0: ((SQUARE,), _tips(3.0)),
    4.0: ((SQUARE, CROSS), _tips(4.0)),
}


@dataclass(frozen=True, eq=False)
class Opened:
    """A picture (rows, columns) upward; what it is without what is narrower than a disc is found once a radius."""

    picture: Picture
    _opened: dict[float, Picture] = field(default_factory=dict, repr=False)
    _summits: dict[tuple[float, float], NDArray[np.float64]] = field(default_factory=dict, repr=False)

    def by(self, radius: float) -> Picture:
        """(rows, columns) without what is narrower than a disc of that radius."""
        if radius not in self._opened:
            self._opened[radius] = opened(self.picture, radius)
        return self._opened[radius]

    def higher(self, radius: float, height: float) -> Flags:
        """(rows, columns) True where what is so wide is higher than that."""
        if radius in self._opened:
            return self._opened[radius] > height
        return opened((self.picture > height).view(np.uint8), radius).view(bool)

    def summits(self, radius: float, least: float) -> NDArray[np.float64]:
        """(n,) heights of the summits that are so wide, above `least`, lowest first."""
        if (radius, least) not in self._summits:
            self._summits[radius, least] = summits(self.by(radius), least)
        return self._summits[radius, least]


def find_heights(above: Opened, below: Opened, scatter: float) -> Heights | None:
    """Heights that carbides pass and the other side of the matrix does not; None where nothing parts them.

    Parameters
    ----------
    above, below
        Smoothed contrast, carbides upward, and the same turned over; 0 where nothing is analysed.
    scatter
        Its standard deviation on the matrix.
    """
    passed, level = [], 0.0
    for radius in RADII_PX:
        real = above.summits(radius, LOWEST * scatter)
        if len(real) < FEWEST:
            continue
        height = _parting(real, below.summits(radius, LOWEST * scatter))
        if height is not None:
            passed.append((radius, height))
            level = level or float(np.median(real[real > height]))
    return Heights(tuple(passed), level) if passed else None


def summits(picture: Picture, least: float) -> NDArray[np.float64]:
    """(n,) heights of the summits above `least`, lowest first."""
    highest = cv2.dilate(picture, np.ones((SUMMIT_PX, SUMMIT_PX), np.uint8))
    return np.sort(picture.ravel().take(firsts((picture >= highest) & (picture > least)))).astype(float)


def _parting(above: NDArray[np.float64], below: NDArray[np.float64]) -> float | None:
    """Return the lowest height from which on `below` has no more than FALSE_SHARE of the summits of `above`."""
    heights = np.union1d(above, below)
    real, mirrored = (len(side) - np.searchsorted(side, heights, side="right") for side in (above, below))
    enough = real >= FEWEST
    false = np.flatnonzero(enough & (mirrored > np.maximum(FALSE_SHARE * real - 1, 0)))
    first = false[-1] + 1 if len(false) else 0
    return float(heights[first]) if first < len(heights) and enough[first] else None


def wide_regions(smooth: Opened, heights: Heights) -> Flags:
    """(rows, columns) True inside what passes, at OUTLINED_AT of its level, less the crests that touch it.

    Parameters
    ----------
    smooth
        Smoothed contrast, carbides upward.
    heights
        What it must pass.
    """
    found = np.zeros(smooth.picture.shape, bool)
    for radius, height in heights.passed:
        found |= smooth.higher(radius, height)
    mask = _rounded(smooth.higher(RADII_PX[0], OUTLINED_AT * heights.level).view(np.uint8))
    pixels = Pixels.within(mask)
    return pixels.take(pixels.any(pixels.values(found)).take(pixels.region)).mask().view(bool)


def _rounded(mask: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Regions, each opened by a disc of ROUNDED of its own largest circle."""
    depth = cv2.distanceTransform(mask, cv2.DIST_L2, cv2.DIST_MASK_5)
    pixels = Pixels.within(mask)
    deepest = np.zeros(pixels.count, np.float32)
    np.maximum.at(deepest, pixels.region, pixels.values(depth))
    step = np.floor(ROUNDED * deepest / STEP_PX).astype(np.uint16)
    steps = np.zeros(mask.shape, np.uint16)
    steps.ravel()[pixels.at] = step.take(pixels.region)
    least = RADII_PX[0] / STEP_PX
    rounded = ((steps < least) & (mask > 0)).view(np.uint8)
    for k in np.unique(step[step >= least]):
        own = (steps == k).view(np.uint8)
        left, top, wide, high = cv2.boundingRect(own)
        # With what lies beside them: no disc reaches beyond without it.
        part = slice(max(0, top - 1), top + high + 1), slice(max(0, left - 1), left + wide + 1)
        rounded[part] |= opened(own[part], float(k) * STEP_PX)
    return rounded
