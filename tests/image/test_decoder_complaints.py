"""What a decoder only mutters about is a damaged picture: refused in one line, and nothing of it on the screen.

Checked with files made by Pillow (libjpeg, libtiff) and damaged afterwards: bits turned over, headers that claim more
pixels than the data holds.
"""

from __future__ import annotations

import io
import random
import struct

import numpy as np
import pytest
import tifffile
from PIL import Image, TiffImagePlugin

from micro.errors import InputError
from micro.image.reading import read
from micro.phantom.picture import Optics
from micro.phantom.scenes import Population, Scene, make_field


@pytest.fixture(scope="module")
def grey() -> np.ndarray:
    scene = Scene((Population(0.08, 6.0),), optics=Optics(100, (200,), noise=4.0))
    return make_field(scene, (160, 200), np.random.default_rng(1))[0].astype(np.uint8)


def saved(grey: np.ndarray, kind: str, **how: object) -> bytearray:
    stream = io.BytesIO()
    Image.fromarray(grey).save(stream, kind, **how)
    return bytearray(stream.getvalue())


def taken(tmp_path, content: bytes):
    """Grey levels as read, or the line of the refusal."""
    path = tmp_path / "x"
    path.write_bytes(content)
    try:
        return read(path, crop_bottom_px=0).grey
    except InputError as refused:
        return str(refused)


def grown(content: bytearray, rows: int, columns: int) -> bytearray:
    """Write another size, of one strip, into the header of a TIFF."""
    with tifffile.TiffFile(io.BytesIO(bytes(content))) as tiff:
        tags = tiff.pages[0].tags
        for code, value in ((256, columns), (257, rows), (278, rows)):
            tag = tags[code]
            struct.pack_into({3: "<H", 4: "<I"}[int(tag.dtype)], content, tag.valueoffset, value)
    return content


@pytest.mark.parametrize("packing", ["raw", "tiff_lzw", "packbits", "tiff_adobe_deflate", "jpeg"])
@pytest.mark.parametrize("size", [(320, 400), (4000, 4000)])
def test_a_header_larger_than_its_data_is_refused(grey, tmp_path, capfd, packing, size):
    """Decoders fill in what is missing: such a field had 12 % where there were 9 %."""
    said = taken(tmp_path, grown(saved(grey, "TIFF", compression=packing), *size))
    assert isinstance(said, str)
    assert said.isprintable()
    assert capfd.readouterr().err == ""


@pytest.mark.parametrize("kind", ["JPEG", "BMP", "PNG"])
def test_so_it_is_in_other_formats(grey, tmp_path, capfd, kind):
    content = saved(grey, kind)
    place, form = {"JPEG": (content.find(b"\xff\xc0") + 5, ">HH"), "BMP": (18, "<ii"), "PNG": (16, ">II")}[kind]
    struct.pack_into(form, content, place, 400, 400)
    assert isinstance(taken(tmp_path, content), str)
    assert capfd.readouterr().err == ""


@pytest.mark.parametrize(("kind", "how"), [("JPEG", {"quality": 92}), ("TIFF", {"compression": "tiff_lzw"})])
def test_turned_bits_that_the_decoder_sees_are_refused(grey, tmp_path, capfd, kind, how, record_property):
    """Neither format has a checksum: what still decodes is taken, whatever the decoder complains of is not."""
    sound = saved(grey, kind, **how)
    whole = taken(tmp_path, sound)
    rng = random.Random(1)
    refused = other = 0
    for _ in range(60):
        content = bytearray(sound)
        content[rng.randrange(650, len(content) - 300)] ^= 1 << rng.randrange(8)
        found = taken(tmp_path, content)
        if isinstance(found, str):
            refused += 1
            assert "is damaged" in found
        else:
            other += (np.abs(found - whole) > 10).mean() > 0.01
    record_property(f"{kind} with one bit turned", f"{refused} of 60 refused, {other} taken with other grey levels")
    assert refused >= {"JPEG": 5, "TIFF": 3}[kind]
    assert capfd.readouterr().err == ""


def test_unknown_tags_are_no_damage(grey, tmp_path, capfd):
    """Microscopes write tags of their own; libtiff warns of each."""
    tags = TiffImagePlugin.ImageFileDirectory_v2()
    tags.tagtype[50001] = 3
    tags[50001] = 7
    found = taken(tmp_path, saved(grey, "TIFF", compression="tiff_lzw", tiffinfo=tags))
    np.testing.assert_array_equal(found, grey)
    assert capfd.readouterr().err == ""
