"""Two causes at once, as etch, lens and camera give them: each alone is read, so together they must not mislead."""

from dataclasses import replace

import cv2
import numpy as np
import other_generator as other
import pytest

import micro
from micro.segmentation.segmentation import SegmentationSettings
from micro.segmentation.sides import two_sides
from micro.segmentation.stages import segment
from micro.segmentation.trust import _no_outlines

SHAPE, FINER = (320, 320), 3


def kinds(result):
    return {one.kind for one in result.issues}


@pytest.mark.parametrize("seed", [4, pytest.param(1, marks=pytest.mark.study)])
def test_dark_rims_are_told_in_a_lath_matrix_too(seed):
    """Rims of 40 % that darken the matrix take a fifth of the light: in laths of 10 % the interval holds the truth."""
    grey, truth = other.picture(SHAPE, seed=seed, fraction=0.12, rim=-0.4, rim_px=1.5, lath=0.1, blur=0.7)
    found = micro.measure(grey, um_per_px=0.2, rolling_deg=0)
    _, low, high = found.area_fraction
    assert low <= truth <= high
    assert kinds(found) & {"domed", "no_lens", "bright_edges"}


def test_laths_alone_are_not_taken_for_dark_rims():
    grey, truth = other.picture(SHAPE, seed=4, fraction=0.12, lath=0.1, blur=0.7)
    found = micro.measure(grey, um_per_px=0.2, rolling_deg=0)
    assert not kinds(found) & {"domed", "no_lens", "dark_edges", "bright_edges"}
    assert found.area_fraction[0] == pytest.approx(truth, rel=0.05)


def large_and_small(blur, noise, seed=3):
    """Grey (rows, columns) of dark discs of 16 px, and of 3 px between them, and the area fraction of each."""
    rng = np.random.default_rng(seed)
    fine, share = np.zeros([FINER * n for n in SHAPE], np.uint8), []
    for ecd, number in ((16, 28), (3, 900)):
        for x, y in rng.uniform(0, FINER * SHAPE[0], (number, 2)):
            apart = cv2.circle(np.zeros_like(fine), (int(x), int(y)), FINER * (ecd // 2 + 2), 1, -1)
            if not (fine & apart).any():
                cv2.circle(fine, (int(x), int(y)), round(FINER * ecd / 2), 1, -1)
        share.append(float(fine.mean()))
    lens = cv2.GaussianBlur(fine.astype(np.float32), (0, 0), FINER * blur)
    seen = cv2.resize(lens, SHAPE[::-1], interpolation=cv2.INTER_AREA)
    return np.rint(190 - 45 * seen + noise * rng.standard_normal(SHAPE)).astype(np.uint8), share[0], share[1]


@pytest.mark.parametrize("blur", [1.0, 1.5])
def test_small_carbides_that_the_blur_joins_are_no_greyer_kind(blur):
    """Discs of 3 px show a fifth to a half of their contrast: as a kind of their own they would be thrice."""
    grey, _, both = large_and_small(blur, noise=0.8)
    s = segment(grey.astype(np.float32), SegmentationSettings("dark"))
    assert len(s.classes) == 1
    assert float(s.contrast_area_px.sum()) / grey.size == pytest.approx(both, rel=0.15)


def test_two_large_carbides_of_another_grey_have_a_level_of_their_own():
    """At 0.6 of the contrast of twelve small ones, by whose level they would lose two fifths of their area."""
    grey = np.full(SHAPE, 80.0)
    rows, columns = np.mgrid[: SHAPE[0], : SHAPE[1]]
    places = [(x, y, 10, 100.0) for x in (40, 110, 200, 280) for y in (40, 160, 280)]
    places += [(75, 100, 40, 60.0), (240, 220, 40, 60.0)]
    for x, y, ecd, contrast in places:
        grey += contrast * np.clip(ecd / 2 + 0.5 - np.hypot(columns - x, rows - y), 0, 1)
    grey = cv2.GaussianBlur(grey, (0, 0), 1.0) + 2 * np.random.default_rng(1).standard_normal(SHAPE)
    s = segment(grey.astype(np.float32), SegmentationSettings("bright"))
    drawn = np.pi / 4 * (12 * 10**2 + 2 * 40**2)
    assert sorted(round(c.contrast, -1) for c in s.classes) == [60, 100]
    assert float(s.contrast_area_px.sum()) == pytest.approx(drawn, rel=0.03)


def test_faint_boundaries_on_the_side_of_the_carbides_are_left_out():
    """Dark ones of a fifth of the contrast beside dark carbides; as a class they would be more than all carbides.

    That they are there is said: a net shows no level of its own, so that its light is what lies beside outlines.
    """
    grey, truth = other.picture((420, 420), seed=2, fraction=0.03, boundary=0.2, boundary_px=4.0, noise=2.0)
    found = micro.measure(grey, um_per_px=0.2, rolling_deg=0, carbides="bright")
    value, low, high = found.area_fraction
    assert found.particles["carbide_class"].nunique() == 1
    assert "outside_outlines" in kinds(found)
    assert value == pytest.approx(truth, rel=0.1)
    assert low <= truth <= high and high > 1.5 * truth


def test_boundaries_of_a_third_of_the_contrast_are_left_out_too():
    """As a class they would make 0.16 of the field of 0.06; beside the outlines their light looks like a halo."""
    grey, truth = other.picture(
        (420, 420), seed=2, fraction=0.06, diameter=16, boundary=0.35, boundary_px=4.0, noise=2.0
    )
    found = micro.measure(255 - grey, um_per_px=0.2, rolling_deg=0)
    value, low, high = found.area_fraction
    assert found.particles["carbide_class"].nunique() == 1
    assert "halo" in kinds(found)
    assert value == pytest.approx(truth, rel=0.1)
    assert low <= truth <= high


def test_a_wide_dark_net_is_no_carbide_beside_bright_ones():
    """Etched boundaries 6 px wide cover five times what the carbides do: they are no carbide."""
    grey, truth = other.picture((420, 420), seed=2, fraction=0.03, boundary=-0.25, boundary_px=6.0, noise=2.0)
    found = micro.measure(grey, um_per_px=0.2, rolling_deg=0)
    value, low, high = found.area_fraction
    assert "boundaries_left_out" in kinds(found)
    assert value == pytest.approx(truth, rel=0.1)
    assert low <= truth <= high


def test_a_dark_net_that_the_user_named_is_measured():
    """Whoever names a dark kind beside a bright one says that it is none of boundaries."""
    grey, _ = other.picture((420, 420), seed=2, fraction=0.03, boundary=-0.25, boundary_px=6.0, noise=2.0)
    s = segment(grey, SegmentationSettings(class_names=("net", "MC"), class_greys=(55.0, 180.0)))
    assert "net" in {c.name for c in s.classes}
    assert "boundaries_left_out" not in {one.kind for one in s.issues}


def bright_and_dark(matrix):
    """Grey (rows, columns) of as many bright discs as dark ones in a matrix."""
    rows, columns = np.mgrid[: SHAPE[0], : SHAPE[1]]
    grey = matrix.copy()
    for k, (x, y) in enumerate((x, y) for x in range(30, 320, 50) for y in range(30, 320, 50)):
        grey += (60 if k % 2 else -60) * (np.hypot(columns - x, rows - y) < 8)
    return np.clip(cv2.GaussianBlur(grey.astype(np.float32), (0, 0), 1.0), 0, 255)


def test_what_is_brighter_and_what_is_darker_is_named_where_both_are_taken():
    grey = bright_and_dark(120 + 2 * np.random.default_rng(2).standard_normal(SHAPE))
    s = segment(grey)
    (said,) = (one for one in s.issues if one.kind == "both_taken")
    each = 18 * np.pi * 8**2 / grey.size
    assert said.values["bright"] == pytest.approx(each, rel=0.05)
    assert said.values["dark"] == pytest.approx(each, rel=0.05)


def test_an_unknown_field_names_no_share_of_either_side():
    """Both sides covered 0.0 % of it, in words, where its area fraction was unknown."""
    texture = cv2.GaussianBlur(np.random.default_rng(3).standard_normal(SHAPE), (0, 0), 4)
    s = segment(bright_and_dark(120 + 210 * texture))
    assert len({c.contrast > 0 for c in s.classes}) == 2
    assert kinds(s) == {"hidden_by_texture"}


def test_blocks_of_a_compressed_picture_are_no_carbides():
    """JPEG of quality 60 leaves the matrix without noise; its flat blocks differ by a level or two (ITU-T T.81)."""
    grey, _, _ = large_and_small(blur=2.0, noise=0.8)
    packed = cv2.imdecode(cv2.imencode(".jpg", grey, [cv2.IMWRITE_JPEG_QUALITY, 60])[1], cv2.IMREAD_GRAYSCALE)
    s = segment(packed.astype(np.float32), SegmentationSettings("dark"))
    # A block is 64 px large; discs of 3 px cover 7, and 40 under the blur.
    runs = cv2.connectedComponentsWithStats((s.labels > 0).view(np.uint8), connectivity=4)[2][1:]
    square = (runs[:, cv2.CC_STAT_WIDTH] == 8) & (runs[:, cv2.CC_STAT_HEIGHT] == 8)
    assert not (square & (runs[:, cv2.CC_STAT_AREA] >= 60)).any()


@pytest.mark.parametrize("seed", [9])
def test_a_picture_that_compression_left_no_noise_is_measured(seed):
    """Deep levels without any scatter divided by their variance, 0, and ended the field."""
    grey, truth = other.picture(SHAPE, seed=seed, noise=0.6, shading=0.0, jpeg=60, fraction=0.1, diameter=12.0)
    found = micro.measure(grey, um_per_px=0.2, rolling_deg=0)
    _, low, high = found.area_fraction
    assert low <= truth <= high


def test_where_edges_cannot_be_asked_thin_rims_are_left_open():
    """Discs of diameter d have 4/d px of outline a px²: a rim of 20 % and 1 px adds 0.8/d, a sixth at 5 px."""
    grey, truth = other.picture(SHAPE, seed=3, fraction=0.06, diameter=5.0, blur=1.2, noise=2.0)
    found = micro.measure(grey, um_per_px=0.2, rolling_deg=0)
    (said,) = (one for one in found.issues if one.kind == "rims_unseen")
    assert said.half_width == pytest.approx(0.8 / 5.0, rel=0.25)
    assert found.area_fraction[0] == pytest.approx(truth, rel=0.1)
    assert half_width(found) >= said.half_width


def half_width(found):
    """Half the interval of the area fraction over its value."""
    value, low, high = found.area_fraction
    return (high - low) / 2 / value


def test_where_texture_hides_the_edges_thin_rims_are_left_open():
    """Carbides of 5 px show no edge of their own that laths would leave to be asked."""
    grey, _ = other.picture(SHAPE, seed=4, fraction=0.08, diameter=5.0, lath=0.06, blur=1.4)
    found = micro.measure(grey, um_per_px=0.2, rolling_deg=0)
    (said,) = (one for one in found.issues if one.kind == "rims_in_texture")
    assert said.half_width == pytest.approx(0.8 / 5.0, rel=0.3)
    assert half_width(found) >= said.half_width


def test_edges_bent_more_than_rims_skew_them_are_said_to_tell_none():
    """Sound carbides of 8 px under a blur of 2 px: the bends of so small outlines skew the edge as thin rims do."""
    grey, truth = other.picture(SHAPE, seed=4, fraction=0.08, diameter=9.0, blur=1.6)
    found = micro.measure(grey, um_per_px=0.2, rolling_deg=0)
    (said,) = (one for one in found.issues if one.kind == "rims_untold")
    assert 0.01 < said.half_width < 1.3 * 0.8 / 9.0
    assert found.area_fraction[0] == pytest.approx(truth, rel=0.03)
    assert half_width(found) >= said.half_width


def test_outlines_whose_light_is_that_of_the_other_side_are_no_carbide():
    """Halos of a sharpened picture may be outlined so: all were put on the empty side, and ended the field."""
    s = segment(large_and_small(blur=1.0, noise=0.8)[0].astype(np.float32), SegmentationSettings("dark"))
    turned = replace(s, classes=tuple(replace(c, contrast=-c.contrast) for c in s.classes))
    sides = two_sides(turned)
    assert not sides.is_other.any()
    assert sides.outlined > 0 > sides.area
    assert _no_outlines(sides, s.analysed_px).kind == "outlines_without_light"


@pytest.mark.parametrize("seed", [4, pytest.param(1, marks=pytest.mark.study)])
def test_domes_are_told_beside_a_median_filter(seed):
    """They take an eighth of the light: read 14 and 15 % low, with intervals of 8 and 9 %, where filters hid them."""
    grey, truth = other.picture(SHAPE, seed=seed, fraction=0.12, diameter=12.0, median_px=3, dome_px=1.5)
    value, low, high = micro.measure(grey, um_per_px=0.2, rolling_deg=0).area_fraction
    assert low <= truth <= high and value == pytest.approx(truth, rel=0.09)
    assert high - low < 0.4 * value


@pytest.mark.parametrize("words", [{"mosaic": True}, {"median_px": 3}, {"jpeg": 80}])
def test_sound_edges_beside_filters_keep_their_value(words):
    grey, truth = other.picture(SHAPE, seed=4, fraction=0.12, diameter=12.0, **words)
    value, low, high = micro.measure(grey, um_per_px=0.2, rolling_deg=0).area_fraction
    assert value == pytest.approx(truth, rel=0.02)
    assert high - low < 0.3 * value
