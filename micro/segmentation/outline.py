"""Draw the outline of every carbide at the level where blur leaves its edge."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from micro.segmentation import disc
from micro.segmentation.candidates import DEEP, FAINTEST, OWN_HEIGHT, heights, surroundings
from micro.segmentation.levels import FIRST_BLUR, Levels
from micro.segmentation.matrix import ADDED_SPREAD_PX
from micro.segmentation.regions import Pixels, grow
from micro.segmentation.segmentation import SegmentationSettings
from micro.segmentation.split import split

REACH = 2.2
LOWEST_HEIGHT = 0.3
COUNTED = 5.0  # a second phase is known to be there by now: noise adds one carbide in two megapixels


@dataclass(frozen=True, eq=False)
class Outlines:
    """Carbides of one polarity: labels, basins, class and whether a cut made each."""

    labels: NDArray[np.int32]
    basins: NDArray[np.int32]
    class_index: NDArray[np.intp]
    cut: NDArray[np.bool_]


def outline(
    contrast: NDArray[np.float32],
    smooth: NDArray[np.float32],
    noise: NDArray[np.float32],
    levels: Levels,
    settings: SegmentationSettings,
) -> Outlines:
    """Outline the carbides of all classes.

    Parameters
    ----------
    contrast, smooth
        (rows, columns) float32 flattened contrast, as it is and smoothed.
    noise
        (rows, columns) float32 standard deviation of `smooth` on the matrix.
    """
    labels = np.zeros(contrast.shape, np.int32)
    basins = np.zeros(contrast.shape, np.int32)
    kinds: list[NDArray[np.intp]] = [np.empty(0, np.intp)]
    cuts: list[NDArray[np.bool_]] = [np.empty(0, bool)]
    signs = np.array([np.sign(c.contrast) for c in levels.classes])
    for sign in np.unique(signs):
        of_sign = np.flatnonzero(signs == sign)
        heights = np.array([abs(levels.classes[k].contrast) for k in of_sign])
        turn = np.float32(sign)
        pinned = (
            None if settings.threshold_grey is None else float(sign) * (settings.threshold_grey - levels.matrix.grey)
        )
        own, region, kind, cut = _of_polarity(
            turn * contrast, turn * smooth, noise, heights, levels, settings.min_area_px, pinned
        )
        first = sum(len(k) for k in kinds)
        for whole, part in ((labels, own), (basins, region)):
            free = (whole == 0) & (part > 0)
            whole[free] = part[free] + first
        kinds.append(of_sign[kind])
        cuts.append(cut)
    return Outlines(labels, basins, np.concatenate(kinds), np.concatenate(cuts))


def _of_polarity(
    contrast: NDArray[np.float32],
    smooth: NDArray[np.float32],
    noise: NDArray[np.float32],
    class_contrast: NDArray[np.float64],
    levels: Levels,
    min_area_px: float,
    pinned_height: float | None,
) -> tuple[NDArray[np.int32], NDArray[np.int32], NDArray[np.intp], NDArray[np.bool_]]:
    spread = float(np.hypot(levels.blur_px or FIRST_BLUR, ADDED_SPREAD_PX))
    lowest = np.float32(FAINTEST) * noise
    # Small carbides stay below the height that parts large neighbours: they are seen at half of their own.
    apart = np.minimum(OWN_HEIGHT * surroundings(smooth), np.float32(LOWEST_HEIGHT * class_contrast.min()))
    count, cores, cut = split((smooth > np.maximum(apart, lowest)).astype(np.uint8), smooth)
    inside = Pixels.of(cores, count)
    depth = cv2.distanceTransform((cores > 0).astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_5)
    height, _ = heights(contrast, smooth, inside, depth.ravel()[inside.at] > DEEP * spread)
    significant = inside.largest(smooth / noise) > COUNTED
    basins = grow(cores, REACH * spread)
    pixels = Pixels.of(basins, count)
    light = pixels.sum(contrast)
    kind = _class_of(light, height, class_contrast, 2 * np.pi * spread**2)
    level = class_contrast[kind]
    edge = disc.edge(np.maximum(light / level, 0.1) / (2 * np.pi * spread**2)) * level
    if pinned_height is not None and pinned_height > 0:
        edge[:] = pinned_height
    within = smooth.ravel()[pixels.at] > np.maximum(edge[pixels.region], lowest.ravel()[pixels.at])
    keep = significant & (np.bincount(pixels.region, within, count) >= min_area_px)
    number = np.where(keep, np.cumsum(keep), 0).astype(np.int32)
    labels = np.zeros_like(basins)
    labels.ravel()[pixels.at[within]] = number[pixels.region[within]]
    return labels, np.concatenate([[0], number]).astype(np.int32)[basins], kind[keep], cut[keep]


def _class_of(
    light: NDArray[np.float64], height: NDArray[np.float64], class_contrast: NDArray[np.float64], blur_area: float
) -> NDArray[np.intp]:
    """(n,) class whose blurred disc of that light comes closest to the height found."""
    if len(class_contrast) == 1:
        return np.zeros(len(light), np.intp)
    size = np.maximum(light[:, None], 0) / (class_contrast * blur_area)
    return np.abs(class_contrast * disc.peak(size) - height[:, None]).argmin(axis=1)
