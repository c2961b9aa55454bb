"""What lies close to regions, and to which of them closest."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from micro.segmentation.regions import Pixels

# From here on a distance map of the whole picture costs less than looking around.
FAR_PX = 5.0


def grown(pixels: Pixels, reach: float) -> Pixels:
    """Regions with every pixel added that lies within `reach` px of one, centre to centre; the nearest takes it."""
    if not len(pixels.at):
        return pixels
    few = pixels.count <= np.iinfo(np.uint16).max
    return _around(pixels, reach) if few and reach < FAR_PX else _by_distance_map(pixels, reach)


def close_to(mask: NDArray[np.uint8], reach: float) -> NDArray[np.bool_]:
    """(rows, columns) True within `reach` px of the 1s of a 0/1 mask, centre to centre."""
    if reach < FAR_PX:
        return cv2.dilate(mask, (_square_distances(reach) <= reach**2).view(np.uint8)).view(bool)
    return np.asarray(cv2.distanceTransform(1 - mask, cv2.DIST_L2, cv2.DIST_MASK_5) <= np.float32(reach))


def _square_distances(reach: float) -> NDArray[np.intp]:
    """(2k + 1, 2k + 1) square of the distance from the middle, for all that is not further in rows and columns."""
    away = np.square(np.arange(-int(reach), int(reach) + 1))
    return away[:, None] + away


def _around(pixels: Pixels, reach: float) -> Pixels:
    """Only where the highest and the lowest number close by differ it takes a search for the nearest region."""
    square_distance = _square_distances(reach)
    close_by = np.ones(square_distance.shape, np.uint8)
    number = pixels.labels(np.uint16)
    at = np.flatnonzero(close_to(pixels.mask(), reach))
    highest = cv2.dilate(number, close_by).ravel().take(at)
    # One less, what belongs to no region is the largest number that 16 bits hold.
    lowest = cv2.erode(number - np.uint16(1), close_by).ravel().take(at) + np.uint16(1)
    between = np.flatnonzero(highest != lowest)
    steps = np.stack(np.nonzero(square_distance <= reach**2)) - int(reach)
    steps = steps[:, np.argsort(np.square(steps).sum(axis=0), kind="stable")]
    highest[between] = _first_met(number, at[between], steps)
    return Pixels(at, highest.astype(np.intp) - 1, pixels.count, pixels.shape)


def _first_met(number: NDArray, at: NDArray[np.intp], steps: NDArray[np.intp]) -> NDArray:
    """(m,) first number above 0 that `steps` (2, k) in rows and columns meet from the flat positions `at`."""
    half = int(np.abs(steps).max(initial=0))
    framed = cv2.copyMakeBorder(number, half, half, half, half, cv2.BORDER_CONSTANT)
    wide = framed.shape[1]
    place = at + 2 * half * (at // number.shape[1]) + half * wide + half
    found, waiting = np.zeros(len(at), number.dtype), np.arange(len(at))
    for step in (steps[0] * wide + steps[1]).tolist():
        found[waiting] = framed.ravel().take(place[waiting] + step)
        waiting = waiting[found[waiting] == 0]
        if not len(waiting):
            break
    return found


def _by_distance_map(pixels: Pixels, reach: float) -> Pixels:
    away, nearest = cv2.distanceTransformWithLabels(
        1 - pixels.mask(), cv2.DIST_L2, cv2.DIST_MASK_5, labelType=cv2.DIST_LABEL_PIXEL
    )
    at = np.flatnonzero(away <= np.float32(reach))
    # The labels number the pixels of the regions from 1 in reading order.
    return Pixels(at, pixels.region.take(nearest.ravel().take(at) - 1), pixels.count, pixels.shape)
