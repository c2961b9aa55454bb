"""Levels, blur and area against the truth of invented fields."""

import numpy as np
import pytest

from micro.phantom.scenes import Population
from micro.segmentation.segmentation import SegmentationSettings
from micro.segmentation.stages import segment


@pytest.mark.parametrize(
    ("share", "ecd", "blur", "noise", "shading"),
    [
        (0.05, 6, 0.8, 4, 0.0),
        (0.05, 9, 1.5, 18, 0.4),
        (0.10, 14, 1.0, 9, 0.2),
        (0.20, 8, 1.2, 5, 0.4),
        (0.02, 25, 1, 5, 0),
    ],
)
def test_area_fraction_holds_within_3_percent(phantom, fraction, share, ecd, blur, noise, shading):
    field = phantom([Population(share, ecd)], blur_px=blur, noise=noise, shading=shading)
    assert fraction(segment(field.grey)) == pytest.approx(field.area_fraction, rel=0.03, abs=0.0005)


def test_faint_carbides_hold_within_15_percent_of_1_percent(phantom, fraction):
    """Contrast three times the noise."""
    field = phantom([Population(0.01, 8)], shape=(700, 800), class_greys=(135.0,), noise=15.0)
    assert fraction(segment(field.grey)) == pytest.approx(field.area_fraction, rel=0.15)


@pytest.mark.parametrize("blur", [0.8, 1.1, 1.5])
def test_blur_is_read_off_the_edges(phantom, blur):
    field = phantom([Population(0.08, 12)], blur_px=blur)
    assert segment(field.grey).blur_px == pytest.approx(blur, abs=0.08)


def test_contrast_is_that_of_resolved_carbide(plain):
    """On the flattened picture a grey ratio stays what it is on the surface: 180 to 90."""
    (carbide,) = plain.classes
    assert carbide.name == "carbide"
    assert carbide.contrast / plain.matrix_grey == pytest.approx(1.0, abs=4 * carbide.contrast_uncertainty / 90)
    assert carbide.contrast == pytest.approx(plain.matrix_grey, rel=0.02)


def test_matrix_level_and_noise_hold_under_even_light(phantom):
    field = phantom([Population(0.05, 9)], shading=0.0, noise=7.0)
    found = segment(field.grey)
    assert found.matrix_grey == pytest.approx(90, abs=0.1)
    assert found.noise == pytest.approx(np.hypot(7.0, np.sqrt(1 / 12)), rel=0.02)
    assert found.noise_area_px == pytest.approx(1.0, abs=0.3)


def test_two_classes_hold_each_within_6_percent(phantom, fraction):
    """5 % bright and 3 % half as bright: rims of bright carbides are not mid-grey ones."""
    kinds = [Population(0.05, 10, carbide_class=1), Population(0.03, 10)]
    field = phantom(kinds, class_greys=(140.0, 190.0), shape=(512, 640))
    found = segment(field.grey)
    assert [c.name for c in found.classes] == ["carbide 1", "carbide 2"]
    for kind in (0, 1):
        assert fraction(found, kind) == pytest.approx(field.truth.area_fraction[kind], rel=0.06)


def test_dark_and_bright_carbides_on_one_field(phantom, fraction):
    kinds = [Population(0.04, 10), Population(0.04, 10, carbide_class=1)]
    field = phantom(kinds, class_greys=(30.0, 190.0), matrix_grey=110.0, shape=(512, 640))
    found = segment(field.grey)
    assert [np.sign(c.contrast) for c in found.classes] == [-1, 1]
    for kind in (0, 1):
        assert fraction(found, kind) == pytest.approx(field.truth.area_fraction[kind], rel=0.05)


def test_threshold_of_two_classes_would_be_wrong_here(phantom, fraction):
    """Negative control: what a global two-class threshold (Otsu 1979, by scikit-image) reads on small carbides."""
    from skimage.filters import threshold_otsu

    field = phantom([Population(0.05, 5)], noise=8.0)
    otsu = float((field.grey > threshold_otsu(field.grey)).mean())
    assert abs(otsu / field.area_fraction - 1) > 0.10
    assert fraction(segment(field.grey)) == pytest.approx(field.area_fraction, rel=0.03)


def test_labels_and_basins_share_their_numbers(plain):
    assert set(np.unique(plain.labels)) == set(range(plain.count + 1))
    inside = plain.labels > 0
    assert (plain.basins[inside] == plain.labels[inside]).all()
    assert plain.labels.dtype == plain.basins.dtype == np.int32


def test_outline_covers_what_it_should(field, plain):
    """Half-height outlines of resolved carbides: each true one is met, and the union has the true area within 3 %."""
    truth = field.truth.coverage.labels
    large = np.bincount(truth.ravel())[1:] >= 12
    met = np.unique(truth[plain.labels > 0])
    assert np.isin(np.flatnonzero(large) + 1, met).mean() > 0.99
    assert np.count_nonzero(plain.labels) == pytest.approx(np.count_nonzero(truth), rel=0.03)


def test_pinned_values_are_taken(field, fraction):
    pinned = SegmentationSettings(class_names=("MC",), class_greys=(135.0,), blur_px=1.0, matrix_grey=80.0)
    found = segment(field.grey, pinned)
    assert found.matrix_grey == pytest.approx(80.0)
    assert [(c.name, c.contrast) for c in found.classes] == [("MC", pytest.approx(55.0))]
    assert found.blur_px == 1.0


def test_names_go_from_dark_to_bright(phantom):
    kinds = [Population(0.05, 10, carbide_class=1), Population(0.03, 10)]
    field = phantom(kinds, class_greys=(140.0, 190.0))
    found = segment(field.grey, SegmentationSettings(class_names=("M7C3", "MC")))
    assert [c.name for c in found.classes] == ["M7C3", "MC"]
    assert found.classes[0].contrast < found.classes[1].contrast


def test_rods_hold_within_4_percent(phantom, fraction):
    """Rods of aspect ratio 6, four pixels wide, look half as long beside their width under the blur."""
    field = phantom([Population(0.06, 10, aspect=6, aspect_spread=0.2, roughness=0.0)], shape=(512, 640))
    assert fraction(segment(field.grey)) == pytest.approx(field.area_fraction, rel=0.04)


def test_rods_too_thin_for_the_blur_are_said_and_their_interval_holds(phantom, fraction):
    """2.8 px wide under a blur of 1 px: off by more than 3 %, and no number without that doubt."""
    from micro.segmentation.uncertainty import area_fraction_uncertainty

    rods = Population(0.04, 8, aspect=8, aspect_spread=0.2, spread=0.3, roughness=0.0)
    field = phantom([rods], shape=(512, 640))
    found = segment(field.grey)
    assert any("rods too thin for the blur" in message for message in found.messages)
    assert abs(fraction(found) - field.area_fraction) < 1.96 * area_fraction_uncertainty(found).of_all
