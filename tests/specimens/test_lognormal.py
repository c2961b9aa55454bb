"""Lognormal fit against scipy."""

import math

import numpy as np
import pytest
from scipy import stats

from micro.statistics.lognormal import fit_lognormal, grouped, lognormal_ci95


def test_fit_and_distance_are_scipys():
    """Largest likelihood fit of scipy.stats.lognorm and D of scipy.stats.kstest."""
    size = np.random.default_rng(1).lognormal(0.7, 0.4, 500)
    fit = fit_lognormal(size, np.ones(500))
    shape, _, scale = stats.lognorm.fit(size, floc=0)
    assert fit.sigma == pytest.approx(shape, rel=1e-3)
    assert fit.median == pytest.approx(scale, rel=1e-3)
    expected = stats.kstest(size, stats.lognorm(fit.sigma, 0, fit.median).cdf).statistic
    assert fit.greatest_gap == pytest.approx(expected)


def test_weights_count_as_repeats():
    """A carbide of weight 2 is two carbides; one of weight 0 is none."""
    rng = np.random.default_rng(2)
    size, weight = rng.lognormal(0, 0.5, 60), rng.integers(0, 3, 60)
    one, other = fit_lognormal(size, weight * 1.0), fit_lognormal(np.repeat(size, weight), np.ones(weight.sum()))
    assert (one.median, one.sigma) == pytest.approx((other.median, other.sigma))
    assert one.greatest_gap == pytest.approx(other.greatest_gap)


def test_two_sizes_mixed_fit_badly_and_one_carbide_not_at_all():
    """Two populations lie further from the curve than one; a single carbide leaves it unknown."""
    rng = np.random.default_rng(3)
    one = rng.lognormal(0, 0.3, 2000)
    mixed = np.concatenate([one, 10 * one])
    assert fit_lognormal(one, np.ones(2000)).greatest_gap < 0.04
    assert fit_lognormal(mixed, np.ones(4000)).greatest_gap > 0.1
    assert math.isnan(fit_lognormal(one[:1], np.ones(1)).median)


def test_equal_sizes_have_no_spread():
    """Median as measured, spread 0; there is no curve whose fit could be judged."""
    found = fit_lognormal(np.full(5, 2.0), np.ones(5))
    assert (found.median, found.sigma) == (pytest.approx(2.0), 0.0)
    assert math.isnan(found.greatest_gap)


def test_intervals_of_median_and_sigma_hold_the_truth():
    """Of 1 500 specimens of six fields that scatter, 93 to 97 % hold it; one field has no interval."""
    held = np.zeros(2)
    for seed in range(1500):
        rng = np.random.default_rng(seed)
        field = np.repeat(np.arange(6), 80)
        logs = rng.normal(0.0, 0.1, 6)[field] + rng.normal(1.0, 0.4, len(field))
        ends = lognormal_ci95(np.exp(logs), np.ones(len(field)), field)
        truth = (math.e, math.hypot(0.1, 0.4))
        held += [low <= value <= high for value, (low, high) in zip(truth, ends, strict=True)]
    print(held / 1500)
    assert (np.abs(held / 1500 - 0.95) <= 0.02).all()
    assert np.isnan(lognormal_ci95(np.array([1.0, 2.0]), np.ones(2), np.zeros(2, int))).all()


def test_of_many_fields_groups_are_left_out():
    """The same sums, and for 1 600 fields without scatter of their own the half-width of independent carbides.

    That is 1.96·σ/√n for the median, and over √2 for σ (closed form); 400 groups tell it to 4 %, taken three times.
    """
    fields, each = 1600, 20
    rng = np.random.default_rng(7)
    field, logs = np.repeat(np.arange(fields), each), rng.normal(1.0, 0.4, fields * each)
    assert len(grouped(np.ones((fields, 2)))) == 400
    assert np.array_equal(grouped(np.ones(fields)), np.full(400, 4.0))
    assert np.array_equal(grouped(np.arange(400.0)), np.arange(400.0))
    median, sigma = lognormal_ci95(np.exp(logs), np.ones(len(field)), field)
    half = 1.96 * 0.4 / math.sqrt(fields * each)
    assert math.log(median[1] / median[0]) / 2 == pytest.approx(half, rel=0.12)
    assert math.log(sigma[1] / sigma[0]) / 2 * 0.4 == pytest.approx(half / math.sqrt(2), rel=0.12)
