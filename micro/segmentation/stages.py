"""From the grey levels of one field to its carbides: calls the stages in order."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from micro.issues import CARBIDE_FLAGS, bit
from micro.segmentation.levels import FIRST_BLUR, Levels, find_levels, numbered
from micro.segmentation.marks import burnt_in, other_polarity, scratches
from micro.segmentation.matrix import Matrix, find_matrix, flatten, smoothed
from micro.segmentation.outline import Outlines, outline
from micro.segmentation.segmentation import Segmentation, SegmentationSettings
from micro.segmentation.troubles import field_troubles


def unclipped(
    contrast: NDArray[np.float32], smooth: NDArray[np.float32], clipped: NDArray[np.bool_], levels: Levels
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Contrast and smoothed contrast, both (rows, columns), with the tops of the edges put back.

    Blur makes a straight edge a normal distribution function of the distance. Where the clipped part begins the
    height is that of full scale; from there on inwards it rises to the level of the brightest class, or falls to
    that of the darkest. Nothing changes where that level lies within the scale.
    """
    from scipy.special import ndtr, ndtri

    whole = contrast.copy()
    spread = np.hypot(levels.blur_px or FIRST_BLUR, np.sqrt(1 / 12))
    for sign in (1, -1):
        level = max((sign * c.contrast for c in levels.classes), default=0.0)
        at = clipped & (sign * contrast > 0) & (sign * contrast < level)
        if at.any():
            inwards = cv2.distanceTransform(clipped.astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_5)[at] - 0.5
            whole[at] = sign * level * ndtr(ndtri(sign * contrast[at] / level) + inwards / spread)
    return whole, smooth + smoothed(whole - contrast)


Picture = NDArray[np.float32]
RESOLVED = 4.0


def segment(grey: Picture, settings: SegmentationSettings | None = None, grey_max: float = 255.0) -> Segmentation:
    """Find the carbides of one field.

    Parameters
    ----------
    grey
        (rows, columns) float32, grey levels as in the file.
    settings
        What the user pinned; everything is found from the picture where None.
    grey_max
        Full scale of the sensor in the same levels.
    """
    settings = settings or SegmentationSettings()
    grey = np.ascontiguousarray(grey, np.float32)
    excluded = burnt_in(grey, grey_max)
    matrix, contrast, smooth, noise = _flattened(grey, excluded, settings)
    excluded |= scratches(smooth, noise)
    _clear(excluded, contrast, smooth)
    clipped = (grey >= grey_max) | (grey <= 0)
    levels = find_levels(contrast, smooth, noise, clipped, matrix, settings)
    if clipped.any():
        contrast, smooth = unclipped(contrast, smooth, clipped & ~excluded, levels)
    found = outline(contrast, smooth, noise, levels, settings)
    if not settings.class_names:
        levels, found = without_empty_classes(levels, found)
    class_contrast = [c.contrast for c in levels.classes]
    marks = other_polarity(smooth, found.labels, class_contrast, noise, levels.blur_px or FIRST_BLUR)
    excluded |= marks.where
    _clear(excluded, contrast, found.basins)
    segmentation = Segmentation(
        labels=found.labels,
        basins=found.basins,
        contrast=contrast,
        classes=levels.classes,
        class_index=found.class_index,
        flags=_carbide_flags(found, clipped, levels.blur_px),
        excluded=excluded,
        matrix_grey=matrix.grey,
        noise=matrix.noise,
        noise_area_px=matrix.noise_area_px,
        matrix_uncertainty=matrix.uncertainty,
        blur_px=levels.blur_px,
        smooth_noise=matrix.smooth_noise,
    )
    word, messages = field_troubles(segmentation, matrix, clipped, settings, marks.share)
    return segmentation.told(word, messages)


def _flattened(
    grey: Picture, excluded: NDArray[np.bool_], settings: SegmentationSettings
) -> tuple[Matrix, Picture, Picture, Picture]:
    """Matrix; contrast as it is and smoothed, 0 where excluded; and the noise of the smoothed one."""
    smooth_grey = smoothed(grey)
    matrix = find_matrix(grey, smooth_grey, excluded, settings.matrix_grey)
    light = matrix.surface.evaluate()
    contrast, smooth = flatten(grey, light, matrix.grey), flatten(smooth_grey, light, matrix.grey)
    _clear(excluded, contrast, smooth)
    noise = matrix.local_noise()
    if settings.matrix_grey is not None and settings.class_greys:
        # Whoever pins both levels says that what lies between them is no noise of the matrix.
        noise = np.minimum(noise, np.float32(matrix.sensor_smooth_noise()))
    return matrix, contrast, smooth, noise


def _clear(excluded: NDArray[np.bool_], *pictures: NDArray) -> None:
    """Set pictures to 0, in place, where nothing is analysed."""
    if excluded.any():
        for picture in pictures:
            picture[excluded] = 0


def without_empty_classes(levels: Levels, found: Outlines) -> tuple[Levels, Outlines]:
    """Leave out levels that no carbide was given: nobody asked for them."""
    held = np.bincount(found.class_index, minlength=len(levels.classes)) > 0
    if held.all() or not held.any():
        return levels, found
    classes = numbered([c for c, keep in zip(levels.classes, held, strict=True) if keep])
    return replace(levels, classes=classes), replace(found, class_index=(np.cumsum(held) - 1)[found.class_index])


def _carbide_flags(found: Outlines, clipped: NDArray[np.bool_], blur: float | None) -> NDArray[np.uint32]:
    labels = found.labels
    count = len(found.class_index)
    word = np.zeros(count + 1, np.uint32)
    for side in (labels[0], labels[-1], labels[:, 0], labels[:, -1]):
        word[np.unique(side)] |= np.uint32(bit("edge", CARBIDE_FLAGS))
    word[labels[clipped]] |= np.uint32(bit("saturated", CARBIDE_FLAGS))
    smallest = np.pi / 4 * (RESOLVED * (blur or 1.0)) ** 2
    word[1:][found.area < smallest] |= np.uint32(bit("small", CARBIDE_FLAGS))
    word[1:][found.cut] |= np.uint32(bit("split", CARBIDE_FLAGS))
    return word[1:]
