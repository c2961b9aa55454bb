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
from micro.segmentation.regions import Pixels
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
            free = whole.ravel()[part.at] == 0
            whole.ravel()[part.at[free]] = part.region[free] + first + 1
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
) -> tuple[Pixels, Pixels, NDArray[np.intp], NDArray[np.bool_]]:
    spread = float(np.hypot(levels.blur_px or FIRST_BLUR, ADDED_SPREAD_PX))
    lowest = np.float32(FAINTEST) * noise
    # Small carbides stay below the height that parts large neighbours: they are seen at half of their own.
    apart = np.minimum(OWN_HEIGHT * surroundings(smooth), np.float32(LOWEST_HEIGHT * class_contrast.min()))
    mask = (smooth > np.maximum(apart, lowest, out=apart)).view(np.uint8)
    depth = cv2.distanceTransform(mask, cv2.DIST_L2, cv2.DIST_MASK_5)
    inside, cut = split(mask, depth, smooth)
    height, _ = heights(contrast, smooth, inside, inside.values(depth) > DEEP * spread)
    significant = inside.any(inside.values(smooth) > COUNTED * inside.values(noise))
    pixels = inside.grown(REACH * spread)
    light = pixels.sum(contrast)
    kind = _class_of(light, height, class_contrast, 2 * np.pi * spread**2)
    level = class_contrast[kind]
    edge = disc.edge(np.maximum(light / level, 0.1) / (2 * np.pi * spread**2)) * level
    if pinned_height is not None and pinned_height > 0:
        edge[:] = pinned_height
    outlined = pixels.take(pixels.values(smooth) > np.maximum(edge[pixels.region], pixels.values(lowest)))
    keep = significant & (outlined.size() >= min_area_px)
    return outlined.chosen(keep), pixels.chosen(keep), kind[keep], cut[keep]


def _class_of(
    light: NDArray[np.float64], height: NDArray[np.float64], class_contrast: NDArray[np.float64], blur_area: float
) -> NDArray[np.intp]:
    """(n,) class whose blurred disc of that light comes closest to the height found."""
    if len(class_contrast) == 1:
        return np.zeros(len(light), np.intp)
    size = np.maximum(light[:, None], 0) / (class_contrast * blur_area)
    return np.abs(class_contrast * disc.peak(size) - height[:, None]).argmin(axis=1)
