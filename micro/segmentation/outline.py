"""Outlines at half height."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from micro.geometry.regions import Pixels, grown
from micro.segmentation.blurred_shapes import disc_edge, disc_peak
from micro.segmentation.candidates import DEEP, FAINTEST, heights, standing_out, upward
from micro.segmentation.cuts import Deblurring, cut_necks, split
from micro.segmentation.levels import FIRST_BLUR, Levels
from micro.segmentation.matrix import ADDED_SPREAD_PX, SMOOTHED_NOISE
from micro.segmentation.segmentation import SegmentationSettings

REACH = 2.2
LOWEST_HEIGHT = 0.3
COUNTED = 5.0  # a second phase is known to be there by now: noise adds one carbide in two megapixels


@dataclass(frozen=True, eq=False)
class Outlines:
    """Carbides: labels, basins; of each its class, whether a cut made it, whether it narrows, pixels inside."""

    labels: NDArray[np.int32]
    basins: NDArray[np.int32]
    class_index: NDArray[np.intp]
    cut: NDArray[np.bool_]
    concave: NDArray[np.bool_]
    area: NDArray[np.float64]


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
    cuts: list[NDArray[np.bool_]] = [np.empty((2, 0), bool)]
    areas: list[NDArray[np.float64]] = [np.empty(0)]
    signs = np.array([np.sign(c.contrast) for c in levels.classes])
    for sign in np.unique(signs):
        of_sign = np.flatnonzero(signs == sign)
        heights = np.array([abs(levels.classes[k].contrast) for k in of_sign])
        pinned = (
            None if settings.threshold_grey is None else float(sign) * (settings.threshold_grey - levels.matrix.grey)
        )
        own, region, kind, own_cuts, keep = _of_polarity(
            upward(contrast, sign), upward(smooth, sign), noise, heights, levels, settings.min_area_px, pinned
        )
        first = sum(len(k) for k in kinds)
        if first:
            own, region = own.take(own.values(labels) == 0), region.take(region.values(basins) == 0)
        # What is not kept gets 0, the number of the matrix: cheaper than a list without it.
        number = np.where(keep, first + np.cumsum(keep), 0).astype(np.int32)
        for whole, part in ((labels, own), (basins, region)):
            whole.ravel()[part.at] = number.take(part.region)
        kinds.append(of_sign[kind[keep]])
        cuts.append(own_cuts[:, keep])
        areas.append(own.size()[keep])
    cut, concave = np.concatenate(cuts, axis=1)
    return Outlines(labels, basins, np.concatenate(kinds), cut, concave, np.concatenate(areas))


def _of_polarity(
    contrast: NDArray[np.float32],
    smooth: NDArray[np.float32],
    noise: NDArray[np.float32],
    class_contrast: NDArray[np.float64],
    levels: Levels,
    min_area_px: float,
    pinned_height: float | None,
) -> tuple[Pixels, Pixels, NDArray[np.intp], NDArray[np.bool_], NDArray[np.bool_]]:
    """Pixels inside the outlines and of the basins; of each region its class, what its cuts tell, whether it counts.

    Basins hold the outlines. (2, n) cuts: whether one made it, and whether it narrows yet is not cut.
    """
    spread = float(np.hypot(levels.blur_px or FIRST_BLUR, ADDED_SPREAD_PX))
    # Small carbides stay below the height that parts large neighbours: they are seen at half of their own.
    mask = standing_out(smooth, noise, LOWEST_HEIGHT * class_contrast.min())
    depth = cv2.distanceTransform(mask, cv2.DIST_L2, cv2.DIST_MASK_5)
    inside, cut = split(mask, depth, smooth)
    lens = Deblurring(levels.blur_px or FIRST_BLUR, float(noise.mean()) / SMOOTHED_NOISE, float(class_contrast.min()))
    inside, *cuts = cut_necks(inside, cut, contrast, smooth, lens)
    height, _ = heights(contrast, smooth, inside, inside.values(depth) > DEEP * spread)
    significant = inside.any(inside.values(smooth) > COUNTED * inside.values(noise))
    pixels = grown(inside, REACH * spread)
    light = pixels.sum(contrast)
    kind = _class_of(light, height, class_contrast, 2 * np.pi * spread**2)
    level = class_contrast[kind]
    edge = disc_edge(np.maximum(light / level, 0.1) / (2 * np.pi * spread**2)) * level
    if pinned_height is not None and pinned_height > 0:
        edge[:] = pinned_height
    least = edge.astype(np.float32).take(pixels.region)
    if edge.min(initial=np.inf) < FAINTEST * float(noise.max()):  # else noise reaches no edge
        np.maximum(least, np.float32(FAINTEST) * pixels.values(noise), out=least)
    outlined = pixels.take(pixels.values(smooth) > least)
    return outlined, pixels, kind, np.stack(cuts), significant & (outlined.size() >= max(min_area_px, 1))


def _class_of(
    light: NDArray[np.float64], height: NDArray[np.float64], class_contrast: NDArray[np.float64], blur_area: float
) -> NDArray[np.intp]:
    """(n,) class whose blurred disc of that light comes closest to the height found."""
    if len(class_contrast) == 1:
        return np.zeros(len(light), np.intp)
    size = np.maximum(light[:, None], 0) / (class_contrast * blur_area)
    return np.abs(class_contrast * disc_peak(size) - height[:, None]).argmin(axis=1)
