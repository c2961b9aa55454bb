"""What stacked edges tell, against fields of two generators whose truth is known."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np
import pytest

from micro.segmentation import SegmentationSettings, segment
from micro.segmentation.edge_fit import fit_edges
from micro.segmentation.edge_profile import Stack, find_edges

_spec = importlib.util.spec_from_file_location("other_generator", Path(__file__).parent / "other_generator.py")
other = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(other)
SHAPE = (320, 320)


def fitted(**words):
    grey, truth = other.picture(SHAPE, **words)
    s = segment(grey, SegmentationSettings("bright"))
    return fit_edges(s), truth * grey.size, s


@pytest.fixture(scope="module")
def sound():
    return fitted(seed=4)


def test_the_profile_of_sound_edges_is_symmetric_about_half_height():
    """A lens that blurs to all sides alike puts as much light outside an edge as it takes inside (28 px carbides)."""
    _, _, s = fitted(seed=4, diameter=28.0, fraction=0.2)
    edges = find_edges(s)
    profile = Stack.of(edges.distance, ~s.excluded).profile(s.contrast / edges.level)
    d = np.arange(0, 3.1, 0.25)
    outside, inside = (np.interp(sign * d, profile.distance, profile.height) for sign in (1, -1))
    assert outside + inside == pytest.approx(np.ones(len(d)), abs=0.04)
    assert inside[-1] > 0.98 and outside[-1] < 0.02


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
