"""Halos and scale bars drawn into invented micrographs: what the tests of left-out marks look for."""

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from micro.phantom.shapes import Coverage

Grey = NDArray[np.float32]


def halo(surface: Grey, coverage: Coverage, contrast: float, *, width_px: float = 4.0) -> Grey:
    """Matrix that etches brighter or darker by up to `contrast` grey levels near carbides."""
    share = coverage.by_class.sum(axis=0)
    near = np.clip(2 * ndimage.gaussian_filter(share, width_px), 0, 1) * (1 - share)
    return surface + np.float32(contrast) * near


def with_scale_bar(picture: Grey, um_per_px: float, length_um: float, grey: float = 255.0) -> Grey:
    """Picture with a bar of that length and its text burnt in at the lower right."""
    canvas = picture.copy()
    rows, columns = picture.shape
    length = round(length_um / um_per_px)
    x, y = columns - 20 - length, rows - 24
    canvas[y : y + 6, x : x + length] = grey
    text = f"{length_um:g} um"
    ink = np.zeros(picture.shape, np.uint8)
    cv2.putText(ink, text, (x, y - 8), cv2.FONT_HERSHEY_SIMPLEX, 0.6, 255, 2, cv2.LINE_AA)
    share = ink.astype(np.float32) / 255
    return np.asarray(canvas + (np.float32(grey) - canvas) * share, np.float32)
