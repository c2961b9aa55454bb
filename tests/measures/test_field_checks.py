"""Each check of a single field on one field with the fault and on the same field without."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from invented_fields import etched_unevenly, jpeg, measured, moved, plain

import micro
from micro.measures.field_checks import (
    another_magnification,
    block_steps,
    directed_blur,
    etch_change,
    implausible_size,
    scale_disagrees,
    softer_than_others,
)
from micro.scale.scale import Scale
from micro.segmentation.stages import segment


@pytest.fixture(scope="module")
def sound():
    return plain()


@pytest.fixture(scope="module")
def photograph(sound):
    return sound.photographed()


def test_a_sound_field_has_no_flag(photograph):
    """But that of thin rims, which carbides of 12 px do not tell wholly."""
    flags, messages, _ = measured(photograph, stated=Scale(0.2, None, "tags"))
    assert flags == ["rims_unseen"] and len(messages) == 1


def test_soft_focus_is_told_with_both_values(sound):
    """Edges of 3 px on carbides of 12 px."""
    flags, messages, _ = measured(sound.photographed(blur_px=3.0))
    assert "soft_focus" in flags
    assert any("edges are blurred over 3." in m or "edges are blurred over 2.9" in m for m in messages)


@pytest.mark.parametrize("direction", [0.0, 30.0, 120.0])
def test_motion_is_told_with_direction_and_length(sound, direction):
    """An even motion over L px adds the variance L²/12 along its direction (variance of a uniform distribution)."""
    blur = directed_blur(segment(sound.photographed(moved(sound.surface, 5.0, direction))))
    assert blur is not None
    assert abs((blur.direction_deg - direction + 90) % 180 - 90) < 5
    assert blur.length_px == pytest.approx(5.0, abs=1.2)


def test_what_motion_stretches_is_put_right(sound, photograph):
    """Motion over 5 px would make carbides of 12 px 3 % and more longer along it."""
    before = micro.measure(photograph, 0.2, rolling_deg=0.0).particles
    after = micro.measure(sound.photographed(moved(sound.surface, 5.0, 0.0)), 0.2, rolling_deg=0.0).particles
    longer = [t["length_along_um"].sum() / t["width_across_um"].sum() for t in (before, after)]
    assert longer[1] == pytest.approx(longer[0], rel=0.015)


def test_motion_is_not_seen_where_none_was(photograph):
    assert directed_blur(segment(photograph)) is None


@pytest.mark.parametrize("corner", [(0, 0), (3, 5)])
def test_blocks_show_wherever_the_grid_starts(photograph, corner):
    """JPEG at quality 50 has steps at block borders, also where the picture was cropped later."""
    picture = jpeg(photograph, 50)[corner[0] :, corner[1] :]
    assert block_steps(picture, 5.0).excess > 0.05 and block_steps(picture, 5.0).significance > 6
    assert block_steps(photograph, 5.0).excess < 0.02
    flags, messages, _ = measured(picture)
    assert "compressed" in flags and any("save pictures as TIFF or PNG" in m for m in messages)


def test_uneven_etch_is_told_with_its_size(sound, photograph):
    """Matrix whose distance to the carbides' grey shrinks by 30 % of the contrast from side to side."""
    change = etch_change(segment(sound.photographed(etched_unevenly(sound, 0.3, 0.0))))
    assert change is not None and change.relative_range == pytest.approx(0.3, abs=0.2)
    assert change.relative_range > 0.075
    assert min(change.direction_deg, 360 - change.direction_deg) < 25
    even = etch_change(segment(photograph))
    assert even is not None and even.relative_range < 0.05


def test_uneven_light_is_no_uneven_etch(sound):
    assert "uneven_etch" not in measured(sound.photographed(shading=0.4))[0]


def test_clipped_greys_are_told(sound):
    assert "saturated" in measured(np.minimum(sound.photographed() * 1.6, 255).astype(np.float32))[0]


@pytest.mark.parametrize(
    ("median_um", "blur_um", "said"),
    [(90.0, 1.0, "larger than any usual"), (0.1, 0.1, "smaller than light shows"), (1.5, 0.02, "sharper than light")],
)
def test_sizes_that_do_not_fit_the_scale(median_um, blur_um, said):
    """Primary carbides have 0.5 to 50 µm (common practice); light none below 0.05 (0.21·λ/A, from memory)."""
    found = implausible_size(median_um, blur_um)
    assert found is not None and said in found.text
    assert implausible_size(1.5, 0.2) is None and implausible_size(25.0, 0.5) is None


def test_tags_that_state_another_scale_are_told_with_both_values(photograph):
    flags, messages, _ = measured(photograph, 0.2, Scale(0.4932, None, "TIFF resolution tags"))
    assert "scale_disagrees" in flags
    assert any("states 0.4932 µm per px (TIFF resolution tags), 0.2 is used" in m for m in messages)
    assert scale_disagrees(0.2, 0.205, "tags") is None  # within what is engraved on a lens
    assert scale_disagrees(0.2, 25400 / 1200, "tags") is None  # 1 200 per inch, for print


def test_one_soft_field_among_sharp_ones():
    blur = np.array([1.02, 0.98, 1.0, 1.05, 1.8, np.nan])
    assert softer_than_others(blur).tolist() == [False, False, False, False, True, False]
    assert not softer_than_others(np.array([1.0, 1.0, 3.0])).any()  # too few to tell


def test_one_field_of_another_magnification():
    """A scale wrong by 2.5 leaves the area fraction, multiplies diameters by 2.5 and divides numbers by 6.25."""
    share, size, number = np.array([0.05, 0.052, 0.048, 0.05, 0.051]), np.full(5, 1.5), np.full(5, 3000.0)
    size[4], number[4] = 1.5 * 2.5, 3000 / 6.25
    factor = another_magnification(share, size, number)
    assert np.isnan(factor[:4]).all() and factor[4] == pytest.approx(2.5, rel=0.01)
    coarse = another_magnification(share, size, np.full(5, 3000.0))  # larger carbides, and not fewer
    assert np.isnan(coarse).all()


def test_nothing_found_is_no_fault():
    """A field without carbides has none of the faults that carbides tell."""
    empty = np.random.default_rng(3).normal(100, 4, (200, 260)).astype(np.float32)
    flags, _, particles = measured(empty)
    assert flags == ["no_second_phase"] and isinstance(particles, pd.DataFrame)
