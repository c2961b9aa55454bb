"""Agreement of counters beyond chance, against published examples and statsmodels."""

import math

import numpy as np
import pandas as pd
import pytest
from statsmodels.stats import inter_rater

from micro.points.agreement import between_counters, counter_table, fleiss_kappa, in_words, weighted_kappa
from micro.tables.columns import COUNTERS, names

# J. L. Fleiss, Psychological Bulletin 76 (1971), the layout of his worked example: 14 raters, 10 subjects, 5
# categories, as often reprinted (from memory); the result there is 0.210.
FOURTEEN_RATERS = [
    [0, 0, 0, 0, 14], [0, 2, 6, 4, 2], [0, 0, 3, 5, 6], [0, 3, 9, 2, 0], [2, 2, 8, 1, 1],
    [7, 7, 0, 0, 0], [3, 2, 6, 3, 0], [2, 5, 3, 2, 2], [6, 5, 2, 1, 0], [0, 2, 2, 3, 7],
]  # fmt: skip
TABLE = [[2000, 60, 30], [40, 120, 50], [20, 30, 300]]


def split(table, fields, rng):
    """(fields, k, k) the same points dealt out to fields at random."""
    cells = rng.permutation(np.repeat(np.arange(9), np.ravel(table)))
    dealt = np.arange(len(cells)) % fields
    return np.bincount(dealt * 9 + cells, minlength=9 * fields).reshape(fields, 3, 3)


def test_fleiss_kappa_of_the_published_example():
    assert fleiss_kappa(FOURTEEN_RATERS, np.arange(10)).value == pytest.approx(0.210, abs=5e-4)


def test_fleiss_kappa_is_that_of_statsmodels():
    counts = np.random.default_rng(0).multinomial(4, [0.7, 0.1, 0.2], size=50)
    assert fleiss_kappa(counts, np.arange(50) // 5).value == pytest.approx(inter_rater.fleiss_kappa(counts))


@pytest.mark.parametrize("table", [TABLE, [[20, 1, 0], [1, 2, 2], [0, 1, 9]]])
def test_weighted_kappa_is_that_of_statsmodels(table):
    kappa = weighted_kappa(split(table, 4, np.random.default_rng(0)))
    assert kappa.value == pytest.approx(inter_rater.cohens_kappa(np.array(table), wt="linear").kappa)


def test_the_interval_is_that_of_independent_points_where_fields_are_alike():
    """Points dealt out at random: leaving out fields gives the large-sample variance of statsmodels, within 5 %.

    The mean over 40 deals; J. L. Fleiss, J. Cohen and B. S. Everitt, Psychological Bulletin 72 (1969).
    """
    rng = np.random.default_rng(1)
    dealt = [weighted_kappa(split(TABLE, 100, rng)) for _ in range(40)]
    outside = inter_rater.cohens_kappa(np.array(TABLE), wt="linear")
    width = np.mean([kappa.high - kappa.low for kappa in dealt])
    assert width == pytest.approx(outside.kappa_upp - outside.kappa_low, rel=0.05)


def test_the_interval_is_wider_where_fields_differ():
    """All slips in a few of the fields: four times the points would tell no more of other fields."""
    alike = weighted_kappa(split(TABLE, 10, np.random.default_rng(2)))
    ordered = np.repeat(np.arange(9), np.ravel(TABLE))
    blocks = np.array_split(ordered, 10)
    apart = weighted_kappa([np.bincount(block, minlength=9).reshape(3, 3) for block in blocks])
    assert apart.value == pytest.approx(alike.value)
    assert apart.high - apart.low > 2 * (alike.high - alike.low)


def test_perfect_agreement_is_one_and_does_not_prove_perfection():
    """The other end is that of no event among 126 points (1 - 0.025^(1/126)) over the disagreement by chance."""
    diagonal = np.diag([50, 4, 9])
    kappa = weighted_kappa([diagonal, diagonal])
    assert (kappa.value, kappa.high) == (1, 1)
    shares = np.array([50, 4, 9]) / 63
    by_chance = sum(shares[i] * shares[j] * abs(i - j) / 2 for i in range(3) for j in range(3))
    assert kappa.low == pytest.approx(1 - (1 - 0.025 ** (1 / 126)) / by_chance)
    counts = np.repeat([[3, 0, 0], [0, 0, 3]], [40, 20], axis=0)
    together = fleiss_kappa(counts, np.arange(60) % 2)
    assert (together.value, together.high) == (1, 1)
    assert 0.8 < together.low < 1


def test_a_single_verdict_is_unknown_and_one_field_has_no_interval():
    assert math.isnan(weighted_kappa([np.diag([50, 0, 0])] * 2).value)
    one = weighted_kappa([TABLE])
    assert 0 < one.value < 1
    assert math.isnan(one.low)
    assert math.isnan(one.high)


def test_all_hits_in_one_field_leave_no_interval():
    """Without that field the others hold one verdict: no kappa to compare with."""
    kappa = weighted_kappa([[[30, 1, 0], [0, 2, 0], [0, 0, 5]], np.diag([40, 0, 0]), np.diag([40, 0, 0])])
    assert 0 < kappa.value < 1
    assert math.isnan(kappa.low)


@pytest.mark.parametrize(
    ("value", "word"),
    [(-0.1, "none"), (0.1, "slight"), (0.3, "fair"), (0.5, "moderate"), (0.7, "substantial"), (0.9, "almost perfect")],
)
def test_words_follow_landis_and_koch(value, word):
    """J. R. Landis and G. G. Koch, Biometrics 33 (1977), from memory."""
    assert in_words(value) == word


def judged(verdicts, fields=2):
    rows = [("A", f"f{n % fields}", counter, n, v) for counter, own in verdicts.items() for n, v in enumerate(own, 1)]
    return pd.DataFrame(rows, columns=["specimen", "field", "counter", "point", "verdict"])


def test_counters_are_compared_on_the_points_that_both_judged():
    (pair,) = between_counters(judged({"ab": ["in", "out", "out", "boundary"], "cd": ["in", "out", "out"]}))
    assert (pair.counters, pair.fields, pair.points) == (("ab", "cd"), 2, 3)
    assert pair.kappa.value == pytest.approx(1)


def test_three_counters_are_also_taken_together():
    """Verdicts drawn at random: the interval of all, as of every pair, holds 0; a row each in the table."""
    rng = np.random.default_rng(1)
    between = between_counters(
        judged({name: list(rng.choice(["out", "boundary", "in"], 400)) for name in ("ab", "cd", "ef")}, fields=8)
    )
    assert [len(one.counters) for one in between] == [2, 2, 2, 3]
    assert all(one.kappa.low < 0 < one.kappa.high for one in between)
    table = counter_table(between)
    assert list(table) == names(COUNTERS)
    assert table[["counter_a", "counter_b", "counters"]].to_numpy().tolist() == [
        ["ab", "cd", 2], ["ab", "ef", 2], ["cd", "ef", 2], ["", "", 3]
    ]  # fmt: skip
    assert table["kappa"].tolist() == [one.kappa.value for one in between]


def test_counters_without_a_point_in_common_are_told_nothing():
    points = pd.concat([judged({"ab": ["in", "out"]}), judged({"cd": ["in"]}).assign(field="f9")])
    (pair,) = between_counters(points)
    assert (pair.points, math.isnan(pair.kappa.value)) == (0, True)


def test_one_counter_has_nobody_to_agree_with():
    between = between_counters(judged({"ab": ["in", "out"]}))
    assert between == ()
    assert list(counter_table(between)) == names(COUNTERS)


def test_totals_from_paper_tell_nothing_of_single_points():
    assert between_counters(judged({"ab": ["", ""], "cd": ["", ""]})) == ()
