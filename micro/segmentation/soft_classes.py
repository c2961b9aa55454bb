"""Kinds of carbide whose edges are softer than the lens makes those of another kind: patches of the matrix are so."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from micro.segmentation.edge_profile import LEAST_BLUR_PX, PIXEL_VARIANCE, WIDE
from micro.segmentation.segmentation import Segmentation
from micro.statistics.robust import spread as robust_spread

FloatArray = NDArray[np.float64]
DIFFERENCE_VARIANCE = 1 / 3  # of the slope from pixel to next but one: the mean over 2 px
FEWEST = 15  # carbides of a kind that tell its edges (chosen)
# Of the steepness of the strongest kind's edges, and of standard errors below 1. Of 67 fields of a sixth generator
# whose greys part into kinds 7 lie below: five with retained austenite (0.86 to 0.96), one with laths, one with two
# kinds under relief and bands. One with austenite lies above, at 0.91 ± 0.09.
SOFT, SURE = 0.96, 2.0


def soft_classes(s: Segmentation) -> NDArray[np.bool_]:
    """(classes,) True for those with softer edges than the strongest on their side of the matrix."""
    soft = np.zeros(len(s.classes), bool)
    if len(s.classes) < 2:
        return soft
    steep = steepness(s)
    for side in (1, -1):
        kinds = [k for k, c in enumerate(s.classes) if side * c.contrast > 0]
        told = [(abs(s.classes[k].contrast), k, steep[(s.class_index == k) & np.isfinite(steep)]) for k in kinds]
        told = sorted((one for one in told if len(one[2]) >= FEWEST), key=lambda one: one[0])
        for _, k, own in told[:-1]:
            soft[k] = _is_softer(own, told[-1][2])
    return soft


def _is_softer(own: FloatArray, strongest: FloatArray) -> bool:
    """Whether edges are softer than those of the strongest kind, by the medians."""
    ratio = float(np.median(own) / np.median(strongest))
    # Of a median of normal values: √(π/2) times that of the mean.
    relative = [robust_spread(e / np.median(e) - 1) * np.sqrt(np.pi / 2 / len(e)) for e in (own, strongest)]
    return ratio < SOFT and ratio * (1 + SURE * float(np.hypot(*relative))) < 1


def steepness(s: Segmentation) -> FloatArray:
    """(n,) mean slope along each outline over that of a blurred disc of its area; NaN where it is narrow, or cut.

    A disc of radius r under a normal lens of spread σ has the slope r/σ²·e^(−r²/σ²)·I₁(r²/σ²) at its edge, for a
    contrast of 1 (derived: the convolution in polar coordinates).
    """
    from scipy.special import ive

    blur = max(s.blur_px or 1.0, LEAST_BLUR_PX)
    spread = float(np.sqrt(blur**2 + PIXEL_VARIANCE + DIFFERENCE_VARIANCE))
    right, down = (cv2.Sobel(s.contrast, cv2.CV_32F, *order, scale=1 / 8) for order in ((1, 0), (0, 1)))
    inside = (s.labels > 0).view(np.uint8)
    rim = np.flatnonzero((inside > cv2.erode(inside, np.ones((3, 3), np.uint8))) & ~s.excluded)
    number = s.labels.ravel().take(rim)
    count = np.bincount(number, minlength=s.count + 1)[1:]
    slope = np.bincount(number, np.hypot(right, down).ravel().take(rim), s.count + 1)[1:] / np.maximum(count, 1)
    radius = np.sqrt(np.maximum(s.outline_px, 1) / np.pi) / spread
    disc = radius * ive(1, radius**2) / spread
    wide = (2 * radius > WIDE) & ~s.cut & (count > 0)
    return np.where(wide, slope / disc / np.abs(s.class_contrast), np.nan)
