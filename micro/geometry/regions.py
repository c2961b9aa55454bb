"""Regions as lists of their pixels, and their growth."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
from numpy.typing import DTypeLike, NDArray

from micro.geometry.runs import Runs


def connected(mask: NDArray[np.uint8]) -> tuple[int, NDArray[np.int32]]:
    """Return the number of regions (eight neighbours) and (rows, columns) int32 labels of a 0/1 mask."""
    count, labels = cv2.connectedComponents(mask, connectivity=8, ltype=cv2.CV_32S)
    return count - 1, labels


def linked(count: int, one: NDArray[np.integer], other: NDArray[np.integer]) -> NDArray[np.intp]:
    """(count,) group of each of so many things by links (links,) that hang one to other together, first group 0."""
    return np.unique(heads(count, one, other), return_inverse=True)[1]


def heads(count: int, one: NDArray[np.integer], other: NDArray[np.integer]) -> NDArray[np.intp]:
    """(count,) first of those that each hangs together with, itself among them, by links as in `linked`.

    In each round of links the higher of two heads is put under the lower, then each thing under its highest head. The
    libraries that do it take longer to load than a field has links for.
    """
    head = np.arange(count)
    while True:
        a, b = head[one], head[other]
        apart = a != b
        if not apart.any():
            return head
        a, b = a[apart], b[apart]
        head[np.maximum(a, b)] = np.minimum(a, b)
        above = head[head]
        while (above != head).any():
            head, above = above, above[above]


def firsts(mask: NDArray[np.bool_]) -> NDArray[np.intp]:
    """(n,) flat position of a pixel of each region (eight neighbours) of a mask of which next to nothing is True.

    Only runs are linked: half the time of numbering all pixels.
    """
    columns = mask.shape[1]
    at = np.flatnonzero(mask)
    begins = np.append(np.diff(at, prepend=-2) != 1, True)
    begins[np.searchsorted(at, np.arange(0, mask.size, columns))] = True
    bounds = np.flatnonzero(begins)
    first, last = at.take(bounds[:-1]), at.take(bounds[1:] - 1)
    # Of the runs a row below those that end no sooner and begin no later, corners included.
    below = first // columns * columns + columns
    lowest = np.searchsorted(last, np.maximum(first + columns - 1, below))
    highest = np.searchsorted(first, np.minimum(last + columns + 1, below + columns - 1), side="right")
    met = np.maximum(highest - lowest, 0)
    own = np.arange(len(first))
    one = np.repeat(own, met)
    other = np.arange(len(one)) + np.repeat(lowest - (np.cumsum(met) - met), met)
    return first.take(np.flatnonzero(heads(len(first), one, other) == own))


# Positions lie within the picture: to wrap those that do not takes a third less time than to look for one to refuse.
INSIDE: Literal["wrap"] = "wrap"


@dataclass(frozen=True, eq=False)
class Pixels:
    """The pixels of n regions as a list, in reading order.

    Parameters
    ----------
    at
        Flat positions in the picture.
    region
        0 to n − 1 of each.
    count
        Number of regions.
    shape
        (rows, columns) of the picture.
    """

    at: NDArray[np.intp]
    region: NDArray[np.intp]
    count: int
    shape: tuple[int, int]

    @classmethod
    def of(cls, labels: NDArray[np.int32], count: int) -> Pixels:
        """List the pixels of `labels` that are not 0."""
        return cls._at(np.flatnonzero(labels != 0), labels, count)

    @classmethod
    def within(cls, mask: NDArray[np.uint8]) -> Pixels:
        """List the regions (eight neighbours) of a 0/1 mask."""
        count, labels = connected(mask)
        return cls._at(np.flatnonzero(mask.view(bool)), labels, count)

    @classmethod
    def _at(cls, at: NDArray[np.intp], labels: NDArray[np.int32], count: int) -> Pixels:
        rows, columns = labels.shape
        return cls(at, np.subtract(labels.ravel().take(at, mode=INSIDE), 1, dtype=np.intp), count, (rows, columns))

    def runs(self) -> Runs:
        """Return the runs of the regions."""
        columns = self.shape[1]
        begins = np.ones(len(self.at), bool)
        np.not_equal(self.at[1:], self.at[:-1] + 1, out=begins[1:])
        begins[1:] |= self.region[1:] != self.region[:-1]
        # A run that reaches the end of its row does not go on in the next.
        row_starts = np.searchsorted(self.at, np.arange(0, self.shape[0] * columns, columns))
        begins[row_starts[row_starts < len(begins)]] = True
        first = np.flatnonzero(begins)
        row, start = np.divmod(self.at.take(first), columns)
        stop = start + np.diff(first, append=len(self.at))
        return Runs(self.count, self.region.take(first), row, start, stop, self.shape)

    def take(self, keep: NDArray[np.bool_]) -> Pixels:
        """Return the pixels where `keep`, in the same regions."""
        kept = np.flatnonzero(keep)  # several times faster than two selections by True and False
        return Pixels(self.at.take(kept, mode=INSIDE), self.region.take(kept, mode=INSIDE), self.count, self.shape)

    def chosen(self, keep: NDArray[np.bool_]) -> Pixels:
        """Return the regions where `keep` (n,), numbered anew in the same order."""
        number = np.cumsum(keep) - 1
        own = self.take(keep.take(self.region, mode=INSIDE))
        return Pixels(own.at, number.take(own.region, mode=INSIDE), int(keep.sum()), self.shape)

    def values(self, picture: NDArray) -> NDArray:
        """Value of `picture` (rows, columns) at each pixel."""
        return picture.ravel().take(self.at, mode=INSIDE)

    def total(self, values: NDArray | None = None) -> NDArray[np.float64]:
        """(n,) sum over each region of one value a pixel; without values the number of its pixels."""
        return np.bincount(self.region, values, self.count).astype(float, copy=False)

    def sum(self, picture: NDArray) -> NDArray[np.float64]:
        """(n,) sum of `picture` over each region."""
        return self.total(self.values(picture))

    def size(self) -> NDArray[np.float64]:
        """(n,) pixels of each region."""
        return self.total()

    def any(self, true: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """(n,) whether any pixel of each region is `true`."""
        found = np.zeros(self.count, bool)
        found[self.region.take(np.flatnonzero(true))] = True
        return found

    def mask(self) -> NDArray[np.uint8]:
        """(rows, columns) 1 on the pixels."""
        mask = np.zeros(self.shape, np.uint8)
        mask.ravel()[self.at] = 1
        return mask

    def labels(self, kind: DTypeLike = np.int32) -> NDArray:
        """(rows, columns) region + 1 on the pixels, 0 elsewhere."""
        labels = np.zeros(self.shape, kind)
        labels.ravel()[self.at] = (self.region + 1).astype(kind)
        return labels


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


def away_from(mask: NDArray[np.uint8], reach: float) -> NDArray[np.bool_]:
    """(rows, columns) True where the distance map of OpenCV, 5 × 5, says `reach` px or more from the 1s of a 0/1 mask.

    To set all that lies nearer to 1 takes a fraction of the time of that map.
    """
    if reach >= FAR_PX:
        return np.asarray(cv2.distanceTransform(1 - mask, cv2.DIST_L2, cv2.DIST_MASK_5) >= np.float32(reach))
    point = np.ones((2 * int(FAR_PX) + 1,) * 2, np.uint8)
    point[int(FAR_PX), int(FAR_PX)] = 0
    nearer = cv2.distanceTransform(point, cv2.DIST_L2, cv2.DIST_MASK_5) < np.float32(reach)
    return np.asarray(cv2.dilate(mask, nearer.view(np.uint8)) == 0)


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
    highest = cv2.dilate(number, close_by).ravel().take(at, mode=INSIDE)
    # One less, what belongs to no region is the largest number that 16 bits hold.
    lowest = cv2.erode(number - np.uint16(1), close_by).ravel().take(at, mode=INSIDE) + np.uint16(1)
    between = np.flatnonzero(highest != lowest)
    steps = np.stack(np.nonzero(square_distance <= reach**2)) - int(reach)
    steps = steps[:, np.argsort(np.square(steps).sum(axis=0), kind="stable")]
    highest[between], _ = _first_met(number, at[between], steps)
    return Pixels(at, highest.astype(np.intp) - 1, pixels.count, pixels.shape)


def nearest_number(
    labels: NDArray[np.int32], reach: float
) -> tuple[NDArray[np.intp], NDArray[np.int32], NDArray[np.float64]]:
    """(m,) flat positions within `reach` px of a label above 0, centre to centre; the nearest label, and how far it is.

    Of labels as near the one in the first column, then that in the first row: the choice of SciPy, whose distance map
    of the whole picture takes ten times as long.
    """
    square_distance = _square_distances(reach)
    close_by = square_distance <= reach**2
    at = np.flatnonzero(cv2.dilate((labels > 0).view(np.uint8), close_by.view(np.uint8)))
    rows, columns = np.nonzero(close_by)
    order = np.lexsort((rows, columns, square_distance[close_by]))
    number, which = _first_met(labels, at, np.stack([rows, columns])[:, order] - int(reach))
    return at, number, np.sqrt(square_distance[close_by][order]).take(which)


def _first_met(number: NDArray, at: NDArray[np.intp], steps: NDArray[np.intp]) -> tuple[NDArray, NDArray[np.intp]]:
    """(m,) first number above 0 that `steps` (2, k) in rows and columns meet from the flat positions `at`, and which.

    0 and the last of the steps where none does.
    """
    half = int(np.abs(steps).max(initial=0))
    framed = cv2.copyMakeBorder(number, half, half, half, half, cv2.BORDER_CONSTANT)
    wide = framed.shape[1]
    place = at + 2 * half * (at // number.shape[1]) + half * wide + half
    found, which, waiting = np.zeros(len(at), number.dtype), np.zeros(len(at), np.intp), np.arange(len(at))
    for k, step in enumerate((steps[0] * wide + steps[1]).tolist()):
        met = framed.ravel().take(place + step)
        found[waiting], which[waiting] = met, k
        rest = np.flatnonzero(met == 0)
        if not len(rest):
            break
        waiting, place = waiting.take(rest), place.take(rest)
    return found, which


def _by_distance_map(pixels: Pixels, reach: float) -> Pixels:
    away, nearest = cv2.distanceTransformWithLabels(
        1 - pixels.mask(), cv2.DIST_L2, cv2.DIST_MASK_5, labelType=cv2.DIST_LABEL_PIXEL
    )
    at = np.flatnonzero(away <= np.float32(reach))
    # The labels number the pixels of the regions from 1 in reading order.
    return Pixels(at, pixels.region.take(nearest.ravel().take(at) - 1), pixels.count, pixels.shape)


def nearest_label(labels: NDArray[np.int32]) -> NDArray[np.int32]:
    """(rows, columns) number of the nearest label above 0 everywhere; zeros where there is none."""
    if not labels.any():
        return labels
    empty = (labels == 0).view(np.uint8)
    _, pixel = cv2.distanceTransformWithLabels(empty, cv2.DIST_L2, cv2.DIST_MASK_5, labelType=cv2.DIST_LABEL_PIXEL)
    of_pixel = np.zeros(pixel.max() + 1, np.int32)
    at = labels > 0
    of_pixel[pixel[at]] = labels[at]
    return of_pixel[pixel]
