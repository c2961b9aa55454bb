"""From the grey levels of one field to its carbides: calls the stages in order."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from micro import flags
from micro.segmentation.levels import find_levels
from micro.segmentation.matrix import find_matrix, flatten, smoothed
from micro.segmentation.outline import Outlines, outline
from micro.segmentation.segmentation import Segmentation, SegmentationSettings

RESOLVED = 4.0


def segment(
    grey: NDArray[np.float32], settings: SegmentationSettings | None = None, grey_max: float = 255.0
) -> Segmentation:
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
    matrix = find_matrix(grey, settings.matrix_grey)
    contrast = flatten(grey, matrix.surface)
    smooth = smoothed(contrast)
    levels = find_levels(contrast, smooth, matrix, settings)
    found = outline(contrast, smooth, levels, settings)
    word, messages = _field_troubles(grey, grey_max, len(found.class_index))
    return Segmentation(
        labels=found.labels,
        basins=found.basins,
        contrast=contrast,
        classes=levels.classes,
        class_index=found.class_index,
        flags=_carbide_flags(found, grey >= grey_max, levels.blur_px),
        excluded=np.zeros(grey.shape, bool),
        matrix_grey=matrix.grey,
        noise=matrix.noise,
        noise_area_px=matrix.noise_area_px,
        matrix_uncertainty=matrix.uncertainty,
        blur_px=levels.blur_px,
        field_flags=word,
        messages=messages,
    )


def _carbide_flags(found: Outlines, clipped: NDArray[np.bool_], blur: float | None) -> NDArray[np.uint32]:
    labels = found.labels
    count = len(found.class_index)
    word = np.zeros(count + 1, np.uint32)
    for side in (labels[0], labels[-1], labels[:, 0], labels[:, -1]):
        word[np.unique(side)] |= np.uint32(flags.bit("edge", flags.CARBIDE_FLAGS))
    word[np.unique(labels[clipped])] |= np.uint32(flags.bit("saturated", flags.CARBIDE_FLAGS))
    area = np.bincount(labels.ravel(), minlength=count + 1)
    smallest = np.pi / 4 * (RESOLVED * (blur or 1.0)) ** 2
    word[area < smallest] |= np.uint32(flags.bit("small", flags.CARBIDE_FLAGS))
    word[1:][found.cut] |= np.uint32(flags.bit("split", flags.CARBIDE_FLAGS))
    return word[1:]


def _field_troubles(grey: NDArray[np.float32], grey_max: float, count: int) -> tuple[int, tuple[str, ...]]:
    word, messages = 0, []
    if not count:
        word |= flags.bit("no_second_phase", flags.FIELD_FLAGS)
        messages.append("no second phase found")
    clipped = float(((grey <= 0) | (grey >= grey_max)).mean())
    if clipped > 0.01:
        word |= flags.bit("saturated", flags.FIELD_FLAGS)
        messages.append(f"{100 * clipped:.1f} % of the pixels are saturated")
    return word, tuple(messages)
