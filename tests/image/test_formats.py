"""Every promised kind of file gives the grey levels that were put in."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
import tifffile

from micro.errors import InputError
from micro.image.reading import read

GREY = np.random.default_rng(3).integers(20, 200, (48, 70), dtype=np.uint8)
COLOUR = np.random.default_rng(4).integers(20, 200, (48, 70, 3), dtype=np.uint8)


@pytest.mark.parametrize(
    ("values", "grey_max"),
    [(GREY, 255), (GREY.astype(np.uint16) * 16, 4095), (GREY.astype(np.uint16) * 250, 65535)],
    ids=["8 bit", "12 in 16", "16 bit"],
)
def test_tiff_depths(tmp_path: Path, values: np.ndarray, grey_max: float) -> None:
    """Levels stay, full scale is known."""
    tifffile.imwrite(tmp_path / "p.tif", values)
    found = read(tmp_path / "p.tif")
    assert np.array_equal(found.grey, values)
    assert found.grey_max == grey_max


@pytest.mark.parametrize("ending", ["png", "bmp", "tif"])
def test_equal_channels_are_one_grey_picture(tmp_path: Path, ending: str) -> None:
    """RGB that is really grey comes out unchanged and without a word on colours."""
    cv2.imwrite(str(tmp_path / f"p.{ending}"), np.repeat(GREY[..., None], 3, axis=2))
    found = read(tmp_path / f"p.{ending}")
    assert np.array_equal(found.grey, GREY)
    assert not any("colours" in message for message in found.messages)


@pytest.mark.parametrize("ending", ["png", "bmp", "tif"])
def test_colours_become_luminance(tmp_path: Path, ending: str) -> None:
    """By the weights of ITU-R BT.601, as OpenCV's conversion has them; and it is said."""
    cv2.imwrite(str(tmp_path / f"p.{ending}"), COLOUR)
    found = read(tmp_path / f"p.{ending}")
    assert np.abs(found.grey - cv2.cvtColor(COLOUR, cv2.COLOR_BGR2GRAY)).max() <= 0.51
    assert any("BT.601" in message for message in found.messages)


def test_jpeg(tmp_path: Path) -> None:
    """As OpenCV decodes it."""
    cv2.imwrite(str(tmp_path / "p.jpg"), GREY)
    assert np.array_equal(read(tmp_path / "p.jpg").grey, cv2.imread(str(tmp_path / "p.jpg"), cv2.IMREAD_GRAYSCALE))


def test_palette(tmp_path: Path) -> None:
    """A palette that turns the levels round is obeyed."""
    ramp = (255 - np.arange(256, dtype=np.uint16)) * 257
    tifffile.imwrite(tmp_path / "p.tif", GREY, photometric="palette", colormap=np.stack([ramp] * 3))
    assert np.array_equal(read(tmp_path / "p.tif").grey, 255 - GREY.astype(np.float32))


def test_alpha_is_left_out(tmp_path: Path) -> None:
    """Transparency changes no grey level and is said."""
    alpha = np.full((48, 70, 1), 255, np.uint8)
    alpha[:10] = 0
    cv2.imwrite(str(tmp_path / "p.png"), np.concatenate([np.repeat(GREY[..., None], 3, axis=2), alpha], axis=2))
    found = read(tmp_path / "p.png")
    assert np.array_equal(found.grey, GREY)
    assert any("transparency" in message for message in found.messages)


@pytest.mark.parametrize(("tag", "turns"), [(3, 2), (6, 3), (8, 1)])
def test_orientation_tag_is_obeyed(tmp_path: Path, tag: int, turns: int) -> None:
    """TIFF 6.0 tag 274: 3 upside down, 6 and 8 a quarter turn."""
    tifffile.imwrite(tmp_path / "p.tif", GREY, extratags=[(274, "H", 1, tag, True)])
    assert np.array_equal(read(tmp_path / "p.tif").grey, np.rot90(GREY, turns))


def test_pages(tmp_path: Path) -> None:
    """A stack is refused unless a page is named, from 1; a page that is not there is refused."""
    tifffile.imwrite(tmp_path / "p.tif", np.stack([GREY, GREY // 2, GREY // 3]), photometric="minisblack")
    with pytest.raises(InputError):
        read(tmp_path / "p.tif")
    assert np.array_equal(read(tmp_path / "p.tif", page=2).grey, GREY // 2)
    with pytest.raises(InputError):
        read(tmp_path / "p.tif", page=4)
