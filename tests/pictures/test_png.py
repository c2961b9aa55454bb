"""PNG as other libraries read it."""

import io

import numpy as np
import pytest
from PIL import Image

from micro.pictures.outlines import PALETTE
from micro.pictures.png import BLOCK_PX, png


@pytest.mark.parametrize("shape", [(1, 1), (7, 13), (2 * BLOCK_PX // 1500 + 3, 1500)])
def test_pillow_reads_the_same_numbers(shape):
    """Numbers of a palette, greys, and masks of a bit a pixel, in one block and in several."""
    rng = np.random.default_rng(1)
    numbers, mask = rng.integers(0, len(PALETTE), shape, np.uint8), rng.random(shape) < 0.3
    with Image.open(io.BytesIO(png(numbers, PALETTE))) as picture:
        assert picture.mode == "P"
        assert np.array_equal(picture, numbers)
        assert np.array_equal(picture.convert("RGB"), PALETTE[numbers])
    for content, mode in ((numbers, "L"), (mask, "1")):
        with Image.open(io.BytesIO(png(content))) as picture:
            assert picture.mode == mode
            assert np.array_equal(np.asarray(picture, content.dtype), content)
