"""Spots that stand out of the matrix, each seen at half of its own height: what levels and blur are read from."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from micro.geometry.outlines import ALONG_GRID, crofton_perimeter
from micro.geometry.regions import Pixels, close_to, grown
from micro.geometry.runs import moments, touches_edge
from micro.segmentation.matrix import ADDED_SPREAD_PX, ANY, rows_at_once

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
    clipped
        (n,) share of the pixels above half of the height that are clipped.
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
    clipped: FloatArray

    def __len__(self) -> int:
        return len(self.height)

    def take(self, keep: NDArray) -> Candidates:
        """Return the spots at `keep`."""
        return Candidates(**{key: value[keep] for key, value in vars(self).items()})


def find_candidates(
    contrast: NDArray[np.float32],
    smooth: NDArray[np.float32],
    noise: NDArray[np.float32],
    clipped: NDArray[np.bool_],
    blur: float = 1.0,
) -> Candidates:
    """Spots brighter than the matrix.

    Parameters
    ----------
    contrast, smooth
        (rows, columns) flattened contrast, as it is and smoothed; negative ones are not looked at.
    noise
        (rows, columns) standard deviation of `smooth` on the matrix.
    clipped
        (rows, columns) True where the grey level is full scale.
    blur
        Standard deviation of the edge spread, as far as it is known.
    """
    spread = float(np.hypot(blur, ADDED_SPREAD_PX))
    mask = standing_out(smooth, noise)
    pixels = Pixels.within(mask)
    over_noise = pixels.values(smooth) / pixels.values(noise)
    stands_out = pixels.any(over_noise > SIGNIFICANT)
    # Noise on a million pixels passes SIGNIFICANT once in some twenty fields, CERTAIN, or FEWEST at a time, once in
    # thousands (mean number of summits of a Gaussian field, area·u·exp(−u²/2)/(2·(2π)^1.5) for this smoothing).
    if stands_out.sum() < FEWEST and not (over_noise > CERTAIN).any():
        stands_out[:] = False
    pixels = pixels.chosen(stands_out)
    height, deep = heights(contrast, smooth, pixels, ~pixels.values(close_to(1 - mask, DEEP * spread)))
    # A pair grown into one is lower between its two summits than on them: it shows neither level nor blur.
    highest = (height + DIP_NOISE * float(noise.mean())) / (1 - DIP)
    single = (deep > 0) | ~pixels.any(pixels.values(smooth) >= highest[pixels.region])
    zone = grown(pixels, DEEP * spread)
    return _measured(contrast, smooth, clipped, zone, height, deep).take(single)


def upward(picture: NDArray[np.float32], sign: int) -> NDArray[np.float32]:
    """Contrast of the polarity `sign`, 1 or -1, upwards."""
    return picture if sign > 0 else -picture


def standing_out(
    smooth: NDArray[np.float32],
    noise: NDArray[np.float32],
    highest: float | None = None,
    close_by_px: int = NEIGHBOURHOOD_PX,
) -> NDArray[np.uint8]:
    """(rows, columns) 1 where a picture stands out of the matrix, 0 elsewhere.

    Parameters
    ----------
    smooth, noise
        (rows, columns) smoothed contrast, and its standard deviation on the matrix; FAINTEST of it must be passed.
    highest
        Contrast that is enough, however high its neighbours; else OWN_HEIGHT of the highest close by must be passed.
    close_by_px
        Side of the square that is close by, px; odd.
    """
    threshold = cv2.dilate(smooth, np.ones((close_by_px, close_by_px), np.uint8))
    mask = np.empty(smooth.shape, bool)
    for rows in rows_at_once(smooth.shape):
        least = threshold[rows]
        least *= np.float32(OWN_HEIGHT)
        if highest is not None:
            np.clip(least, -ANY, np.float32(highest), out=least)
        np.maximum(least, np.float32(FAINTEST) * noise[rows], out=least)
        np.greater(smooth[rows], least, out=mask[rows])
    return mask.view(np.uint8)


def heights(
    contrast: NDArray[np.float32], smooth: NDArray[np.float32], pixels: Pixels, is_deep: NDArray[np.bool_]
) -> tuple[FloatArray, FloatArray]:
    """Contrast (n,) of the interior, and (n,) pixels deep inside, `is_deep` among the `pixels`.

    The mean of what lies deep inside; where nothing does, the smoothed contrast at the centroid.
    """
    within = pixels.take(is_deep)
    deep, inside = within.size(), within.sum(contrast)
    place = moments(pixels.runs())
    return np.where(deep > 0, inside / np.maximum(deep, 1), _interpolated(smooth, place.y - 0.5, place.x - 0.5)), deep


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
    contrast: NDArray[np.float32],
    smooth: NDArray[np.float32],
    clipped: NDArray[np.bool_],
    zone: Pixels,
    height: FloatArray,
    deep: FloatArray,
) -> Candidates:
    share = zone.values(smooth) / np.maximum(height, 1e-6).astype(np.float32).take(zone.region)
    above = share > 0.5
    inside = zone.take(above)
    runs = inside.runs()
    shape = moments(runs)
    return Candidates(
        height=height,
        deep=deep,
        light=zone.sum(contrast),
        zone=zone.size(),
        half=shape.area,
        band=inside.total(share[above] < CLEAR_HEIGHT),
        perimeter_ratio=crofton_perimeter(runs, ALONG_GRID) / np.sqrt(4 * np.pi * np.maximum(shape.area, 1)),
        aspect=np.nan_to_num(shape.aspect, nan=1.0),
        at_edge=touches_edge(runs),
        clipped=inside.sum(clipped) / np.maximum(shape.area, 1),
    )
