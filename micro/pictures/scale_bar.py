"""A scale bar of a round length."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from micro.pictures.lettering import text_width, write

Picture = NDArray[np.uint8]
SHARE_OF_WIDTH = 0.2


def round_length_um(width_um: float) -> float:
    """Largest of 1, 2, 5 times a power of ten that is at most a fifth of the picture's width."""
    wanted = width_um * SHARE_OF_WIDTH
    power = 10.0 ** math.floor(math.log10(wanted))
    return max(step * power for step in (1, 2, 5) if step * power <= wanted * (1 + 1e-9))


def length_text(length_um: float) -> str:
    """Length with its unit."""
    return f"{length_um / 1000:g} mm" if length_um >= 1000 else f"{length_um:g} µm"


def draw_scale_bar(picture: Picture, um_per_px: float, letters: float = 1 / 45) -> None:
    """Draw a scale bar with its length into the lower right of an RGB picture (rows, columns, 3), in place.

    `letters` is the height of the words over the picture's width; a picture too small for the bar stays as it is.
    """
    rows, columns = picture.shape[:2]
    length_um = round_length_um(columns * um_per_px)
    length = round(length_um / um_per_px)
    text, high = length_text(length_um), max(11, round(columns * letters))
    wide, pad = text_width(text, high), max(4, high // 3)
    box_width, box_height = max(length, wide) + 2 * pad, high + 4 * pad
    left, top = columns - box_width - pad, rows - box_height - pad
    if left < 0 or top < 0:
        return
    box = picture[top : top + box_height + 1, left : left + box_width + 1]
    box[:] = 255
    write(box, text, (box_width - wide) // 2, pad + high // 2, high, (0, 0, 0))
    start = (box_width - length) // 2
    box[high + 2 * pad : high + 3 * pad, start : start + length] = 0
