"""Structure against toughness: rank correlation that admits how little few points show."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from micro.analysis import structure_against_toughness
from micro.report.explanation import TWO_BARS, explained, explanation_sentence
from micro.statistics.ranks import rank_correlation
from micro.tables import columns


@pytest.mark.parametrize("n", [3, 5, 8, 12, 30])
def test_the_coefficient_is_spearmans_as_in_scipy(n):
    rng = np.random.default_rng(n)
    x, y = rng.normal(size=n), rng.integers(0, 4, n)
    assert rank_correlation(x, y).rho == pytest.approx(stats.spearmanr(x, y).statistic)


def test_the_p_value_counts_every_order_as_scipys_permutation_test():
    rng = np.random.default_rng(1)
    x, y = rng.normal(size=6), rng.normal(size=6)
    reference = stats.permutation_test(
        (x,), lambda v: abs(stats.spearmanr(v, y).statistic), permutation_type="pairings", alternative="greater"
    )
    assert rank_correlation(x, y).p_value == pytest.approx(reference.pvalue)


def test_a_published_critical_value():
    """Five points in perfect order but for one swap: ρ = 0.9, two-sided p = 0.083 (Kendall's tables, from memory)."""
    found = rank_correlation([1, 2, 3, 4, 5], [1, 2, 3, 5, 4])
    assert found.rho == pytest.approx(0.9)
    assert found.p_value == pytest.approx(10 / 120)


def test_three_points_show_nothing():
    """Perfect order has p = 2/3! = 1/3."""
    found = rank_correlation([1, 2, 3], [3, 2, 1])
    assert (found.rho, found.p_value, found.least_p) == pytest.approx((-1, 1 / 3, 1 / 3))
    assert found.ci95_low == -1
    assert found.ci95_high > 0.5


def test_with_many_points_the_interval_is_the_usual_one():
    """D. G. Bonett and T. A. Wright, 2000, from memory: tanh(atanh ρ ± 1.96·√((1 + ρ²/2)/(n - 3)))."""
    rng = np.random.default_rng(2)
    x = rng.normal(size=60)
    found = rank_correlation(x, x + rng.normal(size=60))
    half = 1.96 * np.sqrt((1 + found.rho**2 / 2) / 57)
    usual = np.tanh(np.arctanh(found.rho) + np.array([-half, half]))
    assert (found.ci95_low, found.ci95_high) == pytest.approx(tuple(usual), abs=0.04)


def test_turning_one_side_round_turns_the_interval_round():
    rng = np.random.default_rng(3)
    x, y = rng.normal(size=7), rng.normal(size=7)
    there, back = rank_correlation(x, y), rank_correlation(x, -y)
    assert (-back.ci95_high, -back.ci95_low) == pytest.approx((there.ci95_low, there.ci95_high), abs=0.04)


def test_equal_values_have_no_rank():
    found = rank_correlation([1, 1, 1], [1, 2, 3])
    assert np.isnan(found.rho)
    assert (found.ci95_low, found.ci95_high) == (-1, 1)


def test_two_points_are_refused():
    with pytest.raises(ValueError, match="needs 3 points or more, got 2"):
        rank_correlation([1, 2], [2, 1])


def tables(ratios, **quantities):
    """Specimens S0, S1, ... with the given quantities and transverse ratios."""
    empty_row = dict.fromkeys(columns.names(columns.SPECIMENS), np.nan)
    rows = [
        empty_row | {"specimen": f"S{i}", "carbide_class": "all", "quantity": quantity, "unit": "µm", "mean": value}
        for quantity, values in quantities.items()
        for i, value in enumerate(values)
    ]
    empty_ratio = dict.fromkeys(columns.names(columns.TRANSVERSE_RATIOS), np.nan)
    return pd.DataFrame(rows), pd.DataFrame(
        [empty_ratio | {"group": f"S{i}", "ratio": r} for i, r in enumerate(ratios)]
    )


def test_points_join_structure_and_toughness_by_specimen():
    points = structure_against_toughness(
        *tables([0.9, 0.6, 0.4], anisotropy_index=[1.0, 1.5, 2.0], largest_ecd=[3, np.nan, 30], area_fraction=[1, 2, 3])
    )
    points = points[points["quantity"] == "anisotropy_index"]
    assert points["x"].tolist() == [1.0, 1.5, 2.0]
    assert points["ratio"].tolist() == [0.9, 0.6, 0.4]


def said(ratios, largest):
    return explanation_sentence(structure_against_toughness(*tables(ratios, largest_ecd=largest)))


def test_three_specimens_say_that_they_prove_nothing_and_warn_of_confounding():
    told = said([0.9, 0.6, 0.4], [3, 10, 30])
    assert "the ratio falls as the largest carbide rises" in told
    assert "3 bars cannot prove a cause: even a perfect order comes up by chance with p = 0.33." in told
    assert told.endswith("no ranking of bars tells which of these acts.")


def test_two_specimens_are_left_out():
    assert structure_against_toughness(*tables([0.9, 0.6], anisotropy_index=[1.0, 1.5])).empty


@pytest.mark.parametrize(("bars", "told"), [(2, [TWO_BARS]), (1, [])])
def test_of_two_bars_it_is_said_that_they_cannot_tell(bars, told):
    specimens, ratios = tables([0.9, 0.6][:bars], anisotropy_index=[1.0, 1.5][:bars])
    answer = SimpleNamespace(
        structure=structure_against_toughness(specimens, ratios),
        coupons=SimpleNamespace(ratios=ratios),
        specimens=[SimpleNamespace(name=f"S{i}") for i in range(2)],
    )
    assert explained(answer) == told


def test_specimens_that_rank_alike_show_no_order():
    assert "From bar to bar no order shows; 3 bars rank alike." in said([0.9, 0.6, 0.4], [3, 3, 3])


@pytest.mark.parametrize(("largest", "shown"), [([1, 2, 3, 4, 5], True), ([2, 1, 5, 3, 4], False)])
def test_five_specimens_can_show_something(largest, shown):
    """Perfect order of five has p = 2/5! = 0.017; a loose order is said to show nothing."""
    told = said([0.9, 0.8, 0.7, 0.6, 0.5], largest)
    assert ("From bar to bar the ratio falls as the largest carbide rises." in told) == shown
    assert ("No falling order of the 5 bars is shown." in told) != shown
    assert "more closely" not in told  # than what


def coverage(n, true_pearson, studies):
    rng = np.random.default_rng(4)
    truth = 6 / np.pi * np.arcsin(true_pearson / 2)
    hits = 0
    for _ in range(studies):
        x, z = rng.standard_normal((2, n))
        found = rank_correlation(x, true_pearson * x + np.sqrt(1 - true_pearson**2) * z)
        hits += found.ci95_low <= truth <= found.ci95_high
    return hits / studies


def test_the_interval_covers_with_few_points():
    assert coverage(6, 0.6, 200) >= 0.92


@pytest.mark.study
@pytest.mark.parametrize("n", [4, 6, 10, 20])
def test_the_interval_covers_at_least_95_percent(n):
    """2000 bivariate normal samples; 4 points have few ranks, so their interval is wider than need be."""
    share = coverage(n, 0.6, 2000)
    print(f"{n} points: covered {share:.3f}")
    assert share >= 0.94
