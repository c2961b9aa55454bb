"""Fields as the sampling unit, held to t tables, scipy and statsmodels."""

import math

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.weightstats import DescrStatsW

from micro.specimens.summary import Budget
from micro.statistics.sampling import Estimate, mean_of_fields, ratio_of_fields, resamples, share_of_fields, student_t


@pytest.mark.parametrize(
    ("degrees_of_freedom", "factor"), [(1, 12.706), (2, 4.303), (5, 2.571), (9, 2.262), (29, 2.045), (math.inf, 1.960)]
)
def test_student_t_is_that_of_the_printed_table(degrees_of_freedom, factor):
    """Two-sided 95 % points of Student's t (any statistical table; from memory)."""
    assert student_t(degrees_of_freedom) == pytest.approx(factor, abs=5e-4)


def test_mean_and_interval_are_those_of_statsmodels():
    """Mean, s and t·s/√n (ASTM E562, from memory), with a field that is unknown left out."""
    values = [0.11, 0.13, math.nan, 0.09, 0.12, 0.16]
    known = DescrStatsW([v for v in values if v == v])
    estimate = mean_of_fields(values)
    assert estimate.value == pytest.approx(known.mean)
    assert estimate.std == pytest.approx(np.nanstd(values, ddof=1))
    assert estimate.interval() == pytest.approx(known.tconfint_mean())
    assert estimate.fields == 5


def test_ratio_is_scipys_jackknife():
    """Leaving out one field at a time gives the standard uncertainty, computed here by the long way."""
    rng = np.random.default_rng(1)
    x = rng.uniform(50, 200, 8)
    y = x * rng.normal(2, 0.1, 8)
    without = np.array([np.delete(y, i).sum() / np.delete(x, i).sum() for i in range(8)])
    estimate = ratio_of_fields(y, x)
    assert estimate.value == pytest.approx(y.sum() / x.sum())
    assert estimate.standard_uncertainty == pytest.approx(math.sqrt(7 / 8 * np.square(without - without.mean()).sum()))


def test_one_field_tells_no_scatter_and_none_tells_nothing():
    """Neither a std nor an interval is made up."""
    one = mean_of_fields([0.1])
    assert one.value == 0.1
    assert math.isnan(one.std)
    assert all(map(math.isnan, one.interval()))
    assert math.isnan(mean_of_fields([]).value)


def test_resamples_keep_the_number_of_fields():
    """Each resample draws as many fields as there are."""
    assert (resamples(7, 50, np.random.default_rng(2)).sum(axis=1) == 7).all()


def test_budget_adds_in_quadrature_with_welch_satterthwaite():
    """Sources 3, 4 and 12 make 13; 5 degrees of freedom become 5·(13/3)⁴ (JCGM 100, G.4; from memory)."""
    budget = Budget(Estimate(100.0, 3 * math.sqrt(6), 3.0, 3.0, 5.0, 6), segmentation=4.0, scale=12.0)
    assert budget.standard_uncertainty == pytest.approx(13)
    assert budget.degrees_of_freedom == pytest.approx(5 * (13 / 3) ** 4)
    low, high = budget.interval
    assert (high - low) / 2 == pytest.approx(13 * stats.t.ppf(0.975, 5 * (13 / 3) ** 4))


def test_interval_ends_where_the_quantity_does_and_unknown_sources_stay_out():
    """An area fraction does not fall below 0; a scale without uncertainty is left out, and printed as unknown."""
    budget = Budget(Estimate(0.01, 0.1, 0.05, 0.05, 3.0, 4), scale=math.nan, highest=1.0)
    assert budget.interval[0] == 0
    assert budget.standard_uncertainty == pytest.approx(0.05)
    assert math.isnan({source: u for source, u, _ in budget.rows()}["scale"])
    assert all(map(math.isnan, Budget(mean_of_fields([0.1]), segmentation=0.01).interval))


@pytest.mark.parametrize(("count", "fields"), [(0, 8), (2, 8), (5, 8), (8, 8), (1, 3)])
def test_share_of_fields_has_the_exact_binomial_interval(count, fields):
    """Clopper and Pearson by scipy; none of eight fields banded does not mean that none ever is."""
    found = share_of_fields(np.arange(fields) < count)
    exact = stats.binomtest(count, fields).proportion_ci(0.95, method="exact")
    assert found.value == count / fields
    assert found.interval() == pytest.approx((exact.low, exact.high), abs=1e-9)
    assert Budget(found, highest=1).interval == pytest.approx((exact.low, exact.high), abs=1e-9)


def test_share_of_no_fields_is_unknown():
    """Nothing to tell from: no value; one field: a value without an interval."""
    assert math.isnan(share_of_fields([]).value)
    assert share_of_fields([True]).value == 1
    assert all(math.isnan(end) for end in share_of_fields([True]).interval())
