"""What the edges of the carbides look like: their grey profile, stacked over all outlines of a field."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from micro.segmentation.blurred_shapes import disc_edge
from micro.segmentation.matrix import ADDED_SPREAD_PX, smoothed
from micro.segmentation.segmentation import Segmentation

FloatArray = NDArray[np.float64]
Picture = NDArray[np.float32]
BIN_PX = 0.25
REACH_PX = 5.0
FEWEST_PX = 20
DEEP = 2.5  # standard deviations of the blur: what lies so deep shows its level
PART_PX = 448  # a part of that side holds edges enough


@dataclass(frozen=True, eq=False)
class Edges:
    """Where pixels lie from the half-height outlines.

    Parameters
    ----------
    distance
        (rows, columns) float32 signed distance from the nearest outline, px, positive outside.
    level
        (rows, columns) float32 contrast of the carbide nearest to each pixel.
    """

    distance: Picture
    level: Picture

    def area(self, beyond: float = 0.0) -> float:
        """Pixels within the outlines moved outwards by `beyond` px; each pixel a unit square."""
        return float(np.clip(0.5 + beyond - self.distance, 0, 1).sum(dtype=float))


@dataclass(frozen=True, eq=False)
class Profile:
    """Grey profile across the outlines of a field.

    Parameters
    ----------
    distance
        (bins,) mean distance from the outline, px; positive outside.
    height
        (bins,) mean contrast over that of the carbides.
    uncertainty
        (bins,) standard uncertainty of `height`.
    """

    distance: FloatArray
    height: FloatArray
    uncertainty: FloatArray


def middle(s: Segmentation) -> Segmentation:
    """Return the middle PART_PX of a field: edges enough; numbers of carbides stay as they are."""
    rows, columns = (slice(max(0, (n - PART_PX) // 2), (n + PART_PX) // 2) for n in s.labels.shape)
    part = s.cropped((rows, columns))
    return replace(
        part,
        labels=np.ascontiguousarray(part.labels),
        basins=np.ascontiguousarray(part.basins),
        contrast=np.ascontiguousarray(part.contrast),
        excluded=np.ascontiguousarray(part.excluded),
    )


def find_edges(segmentation: Segmentation) -> Edges:
    """Signed distances, and the grey level of each carbide: its own where it is resolved, else that of its class.

    The distance to the nearest outline pixel is that of a distance transform; where in that pixel the outline runs
    comes from its smoothed height over the slope there.
    """
    s = segmentation
    inside = (s.labels > 0).view(np.uint8)
    rim = inside & ~cv2.erode(inside, np.ones((3, 3), np.uint8))
    away, nearest = cv2.distanceTransformWithLabels(
        1 - rim, cv2.DIST_L2, cv2.DIST_MASK_5, labelType=cv2.DIST_LABEL_PIXEL
    )
    level = carbide_levels(s, away)
    rim_at = np.flatnonzero(rim)
    number = s.labels.ravel().take(rim_at)
    own = level.take(number)
    offset = _to_outline(s, rim_at, own, np.append(0.5, edge_heights(s)).take(number))
    of = nearest - 1
    distance = away * (1 - 2 * inside.astype(np.float32)) - offset.take(of).astype(np.float32)
    return Edges(distance, own.astype(np.float32).take(of))


def carbide_levels(s: Segmentation, depth: Picture) -> FloatArray:
    """(n + 1,) contrast of each carbide, 1 for the matrix: mean of what lies DEEP inside, else of its class."""
    of_class = np.array([c.contrast for c in s.classes])[s.class_index]
    deep = (depth >= DEEP * (s.blur_px or 1.0)) & (s.labels > 0)
    number = s.labels[deep]
    count = np.bincount(number, minlength=s.count + 1)[1:]
    mean = np.bincount(number, s.contrast[deep], s.count + 1)[1:] / np.maximum(count, 1)
    sound = (count > 0) & (mean / of_class > 0.4) & (mean / of_class < 2)
    return np.append(1.0, np.where(sound, mean, of_class))


def edge_heights(s: Segmentation) -> FloatArray:
    """(n,) height of a blurred disc of each outline's area at its true edge, after the smoothing."""
    spread = np.hypot(s.blur_px or 1.0, ADDED_SPREAD_PX)
    return disc_edge(np.maximum(s.outline_px, 1) / (2 * np.pi * spread**2))


def _to_outline(s: Segmentation, rim_at: NDArray[np.intp], level: FloatArray, edge: FloatArray) -> FloatArray:
    """(m,) distance from outline pixels outwards to the height of the edge: what is above it over the slope."""
    smooth = smoothed(s.contrast)
    down, right = (cv2.Sobel(smooth, cv2.CV_32F, dx, 1 - dx, ksize=3, scale=1 / 8) for dx in (0, 1))
    slope = np.hypot(down.ravel().take(rim_at), right.ravel().take(rim_at)) / np.abs(level)
    height = smooth.ravel().take(rim_at) / level
    return np.clip((height - edge) / np.maximum(slope, 1e-3), -0.7, 1.5)


@dataclass(frozen=True, eq=False)
class Stack:
    """The pixels close to outlines, in bins of BIN_PX by their distance; bins of fewer than FEWEST_PX left out.

    Parameters
    ----------
    at, number
        (m,) flat positions, and bin of each.
    count, distance
        (bins,) pixels and mean distance of each bin.
    full
        (bins,) whether a bin is kept.
    """

    at: NDArray[np.intp]
    number: NDArray[np.intp]
    count: FloatArray
    distance: FloatArray
    full: NDArray[np.bool_]

    @classmethod
    def of(cls, distance: Picture, use: NDArray[np.bool_]) -> Stack:
        """Sort the pixels of (rows, columns) `distance` where `use`."""
        at = np.flatnonzero(use & (np.abs(distance) < REACH_PX))
        place = distance.ravel().take(at)
        first = int(REACH_PX / BIN_PX)
        number = np.floor(place / BIN_PX).astype(np.intp) + first
        count = np.bincount(number, minlength=2 * first).astype(float)
        middle = np.bincount(number, place, 2 * first) / np.maximum(count, 1)
        return cls(at, number, count, middle, count >= FEWEST_PX)

    def mean(self, picture: Picture) -> FloatArray:
        """(bins kept,) mean of a picture (rows, columns) in each bin."""
        total = np.bincount(self.number, picture.ravel().take(self.at), len(self.count))
        return (total[self.full] / self.count[self.full]).astype(float)

    def profile(self, heights: Picture) -> Profile:
        """Stack heights, 1 inside the carbides."""
        mean = self.mean(heights)
        square = self.mean(np.square(heights)) - mean**2
        uncertainty = np.sqrt(np.maximum(square, 0) / self.count[self.full])
        return Profile(self.distance[self.full], mean, uncertainty)
