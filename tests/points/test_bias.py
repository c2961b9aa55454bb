"""Counted against measured: paired statistics, and the three verdicts."""

import math

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy import stats

from micro.points.agreement import UNKNOWN, CounterKappa, Kappa
from micro.points.estimate import AGREES, DIFFERS, TOO_SMALL, bias_of, biases
from micro.points.wording import bias_lines, counter_lines, number, verdict_sentence


def field_rows(judged, measured=0.08, points=49, apart=20.0, specimen="A"):
    """One row a field whose judged and plain differences are `judged`."""
    judged = np.asarray(judged, float)
    return pd.DataFrame({
        "specimen": specimen, "field": [f"f{n}" for n in range(len(judged))], "carbide_class": "all",
        "grid_points": points, "counters": 1, "point_fraction": measured + judged, "area_fraction": measured,
        "own_point_fraction": measured, "own_expected_fraction": measured, "points_above": apart,
        "points_below": apart, "difference": judged, "judged_difference": judged,
    })  # fmt: skip


def test_bias_interval_and_test_are_those_of_paired_fields():
    """Paired t test and interval by scipy; limits of agreement are statsmodels' interval of the next observation."""
    d = np.random.default_rng(0).normal(0.01, 0.02, 20)
    bias = bias_of("A", "all", field_rows(d), 10)
    outside = stats.ttest_1samp(d, 0)
    assert bias.p_value == pytest.approx(outside.pvalue)
    assert (bias.judged.low, bias.judged.high) == pytest.approx(tuple(outside.confidence_interval()))
    fitted = sm.OLS(d, np.ones_like(d)).fit().get_prediction([1.0])
    assert bias.limits == pytest.approx(tuple(fitted.conf_int(obs=True)[0]))


@pytest.mark.study
@pytest.mark.parametrize("fields", [3, 8])
def test_limits_of_agreement_hold_the_next_field_95_times_in_100(fields):
    """500 counts of so many fields, and ten fields more after each: ± 2 points (four standard errors)."""
    d = np.random.default_rng(fields).normal(0.01, 0.02, (500, fields + 10))
    held = []
    for one in d:
        low, high = bias_of("A", "all", field_rows(one[:fields]), 10).limits
        held.append(np.mean((low <= one[fields:]) & (one[fields:] <= high)))
    assert np.mean(held) == pytest.approx(0.95, abs=0.02)


@pytest.mark.parametrize(
    ("mean", "std", "verdict"),
    [
        (0.02, 0.004, DIFFERS),
        (-0.02, 0.004, DIFFERS),
        (0.001, 0.004, AGREES),
        (0.004, 0.002, AGREES),
        (0, 0.1, TOO_SMALL),
    ],
)
def test_verdicts(mean, std, verdict):
    """8 % measured, ±10 %RA wanted: 0.8 points pass unheeded, up to 1.6 points pass as agreement."""
    d = np.random.default_rng(1).normal(0, 1, 20)
    d = mean + std * (d - d.mean()) / d.std(ddof=1)
    assert bias_of("A", "all", field_rows(d), 10).verdict == verdict


def test_a_count_without_any_disagreement_does_not_prove_perfection():
    """Equal on all points of three fields: the interval is that of no event in 75 points, not of width zero."""
    bias = bias_of("A", "all", field_rows([0.0, 0.0, 0.0], points=25, apart=0.0), 10)
    assert bias.judged.high == pytest.approx(1 - 0.025 ** (1 / 75))
    assert bias.judged.low == pytest.approx(-bias.judged.high)
    assert bias.verdict == TOO_SMALL
    assert math.isnan(bias.p_value)


def test_one_field_is_too_small_to_tell():
    bias = bias_of("A", "all", field_rows([0.05], apart=60.0), 10)
    assert bias.verdict == TOO_SMALL
    assert "one field says nothing of the scatter" in verdict_sentence(bias)


def test_specimens_are_also_taken_together():
    fields = pd.concat([field_rows([0.01, 0.02]), field_rows([0.0, 0.01], specimen="B")])
    assert [(b.specimen, b.counted.fields) for b in biases(fields, 10)] == [("A", 2), ("B", 2), ("", 4)]


def test_words_say_how_much_and_how_many_more_fields():
    d = np.random.default_rng(2).normal(0.02, 0.01, 20)
    bias = bias_of("A", "all", field_rows(d), 10)
    lines = list(bias_lines(bias))
    assert lines[0].startswith("A: differs; the count finds more carbide by ")
    assert f"({100 * d.mean() / 0.08:.0f} % of what was measured)" in lines[0]
    assert "20 fields, 980 points; 10 %RA is reached" in lines[1]
    assert lines[-1].endswith(", p < 0.001")


def test_words_do_not_call_a_handful_of_points_a_result():
    bias = bias_of("A", "all", field_rows(np.zeros(3), measured=0.0, points=25, apart=0.0), 10)
    assert "count more fields" in verdict_sentence(bias)
    assert "does not tell how many fields" in next(line for line in bias_lines(bias) if "counted" in line)


def test_words_of_agreement_say_by_how_much_at_most():
    """The wider end of the interval, in percentage points."""
    d = np.random.default_rng(1).normal(0.001, 0.004, 20)
    bias = bias_of("A", "MC", field_rows(d), 10)
    assert bias.verdict == AGREES
    most = 100 * max(abs(bias.judged.low), abs(bias.judged.high))
    assert next(bias_lines(bias)) == f"A, MC: agrees; the two part by {most:.2g} percentage points at most"


def test_words_of_one_field_and_of_all_specimens():
    """An unknown interval is said to be unknown; all specimens together are one line."""
    fields = pd.concat([field_rows([0.01]), field_rows([0.02], specimen="B")])
    first, _, both = biases(fields, 10)
    assert "(interval unknown)" in list(bias_lines(first))[1]
    assert [line.split(":")[0] for line in bias_lines(both)] == ["all specimens together"]


def test_words_about_counters():
    """Kappa with its interval and its word, for pairs as for all; unknown is said with its reason."""
    between = (
        CounterKappa(("ab", "cd"), 4, 50, Kappa(0.7, 0.5, 0.9)),
        CounterKappa(("ab", "ef"), 1, 9, Kappa(-0.1, math.nan, math.nan)),
        CounterKappa(("cd", "ef"), 1, 9, UNKNOWN),
        CounterKappa(("ef", "gh"), 0, 0, UNKNOWN),
        CounterKappa(("ab", "cd", "ef"), 4, 50, Kappa(0.65, -0.05, 1.0)),
    )
    known, one_field, one_verdict, apart, together = (
        line.replace("agreement beyond chance (kappa) ", "") for line in counter_lines(between)
    )
    assert known == "ab and cd: 0.70 (95 % interval 0.50 to 0.90), substantial; 50 points in 4 fields"
    assert one_field == "ab and ef: \u22120.10 (interval unknown), none; 9 points in 1 field"
    assert one_verdict == "cd and ef: unknown, since every point got one verdict; 9 points in 1 field"
    assert apart == "ef and gh: unknown, since no point was judged by both"
    assert together == ("all 3 counters: 0.65 (95 % interval \u22120.05 to 1.00), substantial; 50 points in 4 fields")


def test_negative_numbers_have_a_true_minus_and_zero_has_none():
    """As the report prints them."""
    assert [number(-1.234, 2), number(-0.001, 2, "+"), number(2.0, 1, "+")] == ["\u22121.23", "+0.00", "+2.0"]
    bias = bias_of("A", "all", field_rows([-0.02, -0.03, -0.01]), 10)
    assert "\u22122.00 percentage points (95 % interval \u2212" in list(bias_lines(bias))[-1]
