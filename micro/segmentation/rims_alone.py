"""Carbides of the matrix's own grey, told by their rims alone: relief, or an etch that takes only their edges."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from micro.geometry.regions import connected
from micro.issues import issue
from micro.segmentation.matrix import ADDED_SPREAD_PX, STEP, smoothed
from micro.segmentation.segmentation import Segmentation, Verdict

Mask = NDArray[np.bool_]

FEWEST_HOLES, HOLE_PX = 10, 4  # fewer holes are no kind of carbide, smaller ones may be noise (chosen)
# Of outlines as large as the middle one of those with one hole, the share that has one: 0 to 0.1 of carbides that are
# grey inside, 0.2 to 1 of rims (drawn), as small ones have none; 0 to 0.45 where a deep etch leaves carbides that shine
# at their edges (real ones). Where it is less than MOSTLY, rims are told by their walls, which are alike: the middle
# four fifths of their thickness lie within 0.2 to 0.5 of it, 0.6 to 1.1 in those and in pockets. Chosen between them.
# Where they are not alike, a good part must be one outline each: 0.7 of rims so drawn, none of pockets in clusters.
HOLLOW, MOSTLY, ALIKE, WHOLE = 0.15, 0.5, 0.5, 0.25
# How high they stand deep inside, at the same depth all over the field, over their highest: 0 to 0.55 in rims, 1 about
# pockets between carbides that touch; far on the other side of the matrix in grooves about carbides. Chosen.
LOW, OTHER_SIDE, ENOUGH_PX = 0.6, -0.3, 30
# A net of films has meshes too. Where holes take more than half of what is not outlined, or outlines with a hole lose
# more than that share when what is as thin as their walls is taken away, the holes are meshes (chosen).
MESHES, DANGLING = 0.5, 0.25
FULL_WIDTH = float(np.sqrt(8 * np.log(2)))  # of a normal distribution at half of its height, standard deviations
# Of the thickness of the blurred walls: at least so far from their middle a carbide may end (chosen).
LEAST_OPEN = 0.3


def rims_alone(s: Segmentation) -> Verdict | None:
    """Area within the rims of carbides that show nothing else; None where what is outlined is grey inside.

    Nobody can say where on a rim the carbide ends: the value is the area within its middle, the ends of the interval
    are those within its inner and its outer border, the blur of the lens taken off in squares.
    """
    side = 1 if s.outline_px @ np.sign(s.class_contrast) > 0 else -1
    of_side = np.sign(s.class_contrast) == side
    walls = s.labels > 0 if of_side.all() else np.append(False, of_side)[s.labels]
    holes = _holes(walls)
    if holes is None:
        return None
    filled = walls | holes
    count, region = connected(filled.view(np.uint8))
    hollow, large, share = _hollow(count, region, holes)
    if share < HOLLOW:
        return None
    depth, looked_at = _depth(filled), large[region]
    if not _falls(side * smoothed(s.contrast)[looked_at], depth[looked_at]):
        return None
    border = holes & hollow[region] & (cv2.dilate(walls.view(np.uint8), np.ones((3, 3), np.uint8)) > 0)
    thin, wall, thick = np.quantile(depth[border], [0.1, 0.5, 0.9]) - 0.5
    alike = thick - thin <= ALIKE * wall
    if not alike and (share < MOSTLY or _of_one_outline(s, walls, region, hollow) < WHOLE):
        return None
    of_hollow = hollow[region]
    if np.count_nonzero(_opened(of_hollow, wall)) < (1 - DANGLING) * np.count_nonzero(of_hollow):
        return None
    spread = float(np.hypot(s.blur_px or 1.0, ADDED_SPREAD_PX))
    open_px = max(float(np.sqrt(max(wall**2 - (FULL_WIDTH * spread) ** 2, 0.0))) / 2, LEAST_OPEN * wall)
    low, value, high = (
        float(np.count_nonzero(depth > wall / 2 + beyond)) / max(1, s.analysed_px) for beyond in (open_px, 0, -open_px)
    )
    return Verdict(instead=(value, low, high), said=(issue("rims_alone", low=low, high=high),))


def _holes(walls: Mask) -> Mask | None:
    """(rows, columns) True in what walls close in; None where that is not enough to tell, or as much as meshes."""
    # A quarter of the pixels tells most fields that have none.
    coarse = np.ascontiguousarray(~walls[::STEP, ::STEP]).view(np.uint8)
    if cv2.connectedComponents(coarse, connectivity=4)[0] <= FEWEST_HOLES:
        return None
    count, labels, stats, _ = cv2.connectedComponentsWithStats((~walls).view(np.uint8), connectivity=4)
    left, top, width, height, size = stats.T
    rows, columns = walls.shape
    closed = (left > 0) & (top > 0) & (left + width < columns) & (top + height < rows) & (size >= HOLE_PX)
    closed[[0, int(size[1:].argmax()) + 1 if count > 1 else 0]] = False
    if closed.sum() < FEWEST_HOLES or size[closed].sum() > MESHES * size[1:].sum():
        return None
    return closed.take(labels)


def _hollow(count: int, region: NDArray[np.int32], holes: Mask) -> tuple[Mask, Mask, float]:
    """(count + 1,) True for filled outlines with one hole, and for all as large; share of these that have one."""
    number, hole = connected(holes.view(np.uint8))
    size = np.bincount(region.ravel(), minlength=count + 1)
    within = np.zeros(number + 1, np.intp)
    within[hole[holes]] = region[holes]
    each = np.bincount(within[1:], minlength=count + 1)
    one, none = each == 1, each == 0
    one[0] = none[0] = False
    if one.sum() < FEWEST_HOLES:
        return one, one, 0.0
    large = size >= np.median(size[one])
    large[0] = False
    found, sound = (int(np.count_nonzero(which & large)) for which in (one, none))
    return one, large, found / (found + sound)


def _of_one_outline(s: Segmentation, walls: Mask, region: NDArray[np.int32], hollow: Mask) -> float:
    """Share of the `hollow` that are one outline: a pocket lies between several."""
    of_label = np.zeros(s.count + 1, np.intp)
    of_label[s.labels[walls]] = region[walls]
    return float(np.mean(np.bincount(of_label[1:], minlength=len(hollow))[hollow] == 1))


def _falls(height: NDArray[np.float32], depth: NDArray[np.float32]) -> bool:
    """Whether heights (n,) at depths (n,), px, inside outlines fall to the matrix beyond where they are highest.

    Far below it they are grooves about carbides of the other side.
    """
    at = depth.astype(np.intp)
    pixels = np.bincount(at)
    mean = (np.bincount(at, height) / np.maximum(pixels, 1))[pixels >= ENOUGH_PX]
    if not len(mean):
        return False
    inside = float(mean[mean.argmax() :].min() / mean.max())
    return OTHER_SIDE < inside < LOW


def _depth(filled: Mask) -> NDArray[np.float32]:
    """(rows, columns) distance to what is outside, px."""
    padded = np.pad(filled, 1, mode="edge").view(np.uint8)
    return np.asarray(cv2.distanceTransform(padded, cv2.DIST_L2, cv2.DIST_MASK_5)[1:-1, 1:-1])


def _opened(filled: Mask, width: float) -> Mask:
    side = 2 * int(np.ceil(width / 2)) + 1
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side))
    return cv2.morphologyEx(filled.view(np.uint8), cv2.MORPH_OPEN, disc) > 0
