"""The rolling direction of several fields together: axes wrap at 180°, a field that disagrees is found."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from micro.measures.orientation import pooled_direction


def apart(first, second):
    return abs((first - second + 90) % 180 - 90)


def test_two_fields_either_side_of_0():
    """179° and 1° give 0°, not 90°; two that lie 2° apart have s/√n = 1°, times t/1.96 (n = 2: t = 12.706)."""
    pooled = pooled_direction([179.0, 1.0], [2.0, 2.0])
    assert apart(pooled.angle_deg, 0.0) < 1e-6
    assert 0 <= pooled.angle_deg < 180
    assert pooled.standard_uncertainty_deg == pytest.approx(12.7062 / 1.95996, rel=1e-4)
    assert pooled.between_deg == 0


def test_weights_are_those_of_the_uncertainties():
    """Inverse variance: 10° ± 1° and 12° ± 2° give 10.4° and √0.8°, which their weighted squares of 0.8 scale."""
    pooled = pooled_direction([10.0, 12.0], [1.0, 2.0])
    assert pooled.angle_deg == pytest.approx(10.4, abs=0.01)
    assert pooled.standard_uncertainty_deg == pytest.approx(0.8 * 12.7062 / 1.95996, rel=1e-3)


def test_fields_that_agree_by_chance_are_no_surer_than_each_is():
    """The same angle three times, each 1.5° unsure: 1.5°/√3, not 0."""
    assert pooled_direction([20.0] * 3, [1.5] * 3).standard_uncertainty_deg == pytest.approx(1.5 / np.sqrt(3))


@pytest.mark.study
@pytest.mark.parametrize(("fields", "between"), [(2, 5.0), (3, 2.0)])
def test_few_fields_that_scatter_hold_the_direction_95_times_in_100(fields, between):
    """Fields 0.7° to 1.3° unsure that scatter by twice that and more: 95 % of 1000 sets, ± 2 (three errors)."""
    rng = np.random.default_rng(5)
    own = rng.uniform(0.7, 1.3, (1000, fields))
    drawn = 179 + rng.normal(0, np.hypot(own, between))
    found = [pooled_direction(angle, u) for angle, u in zip(drawn, own, strict=True)]
    held = np.mean([apart(p.angle_deg, 179) <= 1.96 * p.standard_uncertainty_deg for p in found])
    assert 0.93 <= held <= 0.97


def test_scatter_between_fields_in_closed_form():
    """Equal uncertainties: between² = s² − u², the mean has s/√n times t/1.96 (n = 5: t = 2.776)."""
    angle, own = 30 + np.array([-6.0, -3.0, 0.0, 3.0, 6.0]), 1.0
    pooled = pooled_direction(angle, np.full(5, own))
    assert pooled.between_deg == pytest.approx(np.sqrt(22.5 - own), rel=1e-6)
    assert pooled.standard_uncertainty_deg == pytest.approx(np.sqrt(22.5 / 5) * 2.7764 / 1.95996, rel=1e-4)


def test_the_mean_axis_is_that_of_scipy():
    """Equal uncertainties: the circular mean over half a turn, to the order in which sin x is x."""
    from scipy.stats import circmean

    angle = np.array([176.0, 3.0, 179.5, 1.0, 178.0])
    pooled = pooled_direction(angle, np.full(5, 2.0))
    assert apart(pooled.angle_deg, circmean(angle, high=180)) < 0.01


@settings(max_examples=40, deadline=None)
@given(st.floats(-720, 720), st.lists(st.integers(-2, 2), min_size=6, max_size=6))
def test_turning_all_fields_turns_the_mean_and_nothing_else(turn, half_turns):
    """Any angle, and any axis named by its other end."""
    angle, own = np.array([4.0, 7.0, 5.0, 11.0, 2.0, 6.5]), np.array([1.0, 2.0, 0.7, 3.0, 1.5, 1.0])
    first = pooled_direction(angle, own)
    other = pooled_direction(angle + turn + 180 * np.array(half_turns), own)
    assert apart(other.angle_deg, first.angle_deg + turn) < 1e-6
    assert other.standard_uncertainty_deg == pytest.approx(first.standard_uncertainty_deg, rel=1e-6)
    assert np.allclose(other.p_value, first.p_value, rtol=1e-5, atol=1e-12)


def test_a_field_that_disagrees_is_named_and_no_other():
    pooled = pooled_direction([179.0, 1.0, 0.5, 40.0, 178.5], [1.0, 1.5, 1.0, 1.0, 1.0])
    assert (pooled.p_value < 0.05).tolist() == [False, False, False, True, False]


def test_how_far_one_of_two_fields_lies_off_is_judged_by_both_uncertainties():
    """10° ± 3° and 19° ± 4° lie 9/5 standard uncertainties apart: two-sided, for two fields, each beside the other."""
    pooled = pooled_direction([10.0, 19.0], [3.0, 4.0])
    assert pooled.p_value == pytest.approx([2 * 2 * stats.norm.sf(9 / 5)] * 2)


def test_two_fields_across_one_another_leave_no_direction_beyond_a_quarter_turn():
    """What is unknown is known to 52°: evenly over 180°, 180°/√12, times 1.96 less than a whole turn."""
    unsure = pooled_direction([0.0, 89.0], [1.0, 1.0]).standard_uncertainty_deg
    assert unsure <= 180 / 1.95996


def test_fields_without_a_direction_take_no_part():
    pooled = pooled_direction([np.nan, 20.0, 22.0], [np.nan, 1.0, 1.0])
    assert pooled.angle_deg == pytest.approx(21.0)
    assert np.isnan(pooled.p_value).tolist() == [True, False, False]
    alone = pooled_direction([20.0], [1.5])
    assert (alone.angle_deg, alone.standard_uncertainty_deg) == (pytest.approx(20.0), pytest.approx(1.5))
    assert np.isnan(alone.p_value).all()
    assert np.isnan(pooled_direction([], []).angle_deg)


def test_intervals_hold_the_direction_and_sound_fields_do_not_disagree():
    """Six fields 0.5° to 3° unsure, 120 times: 1.96 u hold 179° in 92 to 100 %; a field is named in 10 % at most."""
    rng = np.random.default_rng(3)
    held, named = 0, 0
    for _ in range(120):
        own = rng.uniform(0.5, 3, 6)
        pooled = pooled_direction(179 + rng.normal(0, own), own)
        held += apart(pooled.angle_deg, 179) <= 1.96 * pooled.standard_uncertainty_deg
        named += (pooled.p_value < 0.05).any()
    assert held >= 0.92 * 120
    assert named <= 0.10 * 120
