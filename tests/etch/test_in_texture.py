"""Carbides plain to the eye in strong laths are read; laths alone are no carbides; unknown where width fails."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from other_generator import picture
from scipy import ndimage

from micro import measure
from micro.segmentation.in_texture import Opened, disc, find_heights, opened, wide_regions
from micro.segmentation.segmentation import SegmentationSettings
from micro.segmentation.textured import carbides_in_texture
from micro.tables.columns import flagged

SHAPE = (256, 256)


@cache
def drawn(**words):
    return picture(SHAPE, **words)


def test_carbides_of_10_px_in_laths_of_30_percent_are_read():
    """Value within 5 %, the interval holds the truth and is no wider than a quarter; the reason is said."""
    grey, truth = drawn(seed=2, lath=0.3)
    result = measure(grey, um_per_px=0.2, rolling_deg=0, carbides="bright")
    value, low, high = result.area_fraction
    assert low <= truth <= high and high - low < 0.5 * value
    assert value == pytest.approx(truth, rel=0.05)
    assert result.issues[0].kind == "read_in_texture"
    assert flagged(result.particles["flags"], "blunt").all()


def test_a_few_of_many_carbides_are_no_reading():
    """Light that follows the laths makes the carbides of one corner look higher than the crests, and the rest lost."""
    grey, truth = picture((256, 384), seed=24, lath=0.3)
    value, low, high = measure(grey, um_per_px=0.2, rolling_deg=0).area_fraction
    assert low <= truth <= high and value == pytest.approx(truth, rel=0.05)


def test_dark_carbides_are_read_like_bright_ones():
    """The picture turned round its middle grey has the same carbides, pixel by pixel."""
    grey, _ = drawn(seed=2, lath=0.3)
    nowhere = np.zeros(SHAPE, bool)
    bright = carbides_in_texture(grey, nowhere, grey >= 255, SegmentationSettings("bright"))
    dark = carbides_in_texture(260 - grey, nowhere, grey >= 255, SegmentationSettings("dark"))
    assert bright is not None and dark is not None and dark.classes[0].contrast < 0
    assert abs(dark.count - bright.count) <= 0.05 * bright.count  # the light over the field is not turned round


@pytest.mark.parametrize("strength", [10, 25, 40])
def test_laths_alone_are_never_read_as_carbide(strength):
    """Whatever their height: none, or unknown with an upper bound."""
    grey, _ = drawn(seed=4, lath=0.25, fraction=0.0)
    grey = np.clip(np.rint(78 + strength / 25 * (grey - 78)), 0, 255).astype(np.float32)
    value, low, high = measure(grey, um_per_px=0.2, rolling_deg=0).area_fraction
    assert low == 0 and high > 0 and not value > 0


def test_carbides_as_narrow_as_the_laths_stay_unknown():
    """Of 6 px, in 30 %: half of them are lost among crests, and no bound says how many."""
    grey, truth = drawn(seed=2, lath=0.3, diameter=6.0)
    value, low, high = measure(grey, um_per_px=0.2, rolling_deg=0).area_fraction
    assert np.isnan(value) and low <= truth <= high


def test_a_fine_mixture_of_two_levels_is_not_read_as_carbides_in_texture():
    """What lies above a level of smooth noise has small parts that no opening finds: unlike below and above."""
    rng = np.random.default_rng(3)
    grain = ndimage.gaussian_filter(rng.standard_normal(SHAPE), 3)
    upper = ndimage.gaussian_filter((grain > np.quantile(grain, 0.6)).astype(float), 1)
    grey = (80 + 50 * upper + 12 * rng.standard_normal(SHAPE)).astype(np.float32)
    assert carbides_in_texture(grey, np.zeros(SHAPE, bool), grey >= 255, SegmentationSettings("bright")) is None


def test_an_opening_leaves_what_is_as_wide_as_the_disc():
    """A stripe 4 px wide holds a disc 3 px across and none of 5 px: mathematical morphology, by definition."""
    stripe = np.zeros((40, 40), np.float32)
    stripe[18:22] = 1
    assert disc(1.5).shape == (3, 3) and disc(1.5).all()
    np.testing.assert_array_equal(opened(stripe, 1.5), stripe)
    assert not opened(stripe, 2.5).any()


@pytest.mark.parametrize("radius", [1.5, 2.0, 2.5, 3.0, 3.5, 4.0])
def test_openings_part_by_part_are_those_of_whole_discs(radius):
    """SciPy's opening by all points of the disc, beyond the frame the value that changes nothing."""
    picture = ndimage.gaussian_filter(np.random.default_rng(1).standard_normal((61, 83)), 1).astype(np.float32)
    whole = disc(radius).astype(bool)
    eroded = ndimage.grey_erosion(picture, footprint=whole, mode="constant", cval=np.inf)
    expected = ndimage.grey_dilation(eroded, footprint=whole, mode="constant", cval=-np.inf)

    np.testing.assert_array_equal(Opened(picture).by(radius), expected)
    np.testing.assert_array_equal(opened(picture, radius), expected)


def test_texture_alike_above_and_below_its_level_parts_nothing():
    """Normal noise is symmetric: no height is passed by ten summits and fifty times as rarely by valleys."""
    noise = ndimage.gaussian_filter(np.random.default_rng(0).standard_normal(SHAPE), 2)
    smooth = (20 * noise / noise.std()).astype(np.float32)
    assert find_heights(Opened(smooth), Opened(-smooth), 20.0) is None


def test_discs_among_stripes_as_high_are_told_by_their_width():
    """Stripes 3 px wide, about as bright as discs of 11 px, and valleys like them: the discs alone remain."""
    smooth = np.zeros(SHAPE, np.float32)
    smooth[4::16] = smooth[5::16] = smooth[6::16] = 100
    smooth[12::16] = smooth[13::16] = smooth[14::16] = -100
    y, x = np.indices(SHAPE)
    discs = (y % 48 - 24) ** 2 + (x % 40 - 20) ** 2 <= 5.5**2
    smooth[discs] = (95 + x % 7 + x // 40)[discs]
    heights = find_heights(Opened(smooth), Opened(-smooth), 20.0)
    assert heights is not None
    least = dict(heights.passed)
    assert least[1.5] >= 100 > least[2.0]  # a disc 3 px across fits into both, one of 5 px into the discs alone
    inside = wide_regions(Opened(smooth), heights)
    assert (inside & discs).sum() > 0.9 * discs.sum() and (inside & ~discs).sum() < 0.05 * discs.sum()


@pytest.mark.parametrize("seed", [2, pytest.param(5, marks=pytest.mark.study)])
def test_another_kind_below_the_level_of_laths_stays_open(seed):
    """Discs of 12 px, 0.5 of the contrast darker than the laths: where no side is told they may be carbide."""
    grey, truth = picture((384, 512), seed=seed, lath=0.22, diameter=12.0)
    random = np.random.default_rng(seed)
    rows, columns = np.mgrid[:384, :512]
    dark = np.zeros(grey.shape, bool)
    for row, column in random.uniform((10, 10), (374, 502), (100, 2)):
        dark |= np.hypot(rows - row, columns - column) < 6
    bright = ndimage.gaussian_filter(grey, 2) > np.median(grey) + 40
    dark &= ~ndimage.binary_dilation(bright, iterations=4)
    with_dark = 50 + grey - 50 * ndimage.gaussian_filter(dark.astype(float), 1.0)
    told = measure(with_dark, um_per_px=0.2, rolling_deg=0, carbides="bright")
    found = measure(with_dark, um_per_px=0.2, rolling_deg=0)
    kinds = {one.kind for one in found.issues}
    assert "read_in_texture" in kinds and "wide_beneath" in kinds
    assert truth + dark.mean() < found.area_fraction[2]
    assert told.area_fraction[2] < truth + dark.mean()
