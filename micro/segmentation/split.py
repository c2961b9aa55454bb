"""Take touching carbides apart, keep elongated and concave ones whole."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from micro.segmentation.regions import Pixels, connected

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
