"""Stains on the carbides' own side are matrix where carbides stand in them; a faint kind of carbide stays one."""

from functools import cache

import cv2
import numpy as np
import pytest
from other_generator import FINE, blobs, blurred, picture

import micro
from micro.issues import issue
from micro.segmentation.patches import Patches
from micro.segmentation.segmentation import SegmentationSettings, Verdict
from micro.segmentation.sides import unoutlined
from micro.segmentation.stages import segment

SHAPE = (320, 400)
PATCHES = ((90, 100, 60), (260, 220, 70), (370, 60, 45))  # x, y, radius, px: a quarter of the field
SMALL = tuple((x, y, 13) for x in range(40, 400, 66) for y in range(40, 320, 60))  # a seventh of it


@cache
def stained(stain=0.2, fraction=0.05, under=False, patches=PATCHES):
    """Grey (rows, columns) of bright polygons of 9 px on a stained matrix, the stain faint, and their area fraction.

    `under`: the faint discs hold no other polygons, as a kind of carbide of their own.
    """
    rng = np.random.default_rng(5)
    solid = blobs(SHAPE, fraction, 9.0, rng) > 0
    patch = np.zeros(solid.shape, np.uint8)
    for place in patches:
        x, y, radius = (FINE * n for n in place)
        cv2.circle(patch, (x, y), radius, 1, -1)
    if under:
        solid &= patch == 0
    surface = np.where(solid, 1.0, stain * patch)
    seen = blurred(surface, 1.0 * FINE).reshape(SHAPE[0], FINE, SHAPE[1], FINE).mean(axis=(1, 3))
    grey = 80 + 90 * seen + rng.normal(0, 2.5, SHAPE)
    return np.rint(grey).astype(np.uint8), float(solid.mean()), float(patch.mean())


@pytest.mark.parametrize(("stain", "within"), [(0.2, 0.04), (0.5, 0.06)])
@pytest.mark.parametrize("dark", [False, True])
def test_stains_in_which_carbides_stand_are_no_carbide(dark, stain, within):
    """As carbide they would be a quarter of the field; truth: polygons on a grid four times finer."""
    grey, truth, patch = stained(stain)
    assert patch > 0.2
    result = micro.measure(255 - grey if dark else grey, um_per_px=0.2, rolling_deg=0)
    value, low, high = result.area_fraction
    assert low <= truth <= high and value == pytest.approx(truth, rel=within)
    untold = sum(one.half_width for one in result.issues if one.kind == "rims_untold")
    assert high - low < 2 * np.hypot(2.5 * within, untold) * value
    (said,) = (one for one in result.issues if one.kind == "patches")
    assert said.values["share"] == pytest.approx(patch, rel=0.15)


def test_small_patches_of_half_the_contrast_in_which_carbides_stand_are_left_open():
    """Austenite is none, a kind that grew about another is carbide: the value is without, the upper end with them."""
    grey, truth, patch = stained(0.5, 0.08, patches=SMALL)
    result = micro.measure(grey, um_per_px=0.2, rolling_deg=0)
    value, low, high = result.area_fraction
    assert "faint_lines_left_out" in {one.kind for one in result.issues}
    assert value == pytest.approx(truth, rel=0.1) and low <= truth
    assert high == pytest.approx(truth + patch, rel=0.15)


@pytest.mark.parametrize("stain", [0.2, 0.5])
def test_faint_kinds_that_hold_no_other_carbide_stay_carbides(stain):
    """The same discs without any polygon in them, where a dozen would stand by chance."""
    grey, truth, patch = stained(stain, under=True)
    s = segment(grey)
    assert "patches" not in {one.kind for one in s.issues}
    assert float(s.contrast_area_px.sum()) / grey.size == pytest.approx(truth + patch, rel=0.05)


def test_stains_with_too_few_carbides_to_tell_are_left_open():
    """Six polygons tell nothing: the value is that without the discs, the interval reaches up to that with them."""
    grey, truth, patch = stained(fraction=0.004)
    result = micro.measure(grey, um_per_px=0.2, rolling_deg=0)
    value, low, high = result.area_fraction
    assert "faint_lines_left_out" in {one.kind for one in result.issues}
    assert value == pytest.approx(truth, rel=0.1) and low <= truth
    assert high == pytest.approx(truth + patch, rel=0.15)


@pytest.mark.parametrize(("stain", "fraction"), [(0.35, 0.015), (0.5, 0.02)])
def test_faint_discs_that_are_most_of_all_are_left_open_beside_too_few_polygons(stain, fraction):
    """Less than six polygons would stand in the discs: with these the value was 7 to 10 times the truth."""
    grey, truth, patch = stained(stain, fraction, patches=SMALL)
    value, low, high = micro.measure(grey, um_per_px=0.2, rolling_deg=0).area_fraction
    assert low <= truth <= high and value == pytest.approx(truth, rel=0.1)
    assert high == pytest.approx(truth + patch, rel=0.15)


@pytest.mark.parametrize("stain", [0.35, 0.5])
def test_discs_that_keep_apart_from_as_few_polygons_stay_carbides(stain):
    grey, truth, patch = stained(stain, 0.02, under=True, patches=SMALL)
    value, low, high = micro.measure(grey, um_per_px=0.2, rolling_deg=0).area_fraction
    assert low <= truth + patch <= high and value == pytest.approx(truth + patch, rel=0.08)


def test_the_bounds_of_an_unknown_field_hold_the_patches_as_carbide():
    """Nothing can be outlined, 2 % at most without the patches: with a tenth of patches 12 %, and so it is said."""
    grey, _, _ = stained()
    reason = issue("outlines_without_light", most=0.02, by_outline=0.02, by_contrast=0.01)
    found = unoutlined(segment(grey), Verdict(instead=(np.nan, 0.0, 0.02), said=(reason,))).with_issues((reason,))
    told = Patches(np.zeros(SHAPE, np.float32), 90.0, 0.1, 0.1).told(found)
    assert told.verdict.unknown and told.verdict.instead[1:] == pytest.approx((0.0, 0.12))
    assert [one.values["most"] for one in (*told.issues, *told.verdict.said)] == pytest.approx([0.12, 0.12])


def test_patches_among_crowded_polygons_are_left_open():
    """A quarter of polygons leave little of the discs to be seen clear of them: 36 % too much before."""
    grey, truth, patch = stained(0.4, 0.25, patches=SMALL)
    value, low, high = micro.measure(grey, um_per_px=0.2, rolling_deg=0).area_fraction
    assert low <= truth <= high and value == pytest.approx(truth, rel=0.06)
    assert high > truth + patch


def test_named_kinds_are_measured():
    grey, _, patch = stained()
    s = segment(grey, SegmentationSettings(class_names=("faint", "bright")))
    assert "patches" not in {one.kind for one in s.issues} and len(s.classes) == 2
    assert float(s.contrast_area_px.sum()) / grey.size > patch


def test_a_net_on_the_other_side_is_no_patch():
    """Dark boundaries beside bright carbides: what is above half their level is the whole field."""
    grey, _ = picture((320, 320), seed=2, fraction=0.05, boundary=-0.2, boundary_px=3.0, noise=2.0)
    said = {one.kind for one in segment(grey).issues}
    assert "boundaries_left_out" in said and "patches" not in said


@pytest.mark.parametrize(("boundary", "width"), [(0.14, 6.0), (0.2, 8.0)])
def test_faint_films_along_boundaries_are_none_of_the_carbides_that_lie_on_them(boundary, width):
    """As carbide they would double the area; truth: polygons of 6 and 8 px, which lie on films as beside them."""
    drawn = {"fraction": 0.09, "noise": 1.5, "spread": 0.03, "boundary": boundary, "boundary_px": width}
    grey, truth = picture((480, 640), seed=1, diameter=width, **drawn)
    value, low, high = micro.measure(np.uint8(grey), um_per_px=0.1, carbides="bright", rolling_deg=0).area_fraction
    assert low <= truth <= high and value == pytest.approx(truth, rel=0.04) and low > 0.8 * truth


def crowded(diameter, blur, seed=1):
    """Grey of discs of 8 px, and of crowds too small and dense to be seen apart in a quarter of it; area fraction."""
    rng = np.random.default_rng(seed)
    large = np.zeros((FINE * 480, FINE * 640), np.uint8)
    for place in rng.integers(0, large.shape, (260, 2)).tolist():
        cv2.circle(large, place[::-1], int(FINE * rng.lognormal(np.log(4), 0.3)), 1, -1)
    dense = cv2.GaussianBlur(rng.standard_normal((480, 640)).astype(np.float32), (0, 0), 18)
    where = np.argwhere(dense > np.quantile(dense, 0.75))
    count = int(0.3 * len(where) / (np.pi / 4 * diameter**2))
    for y, x in FINE * (where[rng.integers(len(where), size=count)] + rng.random((count, 2))):
        cv2.circle(large, (int(x), int(y)), round(diameter / 2 * FINE), 1, -1)
    seen = blurred(large, blur * FINE).reshape(480, FINE, 640, FINE).mean(axis=(1, 3))
    return np.uint8(np.rint(70 + 110 * seen + rng.normal(0, 2, seen.shape))), float(large.mean())


@pytest.mark.parametrize(("diameter", "blur"), [(2.5, 2.0), (1.2, 2.5)])
def test_crowds_too_small_to_be_seen_apart_are_no_patches_for_sure(diameter, blur):
    """What looks like a stain is half of the carbide: the interval reaches up to it."""
    grey, truth = crowded(diameter, blur)
    _, low, high = micro.measure(grey, um_per_px=0.1, carbides="bright", rolling_deg=0).area_fraction
    assert low <= truth <= high
