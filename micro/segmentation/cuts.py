"""Touching carbides cut apart: at necks of what blur leaves, then at necks of the deblurred outlines."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from micro.geometry.regions import Pixels, linked
from micro.geometry.runs import moments
from micro.segmentation.matrix import ADDED_SPREAD_PX, SMOOTHING_PX

Picture = NDArray[np.float32]
FloatArray = NDArray[np.float64]

# Chosen: 0.6 to 0.8 count alike, as what this leaves is cut at necks of the deblurred outlines; from 0.92 on single
# carbides are cut (simulated: tests/segmentation/test_split.py).
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
    pixels = Pixels.within(mask)
    values = pixels.values(height)
    top = pixels.take(values == pixels.values(cv2.dilate(height, np.ones((3, 3), np.uint8))))
    several = top.size() > 1
    summit_of = np.zeros(pixels.count, np.intp)
    summit_of[top.region] = top.at
    inside = np.flatnonzero(several.take(pixels.region))
    at, own = pixels.at.take(inside), values.take(inside)
    up, neighbours = _climb(height, at)
    parent = _merge(own, _saddles(own, up, neighbours), neck)[up]
    tops = np.flatnonzero(np.bincount(parent))
    every = np.sort(np.concatenate([summit_of[~several], at[tops]]))
    number_of = np.zeros(len(at), np.intp)
    number_of[tops] = np.searchsorted(every, at[tops])
    number = number_of.take(parent)
    region = np.searchsorted(every, summit_of).take(pixels.region)
    region[inside] = number
    cut = np.zeros(len(every), bool)
    for near in neighbours:
        beside = number.take(near)
        touching = np.flatnonzero((near >= 0) & (beside != number))
        cut[number.take(touching)] = True
        cut[beside.take(touching)] = True
    return Pixels(pixels.at, region, len(every), pixels.shape), cut


def _climb(height: NDArray[np.float32], at: NDArray[np.intp]) -> tuple[NDArray[np.intp], list[NDArray[np.int32]]]:
    """Follow the steepest ascent: index of each pixel's summit, and four neighbours of each pixel (−1: none)."""
    rows, cols = height.shape
    wide = cols + 2
    # In a framed picture, of the neighbour above to the left, and from there to the pixel and its eight neighbours.
    corner = at + 2 * (at // cols)
    steps = np.array([wide + 1, 0, 1, 2, wide, wide + 2, 2 * wide, 2 * wide + 1, 2 * wide + 2])
    own = height.ravel().take(at)
    index, framed = np.full((rows + 2) * wide, -1, np.int32), np.full((rows + 2) * wide, -np.inf, np.float32)
    index[corner + steps[0]], framed[corner + steps[0]] = np.arange(len(at), dtype=np.int32), own
    highest, ahead = np.full(len(at), -np.inf, np.float32), np.zeros(len(at), np.uint8)
    for number, step in enumerate(steps[1:].tolist(), 1):
        if number == 5:  # of neighbours that come before the pixel only a higher one is taken
            ahead *= highest > own
            np.maximum(highest, own, out=highest)
        level = framed[step:].take(corner)
        # Of neighbours alike the last in reading order is taken, and its number is the largest.
        np.maximum(ahead, (level >= highest).view(np.uint8) * np.uint8(number), out=ahead)
        np.maximum(highest, level, out=highest)
    up = index.take(corner + steps.take(ahead)).astype(np.intp)
    while True:
        further = up.take(up)
        if np.array_equal(further, up):
            break
        up = further
    return up, [index[step:].take(corner) for step in steps[5:].tolist()]


def _saddles(
    height: NDArray[np.float32], summit: NDArray[np.intp], neighbours: list[NDArray[np.int32]]
) -> tuple[NDArray[np.intp], NDArray[np.intp], FloatArray]:
    """Highest places where ground of two summits meets, (k,) each: index of the one, of the other, height of saddle.

    Those from the one to the other stand apart from those from the other to the one, and all in the order of finding.
    """
    pairs = []
    for near in neighbours:
        here = np.flatnonzero((near >= 0) & (summit.take(near) != summit))
        there = near.take(here)
        pairs.append((summit.take(here), summit.take(there), np.minimum(height.take(here), height.take(there))))
    one, other, saddle = (np.concatenate(part) for part in zip(*pairs, strict=True))
    if not len(one):
        return one, other, saddle.astype(float)
    pair = one * len(summit) + other
    order = np.argsort(pair)
    starts = np.flatnonzero(np.diff(pair.take(order), prepend=-1))
    level = saddle.take(order)
    highest = np.repeat(np.maximum.reduceat(level, starts), np.diff(starts, append=len(order)))
    first = np.sort(np.minimum.reduceat(np.where(level == highest, order, len(order)), starts))
    return one.take(first), other.take(first), saddle.take(first).astype(float)


def _merge(
    height: NDArray[np.float32], saddles: tuple[NDArray[np.intp], NDArray[np.intp], FloatArray], neck: float
) -> NDArray[np.intp]:
    """Join summits whose saddle is high: for each pixel index the summit it now belongs to."""
    a, b, saddle = saddles
    parent = np.arange(len(height))
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
        group = linked(len(used), compact[:half], compact[half:])
        highest = np.lexsort((height[used], group))
        last = np.concatenate([np.diff(group[highest]) != 0, [True]])
        top = used[highest[last]]
        renamed = np.arange(len(height))
        renamed[used] = top[group]
        parent = renamed[parent]
    return parent


FINER = 2  # of the grid on which necks are measured: a neck of 1 px is not one or two pixels wide by chance
# Of the lower of two summits. Discs that overlap by a tenth of their diameter have a neck of 0.44 of their radius,
# which blur fills. Single carbides of 8 to 30 px, with lobes to 30 %, have none below 0.86 and next to none below 0.92
# (simulated: tests/segmentation/test_split.py).
DEBLURRED_NECK, FAINT_NECK = 0.86, 0.92
EDGE_HEIGHT = 0.6  # of the carbide's own level: half would keep what blur left in the necks (simulated, as above)
THINNEST_PX = 1.6  # half a width: a quarter more and less is a line, which is not cut (chosen; discs of 6 px have 2.3)
LEAST_TWO_PX = 2 * np.pi * THINNEST_PX**2  # px², two circles of that: less is not looked at
# Smoothing, px, and strength of sharpening, from the sharpest; the first that leaves so little noise (simulated).
SHARPENING = ((0.5, 3.0), (0.5, 2.0), (0.7, 2.0), (SMOOTHING_PX, 2.0), (SMOOTHING_PX, 1.0), (SMOOTHING_PX, 0.0))
MOST_NOISE = 0.13  # of the contrast
# Area of the ellipse of the same second moments over a region's own: regions that deblurring showed to be two or more
# had 1.02 or more, ellipses have 1 (simulated: 8 to 14 px, overlaps to a tenth, blur 0.7 to 1.5 px). The rest is
# not looked at.
NO_ELLIPSE = 1.015
MARGIN_PX = 3  # about each region that is looked at: what cubic interpolation reaches, and one more
COARSE = 16  # pixels so far apart show which region is the largest
COMPACT = 0.25  # of the area of a region in the inscribed circles of its pieces: a net of films has less (chosen)


@dataclass(frozen=True)
class Deblurring:
    """Standard deviation of the blur, px, and of the noise of single pixels; least contrast of a class."""

    blur_px: float
    noise: float
    contrast: float

    def sharpened(self, contrast: Picture, pixels: Pixels) -> Picture:
        """(m,) what the pixels show of a picture (rows, columns) less blurred, as far as noise allows."""
        for smoothing, strength in SHARPENING:
            lens = float(np.sqrt(self.blur_px**2 + smoothing**2 + ADDED_SPREAD_PX**2 - SMOOTHING_PX**2))
            if self.noise * _noise_left(smoothing, strength, lens) <= MOST_NOISE * self.contrast:
                break
        smooth = cv2.GaussianBlur(contrast, (0, 0), smoothing)
        blurred = pixels.values(cv2.GaussianBlur(smooth, (0, 0), lens)) if strength else np.float32(0)
        return np.asarray((1 + strength) * pixels.values(smooth) - strength * blurred)


def _noise_left(smoothing: float, strength: float, lens: float) -> float:
    """Return the standard deviation that smoothing and sharpening leave of white noise of 1."""
    point = np.zeros((41, 41), np.float32)
    point[20, 20] = 1
    smooth = cv2.GaussianBlur(point, (0, 0), smoothing)
    return float(np.linalg.norm((1 + strength) * smooth - strength * cv2.GaussianBlur(smooth, (0, 0), lens)))


def cut_necks(
    pixels: Pixels, cut: NDArray[np.bool_], contrast: Picture, smooth: Picture, lens: Deblurring
) -> tuple[Pixels, NDArray[np.bool_], NDArray[np.bool_]]:
    """Cut regions where the distance to their deblurred outline has a neck.

    The inscribed circle of a convex carbide has one place; between two that touch it narrows to their neck. Blur fills
    necks, so that they are looked for in a sharpened picture, above EDGE_HEIGHT of each region's own level. Regions
    that are ellipses are not looked at.

    Parameters
    ----------
    pixels, cut
        Regions, and (n,) True where a cut made one.
    contrast, smooth
        (rows, columns) contrast, positive inside, as it is and smoothed.

    Returns
    -------
    The regions in the same order, parts in reading order of their widest places; (n,) True where a cut made one; and
    (n,) True where one narrows, yet not enough for a cut.
    """
    shape = moments(pixels.runs())
    ellipse = 4 * np.pi * np.sqrt(np.maximum(shape.xx * shape.yy - shape.xy**2, 0))
    doubtful = (ellipse > NO_ELLIPSE * shape.area) & (shape.area > LEAST_TWO_PX)
    if not doubtful.any():
        return pixels, cut, np.zeros(pixels.count, bool)
    own = pixels.chosen(doubtful)
    sharp = framed(pixels, lens.sharpened(contrast, pixels))
    grounds = _grounds(own, sharp, EDGE_HEIGHT * _levels(own, smooth, lens.contrast))
    number, parts_of = _numbered(own, _summits(own, grounds, DEBLURRED_NECK))
    parts = np.ones(pixels.count, np.intp)
    parts[doubtful] = parts_of
    # Numbers go region by region: of those looked at they rise within each.
    first = np.cumsum(parts) - parts
    of = np.repeat(np.arange(pixels.count), parts)
    region = first.take(pixels.region)
    looked_at = np.flatnonzero(doubtful.take(pixels.region))
    region[looked_at] += number - (np.cumsum(parts_of) - parts_of).take(own.region)
    found = Pixels(pixels.at, region, len(of), pixels.shape)
    faint = np.flatnonzero(np.bincount(_summits(own, grounds, FAINT_NECK)))
    narrows = np.bincount(region.take(looked_at.take(faint)), minlength=len(of)) > 1
    return found, (cut | (parts > 1))[of], narrows


def _numbered(pixels: Pixels, summit: NDArray[np.intp]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """(m,) number of the part of each pixel, region by region and there in reading order; (n,) parts of each region."""
    every = np.flatnonzero(np.bincount(summit, minlength=len(summit)))
    every = every[np.argsort(pixels.region[every], kind="stable")]
    number = np.zeros(len(summit), np.intp)
    number[every] = np.arange(len(every))
    return number.take(summit), np.bincount(pixels.region[every], minlength=pixels.count)


@dataclass(frozen=True, eq=False)
class Ground:
    """Depth in those of the regions where it has several summits of more than THINNEST_PX.

    Parameters
    ----------
    asked
        (n,) regions that it was looked at in.
    inside
        (k,) places in the list of pixels where it has.
    region, depth, summit
        (k,) of each of these its region, its depth, and which of them its summit is.
    saddles
        Where ground of two summits meets.
    """

    asked: NDArray[np.bool_]
    inside: NDArray[np.intp]
    region: NDArray[np.intp]
    depth: Picture
    summit: NDArray[np.intp]
    saddles: tuple[NDArray[np.intp], NDArray[np.intp], FloatArray]

    @classmethod
    def of(cls, pixels: Pixels, depth: Picture) -> Ground:
        """Look at a depth (rows, columns) in all regions."""
        values = pixels.values(depth)
        alone = np.full(pixels.shape, -np.inf, np.float32)
        alone.ravel()[pixels.at] = values
        top = pixels.values(cv2.dilate(alone, np.ones((3, 3), np.uint8))) == values
        # Lower ones are as high as all ground about them, and join it.
        top = np.flatnonzero(top & (values > np.float32(THINNEST_PX)))
        several = np.bincount(pixels.region.take(top), minlength=pixels.count) > 1
        inside = np.flatnonzero(several.take(pixels.region))
        own = values.take(inside)
        summit, neighbours = _climb(alone, pixels.at.take(inside))
        saddles = _saddles(np.maximum(own, THINNEST_PX), summit, neighbours)
        return cls(np.ones(pixels.count, bool), inside, pixels.region.take(inside), own, summit, saddles)

    def among(self, pixels: Pixels, chosen: NDArray[np.bool_]) -> Ground:
        """Return it as part of a longer list of pixels, of whose regions it was looked at in those `chosen` (n,)."""
        inside = np.flatnonzero(chosen.take(pixels.region)).take(self.inside)
        return replace(self, asked=chosen, inside=inside, region=pixels.region.take(inside))


def _grounds(pixels: Pixels, picture: Picture, level: NDArray[np.float32]) -> list[Ground]:
    """Distance to the outline: with all holes, and where there are small ones with these filled.

    Parameters
    ----------
    picture
        Framed sharpened contrast, as of `framed`.
    level
        (n,) height of each region's outline.
    """
    apart, inside = _finer(pixels, picture, level)
    depth = _depth(inside)
    widest = np.zeros(pixels.count, np.float32)
    np.maximum.at(widest, apart.region, apart.values(depth))  # several times faster of one kind of number
    grounds = [Ground.of(apart, depth)]
    holes, ringed = _small_holes(inside, apart, widest)
    if len(holes):
        few, inside = _finer(pixels.chosen(ringed), picture, level[ringed])
        holes, _ = _small_holes(inside, few, widest[ringed])
        inside.ravel()[holes] = 1
        grounds.append(Ground.of(few, _depth(inside)).among(pixels, ringed))
    return grounds


def _finer(pixels: Pixels, picture: Picture, level: NDArray[np.float32]) -> tuple[Pixels, NDArray[np.uint8]]:
    """Return the regions side by side, and 1 on a finer grid where the framed picture is higher than their level."""
    apart, over = _side_by_side(pixels, picture, level)
    fine = cv2.resize(over, None, fx=FINER, fy=FINER, interpolation=cv2.INTER_CUBIC)
    return apart, (fine > 1).view(np.uint8)


def _summits(pixels: Pixels, grounds: list[Ground], neck: float) -> NDArray[np.intp]:
    """(m,) for each pixel one of the same part: those of whole regions have one and the same.

    Regions are parted only where they are by each of the depths, and then as in the fewer parts: a hole is no neck, and
    a ring of carbides no carbide with a hole.
    """
    first = np.zeros(pixels.count, np.intp)
    first[pixels.region[::-1]] = np.arange(len(pixels.at))[::-1]
    whole = first.take(pixels.region)
    found, parts = _parted(whole, pixels.count, grounds[0], neck)
    for ground in grounds[1:]:
        other, fewer = _parted(whole, pixels.count, ground, neck)
        found = np.where((ground.asked & (fewer < parts))[pixels.region], other, found)
    return found


def _parted(
    whole: NDArray[np.intp], count: int, ground: Ground, neck: float
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """(m,) one pixel of the part of each, its summit where there are several, and (n,) parts of each region.

    `whole`: (m,) one pixel of the region of each.
    """
    own, region = ground.depth, ground.region
    summit = _merge(np.maximum(own, THINNEST_PX), ground.saddles, neck)[ground.summit]
    every = np.flatnonzero(np.bincount(summit, minlength=len(summit)))
    circles = np.bincount(region[every], np.pi * np.square(own[every]), count)
    # A net of films or boundaries stays one: it is told by its shape.
    compact = circles >= COMPACT * np.maximum(np.bincount(region, own > 0, count), 1)
    parts = np.where(compact, np.bincount(region[every], minlength=count), 1)
    found = whole.copy()
    cut = np.flatnonzero(compact.take(region))
    found[ground.inside[cut]] = ground.inside[summit[cut]]
    return found, parts


def framed(pixels: Pixels, values: Picture) -> Picture:
    """(rows + 2·MARGIN_PX, columns + 2·MARGIN_PX) the value of each pixel, 0 elsewhere."""
    rows, columns = pixels.shape
    picture = np.zeros((rows + 2 * MARGIN_PX, columns + 2 * MARGIN_PX), np.float32)
    picture.ravel()[pixels.at + 2 * MARGIN_PX * (pixels.at // columns) + MARGIN_PX * (columns + 2 * MARGIN_PX + 1)] = (
        values
    )
    return picture


def _side_by_side(pixels: Pixels, picture: Picture, level: NDArray[np.float32]) -> tuple[Pixels, Picture]:
    """Cut a box about each region out of a framed picture and put them side by side in a new one.

    Returns the same pixels at their new places, and the new picture over the level (n,) of the region of each box.
    Boxes have margins, so that no pixel lies beside one of another region.
    """
    row, column = np.divmod(pixels.at, pixels.shape[1])
    low, high = np.full((2, pixels.count), np.iinfo(np.intp).max), np.zeros((2, pixels.count), np.intp)
    for axis, place in enumerate((row, column)):
        np.minimum.at(low[axis], pixels.region, place)
        np.maximum.at(high[axis], pixels.region, place)
    tall, wide = high - low + 1 + 2 * MARGIN_PX
    order = np.argsort(-tall, kind="stable")
    start = np.cumsum(wide[order]) - wide[order]
    shelf_px = int(np.sqrt((tall * wide).sum())) + 1
    shelf = start // shelf_px
    first = np.flatnonzero(np.diff(shelf, prepend=-1))
    top, left = np.zeros(pixels.count, np.intp), np.zeros(pixels.count, np.intp)
    ends = np.cumsum(tall[order][first])
    top[order] = np.repeat(ends - tall[order][first], np.diff(first, append=len(order)))
    left[order] = start - shelf * shelf_px
    shape = int(ends[-1]), int((left + wide).max())
    boxes = np.zeros(shape, np.float32)
    box, down = _counted(tall)  # row by row
    length = wide[box]
    every = np.arange(length.sum())
    before = np.cumsum(length) - length
    source = every + np.repeat((low[0][box] + down) * picture.shape[1] + low[1][box] - before, length)
    target = every + np.repeat((top[box] + down) * shape[1] + left[box] - before, length)
    boxes.ravel()[target] = picture.ravel().take(source) / np.repeat(level[box], length)
    down, right = (np.array([top, left]) - low + MARGIN_PX)[:, pixels.region]
    return Pixels((row + down) * shape[1] + column + right, pixels.region, pixels.count, shape), boxes


def _counted(number: NDArray[np.intp]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Of each so many: which of them, and how many of the same came before."""
    which = np.repeat(np.arange(len(number)), number)
    return which, np.arange(len(which)) - (np.cumsum(number) - number)[which]


def _small_holes(
    inside: NDArray[np.uint8], pixels: Pixels, widest: NDArray[np.float32]
) -> tuple[NDArray[np.intp], NDArray[np.bool_]]:
    """Flat positions of the holes no larger than the largest circle in the region around them, on the finer grid.

    `widest`: (n,) radius of that circle, px. Also (n,) where a region has such holes.
    """
    around = np.zeros(pixels.count, bool)
    count, labels = cv2.connectedComponents(1 - inside, connectivity=4)
    if count <= 2:  # what is inside, and the ground
        return np.empty(0, np.intp), around
    may_be = (labels > 0) & (labels != labels[0, 0])
    # A piece of another region may cut the corner off from the ground, which is larger than any hole that counts.
    commonest = np.bincount(labels[::COARSE, ::COARSE].ravel(), minlength=2)[1:].argmax() + 1
    if commonest != labels[0, 0]:
        rest = may_be & (labels != commonest)
        if np.count_nonzero(may_be) - np.count_nonzero(rest) > FINER**2 * np.pi * float(widest.max()) ** 2:
            may_be = rest
    at = np.flatnonzero(may_be)
    hole = labels.ravel().take(at)
    size, first = np.bincount(hole, minlength=count), np.zeros(count, np.intp)
    first[hole[::-1]] = at[::-1]
    kind = np.flatnonzero(size)
    # Above the first pixel of a hole, in reading order, lies its region.
    row, column = np.divmod(first[kind] - inside.shape[1], inside.shape[1])
    region = pixels.labels()[row // FINER, column // FINER] - 1
    of_region = np.append(widest, np.float32(0))[region].astype(float)
    fits = size[kind] <= FINER**2 * np.pi * of_region**2
    around[region[fits]] = True
    small = np.zeros(count, bool)
    small[kind[fits]] = True
    return at[small.take(hole)], around


def _levels(pixels: Pixels, smooth: Picture, highest: float) -> NDArray[np.float32]:
    """(n,) level of each region: the mean of its pixels by the square of their height, at most that of the class."""
    value = np.maximum(pixels.values(smooth), 1e-6)
    level = pixels.total(value**3) / pixels.total(value**2)
    return np.minimum(level, highest).astype(np.float32)


def _depth(inside: NDArray[np.uint8]) -> Picture:
    """(rows, columns) distance to the outline, px, from a finer 0/1 mask; outside it below 0, to the nearest inside."""
    away = cv2.distanceTransform(inside, cv2.DIST_L2, cv2.DIST_MASK_5)
    # A summit of two pixels alike is one.
    away = cv2.GaussianBlur(away, (5, 5), 0.7)
    away *= inside
    depth = cv2.resize(away, None, fx=1 / FINER, fy=1 / FINER, interpolation=cv2.INTER_AREA) / np.float32(FINER)
    outside = depth <= 0
    below = cv2.distanceTransform(outside.view(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_5)
    np.copyto(depth, np.negative(below, out=below), where=outside)
    return depth
