"""Carbides clipped at full scale are read truly where others show the level, else the interval holds the truth."""

import numpy as np
import pytest

from micro.field import measure
from micro.issues import flag_text
from micro.phantom.scenes import Population
from micro.segmentation.stages import segment
from micro.segmentation.uncertainty import area_fraction_uncertainty


def exposed(grey, share):
    """Picture exposed so long that `share` of its pixels clip."""
    return np.clip(np.rint(grey * (255 / np.quantile(grey, 1 - share))), 0, 255).astype(np.float32)


@pytest.mark.parametrize(("share", "ecd", "clipped"), [(0.10, 6, 0.06), (0.10, 16, 0.06), (0.05, 9, 0.02)])
def test_level_is_read_off_carbides_that_do_not_clip(phantom, fraction, share, ecd, clipped):
    """Small carbides, and those in the darker corners, show the level that the clipped ones hide."""
    field = phantom([Population(share, ecd)], shape=(512, 640), seed=0)
    found = segment(exposed(field.grey, clipped))
    assert "saturated" in flag_text(found.issues)
    assert fraction(found) == pytest.approx(field.area_fraction, rel=0.03)


def test_dark_carbides_clipped_at_black_are_said_and_held_by_the_interval(phantom, fraction):
    field = phantom([Population(0.10, 8)], matrix_grey=165.0, class_greys=(75.0,), shading=0.0)
    grey = np.maximum(field.grey - 85, 0)
    found = segment(grey)
    assert (grey == 0).mean() > 0.03 and "saturated" in flag_text(found.issues)
    assert abs(fraction(found) - field.area_fraction) < 1.96 * area_fraction_uncertainty(found).of_all


@pytest.mark.parametrize("clipped", [0.03, 0.08])
@pytest.mark.parametrize(("share", "ecd", "shading"), [(0.05, 9, 0.2), (0.05, 9, 0.0), (0.10, 6, 0.0), (0.10, 25, 0.2)])
def test_interval_holds_the_truth_however_much_is_clipped(phantom, fraction, share, ecd, shading, clipped):
    field = phantom([Population(share, ecd)], shading=shading)
    found = segment(exposed(field.grey, clipped))
    assert "saturated" in flag_text(found.issues)
    half = 1.96 * area_fraction_uncertainty(found).of_all
    assert abs(fraction(found) - field.area_fraction) < half


@pytest.mark.parametrize(
    ("ecd", "blur", "noise", "above", "widest"),
    [
        pytest.param(28, 1.0, 14.0, 0.95, 0.06, id="a quarter of the pixels cut off, by noise"),
        pytest.param(28, 0.6, 3.0, 1.05, 0.30, id="wide carbides, a sharp lens"),
        pytest.param(28, 1.6, 3.0, 2.0, 0.30, id="twice full scale"),
        pytest.param(14, 1.0, 14.0, 1.3, 0.40, id="noise, 14 px"),
        pytest.param(14, 1.0, 3.0, 2.0, 0.45, id="twice full scale, 14 px"),
        pytest.param(8, 0.6, 3.0, 2.0, 0.70, id="twice full scale, 8 px"),
    ],
)
@pytest.mark.parametrize("seed", [0, pytest.param(1, marks=pytest.mark.study)])
def test_level_above_full_scale_leaves_open_what_it_does_to_the_edges(phantom, ecd, blur, noise, above, widest, seed):
    """Of carbides cut off all over the outlines alone move, as the blur goes: the wider they are, the less is open."""
    field = phantom(
        [Population(0.08, ecd)], seed=seed, matrix_grey=80.0, class_greys=(230.0,), noise=noise,
        shading=0.0, blur_px=blur, grey_max=1e4,
    )  # fmt: skip
    grey = np.clip(np.rint(field.grey * 255 / (80 + 150 / above)), 0, 255).astype(np.float32)
    value, low, high = measure(grey, um_per_px=0.2, rolling_deg=0).area_fraction
    assert low < field.area_fraction < high
    assert (high - low) / 2 < widest * value


@pytest.mark.parametrize(
    ("ecd", "noise", "above", "outlined"),
    [(28, 12.0, 0.97, True), (14, 3.0, 1.2, True), (28, 3.0, 1.6, True), (14, 12.0, 1.6, False), (8, 3.0, 2.2, False)],
)
@pytest.mark.parametrize("seed", [0, pytest.param(1, marks=pytest.mark.study)])
def test_a_matrix_that_is_cut_off_leaves_its_level_open(phantom, ecd, noise, above, outlined, seed):
    """Outlines that hold the matrix's white are none, as where what stands out is noise below full scale."""
    field = phantom(
        [Population(0.08, ecd)], shape=(512, 640), seed=seed, matrix_grey=200.0, class_greys=(60.0,), noise=noise,
        shading=0.0, blur_px=0.6, grey_max=1e4,
    )  # fmt: skip
    grey = np.clip(np.rint(field.grey * 255 / (60 + 140 / above)), 0, 255).astype(np.float32)
    found = measure(grey, um_per_px=0.2, rolling_deg=0, carbides="dark")
    value, low, high = found.area_fraction
    assert low < field.area_fraction < high
    assert abs(value / field.area_fraction - 1) < 0.2
    kinds = ("matrix_cut_off", "two_levels", "beyond_the_end")
    assert any(one.kind in kinds for one in found.issues) != outlined


@pytest.mark.parametrize("clipped", [0.05, 0.10, 0.25])
def test_a_noisy_matrix_that_is_cut_off_keeps_its_level(phantom, fraction, clipped):
    """A camera that cuts off the brightest noise leaves a peak at full scale, which is no matrix: carbides are few."""
    field = phantom([Population(0.03, 14)], matrix_grey=170.0, class_greys=(20.0,), noise=35.0, shading=0.0)
    found = segment(exposed(field.grey, clipped))
    half = 1.96 * area_fraction_uncertainty(found).of_all
    assert abs(fraction(found) - field.area_fraction) < half < 0.03


@pytest.mark.parametrize(("black", "told"), [(0.0, False), (40.0, False), (90.0, True), (120.0, True)])
def test_a_matrix_that_falls_to_black_has_no_outlines(phantom, black, told):
    """Where dark greys were cut off, carbides stand out of nothing by more than elsewhere: no level holds for all."""
    field = phantom([Population(0.06, 16)], matrix_grey=80.0, class_greys=(220.0,), shading=0.0)
    grey = np.maximum(field.grey - np.linspace(black, 0, 512, dtype=np.float32), 0)
    for carbides in ("auto", "bright"):
        found = measure(grey, um_per_px=0.2, rolling_deg=0, carbides=carbides)
        _, low, high = found.area_fraction
        assert low < field.area_fraction < high
        assert (not len(found.particles)) == told
        assert any(one.kind in ("matrix_black", "two_levels") for one in found.issues) == told


@pytest.mark.parametrize(("ecd", "beyond"), [(16, 5.0), (16, 30.0), (16, 90.0), (28, 60.0)])
def test_a_matrix_beyond_black_leaves_the_edges_open(phantom, ecd, beyond):
    """The field lies between light over level and all that is not black; `beyond`: grey levels, contrast 140."""
    field = phantom(
        [Population(0.06, ecd)], matrix_grey=100.0, class_greys=(240.0,), noise=4.0, shading=0.0,
        grey_max=1e4,
    )  # fmt: skip
    grey = np.clip(np.rint(field.grey - 100 - beyond), 0, 255).astype(np.float32)
    found = measure(grey, um_per_px=0.2, rolling_deg=0, carbides="bright")
    value, low, high = found.area_fraction
    assert any(one.kind == "beyond_the_end" for one in found.issues)
    assert low < field.area_fraction < high and high - low < value
    assert abs(value / field.area_fraction - 1) < 0.25


@pytest.mark.parametrize("grey_levels", [(0.0, 200.0), (0.0, 255.0)])
def test_a_matrix_that_is_black_all_over_is_not_read_as_none(phantom, grey_levels):
    """Nothing can be set against a level of 0: no carbides, and sure of it, would be false."""
    matrix, carbide = grey_levels
    field = phantom([Population(0.06, 16)], matrix_grey=matrix, class_greys=(carbide,), noise=0.0, shading=0.0)
    for carbides in ("auto", "bright"):
        value, low, high = measure(np.rint(field.grey), um_per_px=0.2, rolling_deg=0, carbides=carbides).area_fraction
        assert low < field.area_fraction < high
        assert np.isnan(value) or abs(value - field.area_fraction) < 0.01


def test_a_strip_of_full_scale_over_most_of_the_field_is_left_out():
    """The middle of all greys is then full scale itself; a warning would fail here."""
    grey = np.random.default_rng(2).normal(90, 4, (160, 88)).astype(np.float32)
    grey[:, :50] = 255
    found = segment(grey)
    assert found.excluded[:, :50].all() and not found.excluded[:, 60:].any() and found.count == 0
