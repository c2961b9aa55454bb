"""P_P, its interval and %RA, by the published formulas and outside libraries."""

import math

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from micro.points.estimate import fields_for_accuracy, point_fraction
from micro.statistics.sampling import binomial_interval

# Two-sided 95 % factors by number of fields: ASTM E562, table of t values, from memory (any table of Student's t).
T_TABLE = {5: 2.776, 6: 2.571, 10: 2.262, 15: 2.145, 20: 2.093, 25: 2.064, 30: 2.045, 61: 2.000}


@pytest.mark.parametrize("fields", T_TABLE)
def test_the_interval_uses_the_published_t_factor(fields):
    """95 % CI = t·s/√n (ASTM E562, ISO 9042)."""
    values = np.random.default_rng(fields).uniform(0.05, 0.15, fields)
    p = point_fraction(values, np.full(fields, 100))
    half = T_TABLE[fields] * values.std(ddof=1) / math.sqrt(fields)
    assert (p.high - p.low) / 2 == pytest.approx(half, rel=5e-4)
    assert p.relative_accuracy_pct == pytest.approx(100 * half / values.mean(), rel=5e-4)
    assert not p.widened


def test_the_interval_is_that_of_scipy():
    values = np.random.default_rng(0).uniform(0.02, 0.3, 12)
    p = point_fraction(values, np.full(12, 49))
    low, high = stats.t.interval(0.95, 11, loc=values.mean(), scale=stats.sem(values))
    assert (p.mean, p.low, p.high) == pytest.approx((values.mean(), low, high))


def test_halves_count_as_halves():
    p = point_fraction([2.5 / 25, 3 / 25, 4.5 / 25], [25, 25, 25])
    assert p.hits == pytest.approx(10)
    assert p.mean == pytest.approx(10 / 75)


@pytest.mark.parametrize(("hits", "points"), [(0, 250), (3, 250), (250, 250), (7, 90)])
def test_few_points_get_the_exact_interval_of_clopper_and_pearson(hits, points):
    expected = proportion_confint(hits, points, method="beta")
    assert binomial_interval(hits, points) == pytest.approx(expected)


def test_nothing_hit_is_not_zero_for_sure():
    """No hit on 10 fields of 25 points: up to 1.5 % may be there; %RA is unknown."""
    p = point_fraction(np.zeros(10), np.full(10, 25))
    assert (p.mean, p.low) == (0, 0)
    assert p.high == pytest.approx(1 - 0.025 ** (1 / 250))
    assert p.widened
    assert math.isnan(p.relative_accuracy_pct)


def test_one_field_says_nothing_of_the_scatter():
    p = point_fraction([0.1], [100])
    assert math.isnan(p.low)
    assert math.isnan(p.high)


def test_the_interval_stays_within_0_and_1():
    p = point_fraction([0.0, 0.0, 0.0, 0.44], [25] * 4)
    assert p.low == 0
    assert p.high <= 1


def test_fields_for_accuracy_is_the_fewest_that_do():
    fields = fields_for_accuracy(0.08, 0.04, 10)

    def reached(n):
        return stats.t.ppf(0.975, n - 1) * 0.04 / math.sqrt(n) <= 0.008

    assert reached(fields)
    assert not reached(fields - 1)


@pytest.mark.parametrize(("mean", "std"), [(0.0, 0.1), (0.1, 0.0), (math.nan, 0.1), (0.1, math.nan)])
def test_fields_for_accuracy_is_unknown_without_scatter_or_hits(mean, std):
    assert fields_for_accuracy(mean, std, 10) is None


def test_more_fields_than_anyone_counts_is_unknown():
    """A scatter a hundred times the mean needs more fields than it makes sense to name."""
    assert fields_for_accuracy(0.001, 0.1, 1) is None
