"""A scale bar of a round length."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Picture = NDArray[np.uint8]
SHARE_OF_WIDTH = 0.2


def round_length_um(width_um: float) -> float:
    """Largest of 1, 2, 5 times a power of ten that is at most a fifth of the picture's width."""
    wanted = width_um * SHARE_OF_WIDTH
    power = 10.0 ** math.floor(math.log10(wanted))
    return max(step * power for step in (1, 2, 5) if step * power <= wanted * (1 + 1e-9))


def draw_scale_bar(picture: Picture, um_per_px: float) -> None:
    """Draw a scale bar with its length into the lower right of an RGB picture (rows, columns, 3), in place."""
    import cv2

    rows, columns = picture.shape[:2]
    length_um = round_length_um(columns * um_per_px)
    length = round(length_um / um_per_px)
    # The built-in font has no Greek letters, so the unit is drawn by its ASCII spelling.
    text = f"{length_um:g} um"
    size = max(0.4, columns / 1600)
    thick = max(1, round(size * 2))
    (wide, high), _ = cv2.getTextSize(text, cv2.FONT_HERSHEY_SIMPLEX, size, thick)
    pad = max(4, high // 2)
    box_width = max(length, wide) + 2 * pad
    box_height = high + 4 * pad
    left, top = columns - box_width - pad, rows - box_height - pad
    if left < 0 or top < 0:
        return
    cv2.rectangle(picture, (left, top), (left + box_width, top + box_height), (255, 255, 255), -1)
    centre = left + box_width // 2
    cv2.putText(
        picture,
        text,
        (centre - wide // 2, top + pad + high),
        cv2.FONT_HERSHEY_SIMPLEX,
        size,
        (0, 0, 0),
        thick,
        cv2.LINE_AA,
    )
    bar = top + high + 2 * pad
    cv2.rectangle(picture, (centre - length // 2, bar), (centre - length // 2 + length - 1, bar + pad), (0, 0, 0), -1)
