"""What blur makes of a disc: the model behind levels, outlines and checks."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def peak(area_over_blur: NDArray[np.float64] | float) -> NDArray[np.float64]:
    """Height at the centre of a disc of unit contrast after a Gaussian blur.

    Parameters
    ----------
    area_over_blur
        Area over 2·π·σ². The height is 1 − exp(−R²/2σ²).
    """
    return -np.expm1(-np.asarray(area_over_blur, float))


def edge(area_over_blur: NDArray[np.float64] | float) -> NDArray[np.float64]:
    """Height at the true edge of a blurred disc, (1 − exp(−x)·I0(x))/2 with x = R²/σ²; 1/2 for large ones.

    The share of a circular normal distribution, centred on the edge, that falls on the disc.
    """
    from scipy.special import i0e

    return (1 - i0e(2 * np.asarray(area_over_blur, float))) / 2


def contrast_from_peak(light: NDArray, height: NDArray, blur_area: float) -> NDArray[np.float64]:
    """Contrast of unblurred discs from their integrated contrast and their height at the centre.

    Solves height = c·(1 − exp(−light/(c·blur_area))) for c, `blur_area` = 2·π·σ². NaN where the light is less
    than a point image of that height would have.
    """
    x = np.concatenate([np.geomspace(0.05, 40, 400)])
    ratio = x / peak(x)
    with np.errstate(invalid="ignore", divide="ignore"):
        wanted = np.asarray(light, float) / (blur_area * np.asarray(height, float))
        found = np.where(wanted > ratio[0], np.interp(wanted, ratio, x, right=np.inf), np.nan)
        return np.where(np.isinf(found), height, light / (blur_area * found))
