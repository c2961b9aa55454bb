"""What is measured of a picture in colour: luminance, a channel, or the axis that parts two levels most."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
import tifffile
from PIL import Image

from micro.errors import InputError
from micro.field import measure
from micro.image.pixels import along, best_axis, parted
from micro.image.reading import read

MATRIX, CARBIDE = np.array([150.0, 110.0, 120.0]), np.array([112.0, 129.4, 120.0])
"""Two tints of one luminance, as of a tint etch; invented."""


def tinted(rng, scatter=4.0, shape=(200, 260)):
    """(rows, columns, 3) uint8 of discs in one tint on another, and (rows, columns) where the discs are."""
    y, x = np.mgrid[: shape[0], : shape[1]]
    disc = np.zeros(shape, bool)
    for cx, cy in rng.uniform([15, 15], [shape[1] - 15, shape[0] - 15], (25, 2)):
        disc |= (x - cx) ** 2 + (y - cy) ** 2 < 8.0**2
    clean = cv2.GaussianBlur(np.where(disc[..., None], CARBIDE, MATRIX), (0, 0), 1.0)
    return np.clip(np.rint(clean + rng.normal(0, scatter, clean.shape)), 0, 255).astype(np.uint8), disc


def test_two_tints_of_one_luminance_are_told_by_the_best_axis(tmp_path):
    """By luminance there is no second phase; along the axis the discs are found, and the report says which it was."""
    picture, disc = tinted(np.random.default_rng(3))
    cv2.imwrite(str(tmp_path / "f.png"), picture[..., ::-1])
    plain = measure(read(tmp_path / "f.png"), um_per_px=0.2, rolling_deg=0, carbides="dark")
    best = measure(read(tmp_path / "f.png", colour="best"), um_per_px=0.2, rolling_deg=0, carbides="dark")
    assert not plain.area_fraction[0] > 0.01
    assert best.area_fraction[0] == pytest.approx(disc.mean(), rel=0.05)
    said = next(one for one in best.issues if one.kind == "colour_axis")
    assert said.values["apart"] > 2 * said.values["by_luminance"]
    assert f"{said.values['red']:.2f} red" in said.text


def test_the_best_axis_is_that_of_fisher():
    """Where the scatter is alike in all channels and not shared, the axis is the difference of the two colours."""
    picture, _ = tinted(np.random.default_rng(5))
    weights = np.array(best_axis(picture).weights)
    wanted = MATRIX - CARBIDE
    assert np.abs(weights).sum() == pytest.approx(1)
    assert abs(weights @ wanted) / np.linalg.norm(weights) / np.linalg.norm(wanted) > 0.97
    pixels = picture.reshape(-1, 3).astype(float)
    others = np.random.default_rng(1).normal(size=(200, 3))
    assert parted(pixels, weights) > 0.97 * max(parted(pixels, w / np.abs(w).sum()) for w in others)


def test_levels_along_an_axis_stay_within_full_scale():
    """A channel of negative weight counts from full scale: nothing is lost at either end."""
    corners = np.array(np.meshgrid([0, 255], [0, 255], [0, 255])).reshape(3, -1).T.reshape(2, 4, 3).astype(np.uint8)
    grey = along(corners, (0.5, -0.3, 0.2), 255.0)
    assert (grey.min(), grey.max()) == (0.0, 255.0)
    assert grey[0, 0] == pytest.approx(0.3 * 255)


@pytest.mark.parametrize(("colour", "channel"), [("red", 0), ("green", 1), ("blue", 2)])
@pytest.mark.parametrize("kind", ["png", "tif", "16 bit png", "16 bit tif", "float tif", "bmp", "palette"])
def test_a_channel_comes_out_as_it_stands_in_the_file(kind, colour, channel, tmp_path):
    """Eight and sixteen bits, floats and palettes, to the level."""
    rgb = np.random.default_rng(2).integers(20, 235, (48, 64, 3), dtype=np.uint8)
    path = tmp_path / f"p.{kind.split()[-1].replace('palette', 'png')}"
    if kind == "palette":
        image = Image.fromarray(rgb).quantize(64)
        rgb = np.asarray(image.convert("RGB"))
        image.save(path)
    elif kind.startswith("16"):
        rgb = rgb.astype(np.uint16) * 257 + 1
        if path.suffix == ".tif":
            tifffile.imwrite(path, rgb, photometric="rgb")
        else:
            cv2.imwrite(str(path), rgb[..., ::-1])
    elif kind.startswith("float"):
        rgb = (rgb / 255).astype(np.float32)
        tifffile.imwrite(path, rgb, photometric="rgb")
    elif path.suffix == ".tif":
        tifffile.imwrite(path, rgb, photometric="rgb")
    else:
        cv2.imwrite(str(path), rgb[..., ::-1])
    found = read(path, colour=colour)
    assert np.array_equal(found.grey, rgb[..., channel].astype(np.float32))
    assert f"the {colour} channel was taken" in " ".join(one.text for one in found.issues)


@pytest.mark.parametrize("kind", ["jpg", "tif"])
def test_pictures_for_printing_are_refused(kind, tmp_path):
    """Four inks are no light: one clear line."""
    ink = np.random.default_rng(2).integers(20, 235, (48, 64, 4), dtype=np.uint8)
    path = tmp_path / f"p.{kind}"
    if kind == "jpg":
        Image.frombytes("CMYK", (64, 48), ink.tobytes()).save(path)
    else:
        tifffile.imwrite(path, ink, photometric="separated")
    with pytest.raises(InputError, match="CMYK"):
        read(path, colour="best")


def test_grey_pictures_have_no_colour_to_choose(tmp_path):
    """Whatever is asked for, a grey picture comes out unchanged, and nothing is said of colours."""
    grey = np.random.default_rng(2).integers(20, 235, (48, 64), dtype=np.uint8)
    cv2.imwrite(str(tmp_path / "g.png"), grey)
    cv2.imwrite(str(tmp_path / "rgb.png"), np.repeat(grey[..., None], 3, axis=2))
    for name in ("g.png", "rgb.png"):
        found = read(tmp_path / name, colour="best")
        assert np.array_equal(found.grey, grey)
        assert not found.issues


def test_one_colour_all_over_has_no_axis(tmp_path):
    """Noise without two levels: some axis is taken, and it parts nothing."""
    rgb = np.full((48, 64, 3), 90, np.uint8)
    rgb[0, 0] = (91, 90, 89)
    cv2.imwrite(str(tmp_path / "p.png"), rgb)
    said = next(one for one in read(tmp_path / "p.png", colour="best").issues if one.kind == "colour_axis")
    assert said.values["apart"] == 0
