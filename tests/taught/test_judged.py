"""What the answers say of outlines and maps agrees with exact tests and intervals of other libraries."""

import math

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.contingency_tables import mcnemar
from statsmodels.stats.proportion import proportion_confint

from micro.taught.judged import choose, exact_share, outline_errors, reliability


def test_the_test_is_mcnemars():
    """One-sided exact p of the discordant pairs; statsmodels gives the two-sided one of the same table."""
    rng = np.random.default_rng(1)
    answers = (rng.random(200) < 0.4).astype(float)
    own = np.where(rng.random(200) < 0.30, 1 - answers, answers)
    taught = np.where(rng.random(200) < 0.15, 1 - answers, answers) > 0.5
    found = choose(own, taught, answers)
    right, better = own == answers, taught == (answers > 0.5)
    table = [[(right & better).sum(), (right & ~better).sum()], [(~right & better).sum(), (~right & ~better).sum()]]
    np.testing.assert_allclose(2 * found.p_value, mcnemar(table, exact=True).pvalue)
    assert found.chosen == "taught"
    assert (found.for_taught, found.for_own) == (table[1][0], table[0][1])


def test_the_own_outlines_stay_without_good_reason():
    """Equal outlines, and taught ones better at three points of a hundred (p = 1/8): the program's own stay."""
    answers = np.repeat([0.0, 1.0], 50)
    own = answers.copy()
    assert choose(own, answers > 0.5, answers).p_value == 1
    own[:3] = 1
    found = choose(own, answers > 0.5, answers)
    assert found.p_value == pytest.approx(1 / 8)
    assert found.chosen == "own"
    assert choose(own, answers > 0.5, answers, "taught").chosen == "taught"
    assert choose(1 - own, answers > 0.5, answers, "own").chosen == "own"


def test_equal_outlines_are_seldom_put_aside():
    """At most 2.5 % of the time under the null hypothesis; 2000 studies, three standard errors."""
    rng = np.random.default_rng(2)
    answers = (rng.random((2000, 150)) < 0.5).astype(float)
    own, taught = (np.where(rng.random(answers.shape) < 0.2, 1 - answers, answers) for _ in range(2))
    chosen = [choose(o, t > 0.5, a).chosen for o, t, a in zip(own, taught, answers, strict=True)]
    assert chosen.count("taught") / 2000 < 0.025 + 3 * math.sqrt(0.025 * 0.975 / 2000)


def test_a_field_without_outlines_is_credited_with_the_commoner_answer():
    answers = np.array([0.0] * 80 + [1.0] * 20)
    found = choose(np.full(100, np.nan), np.zeros(100, bool), answers)
    assert found.own.value == found.taught.value == 0.8
    assert found.chosen == "own"


def test_boundary_answers_speak_for_neither():
    found = choose(np.zeros(10), np.ones(10, bool), np.full(10, 0.5))
    assert (found.for_taught, found.for_own, found.own.value) == (0, 0, 0.5)


def test_shares_have_exact_intervals():
    for hits, points in ((0, 20), (3, 20), (20, 20)):
        low, high = proportion_confint(hits, points, method="beta")
        found = exact_share(hits, points)
        np.testing.assert_allclose([found.low, found.high], [low, high])
    assert math.isnan(exact_share(0, 0).value)


def test_an_honest_map_lies_on_the_diagonal():
    """Answers drawn with the map's own probability: every bin's interval but one in twenty holds its probability."""
    rng = np.random.default_rng(3)
    p = rng.random(5000)
    probability, _, low, high, points = np.transpose(reliability(p, (rng.random(5000) < p).astype(float)))
    assert points.sum() == 5000
    assert len(points) == 10
    inside = (low <= probability) & (probability <= high)
    assert inside.sum() >= stats.binom.ppf(0.01, 10, 0.95)


def test_an_overconfident_map_does_not():
    rng = np.random.default_rng(4)
    p = np.where(rng.random(1000) < 0.5, 0.05, 0.95)
    rows = reliability(p, (rng.random(1000) < np.where(p > 0.5, 0.7, 0.3)).astype(float))
    probability, _, low, high, _ = np.transpose(rows)
    assert (low > probability)[0]
    assert (high < probability)[-1]


def test_bins_of_few_points_are_joined():
    """Three points between two crowds go with the next bin, and two at the end with the bin before."""
    p = np.array([0.05] * 30 + [0.35] * 3 + [0.55] * 30 + [0.95] * 2)
    found = reliability(p, np.r_[np.zeros(33), np.ones(31), np.nan])
    assert [points for *_, points in found] == [30, 34]


def test_few_points_are_one_bin():
    found = reliability(np.array([0.1, 0.9]), np.array([0.0, 1.0]))
    assert [points for *_, points in found] == [2]


def test_wrong_outlines_by_hand():
    """Of 20 points outlined 5 are matrix; of 25 in carbide 10 are not outlined; boundary points do not enter."""
    inside = np.array([True] * 20 + [False] * 40 + [True] * 5)
    answers = np.array([1.0] * 15 + [0.0] * 5 + [1.0] * 10 + [0.0] * 30 + [0.5] * 5)
    found = outline_errors(inside, answers)
    assert (found.false_area.value, found.missed_area.value) == (0.25, 0.4)
    low, high = found.number_factors
    assert low == pytest.approx(1 - stats.beta.ppf(0.975, 6, 15))
    assert high == pytest.approx(1 / (1 - stats.beta.ppf(0.975, 11, 15)))
    assert found.size_factors == pytest.approx((math.sqrt(low), math.sqrt(high)))


def test_outlines_that_miss_all_leave_the_number_open():
    found = outline_errors(np.zeros(10, bool), np.ones(10))
    assert found.number_factors[1] == math.inf
