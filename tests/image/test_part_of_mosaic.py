"""A part of a mosaic is read without the rest of it, however the file is laid out."""

import io
import tracemalloc

import numpy as np
import pytest
import tifffile

from micro.image.decoding import decode_tiff
from micro.image.micrograph import SubField

SIDE = 350
PART = SubField(top=100, left=155, bottom=210, right=305, mosaic_rows=SIDE, mosaic_columns=SIDE, margin_px=32)


@pytest.mark.parametrize("kind", [np.uint8, np.uint16, np.float32])
@pytest.mark.parametrize("colours", [1, 3])
@pytest.mark.parametrize(
    "layout",
    [
        {},
        {"byteorder": ">"},
        {"rowsperstrip": 24},
        {"rowsperstrip": 32, "compression": "zlib"},
        {"tile": (64, 48)},
        {"tile": (64, 48), "compression": "zlib"},
    ],
    ids=lambda layout: " ".join(map(str, layout)) or "one strip",
)
def test_every_layout_gives_the_same_part(kind, colours, layout):
    """One strip, strips, tiles, packed or not, either order of bytes: the pixels that were written."""
    shape = (SIDE, SIDE) if colours == 1 else (SIDE, SIDE, colours)
    picture = np.random.default_rng(1).integers(0, 250, shape).astype(kind)
    file = io.BytesIO()
    tifffile.imwrite(file, picture, photometric="minisblack" if colours == 1 else "rgb", **layout)
    top, left, bottom, right = PART.frame
    found = decode_tiff(file, sub_field=PART).values
    assert found.dtype == picture.dtype
    assert np.array_equal(found, picture[top:bottom, left:right])


def test_one_strip_of_900_megapixels_is_not_loaded_for_a_part(tmp_path):
    """Of a file of 900 MB, written as one strip, a frame of 1 megapixel takes a few megabytes."""
    side = 30_000
    path = tmp_path / "mosaic.tif"
    tifffile.memmap(path, shape=(side, side), dtype=np.uint8, bigtiff=True)[12_000, 9_000] = 200  # a file with holes
    part = SubField(11_500, 8_500, 12_500, 9_500, mosaic_rows=side, mosaic_columns=side)
    with path.open("rb") as file:
        tracemalloc.start()
        found = decode_tiff(file, sub_field=part).values
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
    top, left, _, _ = part.frame
    assert found[12_000 - top, 9_000 - left] == 200 and np.count_nonzero(found) == 1
    assert peak < 20e6
