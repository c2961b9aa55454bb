"""Give clipped carbides the light back that full scale cut off."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from micro.segmentation.levels import FIRST_BLUR, Levels
from micro.segmentation.matrix import smoothed


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
