"""Other readers find in a figure's PNG what was drawn, and nothing else."""

import io

import numpy as np
import pytest
from PIL import Image

from micro.figures.style import place, rendered, styled


def test_other_readers_see_the_same_picture_at_the_same_size():
    """Colour, place and resolution; opaque; no date, no version; the same bytes each time."""
    with styled(1, 2.0) as (figure, (axes,)):
        axes.axhspan(0.25, 0.75, color="#1b4f72")
        axes.set(xlim=(0, 1), ylim=(0, 1))
        place(figure)
        first, second = rendered(figure, "png"), rendered(figure, "png")
        box = axes.get_window_extent()
        middle, size = (box.y0 + box.height / 2) / figure.bbox.height, figure.get_size_inches()
    assert first == second
    read = Image.open(io.BytesIO(first))
    assert read.size == tuple(np.rint(size * 300))
    assert list(read.info) == ["dpi"]
    # A PNG counts dots in a metre.
    assert read.info["dpi"] == pytest.approx((300, 300), abs=0.02)
    assert read.mode == "RGB"  # opaque
    pixels = np.asarray(read)
    assert tuple(pixels[round((1 - middle) * read.height), read.width // 2]) == (0x1B, 0x4F, 0x72)
    assert tuple(pixels[0, 0]) == (255, 255, 255)
