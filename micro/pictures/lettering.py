"""Words on pictures, with Greek letters."""

from __future__ import annotations

import functools
import importlib.util
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from PIL.ImageFont import FreeTypeFont

INK = (20, 20, 20)


@functools.lru_cache(maxsize=16)
def font(height_px: int) -> FreeTypeFont:
    """Sans-serif letters that come with matplotlib, found without loading it."""
    from PIL import ImageFont

    found = importlib.util.find_spec("matplotlib")
    assert found is not None and found.origin is not None
    folder = Path(found.origin).parent / "mpl-data" / "fonts" / "ttf"
    return ImageFont.truetype(str(folder / "DejaVuSans.ttf"), height_px)


def text_width(text: str, height_px: int) -> int:
    """Columns that a text takes."""
    return round(font(height_px).getlength(text))


def write(
    picture: NDArray[np.uint8],
    text: str,
    left: int,
    middle: int,
    height_px: int,
    ink: tuple[int, int, int] = INK,
) -> None:
    """Write a text into an RGB picture (rows, columns, 3), in place, its letters about the row `middle`."""
    from PIL import Image, ImageDraw

    canvas = Image.fromarray(picture)
    ImageDraw.Draw(canvas).text((left, middle), text, fill=ink, font=font(height_px), anchor="lm")
    picture[:] = np.asarray(canvas)
