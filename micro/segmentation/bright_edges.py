"""Crests along the edges: grey beyond the carbides' own level inside them, or beyond the matrix level outside.

No blur makes an edge overshoot. Where it does on one side alone, the edge itself shines, as edges do under an electron
beam, or a rim of the etch lies along it. Half of what such a crest gives or takes shows as a crest, the other half
only moves the outline; the height and the width of the first tell the second.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from micro.geometry.outlines import crofton_perimeter
from micro.geometry.runs import find_runs
from micro.segmentation.edge_profile import middle
from micro.segmentation.matrix import ADDED_SPREAD_PX
from micro.segmentation.segmentation import Segmentation

FloatArray = NDArray[np.float64]
BIN_PX, REACH_PX = 0.5, 4.5
AT = np.arange(-REACH_PX, REACH_PX + BIN_PX / 2, BIN_PX)
# In standard deviations of the blur: what lies so deep inside shows the level; in px: how many tell it (chosen).
DEEP, FEWEST_DEEP = 3.5, 8
FEWEST, FEWEST_PX = 10, 60  # carbides, and px at one distance, that tell an edge (chosen)
# Sharpening and relief overshoot on both sides of the edge alike: that much of what the other side shows is theirs. Of
# 500 fields of a sixth generator those with more left had bright edges, rims or shadows (docs/limits.md).
BOTH_SIDES, TOLD = 1.5, 0.02
# Models: blur, width of the crest beyond that, its light, all px; and by how many of its widths it lies towards the
# bright side of the edge.
BLUR = np.array([0.5, 0.65, 0.8, 0.95, 1.1, 1.3, 1.5, 1.8, 2.1])
WIDTH = np.array([0.0, 0.5, 0.9, 1.3, 1.8])
LIGHT = np.arange(0.1, 2.65, 0.1)
BESIDE = np.array([0.0, 0.4, 0.8])
MISFIT = 0.015  # of mean edges: pixels tell the distance from an outline no better (of the model that fits best)
OFF = 0.35  # of what crests change (chosen on 28 fields whose area they change by -28 to 35 %, all within)
FINE_PX, FINE_REACH_PX = 0.1, 10.0


@dataclass(frozen=True)
class Crest:
    """Factor on the area by light where edges have crests, half width as a share, and how high they stand."""

    factor: float
    half: float
    height: float


def crest(s: Segmentation) -> Crest | None:
    """Ask the outlines in the middle of a field; None where too few are wide enough, or their edges show no crest."""
    part = middle(s)
    found = _mean_edge(part)
    if found is None:
        return None
    edge, ratio = found
    if not np.isfinite(edge).any():
        return None
    inside = max(float(np.nanmax(np.where(AT < 0, edge, -np.inf))) - 1, 0.0)
    outside = max(-float(np.nanmin(np.where(AT > 0, edge, np.inf))), 0.0)
    height = max(inside - BOTH_SIDES * outside, outside - BOTH_SIDES * inside)
    if height < TOLD:
        return None
    # Turned about, a crest outside is one inside.
    sign = 1 if inside > outside else -1
    light, moved, weight = _weighed(edge if sign > 0 else 1 - edge[::-1])
    outlines = crofton_perimeter(find_runs(part.labels, part.count))
    # The true edge lies `moved` inside the outline, and is shorter by that (Steiner).
    length = outlines.sum() - sign * 2 * np.pi * np.count_nonzero(outlines) * moved
    change = ratio - 1 - sign * light * np.maximum(length, 0) / max(1, np.count_nonzero(part.labels))
    mean = float(weight @ change)
    half = float(np.hypot(2 * np.sqrt(weight @ (change - mean) ** 2), OFF * mean))
    return Crest(1 + mean, half, height)


def _mean_edge(s: Segmentation) -> tuple[FloatArray, float] | None:
    """(AT,) mean height of wide carbides over their own level, NaN where too few px tell; and class level over that."""
    spread = float(np.hypot(s.blur_px or 1.0, ADDED_SPREAD_PX))
    depth = _distance(s.labels > 0)
    deep = (depth > DEEP * spread) & ~s.excluded
    count = np.bincount(s.labels[deep], minlength=s.count + 1)
    level = np.bincount(s.labels[deep], s.contrast[deep], s.count + 1) / np.maximum(count, 1)
    main = np.sign(np.sum(s.contrast_area_px * s.class_contrast))
    wide = (count >= FEWEST_DEEP) & (level * main > 0)
    wide[0] = False
    if wide.sum() < FEWEST:
        return None
    mean = float(level[wide] @ count[wide] / count[wide].sum())
    is_wide = wide[s.labels]
    away, from_wide = _distance(s.labels == 0), _distance(~is_wide)
    outside = (s.labels == 0) & (away == from_wide) & ~s.excluded
    distance = np.where(s.labels > 0, -depth, away)
    used = (outside | (is_wide & ~s.excluded)) & (np.abs(distance) < REACH_PX + BIN_PX / 2)
    own = np.where(wide, level, mean)[s.labels[used]]
    place = np.rint((distance[used] + REACH_PX) / BIN_PX).astype(np.intp)
    number = np.bincount(place, minlength=len(AT))
    edge = np.bincount(place, s.contrast[used] / own, len(AT)) / np.maximum(number, 1)
    ratio = float(s.class_contrast[wide[1:]] @ count[wide] / (level[wide] @ count[wide]))
    return _from_ends(np.where(number >= FEWEST_PX, edge, np.nan)), ratio


def _from_ends(edge: FloatArray) -> FloatArray:
    """Heights from those at the far ends outside and inside: what is alike so far off is no crest; NaN without them."""
    high, low = (float(np.nanmean(end)) if np.isfinite(end).any() else np.nan for end in (edge[:2], edge[-2:]))
    return (edge - low) / (high - low)


def _distance(where: NDArray[np.bool_]) -> NDArray[np.float32]:
    """(rows, columns) distance of the middle of pixels from the border of what is True, px; below 0 outside of it."""
    return cv2.distanceTransform(where.view(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_5) - np.float32(0.5)


def _weighed(edge: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Light of each model, px, how far it moves the outline outwards, px, and its weight by the mean edge (AT,)."""
    light, moved, heights = _models()
    known = np.isfinite(edge)
    chi2 = (((heights[:, known] - edge[known]) / MISFIT) ** 2).sum(axis=1)
    weight = np.exp(-(chi2 - chi2.min()) / 2)
    return light, moved, weight / weight.sum()


@lru_cache(maxsize=1)
def _models() -> tuple[FloatArray, FloatArray, FloatArray]:
    """Light (models,), place of half height, and heights (models, AT) about that, of blurred steps with a crest."""
    from scipy.special import ndtr

    blur, width, light, beside = (
        values.reshape(-1, 1) for values in np.meshgrid(BLUR, WIDTH, LIGHT, BESIDE, indexing="ij")
    )
    at = np.arange(-FINE_REACH_PX, FINE_REACH_PX, FINE_PX)
    spread = np.hypot(blur, width)
    ridge = np.exp(-(((at + beside * width) / spread) ** 2) / 2) / spread / np.sqrt(2 * np.pi)
    heights = ndtr(-at / blur) + light * ridge
    rows = np.arange(len(heights))
    last = heights.shape[1] - 1 - np.argmax(heights[:, ::-1] > 0.5, axis=1)  # the outline is the outermost
    above, below = heights[rows, last], heights[rows, last + 1]
    half = at[last] + FINE_PX * (above - 0.5) / (above - below)
    place = (half[:, None] + AT + FINE_REACH_PX) / FINE_PX
    first = place.astype(np.intp)
    share = place - first
    left, right = (np.take_along_axis(heights, first + k, axis=1) for k in (0, 1))
    return light[:, 0], half, left * (1 - share) + right * share
