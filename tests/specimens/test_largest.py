"""The largest carbide to expect: Gumbel over fields."""

import math

import numpy as np
import pytest
from scipy import stats

from micro.specimens.largest import gumbel_by_moments, gumbel_p_value, largest_of_fields, reduced_variate


def test_reduced_variate_of_a_thousand():
    """6.907 for T = 1000 (ASTM E2283, from memory)."""
    assert reduced_variate(1000) == pytest.approx(6.907, abs=5e-4)


def test_value_and_standard_error_are_those_of_the_standard():
    """x(T) and SE(x) by the formulas of ASTM E2283 (from memory), x(T) also as scipy's quantile 1 - 1/T."""
    largest = np.array([4.1, 5.0, 4.6, 6.2, 5.5, 4.9])
    gumbel = gumbel_by_moments(largest)
    delta = largest.std(ddof=1) * math.sqrt(6) / math.pi
    assert gumbel.scale == pytest.approx(delta)
    assert gumbel.location == pytest.approx(largest.mean() - 0.5772 * delta, abs=1e-4)
    assert gumbel.value(1000) == pytest.approx(stats.gumbel_r.ppf(0.999, gumbel.location, gumbel.scale))
    y = 6.907
    error = delta * math.sqrt((1.109 + 0.514 * y + 0.608 * y**2) / 6)
    assert gumbel.standard_error(1000) == pytest.approx(error, rel=1e-3)


@pytest.mark.parametrize("fields", [4, 6, 12, 30])
@pytest.mark.parametrize("times", [1, 10])
def test_intervals_of_the_largest_hold(fields, times):
    """93 to 97 % of 4 000 simulated studies hold the largest expected on the area asked about."""
    period = fields * times
    truth = 10 + 2 * reduced_variate(period)
    studies = np.random.default_rng(fields).gumbel(10, 2, (4000, fields))
    intervals = np.array([gumbel_by_moments(study).expected(period).interval() for study in studies])
    held = np.mean((intervals[:, 0] <= truth) & (truth <= intervals[:, 1]))
    assert 0.93 <= held <= 0.97


def test_largest_seen_lies_in_its_interval_and_few_fields_have_none():
    """The value is the largest seen; with two fields nothing is said of its uncertainty."""
    seen = largest_of_fields([4.1, 5.0, 4.6, 6.2, math.nan, 5.5])
    low, high = seen.interval()
    assert seen.value == 6.2
    assert seen.fields == 5
    assert low < 6.2 < high
    assert math.isnan(largest_of_fields([4.0, 5.0]).interval()[0])
    assert largest_of_fields([]).fields == 0


def test_general_extreme_values_refuse_a_gumbel_that_is_none():
    """Gumbel samples are refused in about 5 %; a bounded or a heavy tail is found; nine fields cannot tell."""
    rng = np.random.default_rng(5)
    refused = np.mean([gumbel_p_value(rng.gumbel(10, 2, 100)) < 0.05 for _ in range(100)])
    assert refused <= 0.12
    assert gumbel_p_value(stats.genextreme.rvs(-0.5, size=300, random_state=rng)) < 0.01
    assert gumbel_p_value(stats.genextreme.rvs(0.6, size=300, random_state=rng)) < 0.01
    assert math.isnan(gumbel_p_value(rng.gumbel(10, 2, 9)))
