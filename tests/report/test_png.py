"""Other readers find in a PNG what was drawn, and nothing else."""

import io

import numpy as np
import pytest
from PIL import Image

from micro.figures.style import png


def test_other_readers_see_the_same_pixels_at_the_same_size():
    """Colours, place and resolution; no opacity, no date."""
    pixels = np.random.default_rng(1).integers(0, 256, (7, 11, 4), np.uint8)
    pixels[..., 3] = 255
    read = Image.open(io.BytesIO(png(pixels, 300)))
    read.load()
    assert (read.size, read.mode) == ((11, 7), "RGB")
    assert np.array_equal(np.asarray(read), pixels[..., :3])
    assert list(read.info) == ["dpi"]
    # A PNG counts dots in a metre.
    assert read.info["dpi"] == pytest.approx((300, 300), abs=0.02)
