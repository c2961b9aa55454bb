"""Area by integrated contrast: blur moves light and loses none."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from micro.segmentation import Segmentation

FloatArray = NDArray[np.float64]


def contrast_area(segmentation: Segmentation, outline_area: FloatArray) -> FloatArray:
    """(n,) areas, px²: each carbide's contrast over its basin, by the contrast of its class.

    Parameters
    ----------
    segmentation
        Carbides of one field.
    outline_area
        (n,) area inside the outline, px²; it stands in where the integrated contrast gives none above 0.
    """
    _, light = segmentation.basin_sums
    area = light / np.array([c.contrast for c in segmentation.classes])[segmentation.class_index]
    return np.where(area > 0, area, outline_area)
