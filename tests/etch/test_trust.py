"""Unknown before wrong: a field whose texture could hide carbides has no value, and a bound that holds the truth."""

from __future__ import annotations

import numpy as np
import pytest
from other_generator import picture

from micro.segmentation import SegmentationSettings, segment
from micro.segmentation.trust import assess, reading
from micro.segmentation.two_levels import NORMAL_SEPARATION, two_levels

SHAPE = (320, 320)


def judged(carbides="bright", **words):
    grey, truth = picture(SHAPE, **words)
    settings = SegmentationSettings(carbides)
    s = segment(grey, settings)
    return assess(grey, settings, s), truth, reading(s)


@pytest.mark.parametrize("words", [{"lath": 0.3}, {"blocks": 0.3}])
def test_texture_as_strong_as_the_contrast_is_unknown_never_0(words):
    verdict, truth, _ = judged(seed=2, **words)
    assert verdict.value is None
    assert verdict.low <= truth <= verdict.high
    assert verdict.reasons


def test_more_carbides_in_such_a_texture_are_read_as_two_levels_with_wide_bounds():
    """20 % carbides in 30 % laths pass for a fine two-phase etch: the value is far off, the bounds hold the truth."""
    verdict, truth, _ = judged(seed=2, lath=0.3, fraction=0.2)
    assert verdict.value is not None
    assert verdict.low <= truth <= verdict.high
    assert verdict.high - verdict.low > 0.3


def test_a_plain_empty_field_is_none_without_alarm():
    verdict, _, _ = judged(seed=2, fraction=0.0)
    assert verdict.value == 0
    assert verdict.high < 0.001
    assert not verdict.reasons


def test_a_clean_field_loses_nothing():
    """Its value stays, its half width grows by less than a fifth."""
    verdict, truth, (value, low, high) = judged(seed=2)
    assert verdict.value == pytest.approx(value, rel=0.005)
    assert verdict.high - verdict.low < 1.2 * (high - low)
    assert verdict.low <= truth <= verdict.high


@pytest.mark.parametrize("words", [{"rim": 0.3, "rim_px": 2.0}, {"spread": 0.2}, {"lath": 0.2}, {"gamma": 0.7}])
def test_intervals_hold_the_truth_and_say_why(words):
    verdict, truth, _ = judged(seed=2, **words)
    assert verdict.low <= truth <= verdict.high
    assert verdict.high - verdict.low < 0.3 * verdict.value


def test_one_level_of_normal_grey_is_not_two():
    """The two halves of a normal distribution hold 2/π of its variance between them."""
    grey = np.random.default_rng(1).normal(100, 10, SHAPE).astype(np.float32)
    found = two_levels(grey, np.zeros(SHAPE, bool), 1)
    assert found.separation == pytest.approx(NORMAL_SEPARATION, abs=0.02)
    assert not found.apart


@pytest.mark.parametrize("share", [0.35, 0.5])
def test_two_levels_of_a_fine_mixture_are_read(share):
    """Both phases are where smooth noise lies above and below a level; each with a texture of its own."""
    from scipy import ndimage

    rng = np.random.default_rng(3)
    grain = ndimage.gaussian_filter(rng.standard_normal(SHAPE), 5)
    upper = grain > np.quantile(grain, 1 - share)
    grey = 80 + 50 * ndimage.gaussian_filter(upper.astype(float), 1) + 12 * rng.standard_normal(SHAPE)
    found = two_levels(grey.astype(np.float32), np.zeros(SHAPE, bool), 1)
    assert found.apart
    assert found.value == pytest.approx(share, abs=0.06)
    assert two_levels(255 - grey.astype(np.float32), np.zeros(SHAPE, bool), -1).value == pytest.approx(
        found.value, abs=0.01
    )
