"""Ratios of field sums whose carbides weigh very unequally: closed forms, and how often the intervals hold."""

import math

import numpy as np
import pytest
from scipy import stats

from micro.specimens.sizes import quantile, shares_below
from micro.statistics.skewed import Difference, Skewed, log_ratio, mean_of_carbides, straightened_back


def fields_of(rng, fields, each, spread, between=0.0):
    """Lognormal diameters of median 1, Poisson in number; `between` shifts the logarithms field by field."""
    number = rng.poisson(each, fields)
    field = np.repeat(np.arange(fields), number)
    return np.exp(spread * rng.standard_normal(number.sum()) + between * rng.standard_normal(fields)[field]), field


def test_the_transform_and_its_inverse_are_one():
    """P. Hall 1992: t + γt²/3 + γ²t³/27 + γ/6; at γ = 0 nothing happens."""
    t = np.linspace(-6, 6, 25)
    for g in (-1.5, -0.2, 0.3, 2.0):
        assert straightened_back(t + g * t**2 / 3 + g**2 * t**3 / 27 + g / 6, g) == pytest.approx(t, abs=1e-9)
    assert straightened_back(t, 0.0) == pytest.approx(t)


@pytest.mark.parametrize("fields", [3, 5, 9])
def test_an_estimate_carries_the_interval_of_its_logarithm(fields):
    """Its ends are those of the logarithm, whatever Student's factor the estimate multiplies its sides by."""
    diameter, field = fields_of(np.random.default_rng(fields), fields, 30, 0.5)
    found, n = log_ratio(diameter**3, diameter**2, field, fields)
    estimate = mean_of_carbides(diameter**3, diameter**2, field, fields)
    assert estimate.value == pytest.approx((diameter**3).sum() / (diameter**2).sum())
    assert estimate.interval() == pytest.approx(tuple(math.exp(end) for end in found.interval), rel=1e-9)
    assert estimate.std == pytest.approx(estimate.value * math.sqrt(n * found.variance))
    assert (estimate.fields, estimate.degrees_of_freedom) == (fields, fields - 1)


def test_values_without_skewness_are_welchs():
    rng = np.random.default_rng(1)
    a, b = rng.normal(10, 1, 5), rng.normal(11, 2, 9)
    sides = [Skewed(x.mean(), x.var(ddof=1) / len(x), 0.0, len(x) - 1.0) for x in (a, b)]
    found, reference = Difference(*sides), stats.ttest_ind(b, a, equal_var=False)
    assert found.interval == pytest.approx(tuple(reference.confidence_interval(0.95)))
    assert found.p_value == pytest.approx(reference.pvalue)


def test_the_p_value_is_where_the_interval_ends():
    a, b = Skewed(0.0, 0.01, 0.0006, 5.0), Skewed(0.35, 0.02, 0.002, 5.0)
    low, _ = Difference(a, b).interval
    shifted = Difference(a, Skewed(b.value - low, b.variance, b.third, 5.0))
    assert shifted.p_value == pytest.approx(0.05, abs=1e-6)


def test_the_jackknife_of_a_ratio_by_hand():
    """Three fields: ln of the ratio with each left out; variance 2/3 of the squares about their mean."""
    numerator, denominator, field = np.array([2.0, 3, 4, 5]), np.array([1.0, 1, 2, 1]), np.array([0, 1, 2, 2])
    found, fields = log_ratio(numerator, denominator, field, 3, of_carbides=False)
    left = np.log([12 / 4, 11 / 4, 5 / 2])
    assert found.value == pytest.approx(math.log(14 / 5))
    assert found.variance == pytest.approx(2 / 3 * np.sum((left - left.mean()) ** 2))
    assert (fields, found.degrees_of_freedom) == (3, 2)


def test_the_skewness_of_a_sum_of_exponentials():
    """A mean of n exponential values has skewness 2/√n; from all carbides of 40 fields, within a tenth."""
    rng = np.random.default_rng(2)
    values, field = rng.exponential(size=40_000), np.repeat(np.arange(40), 1000)
    found, _ = log_ratio(values, np.ones(40_000), field, 40)
    assert found.skewness == pytest.approx(2 / math.sqrt(40_000), rel=0.1)


def coverage(studies, fields, each, spread, between=0.0, seed=1):
    """Shares of intervals that hold the truth, and of pairs (each, 10 times as many) of equal bars that differ."""
    rng = np.random.default_rng(seed)
    truth = 2.5 * (spread**2 + between**2)  # ln E d³/E d² of a lognormal with median 1
    held = alarms = 0
    for _ in range(studies):
        sides = []
        for number in (each, 10 * each):
            d, field = fields_of(rng, fields, number, spread, between)
            sides.append(log_ratio(d**3, d**2, field, fields)[0])
        low, high = sides[0].interval
        held += low <= truth <= high
        alarms += Difference(*sides).p_value < 0.05
    return held / studies, alarms / studies


def test_area_weighted_diameters_hold_and_equal_bars_stay_equal():
    """A small version of the study below; logarithms by fields gave 11 to 51 % of false alarms, Student's t 80 %."""
    held, alarms = coverage(300, 6, 20, 0.6)
    assert 0.92 < held < 0.985
    assert alarms < 0.08


@pytest.mark.study
@pytest.mark.parametrize("fields", [3, 6, 10])
@pytest.mark.parametrize("spread", [0.4, 0.6])
@pytest.mark.parametrize("between", [0.0, 0.15])
def test_coverage_of_area_weighted_diameters(fields, spread, between):
    """20 carbides a field against 200: 93 to 98.5 % held (3 fields are on the safe side of 97 %), alarms to 7 %."""
    held, alarms = coverage(1500, fields, 20, spread, between)
    print(f"{fields} fields, σ {spread}, between {between}: held {held:.3f}, alarms {alarms:.3f}")
    assert 0.93 <= held <= 0.985
    assert alarms <= 0.07


def test_an_end_that_nothing_seen_bounds_is_unknown():
    """20 carbides in 3 fields do not tell above which diameter a tenth of the area lies; the lower end is told."""
    rng = np.random.default_rng(3)
    d, field = fields_of(rng, 3, 7, 0.6)
    found = quantile(shares_below(d, d**2, field, 3), 0.9)
    low, high = found.interval()
    assert low < found.value
    assert math.isnan(high)


@pytest.mark.parametrize("share", [0.1, 0.5, 0.9])
def test_quantiles_by_area_hold(share):
    """Lognormal, median 1: by area the quantile is exp(2σ² + zσ); 200 studies of 6 fields of 60, 92 % or more held."""
    rng = np.random.default_rng(4)
    truth, held = math.exp(2 * 0.25 + 0.5 * stats.norm.ppf(share)), 0
    for _ in range(200):
        d, field = fields_of(rng, 6, 60, 0.5)
        low, high = quantile(shares_below(d, d**2, field, 6), share).interval()
        held += low <= truth and not high < truth
    assert held / 200 >= 0.92


def test_one_field_has_no_interval_and_no_carbide_no_value():
    one = mean_of_carbides(np.ones(3), np.ones(3), np.zeros(3, int), 1)
    assert one.value == pytest.approx(1.0)
    assert math.isnan(one.above)
    assert math.isnan(mean_of_carbides(np.empty(0), np.empty(0), np.empty(0, int), 2).value)
