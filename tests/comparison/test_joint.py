"""Several quantities at once: exchange of fields against scipy, and the family of tests that it holds."""

import itertools
import math

import numpy as np
import pytest
from scipy import stats

from micro.comparison.joint import Judged, exchange_p, exchanged, joint_p
from micro.comparison.sides import Side
from micro.statistics.two_samples import fisher_p_value, share_difference, welch, wilson


def side(values):
    return Side(np.asarray(values, float), np.ones(len(values)), 0.0, None, None, 0.0)


def judged(a, b):
    found = welch(a, b)
    return Judged(side(a), side(b), False, found.p_value, found.degrees_of_freedom)


def test_exchange_agrees_with_scipy_on_all_exchanges():
    rng = np.random.default_rng(5)
    samples = rng.normal(20, 2, 7), rng.normal(17, 4, 5)

    def size_of_t(x, y, axis):
        error = x.var(axis=axis, ddof=1) / x.shape[axis] + y.var(axis=axis, ddof=1) / y.shape[axis]
        return np.abs(x.mean(axis=axis) - y.mean(axis=axis)) / np.sqrt(error)

    reference = stats.permutation_test(samples, size_of_t, vectorized=True, n_resamples=np.inf, alternative="greater")
    assert exchange_p(exchanged(judged(*samples))) == pytest.approx(reference.pvalue, abs=1e-12)


def test_exchange_drawn_at_random_is_close_to_welch():
    rng = np.random.default_rng(2)
    one = judged(rng.normal(0, 1, 15), rng.normal(0.8, 1, 15))
    assert exchange_p(exchanged(one)) == pytest.approx(one.p_value, abs=0.01)


def test_fields_that_are_all_alike_tell_nothing():
    assert math.isnan(exchange_p(exchanged(judged([2.0, 2.0], [2.0, 2.0]))))


def test_the_same_quantity_twice_costs_nothing():
    """Tests with a correlation of 1 are one test; Holm would double the p value."""
    rng = np.random.default_rng(1)
    a, b = rng.normal(10, 1, 8), rng.normal(11.2, 1, 8)
    once, twice = judged(a, b), judged(3 * a, 3 * b)
    assert joint_p([once, twice]) == pytest.approx([once.p_value] * 2, rel=0.1)


def test_unrelated_quantities_cost_as_much_as_sidak():
    """Independent tests: 1 - (1 - p)^m, within the chance of 10 000 exchanges."""
    rng = np.random.default_rng(3)
    tests = [judged(rng.normal(0, 1, 20), rng.normal(shift, 1, 20)) for shift in (0.9, 0, 0, 0)]
    p = tests[0].p_value
    assert joint_p(tests)[0] == pytest.approx(1 - (1 - p) ** 4, rel=0.25)


def test_too_few_exchanges_fall_back_to_holm():
    rng = np.random.default_rng(4)
    tests = [judged(rng.normal(0, 1, 4), rng.normal(shift, 1, 4)) for shift in (5, 0)]
    assert joint_p(tests)[0] == pytest.approx(2 * tests[0].p_value)


def test_no_p_value_is_smaller_than_the_exchanges_allow():
    """Six against six, far apart: 1 in 924 orders, and its mirror, at least."""
    a = np.arange(6.0)
    tests = [judged(a, a + 100), judged(a, a * 0.9 + 80)]
    assert joint_p(tests) == pytest.approx([2 / 924] * 2)


def test_the_family_of_equal_bars_is_held():
    """400 pairs of equal bars of 6 fields, five quantities tied by a common part: any alarm in 2 to 8 %."""
    rng = np.random.default_rng(6)
    alarms = 0
    for _ in range(400):
        common = rng.normal(size=12)
        values = [0.7 * common + 0.7 * rng.normal(size=12) for _ in range(5)]
        alarms += joint_p([judged(v[:6], v[6:]) for v in values]).min() < 0.05
    assert 0.02 < alarms / 400 < 0.08


def test_shares_agree_with_statsmodels_and_scipy():
    """R. G. Newcombe 1998, method 10; Fisher's exact test."""
    from statsmodels.stats.proportion import confint_proportions_2indep, proportion_confint

    assert wilson(7, 10) == pytest.approx(proportion_confint(7, 10, method="wilson"), rel=1e-6)
    gap, low, high, p = share_difference((2, 10), (9, 12))
    assert gap == pytest.approx(0.75 - 0.2)
    assert (low, high) == pytest.approx(confint_proportions_2indep(9, 12, 2, 10, method="newcomb"), rel=1e-6)
    assert p == pytest.approx(stats.fisher_exact([[2, 8], [9, 3]]).pvalue)


def test_the_exact_chance_of_a_table_is_that_of_scipy():
    """`scipy.stats.fisher_exact`, for all tables of two groups of up to six."""
    sides = [(shown, of) for of in range(1, 7) for shown in range(of + 1)]
    for a, b in itertools.product(sides, sides):
        theirs = stats.fisher_exact([[a[0], a[1] - a[0]], [b[0], b[1] - b[0]]]).pvalue
        assert fisher_p_value(a, b) == pytest.approx(theirs, abs=1e-12), (a, b)
