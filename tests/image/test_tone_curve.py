"""A camera's published tone curve is undone before anything is measured."""

import cv2
import numpy as np
import pandas as pd
import pytest
import tifffile
from PIL import Image, PngImagePlugin
from skimage.color import rgb2xyz

import micro
from micro.errors import InputError
from micro.image.pixels import srgb_to_light
from micro.image.reading import read
from micro.report.record import read_run

FINER, SIDE = 4, 320


def kinds(issues):
    return {one.kind for one in issues}


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16, np.float32])
def test_light_is_that_of_another_library(dtype):
    """Of scikit-image's way from sRGB to XYZ, Y of greys, by IEC 61966-2-1."""
    top = np.iinfo(dtype).max if dtype != np.float32 else 1.0
    levels = np.linspace(0, top, 200).astype(dtype).reshape(10, 20)
    theirs = rgb2xyz(np.repeat(levels[..., None] / top, 3, axis=-1))[..., 1]
    np.testing.assert_allclose(srgb_to_light(levels, float(top)) / top, theirs, atol=1e-6)


def snapshot(ecd_px, blur_px, matrix, carbide):
    """Grey (rows, columns) of discs as a camera saves by sRGB, and their area fraction."""
    rng = np.random.default_rng(1)
    fine = np.zeros((FINER * SIDE, FINER * SIDE), np.uint8)
    while cv2.countNonZero(fine) < 0.1 * fine.size:
        x, y = rng.uniform(0, FINER * SIDE, 2)
        cv2.circle(fine, (int(x), int(y)), round(FINER * ecd_px * rng.lognormal(0, 0.2) / 2), 1, -1)
    lens = cv2.GaussianBlur(fine.astype(np.float32), (0, 0), FINER * blur_px)
    seen = cv2.resize(lens, (SIDE, SIDE), interpolation=cv2.INTER_AREA)
    light = np.clip(matrix + (carbide - matrix) * seen + 0.004 * rng.standard_normal((SIDE, SIDE)), 0, 1)
    saved = np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 0.0031308) ** (1 / 2.4) - 0.055)
    return np.rint(255 * saved).astype(np.uint8), float(fine.mean())


@pytest.mark.parametrize(("matrix", "carbide"), [(0.1, 0.5), (0.5, 0.15)])
def test_the_area_is_the_true_one_where_the_curve_is_undone(matrix, carbide, tmp_path):
    """As saved it is off by 5 % at least: light at the edges counts by the slope of the curve there."""
    grey, truth = snapshot(8, 1.2, matrix, carbide)
    cv2.imwrite(str(tmp_path / "f.png"), grey)
    found = {
        curve: micro.measure(read(tmp_path / "f.png", tone_curve=curve), um_per_px=0.2, rolling_deg=0)
        for curve in ("linear", "srgb")
    }
    assert abs(found["linear"].area_fraction[0] / truth - 1) > 0.05
    value, low, high = found["srgb"].area_fraction
    assert value == pytest.approx(truth, rel=0.015)
    assert low <= truth <= high
    assert "tone_curve_undone" in kinds(found["srgb"].issues)


def test_command_and_study_file_undo_it_alike(tmp_path, run_micro, without_pages):
    """As `read` does; the record names it as pinned, so that a run with the other curve measures again."""
    cv2.imwrite(str(tmp_path / "f.png"), snapshot(8, 1.2, 0.1, 0.5)[0])
    study = "um_per_px = 0.2\nrolling_deg = 0\ntone_curve = 'srgb'\n[[specimen]]\nname = 'A'\nimages = ['f.png']\n"
    (tmp_path / "study.toml").write_text(study)
    options = ("--um-per-px", 0.2, "--rolling-deg", 0, "--workers", 1, "--out", tmp_path / "one")
    assert run_micro("measure", tmp_path / "f.png", *options)[0] == 0
    bent = pd.read_csv(tmp_path / "one" / "fields.csv")["area_fraction"].iloc[0]
    assert run_micro("measure", tmp_path / "f.png", *options, "--tone-curve", "srgb")[0] == 0
    assert run_micro("run", tmp_path / "study.toml", "--workers", 1, "--out", tmp_path / "two")[0] == 0
    undone = [pd.read_csv(tmp_path / name / "fields.csv")["area_fraction"].iloc[0] for name in ("one", "two")]
    assert undone[0] == undone[1] < 0.97 * bent
    assert read_run(tmp_path / "two").pinned == {"f": {"tone_curve": "srgb"}}


def test_colours_are_turned_into_grey_by_their_light(tmp_path):
    """Weights of luminance belong to light: red and green saved at 200 of 255 have 0.578 of it each."""
    colours = np.zeros((64, 64, 3), np.uint8)
    colours[:, :, 0], colours[:, 32:, 1], colours[::2, :, 2] = 200, 200, 60
    Image.fromarray(colours).save(tmp_path / "f.png")
    light = srgb_to_light(colours, 255.0)
    grey = read(tmp_path / "f.png", tone_curve="srgb").grey
    np.testing.assert_allclose(grey, light @ np.array([0.299, 0.587, 0.114]), rtol=1e-5)


def test_a_picture_in_which_0_is_white_follows_the_curve_from_its_black(tmp_path):
    grey, _ = snapshot(10, 1.2, 0.3, 0.8)
    tifffile.imwrite(tmp_path / "black.tif", grey, photometric="minisblack")
    tifffile.imwrite(tmp_path / "white.tif", 255 - grey, photometric="miniswhite")
    one, other = (read(tmp_path / f"{name}.tif", tone_curve="srgb").grey for name in ("black", "white"))
    np.testing.assert_allclose(one, other, atol=1e-4)


def test_another_curve_is_refused_and_not_taken_for_none(tmp_path):
    cv2.imwrite(str(tmp_path / "f.png"), snapshot(10, 1.2, 0.3, 0.8)[0])
    with pytest.raises(InputError, match="tone curve 'sRGB'; give linear or srgb"):
        read(tmp_path / "f.png", tone_curve="sRGB")


def test_a_table_of_tags_that_cannot_be_read_says_nothing(tmp_path, monkeypatch):
    saved_by_a_camera(tmp_path / "f.jpg", states=True)
    monkeypatch.setattr("PIL.Image.Exif.get_ifd", lambda exif, tag: [][tag])
    assert not kinds(read(tmp_path / "f.jpg").issues) & {"tone_curve_stated"}


@pytest.mark.parametrize("ecd_px", [5, 8, 20])
@pytest.mark.parametrize(("matrix", "carbide"), [(0.1, 0.5), (0.5, 0.15), (0.3, 0.8)])
def test_where_the_file_states_a_curve_the_interval_holds_the_truth_either_way(matrix, carbide, ecd_px, tmp_path):
    """As saved the area is off by up to a third; without the chunk the interval is that of grey that follows light."""
    grey, truth = snapshot(ecd_px, 1.2, matrix, carbide)
    half = {}
    for states in (True, False):
        chunks = PngImagePlugin.PngInfo()
        if states:
            chunks.add(b"sRGB", b"\0")
        Image.fromarray(grey).save(tmp_path / "f.png", pnginfo=chunks)
        value, low, high = micro.measure(read(tmp_path / "f.png"), um_per_px=0.2, rolling_deg=0).area_fraction
        half[states] = (high - low) / 2 / value
        if states:
            assert low <= truth <= high
    assert half[False] < half[True] < half[False] + 0.5


def saved_by_a_camera(path, states):
    grey, _ = snapshot(10, 1.2, 0.3, 0.8)
    picture = Image.fromarray(grey)
    if path.suffix == ".png":
        chunks = PngImagePlugin.PngInfo()
        if states:
            chunks.add(b"sRGB", b"\0")
        picture.save(path, pnginfo=chunks)
    else:
        exif = Image.Exif()
        exif.get_ifd(0x8769)[0xA001] = 1 if states else 0xFFFF
        picture.save(path, exif=exif, quality=95)


@pytest.mark.parametrize("name", ["f.png", "f.jpg"])
def test_a_file_that_says_srgb_is_believed_only_by_its_user(name, tmp_path):
    """Chunk sRGB of PNG (ISO/IEC 15948), tag ColorSpace of Exif 2.3: many programs write them whatever they hold."""
    saved_by_a_camera(tmp_path / name, states=True)
    stated = read(tmp_path / name)
    assert "tone_curve_stated" in kinds(stated.issues)
    assert stated.grey.max() == pytest.approx(cv2.imread(str(tmp_path / name), 0).max(), abs=1)
    assert not kinds(read(tmp_path / name, tone_curve="srgb").issues) & {"tone_curve_stated"}
    saved_by_a_camera(tmp_path / name, states=False)
    assert not kinds(read(tmp_path / name).issues) & {"tone_curve_stated"}
