"""Draw the outline of every carbide at the level where blur leaves its edge."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from micro.segmentation import disc
from micro.segmentation.levels import REACH, SIGNIFICANT, SMOOTHING_PX, Levels
from micro.segmentation.regions import Pixels, grow
from micro.segmentation.segmentation import SegmentationSettings
from micro.segmentation.split import split


@dataclass(frozen=True, eq=False)
class Outlines:
    """Carbides of one polarity: labels, basins, class and whether a cut made each."""

    labels: NDArray[np.int32]
    basins: NDArray[np.int32]
    class_index: NDArray[np.intp]
    cut: NDArray[np.bool_]


def outline(
    contrast: NDArray[np.float32], smooth: NDArray[np.float32], levels: Levels, settings: SegmentationSettings
) -> Outlines:
    """Outline the carbides of all classes.

    Parameters
    ----------
    contrast, smooth
        (rows, columns) float32 flattened contrast, as it is and smoothed.
    """
    labels = np.zeros(contrast.shape, np.int32)
    basins = np.zeros(contrast.shape, np.int32)
    kinds: list[int] = []
    cuts: list[bool] = []
    for kind, carbide in enumerate(levels.classes):
        sign = np.float32(np.sign(carbide.contrast))
        own, region, cut = _of_class(sign * contrast, sign * smooth, abs(carbide.contrast), levels, settings)
        free = labels == 0
        first = len(kinds)
        labels[free & (own > 0)] = own[free & (own > 0)] + first
        free = basins == 0
        basins[free & (region > 0)] = region[free & (region > 0)] + first
        kinds += [kind] * len(cut)
        cuts += list(cut)
    return Outlines(labels, basins, np.array(kinds, np.intp), np.array(cuts, bool))


def _of_class(
    contrast: NDArray[np.float32],
    smooth: NDArray[np.float32],
    level: float,
    levels: Levels,
    settings: SegmentationSettings,
) -> tuple[NDArray[np.int32], NDArray[np.int32], NDArray[np.bool_]]:
    blur = levels.blur_px or 1.0
    lowest = max(SIGNIFICANT * levels.smooth_noise, 0.3 * level)
    count, cores, cut = split((smooth > lowest).astype(np.uint8), smooth)
    basins = grow(cores, REACH * blur + 0.5)
    pixels = Pixels.of(basins, count)
    area = np.maximum(pixels.sum(contrast) / level, 0.1)
    height = disc.edge(area / (2 * np.pi * (blur**2 + SMOOTHING_PX**2))) * level
    inside = smooth.ravel()[pixels.at] > np.maximum(height, lowest)[pixels.region]
    size = np.bincount(pixels.region, inside, count)
    keep = size >= settings.min_area_px
    number = np.where(keep, np.cumsum(keep), 0).astype(np.int32)
    labels = np.zeros_like(basins)
    labels.ravel()[pixels.at[inside]] = number[pixels.region[inside]]
    return labels, np.concatenate([[0], number]).astype(np.int32)[basins], cut[keep]
