"""What stacked edges tell, against fields of two generators whose truth is known."""

from __future__ import annotations

import numpy as np
import other_generator as other
import pytest

from micro.segmentation import SegmentationSettings, segment
from micro.segmentation.edge_fit import fit_edges
from micro.segmentation.edge_profile import Stack, find_edges

SHAPE = (320, 320)


def fitted(**words):
    grey, truth = other.picture(SHAPE, **words)
    s = segment(grey, SegmentationSettings("bright"))
    return fit_edges(s), truth * grey.size, s


@pytest.fixture(scope="module")
def sound():
    return fitted(seed=4)


@pytest.mark.xfail(
    strict=True,
    reason="distances to the nearest outline pixel are too long close by: the profile is up to 0.06 off and wider than "
    "the lens makes it. The fit draws its models with the same distances; the profile is not fit to be shown yet.",
)
def test_the_profile_of_sound_edges_is_a_normal_distribution_function():
    """A Gaussian lens makes a straight edge Φ(-d/σ): carbides of 28 px, σ² = blur² + 1/12 of the pixels."""
    from scipy.special import ndtr

    _, _, s = fitted(seed=4, diameter=28.0, fraction=0.2)
    edges = find_edges(s)
    profile = Stack.of(edges.distance, ~s.excluded).profile(s.contrast / edges.level)
    near = np.abs(profile.distance) < 3
    assert profile.height[near] == pytest.approx(
        ndtr(-profile.distance[near] / np.hypot(1.0, np.sqrt(1 / 12))), abs=0.04
    )


def test_distances_are_those_of_the_outline(sound):
    """The area within the outlines from their distances is what the labels hold."""
    _, _, s = sound
    assert find_edges(s).area() == pytest.approx(s.outline_px.sum(), rel=0.01)


def test_sound_edges_have_no_skew(sound):
    fit, _, _ = sound
    assert abs(fit.skew) < 0.12 and fit.misfit < 2.5


def test_a_bright_rim_of_2_px_is_seen_and_left_out():
    """Integrated contrast reads a quarter too much; the edge within 8 %."""
    fit, area, _ = fitted(seed=4, rim=0.3, rim_px=2.0)
    assert fit.skew > 0.2
    assert fit.area_px == pytest.approx(area, rel=0.08)


@pytest.mark.parametrize("words", [{"dome_px": 3.0}, {"rim": -0.3}])
def test_domes_and_dark_rims_skew_to_the_other_side(words):
    fit, _, _ = fitted(seed=4, **words)
    assert fit.skew < -0.2


def test_sharpened_edges_are_like_no_model():
    fit, _, _ = fitted(seed=4, sharpening=1.5)
    assert fit.misfit > 2.5 and fit.left > 2.5
