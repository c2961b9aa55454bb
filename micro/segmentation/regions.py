"""Connected regions above a level, and the light that belongs to each."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import DTypeLike, NDArray

from micro.segmentation.runs import Runs


def connected(mask: NDArray[np.uint8]) -> tuple[int, NDArray[np.int32]]:
    """Return the number of regions (eight neighbours) and (rows, columns) int32 labels of a 0/1 mask."""
    count, labels = cv2.connectedComponents(mask, connectivity=8, ltype=cv2.CV_32S)
    return count - 1, labels


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
        at = np.flatnonzero(labels != 0)
        rows, columns = labels.shape
        return cls(at, labels.ravel().take(at).astype(np.intp) - 1, count, (rows, columns))

    def runs(self) -> Runs:
        """Return the runs of the regions."""
        columns = self.shape[1]
        begins = np.ones(len(self.at), bool)
        np.not_equal(self.at[1:], self.at[:-1] + 1, out=begins[1:])
        begins[1:] |= self.region[1:] != self.region[:-1]
        begins |= self.at % columns == 0
        first = np.flatnonzero(begins)
        row, start = np.divmod(self.at.take(first), columns)
        stop = start + np.diff(first, append=len(self.at))
        return Runs(self.count, self.region.take(first), row, start, stop, self.shape)

    def take(self, keep: NDArray[np.bool_]) -> Pixels:
        """Return the pixels where `keep`, in the same regions."""
        kept = np.flatnonzero(keep)  # several times faster than two selections by True and False
        return Pixels(self.at.take(kept), self.region.take(kept), self.count, self.shape)

    def chosen(self, keep: NDArray[np.bool_]) -> Pixels:
        """Return the regions where `keep` (n,), numbered anew in the same order."""
        number = np.cumsum(keep) - 1
        own = self.take(keep.take(self.region))
        return Pixels(own.at, number.take(own.region), int(keep.sum()), self.shape)

    def values(self, picture: NDArray) -> NDArray:
        """Value of `picture` (rows, columns) at each pixel."""
        return picture.ravel().take(self.at)

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
        labels.ravel()[self.at] = self.region + 1
        return labels
