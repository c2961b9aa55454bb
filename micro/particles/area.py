"""Area by integrated contrast: blur moves light and loses none."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from micro.segmentation import Segmentation

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class ContrastArea:
    """Areas of the n carbides of a field, px².

    Parameters
    ----------
    area
        (n,) integrated contrast over class contrast; the outline's area where that is not above 0.
    uncertainty
        (n,) standard uncertainty from noise, matrix level and class level.
    basin
        (n,) pixels whose light was summed.
    fallen_back
        (n,) True where the outline's area stands in.
    """

    area: FloatArray
    uncertainty: FloatArray
    basin: FloatArray
    fallen_back: NDArray[np.bool_]


def contrast_area(segmentation: Segmentation, outline_area: FloatArray) -> ContrastArea:
    """Integrate each carbide's contrast over its basin and divide by its class contrast.

    Parameters
    ----------
    segmentation
        Carbides of one field.
    outline_area
        (n,) area inside the outline, px².
    """
    basin, light = segmentation.basin_sums
    level = np.array([c.contrast for c in segmentation.classes])[segmentation.class_index]
    level_uncertainty = np.array([c.contrast_uncertainty for c in segmentation.classes])[segmentation.class_index]
    area = light / level
    fallen_back = ~(area > 0)
    area = np.where(fallen_back, outline_area, area)
    variance = (
        segmentation.noise**2 * segmentation.noise_area_px * basin
        + (segmentation.matrix_uncertainty * basin) ** 2
        + (level_uncertainty * area) ** 2
    ) / level**2
    return ContrastArea(area, np.sqrt(variance), basin, fallen_back)
