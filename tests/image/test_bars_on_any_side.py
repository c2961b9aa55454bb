"""A strip burnt in at any side is found to the row; clean micrographs keep all their pixels; told sides are cut."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from micro.errors import InputError
from micro.field import measure
from micro.image.micrograph import Box, Crop, find_data_bars, mask_of
from micro.image.reading import read
from micro.phantom.picture import Optics
from micro.phantom.scenes import Population, Scene, make_field

SHAPE = (300, 420)
TURNS = {"bottom": 0, "right": 1, "top": 2, "left": 3}  # quarter turns counter-clockwise that bring the bottom there


def field(seed: int, fraction: float = 0.07) -> tuple[np.ndarray, float]:
    """Draw a field with a known area fraction."""
    scene = Scene((Population(fraction, 9.0),), optics=Optics(noise=4.0))
    grey, truth = make_field(scene, SHAPE, np.random.default_rng(seed))
    return grey, float(truth.area_fraction.sum())


def strip(width: int, rows: int, ground: int) -> np.ndarray:
    """Draw a data bar: even ground, a line of letters, a scale bar."""
    bar = np.full((rows, width), ground, np.uint8)
    cv2.putText(bar, "15 kV x1000 10 um", (10, rows - 6), cv2.FONT_HERSHEY_SIMPLEX, rows / 70, 255 - ground, 1)
    bar[rows // 2 : rows // 2 + 2, width - 80 : width - 20] = 255 - ground
    return bar.astype(np.float32)


@pytest.mark.parametrize("ground", [0, 255])
@pytest.mark.parametrize("side", TURNS)
def test_a_bar_is_found_on_any_side(side: str, ground: int) -> None:
    """To the row, and nothing is cut elsewhere."""
    turned = np.rot90(field(1)[0], -TURNS[side])
    with_bar = np.vstack([turned, strip(turned.shape[1], 30, ground)])
    assert find_data_bars(np.rot90(with_bar, TURNS[side])) == Crop(**{side: 30})


def test_two_bars_are_both_found() -> None:
    """Letters above and below."""
    grey = np.vstack([strip(SHAPE[1], 24, 0), field(2)[0], strip(SHAPE[1], 36, 255)])
    assert find_data_bars(grey) == Crop(top=24, bottom=36)


@pytest.mark.parametrize("seeds", [range(8), pytest.param(range(8, 48), marks=pytest.mark.study)], ids=len)
def test_clean_fields_keep_their_sides(seeds: range) -> None:
    """None, noisy or nearly free of noise, even or lit from a side, loses a pixel on any side."""
    for seed in seeds:
        optics = Optics(noise=0.5 + seed % 8, shading=0.1 * (seed % 4))
        population = Population(0.08, 4.0 + seed % 9, banding=float(seed % 2))
        grey, _ = make_field(Scene((population,), rolling_deg=45.0 * (seed % 3), optics=optics), (160, 220),
                             np.random.default_rng(seed))  # fmt: skip
        assert not find_data_bars(grey).any


def test_a_bar_at_the_top_leaves_the_area_fraction_alone(tmp_path: Path) -> None:
    """Within 2 % of the truth, and positions count from the top left corner of the file."""
    grey, truth = field(3)
    cv2.imwrite(str(tmp_path / "f.png"), np.vstack([strip(SHAPE[1], 40, 0), grey]).astype(np.uint8))
    cv2.imwrite(str(tmp_path / "bare.png"), grey.astype(np.uint8))
    found, bare = (measure(tmp_path / name, um_per_px=0.2) for name in ("f.png", "bare.png"))
    assert found.area_fraction[0] == pytest.approx(truth, rel=0.02)
    assert "40 px at the top were cut" in found.field["message"].iloc[0]
    moved = found.particles["y_um"] - bare.particles["y_um"]
    assert moved.to_numpy() == pytest.approx(40 * 0.2)


def test_told_sides_are_cut_and_boxes_follow(tmp_path: Path) -> None:
    """Boxes are given in pixels of the file; what is cut shifts them."""
    cv2.imwrite(str(tmp_path / "f.png"), field(4)[0].astype(np.uint8))
    told = read(tmp_path / "f.png", crop_px=Crop(top=10, right=7, left=5), leave_out=[Box(20, 30, 40, 50)])
    assert told.grey.shape == (SHAPE[0] - 10, SHAPE[1] - 12)
    assert told.left_out == (Box(15, 20, 40, 50),)
    assert {one.values["side"] for one in told.issues if one.kind == "side_cut"} == {"top", "left", "right"}
    with pytest.raises(InputError, match="leave at least a quarter"):
        read(tmp_path / "f.png", crop_px=Crop(left=400))


def test_a_mask_holds_the_boxes_as_far_as_they_lie_in_the_picture() -> None:
    """Pixels are counted; a box that begins outside is cut off."""
    assert mask_of([Box(2, 3, 4, 5)], (20, 20)).sum() == 20
    assert mask_of([Box(-2, -3, 4, 5)], (20, 20)).sum() == 4
    assert mask_of([Box(-9, 0, 4, 5), Box(18, 18, 9, 9)], (20, 20)).sum() == 4
