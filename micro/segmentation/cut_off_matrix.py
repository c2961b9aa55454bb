"""Area of carbides on a matrix that the camera cut off at black or at full scale.

Nobody sees how far beyond the end of the scale such a matrix lies. At the end itself light over the level of the
carbides is their area; as far beyond it as carbides lie on this side, their edges have half of their height where grey
meets the end, and all that is not at the end is carbide. The area lies between the two.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from micro.segmentation.candidates import FAINTEST
from micro.segmentation.matrix import smoothed

Picture = NDArray[np.float32]
MOST_AT_END = 0.4  # of the pixels: less is no matrix (chosen)
HIGH, DEEP_PX, FEWEST_DEEP = 0.9, 3.0, 60  # quantile of what is not at the end; what tells the level inside (chosen)
ALIKE = 0.12  # of the level: half of its spread inside; more is no one kind of carbide (chosen)
# Of all that is not at the end, over what is above half: beyond it the matrix is not all cut off (chosen).
MOST_EDGE = 3.0
LEAST, SMALLEST_PX = 0.08, 6  # of the level, and px above half of it, that a carbide reaches (chosen)
ERROR = 0.1  # of both ends: level of the carbides, thin rims, which no edge tells here (chosen)
NOISE_LEFT = 0.28  # of white noise under the smoothing by 1 px (its kernel)


def on_cut_off_matrix(grey: Picture, left_out: NDArray[np.bool_], sign: int) -> tuple[float, float, float] | None:
    """Value, low and high of the area fraction; None where most is not at that end of the scale, or shows no level.

    Parameters
    ----------
    grey
        (rows, columns) grey levels as in the file.
    left_out
        (rows, columns) True where nothing is analysed.
    sign
        1 where carbides are brighter than the matrix, -1 where they are darker.
    """
    used = ~left_out
    end = float(grey[used].min() if sign > 0 else grey[used].max()) if used.any() else 0.0
    height = np.where(used, sign * (grey - np.float32(end)), np.float32(0))
    if np.mean(height[used] <= 0) < MOST_AT_END or not (height > 0).any():
        return None
    smooth = smoothed(height)
    high = smooth > np.float32(0.5 * np.quantile(height[height > 0], HIGH))
    deep = height[cv2.distanceTransform(high.view(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_5) > DEEP_PX]
    if len(deep) < FEWEST_DEEP:
        return None
    below, level, above = (float(q) for q in np.quantile(deep, [0.16, 0.5, 0.84]))
    if (above - below) / 2 > ALIKE * level:
        return None
    least = max(LEAST * level, FAINTEST * NOISE_LEFT * (above - below) / 2)
    _, number = cv2.connectedComponents((smooth > least).view(np.uint8))
    peak = np.bincount(number.ravel(), (smooth > 0.5 * level).ravel()) >= SMALLEST_PX
    peak[0] = False
    carbide, frame = peak[number], float(np.count_nonzero(used))
    by_light = float(height[carbide].sum(dtype=float)) / level / frame
    half, quarter, whole = (float(np.count_nonzero(carbide & (smooth > k * level))) / frame for k in (0.5, 0.25, 0.0))
    if whole > MOST_EDGE * half:
        return None
    low, high_end = (1 - ERROR) * min(by_light, half), (1 + ERROR) * max(by_light, whole)
    return (by_light + quarter) / 2, low, min(high_end, 1.0)
