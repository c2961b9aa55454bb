"""Outlines at half height, touching carbides cut apart."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from micro.geometry.regions import Pixels, connected, grown
from micro.segmentation.blurred_shapes import disc_edge, disc_peak
from micro.segmentation.candidates import DEEP, FAINTEST, heights, standing_out, upward
from micro.segmentation.levels import FIRST_BLUR, Levels
from micro.segmentation.matrix import ADDED_SPREAD_PX
from micro.segmentation.segmentation import SegmentationSettings

NECK = 0.68


def split(
    mask: NDArray[np.uint8], depth: NDArray[np.float32], smooth: NDArray[np.float32], neck: float = NECK
) -> tuple[Pixels, NDArray[np.bool_]]:
    """Give numbers to the carbides of a mask, cutting at necks.

    Height is the distance to the outline times the smoothed contrast. For a convex carbide both are
    log-concave, so their product has one summit whatever the aspect ratio and the blur; a second summit means a neck.
    Two summits stay one carbide unless the saddle between them lies below `neck` of the lower one.

    Parameters
    ----------
    mask
        (rows, columns) uint8, 1 inside the outlines.
    depth
        (rows, columns) float32 distance to the outline, 0 outside.
    smooth
        (rows, columns) float32 smoothed contrast, positive inside the mask.

    Returns
    -------
    The carbides in the reading order of their summits, (n,) True where a cut made the carbide.
    """
    height = cv2.GaussianBlur(cv2.multiply(depth, smooth), (3, 3), 0)
    height *= mask
    count, labels = connected(mask)
    pixels = Pixels.of(labels, count)
    top = np.flatnonzero((height == cv2.dilate(height, np.ones((3, 3), np.uint8))) & mask.view(bool))
    own = labels.ravel().take(top) - 1
    several = np.bincount(own, minlength=count) > 1
    summit_of = np.zeros(count, np.intp)
    summit_of[own] = top
    inside = np.flatnonzero(several.take(pixels.region))
    at = pixels.at[inside]
    up, neighbours = _climb(height, at)
    parent = _merge(height.ravel()[at], up, neighbours, neck)[up]
    every = np.sort(np.concatenate([summit_of[~several], at[np.unique(parent)]]))
    number = np.searchsorted(every, at[parent])
    region = np.searchsorted(every, summit_of).take(pixels.region)
    region[inside] = number
    cut = np.zeros(len(every), bool)
    for near in neighbours:
        touching = (near >= 0) & (number[near] != number)
        cut[number[touching]] = True
        cut[number[near[touching]]] = True
    return Pixels(pixels.at, region, len(every), pixels.shape), cut


def _climb(height: NDArray[np.float32], at: NDArray[np.intp]) -> tuple[NDArray[np.intp], list[NDArray[np.intp]]]:
    """Follow the steepest ascent: index of each pixel's summit, and four neighbours of each pixel (−1: none)."""
    rows, cols = height.shape
    index = np.full((rows + 2) * (cols + 2), -1, np.int32)
    place = at + 2 * (at // cols) + cols + 3
    index[place] = np.arange(len(at))
    level = np.append(height.ravel()[at], np.float32(-1))
    up = np.arange(len(at))
    offsets = (-cols - 3, -cols - 2, -cols - 1, -1, 1, cols + 1, cols + 2, cols + 3)
    around = [index[place + offset] for offset in offsets]
    for there in around:
        higher = (level[there] > level[up]) | ((level[there] == level[up]) & (there > up))
        up = np.where(higher, there, up)
    while True:
        further = up[up]
        if np.array_equal(further, up):
            break
        up = further
    return up, around[4:]


def _merge(
    height: NDArray[np.float32], summit: NDArray[np.intp], neighbours: list[NDArray[np.intp]], neck: float
) -> NDArray[np.intp]:
    """Join summits whose saddle is high: for each pixel index the summit it now belongs to."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    parent = np.arange(len(height))
    pairs = []
    for near in neighbours:
        here = np.flatnonzero((near >= 0) & (summit[near] != summit))
        saddle = np.minimum(height[here], height[near[here]])
        pairs.append(np.stack([summit[here], summit[near[here]], saddle.astype(float)]))
    a, b, saddle = np.concatenate(pairs, axis=1)
    a, b = a.astype(np.intp), b.astype(np.intp)
    while len(a):
        joined = parent[a] != parent[b]
        a, b, saddle = a[joined], b[joined], saddle[joined]
        pa, pb = parent[a], parent[b]
        lower = np.minimum(height[pa], height[pb])
        keep = saddle >= neck * lower
        if not keep.any():
            break
        # Only the best saddle of each lower summit in a round: joining changes the summits the others see.
        low = np.where(height[pa] <= height[pb], pa, pb)[keep]
        order = np.lexsort((-saddle[keep], low))
        first = np.concatenate([[True], np.diff(low[order]) != 0])
        chosen = order[first]
        edges = (pa[keep][chosen], pb[keep][chosen])
        used, compact = np.unique(np.concatenate(edges), return_inverse=True)
        half = len(chosen)
        graph = coo_array((np.ones(half), (compact[:half], compact[half:])), shape=(len(used), len(used)))
        group = connected_components(graph, directed=False)[1]
        highest = np.lexsort((height[used], group))
        last = np.concatenate([np.diff(group[highest]) != 0, [True]])
        top = used[highest[last]]
        renamed = np.arange(len(height))
        renamed[used] = top[group]
        parent = renamed[parent]
    return parent


REACH = 2.2
LOWEST_HEIGHT = 0.3
COUNTED = 5.0  # a second phase is known to be there by now: noise adds one carbide in two megapixels


@dataclass(frozen=True, eq=False)
class Outlines:
    """Carbides: labels, basins; class, whether a cut made it, and pixels inside the outline of each."""

    labels: NDArray[np.int32]
    basins: NDArray[np.int32]
    class_index: NDArray[np.intp]
    cut: NDArray[np.bool_]
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
    cuts: list[NDArray[np.bool_]] = [np.empty(0, bool)]
    areas: list[NDArray[np.float64]] = [np.empty(0)]
    signs = np.array([np.sign(c.contrast) for c in levels.classes])
    for sign in np.unique(signs):
        of_sign = np.flatnonzero(signs == sign)
        heights = np.array([abs(levels.classes[k].contrast) for k in of_sign])
        pinned = (
            None if settings.threshold_grey is None else float(sign) * (settings.threshold_grey - levels.matrix.grey)
        )
        own, region, kind, cut, keep = _of_polarity(
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
        cuts.append(cut[keep])
        areas.append(own.size()[keep])
    return Outlines(labels, basins, np.concatenate(kinds), np.concatenate(cuts), np.concatenate(areas))


def _of_polarity(
    contrast: NDArray[np.float32],
    smooth: NDArray[np.float32],
    noise: NDArray[np.float32],
    class_contrast: NDArray[np.float64],
    levels: Levels,
    min_area_px: float,
    pinned_height: float | None,
) -> tuple[Pixels, Pixels, NDArray[np.intp], NDArray[np.bool_], NDArray[np.bool_]]:
    """Pixels inside the outlines and of the basins; of each region its class, whether a cut made it, whether it counts.

    Basins hold the outlines.
    """
    spread = float(np.hypot(levels.blur_px or FIRST_BLUR, ADDED_SPREAD_PX))
    # Small carbides stay below the height that parts large neighbours: they are seen at half of their own.
    mask = standing_out(smooth, noise, LOWEST_HEIGHT * class_contrast.min())
    depth = cv2.distanceTransform(mask, cv2.DIST_L2, cv2.DIST_MASK_5)
    inside, cut = split(mask, depth, smooth)
    height, _ = heights(contrast, smooth, inside, inside.values(depth) > DEEP * spread)
    significant = inside.any(inside.values(smooth) > COUNTED * inside.values(noise))
    pixels = grown(inside, REACH * spread)
    light = pixels.sum(contrast)
    kind = _class_of(light, height, class_contrast, 2 * np.pi * spread**2)
    level = class_contrast[kind]
    edge = disc_edge(np.maximum(light / level, 0.1) / (2 * np.pi * spread**2)) * level
    if pinned_height is not None and pinned_height > 0:
        edge[:] = pinned_height
    lowest = np.float32(FAINTEST) * pixels.values(noise)
    outlined = pixels.take(pixels.values(smooth) > np.maximum(edge.astype(np.float32).take(pixels.region), lowest))
    return outlined, pixels, kind, cut, significant & (outlined.size() >= max(min_area_px, 1))


def _class_of(
    light: NDArray[np.float64], height: NDArray[np.float64], class_contrast: NDArray[np.float64], blur_area: float
) -> NDArray[np.intp]:
    """(n,) class whose blurred disc of that light comes closest to the height found."""
    if len(class_contrast) == 1:
        return np.zeros(len(light), np.intp)
    size = np.maximum(light[:, None], 0) / (class_contrast * blur_area)
    return np.abs(class_contrast * disc_peak(size) - height[:, None]).argmin(axis=1)
