"""Welch, Fieller, Holm and power against general-purpose libraries and closed forms."""

import math

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.power import TTestIndPower
from statsmodels.stats.weightstats import CompareMeans, DescrStatsW

from micro.statistics.two_samples import contrast, fieller, holm, power, sample_size, welch


@pytest.fixture
def samples():
    rng = np.random.default_rng(5)
    return rng.normal(20, 2, 7), rng.normal(17, 4, 5)


def test_welch_agrees_with_scipy_and_statsmodels(samples):
    a, b = samples
    found = welch(a, b)
    reference = stats.ttest_ind(b, a, equal_var=False)
    assert found.p_value == pytest.approx(reference.pvalue, rel=1e-10)
    assert found.degrees_of_freedom == pytest.approx(reference.df, rel=1e-10)
    means = CompareMeans(DescrStatsW(b), DescrStatsW(a))
    assert found.interval == pytest.approx(means.tconfint_diff(usevar="unequal"), rel=1e-10)


def test_a_known_uncertainty_widens_the_interval_as_one(samples):
    """JCGM 100:2008, G.4, from memory: degrees of freedom grow by the fourth power of the combined uncertainty."""
    plain = welch(*samples)
    wider = contrast(plain.estimate, [plain.standard_error**2, 9.0], [plain.degrees_of_freedom, math.inf])
    assert wider.standard_error == pytest.approx(math.hypot(plain.standard_error, 3.0))
    grown = (wider.standard_error / plain.standard_error) ** 4
    assert wider.degrees_of_freedom == pytest.approx(plain.degrees_of_freedom * grown)


def test_without_scatter_nothing_is_claimed():
    found = welch([2.0, 2.0], [3.0, 3.0])
    assert found.estimate == 1
    assert math.isnan(found.p_value)
    assert all(math.isnan(end) for end in (*found.interval, found.detectable()))
    assert all(math.isnan(end) for end in fieller([2.0, 2.0], [3.0, 3.0]))


def test_fieller_holds_the_ratios_that_welch_does_not_reject(samples):
    a, b = samples
    low, high = fieller(a, b)
    for end in (low, high):
        assert stats.ttest_ind(end * a, b, equal_var=False).pvalue == pytest.approx(0.05, abs=1e-6)
    assert low < b.mean() / a.mean() < high


def test_fieller_agrees_with_its_quadratic():
    """The closed form, with the degrees of freedom of Welch at each end.

    (ȳ - r·x̄)² = t²·(s_y² + r²·s_x²)/n (E. C. Fieller, 1954, from memory; solved here by its quadratic).
    """
    rng = np.random.default_rng(8)
    a, b = rng.normal(30, 3, 9), rng.normal(25, 3, 9)
    for end in fieller(a, b):
        t = stats.t.ppf(0.975, welch(end * a, b).degrees_of_freedom)
        va, vb = a.var(ddof=1) / 9, b.var(ddof=1) / 9
        roots = np.roots([a.mean() ** 2 - t * t * va, -2 * a.mean() * b.mean(), b.mean() ** 2 - t * t * vb])
        assert np.abs(roots - end).min() < 1e-8


def test_fieller_admits_a_ratio_without_bound():
    assert fieller([0.5, 6.0, 1.0], [4.0, 5.0, 6.0])[1] == math.inf


@pytest.mark.parametrize("tests", [1, 4, 30])
def test_holm_agrees_with_statsmodels(tests):
    """With ties, 0 and 1 among the p values."""
    p_values = np.random.default_rng(tests).choice(np.linspace(0, 1, 21) ** 3, tests)
    assert holm(p_values) == pytest.approx(multipletests(p_values, method="holm")[1], abs=1e-15)


def test_holm_leaves_out_what_was_not_tested():
    """S. Holm, 1979, from memory: the smallest of two is doubled."""
    assert holm([math.nan, 0.01, 0.04]) == pytest.approx([math.nan, 0.02, 0.04], nan_ok=True)
    assert len(holm([])) == 0


@settings(deadline=None, max_examples=40)
@given(st.floats(0.0, 4.0), st.integers(2, 40))
def test_power_agrees_with_statsmodels(effect, n):
    reference = TTestIndPower().power(effect, n, 0.05)
    assume(math.isfinite(reference))  # its noncentral t gives up when the power is 1 but for 1e-12
    assert power(effect * math.sqrt(n / 2), 2 * n - 2) == pytest.approx(reference, abs=1e-6)


def test_power_with_known_scatter_is_normal():
    """1.96 + 0.84 = 2.80 standard errors give 80 % (any table of the normal distribution)."""
    assert power(1.959964 + 0.841621, math.inf) == pytest.approx(0.8, abs=1e-4)
    assert power(0.0, math.inf) == pytest.approx(0.05)  # both sides: without a difference it is the level


def test_the_detectable_difference_has_a_power_of_80_percent(samples):
    found = welch(*samples)
    assert power(found.detectable() / found.standard_error, found.degrees_of_freedom) == pytest.approx(0.8, abs=1e-6)


@pytest.mark.parametrize("effect", [0.3, 0.5, 0.8, 1.0, 2.0])
def test_sample_size_agrees_with_statsmodels(effect):
    """Cohen, 1988, table 2.4.1, from memory: 26 a group for 0.8, 64 for 0.5, at 80 % and 5 % two-sided."""
    wanted = math.ceil(TTestIndPower().solve_power(effect, power=0.8, alpha=0.05))
    assert sample_size(effect, 1.0, 1.0) == wanted
    assert sample_size(3 * effect, 3.0, 3.0) == wanted  # in any unit
    assert {0.8: 26, 0.5: 64}.get(effect, wanted) == wanted


def test_sample_size_does_not_invent_a_number():
    assert sample_size(0.0, 1.0, 1.0) is None
    assert sample_size(1.0, 0.0, 0.0) is None
    assert sample_size(1e-9, 1.0, 1.0) is None
