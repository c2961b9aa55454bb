"""Spots that stand out of the matrix, each seen at half of its own height: what levels and blur are read from."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from micro.segmentation.matrix import ADDED_SPREAD_PX
from micro.segmentation.regions import Pixels, connected, grow

FloatArray = NDArray[np.float64]
SIGNIFICANT = 5.5
FAINTEST = 3.0
CERTAIN, FEWEST = 6.5, 4
NEIGHBOURHOOD_PX = 9
OWN_HEIGHT = 0.45
CLEAR_HEIGHT = 0.75
DEEP = 2.5
DIP, DIP_NOISE = 0.06, 3.0


@dataclass(frozen=True, eq=False)
class Candidates:
    """n spots of one polarity, in the smoothed picture.

    Parameters
    ----------
    height
        (n,) contrast of the interior: mean of what lies deep inside; at the centroid where nothing does.
    deep
        (n,) pixels deep inside, 0 for spots too small.
    light, zone
        (n,) integrated contrast, and pixels it was summed over.
    half, band
        (n,) pixels above half of the height, and between half and CLEAR_HEIGHT of it.
    perimeter_ratio
        (n,) length of the half-height outline over that of a circle of the same area.
    aspect
        (n,) axis ratio of the ellipse of the same second moments.
    at_edge
        (n,) True where the frame cuts the spot.
    """

    height: FloatArray
    deep: FloatArray
    light: FloatArray
    zone: FloatArray
    half: FloatArray
    band: FloatArray
    perimeter_ratio: FloatArray
    aspect: FloatArray
    at_edge: NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.height)

    def take(self, keep: NDArray) -> Candidates:
        """Return the spots at `keep`."""
        return Candidates(**{key: value[keep] for key, value in vars(self).items()})


def find_candidates(
    contrast: NDArray[np.float32], smooth: NDArray[np.float32], noise: NDArray[np.float32], blur: float = 1.0
) -> Candidates:
    """Spots brighter than the matrix.

    Parameters
    ----------
    contrast, smooth
        (rows, columns) flattened contrast, as it is and smoothed; negative ones are not looked at.
    noise
        (rows, columns) standard deviation of `smooth` on the matrix.
    blur
        Standard deviation of the edge spread, as far as it is known.
    """
    spread = float(np.hypot(blur, ADDED_SPREAD_PX))
    mask = (smooth > np.maximum(OWN_HEIGHT * surroundings(smooth), FAINTEST * noise)).astype(np.uint8)
    count, labels = connected(mask)
    pixels = Pixels.of(labels, count)
    summits = pixels.largest(smooth / noise)
    stands_out = summits > SIGNIFICANT
    # Noise on a million pixels passes SIGNIFICANT once in some twenty fields, CERTAIN, or FEWEST at a time, once in
    # thousands (mean number of summits of a Gaussian field, area·u·exp(−u²/2)/(2·(2π)^1.5) for this smoothing).
    if stands_out.sum() < FEWEST and not (summits > CERTAIN).any():
        stands_out[:] = False
    number = np.concatenate([[0], np.where(stands_out, np.cumsum(stands_out), 0)]).astype(np.int32)
    labels, count = number[labels], int(stands_out.sum())
    pixels = Pixels.of(labels, count)
    depth = cv2.distanceTransform(mask, cv2.DIST_L2, cv2.DIST_MASK_5).ravel()[pixels.at]
    height, deep = heights(contrast, smooth, pixels, depth > DEEP * spread)
    zone = Pixels.of(grow(labels, DEEP * spread), count)
    # A pair grown into one is lower between its two summits than on them: it shows neither level nor blur.
    summit = pixels.largest(smooth)
    single = (deep > 0) | (height > (1 - DIP) * summit - DIP_NOISE * float(noise.mean()))
    return _measured(contrast, smooth, zone, height, deep).take(single)


def surroundings(smooth: NDArray[np.float32]) -> NDArray[np.float32]:
    """Largest value of each pixel's neighbourhood."""
    return cv2.dilate(smooth, np.ones((NEIGHBOURHOOD_PX, NEIGHBOURHOOD_PX), np.uint8))


def heights(
    contrast: NDArray[np.float32], smooth: NDArray[np.float32], pixels: Pixels, is_deep: NDArray[np.bool_]
) -> tuple[FloatArray, FloatArray]:
    """Contrast (n,) of the interior, and (n,) pixels deep inside, `is_deep` among the `pixels`.

    The mean of what lies deep inside; where nothing does, the smoothed contrast at the centroid.
    """
    deep = np.bincount(pixels.region, is_deep, pixels.count).astype(float, copy=False)
    inside = np.bincount(pixels.region, is_deep * contrast.ravel()[pixels.at], pixels.count)
    columns = smooth.shape[1]
    size = pixels.size()
    y = np.bincount(pixels.region, pixels.at // columns, pixels.count) / np.maximum(size, 1)
    x = np.bincount(pixels.region, pixels.at % columns, pixels.count) / np.maximum(size, 1)
    return np.where(deep > 0, inside / np.maximum(deep, 1), _interpolated(smooth, y, x)), deep


def _interpolated(picture: NDArray[np.float32], y: FloatArray, x: FloatArray) -> FloatArray:
    """(n,) value at y, x (in rows and columns) by a parabola through the nearest pixel and its neighbours."""
    rows, columns = picture.shape
    row, col = np.rint(y).astype(np.intp), np.rint(x).astype(np.intp)
    dy, dx = np.clip(y - row, -1, 1), np.clip(x - col, -1, 1)
    middle = picture[row, col].astype(float)
    up, down = picture[np.maximum(row - 1, 0), col], picture[np.minimum(row + 1, rows - 1), col]
    left, right = picture[row, np.maximum(col - 1, 0)], picture[row, np.minimum(col + 1, columns - 1)]
    slope = dy * (down - up) / 2 + dx * (right - left) / 2
    return middle + slope + dy**2 * ((up + down) / 2 - middle) + dx**2 * ((left + right) / 2 - middle)


def _measured(
    contrast: NDArray[np.float32], smooth: NDArray[np.float32], zone: Pixels, height: FloatArray, deep: FloatArray
) -> Candidates:
    share = smooth.ravel()[zone.at] / np.maximum(height, 1e-6)[zone.region]
    above = share > 0.5
    half = np.bincount(zone.region, above, zone.count)
    half_labels = np.zeros(smooth.shape, np.int32)
    half_labels.ravel()[zone.at[above]] = zone.region[above] + 1
    inside = Pixels(zone.at[above], zone.region[above], zone.count)
    at_edge = np.zeros(zone.count + 1, bool)
    for side in (half_labels[0], half_labels[-1], half_labels[:, 0], half_labels[:, -1]):
        at_edge[side] = True
    return Candidates(
        height=height,
        deep=deep,
        light=zone.sum(contrast),
        zone=zone.size(),
        half=half.astype(float),
        band=np.bincount(zone.region, above & (share < CLEAR_HEIGHT), zone.count).astype(float),
        perimeter_ratio=_perimeter(half_labels, inside) / np.sqrt(4 * np.pi * np.maximum(half, 1)),
        aspect=_aspect(inside, smooth.shape[1]),
        at_edge=at_edge[1:],
    )


def _perimeter(labels: NDArray[np.int32], pixels: Pixels) -> FloatArray:
    """(n,) Crofton perimeter from the ends of chords in four directions."""
    padded = cv2.copyMakeBorder(labels, 1, 1, 1, 1, cv2.BORDER_REPLICATE).ravel()
    columns = labels.shape[1]
    at = (pixels.at // columns + 1) * (columns + 2) + pixels.at % columns + 1
    own = pixels.region + 1
    total = np.zeros(pixels.count)
    for step, apart in ((1, 1.0), (columns + 2, 1.0), (columns + 3, np.sqrt(0.5)), (columns + 1, np.sqrt(0.5))):
        ends = (padded[at + step] != own).astype(float) + (padded[at - step] != own)
        total += apart * np.bincount(pixels.region, ends, pixels.count)
    return np.pi / 8 * total


def _aspect(pixels: Pixels, columns: int) -> FloatArray:
    y, x = (pixels.at // columns).astype(float), (pixels.at % columns).astype(float)
    size = np.maximum(pixels.size(), 1)

    def mean(values: FloatArray) -> FloatArray:
        return np.bincount(pixels.region, values, pixels.count) / size

    dy, dx = y - mean(y)[pixels.region], x - mean(x)[pixels.region]
    yy, xx, xy = mean(dy * dy) + 1 / 12, mean(dx * dx) + 1 / 12, mean(dx * dy)
    root = np.hypot((xx - yy) / 2, xy)
    return np.sqrt(((xx + yy) / 2 + root) / np.maximum((xx + yy) / 2 - root, 1 / 12))
