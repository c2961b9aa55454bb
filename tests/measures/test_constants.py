"""Numbers that the measures rest on, each held to what it stands for."""

import numpy as np
import pytest
from scipy import ndimage

from micro.geometry.runs import PIXEL_VARIANCE, find_runs, moments
from micro.measures.intercepts import scan
from micro.measures.orientation import estimate_rolling_direction
from micro.measures.particles import DIGITAL_VARIANCE, LAGS_PX, NOISE_LENGTH_PX, WHITE_LEFT, measure_outlines, waves
from micro.segmentation.matrix import SMOOTHING_PX


def test_what_pixels_lend_to_discs():
    """Discs of 4 to 8 px by pixel centres: half the difference of principal moments has the square w·r/2π.

    That w goes up and down with the size; the one number that stands for all lies within, nearer the smaller.
    """
    rng = np.random.default_rng(1)
    y, x = np.mgrid[:12, :12] + 0.5
    found = []
    for diameter in (4.0, 5.0, 6.0, 7.0, 8.0):
        place = rng.uniform(-0.5, 0.5, (800, 2, 1, 1)) + 6
        mask = np.hypot(x - place[:, 0], y - place[:, 1]) <= diameter / 2
        labels = (mask * np.arange(1, 801)[:, None, None]).reshape(800 * 12, 12)
        shape = moments(find_runs(labels, 800))
        chance = (((shape.xx - shape.yy) / 2) ** 2 + shape.xy**2).mean()
        found.append(chance * np.pi / np.sqrt((shape.xx + shape.yy - 2 * PIXEL_VARIANCE) / 2).mean())
    assert min(found) < DIGITAL_VARIANCE < np.mean(found)


def test_white_noise_after_smoothing():
    """SciPy's Gaussian leaves 1/(4πσ²) of the variance (σ = 2 px, where the grid no longer matters, to 3 %).

    The length over which smoothed noise does not change is the integral of its correlation along a line, σ√(4π).
    """
    white = np.random.default_rng(2).standard_normal((600, 600))
    smooth = ndimage.gaussian_filter(white, 2.0, mode="wrap")
    assert smooth.var() == pytest.approx(WHITE_LEFT * (SMOOTHING_PX / 2.0) ** 2, rel=0.03)
    power = (np.abs(np.fft.fft(smooth, axis=1)) ** 2).mean(axis=0)
    assert power[:6].mean() / power.mean() == pytest.approx(NOISE_LENGTH_PX * 2.0 / SMOOTHING_PX, rel=0.15)


@pytest.mark.parametrize(("radius", "order"), [(2.5, 2), (4.0, 2), (8.0, 2), (8.0, 4)])
def test_grain_that_goes_up_and_down_about_a_circle(radius, order):
    """Of smoothed noise, read on circles by SciPy and taken apart by numpy's Fourier series, as its covariance says.

    A length over which noise does not change would give 4.8 times as much at 2.5 px, where it is as long as the wave.
    """
    rng = np.random.default_rng(3)
    smooth = ndimage.gaussian_filter(rng.standard_normal((1200, 1200)), 1.5, mode="wrap")
    turn = np.arange(32) / 32 * 2 * np.pi
    centre = rng.uniform(0, 1200, (2, 4000, 1))
    circle = [centre[0] + radius * np.sin(turn), centre[1] + radius * np.cos(turn)]
    read = ndimage.map_coordinates(smooth, circle, order=3, mode="grid-wrap")
    wave = np.abs(np.fft.fft(read, axis=1)[:, order] / 32) ** 2
    covariance = smooth.var() * np.exp(-((np.array(LAGS_PX) / 3.0) ** 2))
    assert wave.mean() == pytest.approx(waves(covariance, np.array([radius]), order)[0], rel=0.08)


def axes_with(p_value, count=40):
    """Angles of `count` equal carbides of which Rayleigh's p is exp(−R²/n) = p_value."""
    resultant = np.sqrt(-count * np.log(p_value))
    spread = 90 * (1 - resultant / count)
    from scipy.optimize import brentq

    share = (np.arange(count) + 0.5) / count - 0.5
    reach = brentq(lambda w: np.cos(2 * np.radians(2 * w * share)).sum() - resultant, max(spread, 1) / 4, 90)
    return 30 + 2 * reach * share


def test_a_direction_is_shown_at_one_in_a_hundred():
    """Rayleigh's p of 0.012 is no direction, of 0.0085 is one; fewer than ten carbides are not asked."""
    ones = np.ones(40)
    unsure, sure = (estimate_rolling_direction(axes_with(p), 2 * ones, ones) for p in (0.0110, 0.0090))
    assert not unsure.found
    assert unsure.p_value == pytest.approx(0.0110, rel=1e-6)
    assert sure.found
    assert sure.angle_deg == pytest.approx(30.0, abs=1e-6)
    few = [estimate_rolling_direction(np.full(n, 12.0), 2 * np.ones(n), np.ones(n)) for n in (9, 10)]
    assert [one.found for one in few] == [False, True]


@pytest.mark.parametrize(("gap", "lines"), [(4, 20), (5, 40)])
def test_gaps_of_up_to_four_pixels_are_steps_of_the_outline(gap, lines):
    """Two bars of one carbide on a line: met once across a gap of 4 px, twice across one of 5."""
    labels = np.zeros((40, 60), np.int32)
    labels[10:30, 10:20] = 1
    labels[10:30, 20 + gap : 30 + gap] = 1
    along, _ = scan(labels, np.zeros(labels.shape, bool), find_runs(labels, 1), 0.0)
    assert along.per_carbide[0] == pytest.approx(lines)


def test_a_row_of_single_pixels_has_a_width():
    """Its centres have none: a quarter of a pixel stands in."""
    labels = np.zeros((9, 30), np.int32)
    labels[4, 5:25] = 1
    runs = find_runs(labels, 1)
    assert measure_outlines(runs, moments(runs), None).minor[0] == 0.25
