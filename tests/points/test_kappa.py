"""Agreement of counters beyond chance, against published examples and statsmodels."""

import math

import numpy as np
import pandas as pd
import pytest
from statsmodels.stats import inter_rater

from micro.points.counters import between_counters
from micro.points.kappa import fleiss_kappa, in_words, weighted_kappa

# J. L. Fleiss, Psychological Bulletin 76 (1971), the layout of his worked example: 14 raters, 10 subjects, 5
# categories, as often reprinted (from memory); the result there is 0.210.
FOURTEEN_RATERS = [
    [0, 0, 0, 0, 14], [0, 2, 6, 4, 2], [0, 0, 3, 5, 6], [0, 3, 9, 2, 0], [2, 2, 8, 1, 1],
    [7, 7, 0, 0, 0], [3, 2, 6, 3, 0], [2, 5, 3, 2, 2], [6, 5, 2, 1, 0], [0, 2, 2, 3, 7],
]  # fmt: skip


def test_fleiss_kappa_of_the_published_example():
    assert fleiss_kappa(np.array(FOURTEEN_RATERS)) == pytest.approx(0.210, abs=5e-4)


def test_fleiss_kappa_is_that_of_statsmodels():
    counts = np.random.default_rng(0).multinomial(4, [0.7, 0.1, 0.2], size=50)
    assert fleiss_kappa(counts) == pytest.approx(inter_rater.fleiss_kappa(counts))


@pytest.mark.parametrize("table", [[[200, 6, 3], [4, 12, 5], [2, 3, 30]], [[20, 1, 0], [1, 2, 2], [0, 1, 9]]])
def test_weighted_kappa_and_its_interval_are_those_of_statsmodels(table):
    kappa = weighted_kappa(table)
    outside = inter_rater.cohens_kappa(np.array(table), wt="linear")
    assert kappa.value == pytest.approx(outside.kappa)
    assert (kappa.low, kappa.high) == pytest.approx((outside.kappa_low, min(1, outside.kappa_upp)), abs=2e-4)


def test_perfect_agreement_is_one_and_a_single_verdict_is_unknown():
    assert weighted_kappa(np.diag([50, 4, 9])).value == pytest.approx(1)
    assert math.isnan(weighted_kappa(np.diag([50, 0, 0])).value)


@pytest.mark.parametrize(
    ("value", "word"),
    [(-0.1, "none"), (0.1, "slight"), (0.3, "fair"), (0.5, "moderate"), (0.7, "substantial"), (0.9, "almost perfect")],
)
def test_words_follow_landis_and_koch(value, word):
    """J. R. Landis and G. G. Koch, Biometrics 33 (1977), from memory."""
    assert in_words(value) == word


def judged(verdicts):
    rows = [("A", "f1", counter, n, v) for counter, own in verdicts.items() for n, v in enumerate(own, 1)]
    return pd.DataFrame(rows, columns=["specimen", "field", "counter", "point", "verdict"])


def test_counters_are_compared_on_the_points_that_both_judged():
    pairs, fleiss = between_counters(judged({"ab": ["in", "out", "out", "boundary"], "cd": ["in", "out", "out"]}))
    assert [(p.first, p.second, p.points) for p in pairs] == [("ab", "cd", 3)]
    assert pairs[0].kappa.value == pytest.approx(1)
    assert math.isnan(fleiss)


def test_three_counters_are_also_taken_together():
    rng = np.random.default_rng(1)
    verdicts = {name: list(rng.choice(["out", "boundary", "in"], 80)) for name in ("ab", "cd", "ef")}
    pairs, fleiss = between_counters(judged(verdicts))
    assert len(pairs) == 3
    assert abs(fleiss) < 0.25


def test_one_counter_has_nobody_to_agree_with():
    assert between_counters(judged({"ab": ["in", "out"]}))[0] == ()


def test_totals_from_paper_tell_nothing_of_single_points():
    assert between_counters(judged({"ab": ["", ""], "cd": ["", ""]}))[0] == ()
