"""Every pinned value acts, in the sense that physics expects, and is recorded as pinned."""

import numpy as np
import pytest

from micro.issues import bit, flag_text
from micro.phantom.scenes import Population
from micro.report.record import pinned as pinned_parameters
from micro.segmentation.segmentation import SegmentationSettings
from micro.segmentation.stages import segment
from micro.study.model import Field


def pinned(field, **values):
    return segment(field.grey, SegmentationSettings(**values))


def outlined(found):
    return float((found.labels > 0).mean())


def test_lower_outline_grey_draws_larger_outlines(field, plain, fraction):
    """The light stays what it is, so the area by integrated contrast does, as long as no carbide falls away."""
    low, high = pinned(field, threshold_grey=110.0), pinned(field, threshold_grey=145.0)
    assert outlined(low) > 1.15 * outlined(plain) > 1.3 * outlined(high)
    assert fraction(low) == pytest.approx(fraction(plain), rel=0.01)


def test_outlines_end_at_the_pinned_grey(phantom):
    """Without shading and noise the grey of the smoothed picture tells inside from outside."""
    import cv2

    field = phantom([Population(0.08, 14)], shading=0.0, noise=0.5)
    found = pinned(field, threshold_grey=120.0)
    smooth = cv2.GaussianBlur(field.grey, (7, 7), 1.0)
    inside = found.labels > 0
    assert smooth[inside].min() > 119.5
    assert (smooth[~inside] < 120.5).mean() > 0.9999


def test_outline_grey_that_no_carbide_crosses_is_said(field):
    for grey in (60.0, 240.0):
        found = pinned(field, threshold_grey=grey)
        assert "unreliable_levels" in flag_text(found.issues)
        assert any(
            one.text.startswith(f"the pinned grey of the outline, {grey:g}, does not lie between")
            for one in found.issues
        )


def test_outline_grey_works_on_dark_carbides(phantom):
    field = phantom([Population(0.05, 10)], matrix_grey=170.0, class_greys=(80.0,))
    assert outlined(pinned(field, threshold_grey=145.0)) > 1.1 * outlined(pinned(field, threshold_grey=105.0))


def test_brighter_matrix_leaves_less_contrast_to_sum(field, plain, fraction):
    darker, brighter = (pinned(field, matrix_grey=plain.matrix_grey + step) for step in (-3.0, 3.0))
    assert fraction(darker) > fraction(plain) > fraction(brighter)


def test_brighter_class_makes_the_same_light_less_area(field, fraction):
    """Area is light over contrast: both products are the light of the field."""
    areas = {
        grey: fraction(pinned(field, class_names=("MC",), class_greys=(grey,), matrix_grey=85.0)) * (grey - 85.0)
        for grey in (150.0, 200.0)
    }
    assert areas[150.0] == pytest.approx(areas[200.0], rel=0.02)


def test_wider_blur_asks_for_larger_carbides(field):
    """What is resolved follows the pinned blur: 4 standard deviations."""
    small = bit("small")
    sharp, soft = (pinned(field, blur_px=blur) for blur in (0.8, 1.6))
    assert (sharp.flag_words & small > 0).mean() < (soft.flag_words & small > 0).mean()


@pytest.mark.parametrize("smallest", [3.0, 30.0, 80.0])
def test_nothing_smaller_than_the_pinned_area_is_counted(field, smallest):
    size = np.bincount(pinned(field, min_area_px=smallest).labels.ravel())[1:]
    assert size.min() >= smallest


def test_what_has_no_pixel_is_no_carbide_whatever_is_pinned(phantom):
    """Of faint carbides of 4 px some stay below the outline's level everywhere."""
    found = pinned(phantom([Population(0.08, 4)]), min_area_px=0.0)
    assert np.bincount(found.labels.ravel(), minlength=found.count + 1).min() > 0


def test_polarity_decides_what_is_carbide(phantom, fraction):
    kinds = [Population(0.04, 10), Population(0.04, 10, carbide_class=1)]
    field = phantom(kinds, class_greys=(30.0, 190.0), matrix_grey=110.0)
    for carbides, kind in (("dark", 0), ("bright", 1)):
        found = pinned(field, carbides=carbides)
        assert len(found.classes) == 1
        true = field.truth.area_fraction[kind]
        assert fraction(found) * (~found.excluded).mean() == pytest.approx(true, rel=0.05)


def test_wrong_polarity_shows_nothing_and_is_said(field):
    found = pinned(field, carbides="dark")
    assert found.count == 0
    assert any(
        "stands out on the side of the matrix where no carbide was looked for" in one.text for one in found.issues
    )
    assert not found.excluded.any()


def test_class_on_the_wrong_side_is_said(field):
    found = pinned(field, carbides="dark", class_names=("MC",), class_greys=(180.0,))
    assert found.count == 0
    assert any(one.text.startswith("the pinned grey of MC does not lie on the dark side") for one in found.issues)


def test_names_stay_with_their_pinned_greys(phantom):
    kinds = [Population(0.05, 10, carbide_class=1), Population(0.03, 10)]
    field = phantom(kinds, class_greys=(140.0, 190.0))
    found = pinned(field, class_names=("MC", "M7C3"), class_greys=(178.0, 131.0))
    assert [c.name for c in found.classes] == ["M7C3", "MC"]


def test_pinned_levels_find_what_the_search_does_not(phantom):
    """Two phases, half of the field each, with coarse texture in both: the levels run into each other."""
    from scipy import ndimage

    rng = np.random.default_rng(5)
    blotch = ndimage.gaussian_filter(rng.standard_normal((300, 400)), 9) > 0
    cloud = ndimage.gaussian_filter(rng.standard_normal(blotch.shape), 3)
    grey = np.where(blotch, 126.0, 138.0) + 4 * cloud / cloud.std()
    grey = np.rint(ndimage.gaussian_filter(grey, 1.5) + rng.normal(0, 3, blotch.shape)).astype(np.float32)
    found = segment(grey, SegmentationSettings("dark", ("precipitate",), (126.0,), matrix_grey=138.0))
    assert outlined(found) == pytest.approx(blotch.mean(), abs=0.06)


@pytest.mark.parametrize(
    "pinned",
    [
        {"carbides": "dark"},
        {"class_names": ("MC",)},
        {"class_names": ("MC",), "class_greys": (180.0,)},
        {"matrix_grey": 90.0},
        {"threshold_grey": 130.0},
        {"blur_px": 1.2},
        {"min_area_px": 12.0},
    ],
)
def test_pinned_values_are_recorded_as_pinned(tmp_path, pinned):
    field = Field("f", tmp_path / "f.png", "f.png", "f", SegmentationSettings(**pinned))
    assert pinned_parameters(field) == pinned
