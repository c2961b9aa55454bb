"""The model of blurred discs and ellipses against pictures blurred by SciPy and against closed forms."""

import numpy as np
import pytest
from scipy import ndimage

from micro.phantom.shapes import cover, shapes
from micro.segmentation import blurred_shapes as disc


def blurred(ecd, aspect, spread):
    one = shapes(np.array([ecd]), np.random.default_rng(0), aspect=aspect, angle_deg=20.0)
    share = cover(one.moved(np.array([60.5]), np.array([60.5])), (121, 121)).by_class[0].astype(float)
    # The share of a pixel is already a mean over its aperture, of variance 1/12.
    return ndimage.gaussian_filter(share, np.sqrt(spread**2 - 1 / 12), truncate=8)


@pytest.mark.parametrize(("ecd", "aspect"), [(4, 1.0), (6, 1.0), (8, 2.0), (12, 3.0), (20, 1.0)])
def test_height_at_the_centre(ecd, aspect):
    """Of the contrast, to a hundredth."""
    spread = 1.7
    size = ecd**2 / 4 / (2 * spread**2)
    assert disc.disc_peak(size, aspect) == pytest.approx(blurred(ecd, aspect, spread)[60, 60], abs=0.01)


def test_height_of_a_disc_is_the_rayleigh_law():
    """1 − exp(−R²/2σ²), the share of a circular normal distribution within R (Rayleigh 1880; from memory)."""
    x = np.array([0.1, 0.5, 1.0, 3.0])
    assert disc.disc_peak(x) == pytest.approx(1 - np.exp(-x), rel=1e-12)


def test_height_at_the_edge():
    """To a hundredth; a half where the edge is straight."""
    spread, radius = 1.6, 5.0
    profile = blurred(2 * radius, 1.0, spread)[60]
    at_edge = np.interp(radius, np.arange(61), profile[60:])
    assert disc.disc_edge(radius**2 / (2 * spread**2)) == pytest.approx(at_edge, abs=0.01)
    assert disc.disc_edge(1e6) == pytest.approx(0.5, abs=1e-3)


@pytest.mark.parametrize(("ecd", "aspect"), [(6, 1.0), (9, 2.0), (16, 1.5)])
def test_contrast_comes_back_from_height_and_light(ecd, aspect):
    spread = 1.5
    picture = 70 * blurred(ecd, aspect, spread)
    found = disc.contrast_from_peak(np.array([picture.sum()]), picture[60:61, 60], 2 * np.pi * spread**2, aspect)
    assert found == pytest.approx([70], rel=0.02)


def test_light_below_that_of_a_point_has_no_answer():
    assert np.isnan(disc.contrast_from_peak(np.array([1.0]), np.array([50.0]), 10.0))


@pytest.mark.parametrize("ecd", [5, 9, 18])
def test_band_between_half_and_three_quarters(ecd):
    """Area between these heights, counted on an eight times finer grid, to 4 %."""
    spread = 1.6
    picture = blurred(ecd, 1.0, spread)
    fine = ndimage.zoom(picture[30:91, 30:91], 8, order=3)
    top = picture[60, 60]
    half, band = (fine > top / 2).sum() / 64, ((fine > top / 2) & (fine < 0.75 * top)).sum() / 64
    assert disc.band_area(np.array([half]), spread) == pytest.approx([band], rel=0.04)
