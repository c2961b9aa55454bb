"""Centroid and the ellipse with the same second moments, for all carbides at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from micro.segmentation.runs import Runs, sums

FloatArray = NDArray[np.float64]
PIXEL_VARIANCE = 1 / 12
ANY_DIRECTION_DEG = 180 / np.sqrt(12)


@dataclass(frozen=True, eq=False)
class Moments:
    """Zeroth to second moments of n carbides, px.

    Parameters
    ----------
    area, x, y
        (n,) area and centroid; a pixel's centre at +0.5, y down.
    xx, yy, xy
        (n,) central second moments over the area.
    """

    area: FloatArray
    x: FloatArray
    y: FloatArray
    xx: FloatArray
    yy: FloatArray
    xy: FloatArray

    @property
    def aspect(self) -> FloatArray:
        """(n,) axis ratio of the ellipse of the same second moments; NaN without pixels."""
        major, minor, _ = ellipse(self.xx, self.yy, self.xy)
        return major / minor


def moments(runs: Runs) -> Moments:
    """Moments of the pixels of each label, every pixel a unit square (its own variance is 1/12)."""
    length = runs.length.astype(float)
    middle = (runs.start + runs.stop) / 2
    height = runs.row + 0.5
    with np.errstate(invalid="ignore", divide="ignore"):
        area = sums(length, runs)
        x = sums(length * middle, runs) / area
        y = sums(length * height, runs) / area
        dx, dy = middle - x[runs.label], height - y[runs.label]
        xx = sums(length * (dx**2 + length**2 / 12), runs) / area
        yy = sums(length * (dy**2 + PIXEL_VARIANCE), runs) / area
        xy = sums(length * dx * dy, runs) / area
    return Moments(area, x, y, xx, yy, xy)


def ellipse(
    xx: FloatArray, yy: FloatArray, xy: FloatArray, by_chance: FloatArray | float = 0.0
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Full major and minor axis and the major axis' angle of ellipses with these second moments.

    Parameters
    ----------
    xx, yy, xy
        (n,) central second moments over the area.
    by_chance
        (n,) mean square of half the difference of the principal moments that chance lends to a circle, px⁴: taken off.

    Returns
    -------
    major, minor
        (n,) 4·√eigenvalue, px.
    angle_deg
        (n,) from the horizontal, counter-clockwise as seen, (-90, 90].
    """
    mean = (xx + yy) / 2
    half = np.sqrt(np.maximum(((xx - yy) / 2) ** 2 + xy**2 - by_chance, 0))
    major, minor = 4 * np.sqrt(np.maximum(mean + half, 0)), 4 * np.sqrt(np.maximum(mean - half, 0))
    return major, minor, np.degrees(np.arctan2(-2 * xy, xx - yy)) / 2


def angle_uncertainty_deg(xx: FloatArray, yy: FloatArray, xy: FloatArray, by_chance: ArrayLike) -> FloatArray:
    """Return the standard uncertainty of the major axis' angle, at most that of an unknown angle.

    Parameters
    ----------
    xx, yy, xy, by_chance
        As in `ellipse`. Half of the mean square by chance lies across the difference seen, and turns it by twice the
        angle (derived, first order).
    """
    seen = ((xx - yy) / 2) ** 2 + xy**2
    with np.errstate(divide="ignore", invalid="ignore"):
        turn = np.degrees(np.sqrt(np.asarray(by_chance, float) / 2 / seen)) / 2
    return np.fmin(turn, ANY_DIRECTION_DEG)
