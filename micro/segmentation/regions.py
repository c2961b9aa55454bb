"""Connected regions above a level, and the light that belongs to each."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray


def connected(mask: NDArray[np.uint8]) -> tuple[int, NDArray[np.int32]]:
    """Return the number of regions (eight neighbours) and (rows, columns) int32 labels of a 0/1 mask."""
    count, labels = cv2.connectedComponents(mask, connectivity=8, ltype=cv2.CV_32S)
    return count - 1, labels


def grow(labels: NDArray[np.int32], reach: float) -> NDArray[np.int32]:
    """Give every pixel within `reach` px of a region the label of the nearest one."""
    away, nearest = cv2.distanceTransformWithLabels(
        (labels == 0).astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_5, labelType=cv2.DIST_LABEL_PIXEL
    )
    inside = labels > 0
    of_nearest = np.zeros(int(nearest.max(initial=0)) + 1, np.int32)
    of_nearest[nearest[inside]] = labels[inside]
    grown = of_nearest[nearest]
    grown[away > reach] = 0
    return grown


@dataclass(frozen=True, eq=False)
class Pixels:
    """The pixels of n regions as a list: `at` flat positions, `region` 0 to n − 1 of each."""

    at: NDArray[np.intp]
    region: NDArray[np.int32]
    count: int

    @classmethod
    def of(cls, labels: NDArray[np.int32], count: int) -> Pixels:
        """List the pixels of `labels` that are not 0."""
        at = np.flatnonzero(labels)
        return cls(at, labels.ravel()[at] - 1, count)

    def sum(self, picture: NDArray) -> NDArray[np.float64]:
        """(n,) sum of `picture` over each region."""
        return np.bincount(self.region, picture.ravel()[self.at], self.count).astype(float, copy=False)

    def size(self) -> NDArray[np.float64]:
        """(n,) pixels of each region."""
        return np.bincount(self.region, minlength=self.count).astype(float)

    def largest(self, picture: NDArray) -> NDArray[np.float64]:
        """(n,) largest value of `picture` in each region."""
        out = np.full(self.count, -np.inf)
        np.maximum.at(out, self.region, picture.ravel()[self.at])
        return out
