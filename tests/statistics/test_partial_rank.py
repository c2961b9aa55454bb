"""Partial rank correlation: against SciPy, the closed form, all orders, and samples of a known law."""

import itertools

import numpy as np
import pytest
from scipy import stats

from micro.statistics import ranks
from micro.statistics.ranks import partial_rank_correlation


def sample(n, rng, own=0.0, shared=0.0):
    """Draw x and y that both follow z by `shared`, and each other beside it by `own`."""
    z, e, f = rng.standard_normal((3, n))
    f = own * e + np.sqrt(1 - own**2) * f
    keep = np.sqrt(1 - shared**2)
    return shared * z + keep * e, shared * z + keep * f, z


def test_with_nothing_held_it_is_spearmans():
    x, y, _ = sample(40, np.random.default_rng(0), own=0.4)
    x[:5] = x[0]  # ties share a rank
    found = partial_rank_correlation(x, y)
    assert found.rho == pytest.approx(stats.spearmanr(x, y).statistic, abs=1e-12)


def test_with_one_held_it_is_the_closed_form():
    """r_xy.z = (r_xy - r_xz r_yz) / √((1 - r_xz²)(1 - r_yz²)) of the ranks (G. U. Yule 1907, from memory)."""
    x, y, z = sample(25, np.random.default_rng(1), own=0.5, shared=0.6)
    xy, xz, yz = (stats.spearmanr(a, b).statistic for a, b in ((x, y), (x, z), (y, z)))
    expected = (xy - xz * yz) / np.sqrt((1 - xz**2) * (1 - yz**2))
    assert partial_rank_correlation(x, y, z).rho == pytest.approx(expected, abs=1e-12)


def test_p_of_few_points_counts_every_order():
    x, y, _ = sample(6, np.random.default_rng(2), own=0.7)
    rho = abs(stats.spearmanr(x, y).statistic)
    orders = [abs(stats.spearmanr(x, order).statistic) for order in itertools.permutations(y)]
    assert partial_rank_correlation(x, y).p_value == pytest.approx(np.mean(np.array(orders) >= rho - 1e-9))


def test_what_only_follows_hardness_shows_nothing_once_hardness_is_held():
    x, y, z = sample(60, np.random.default_rng(3), shared=0.9)
    assert partial_rank_correlation(x, y).p_value < 0.001
    assert partial_rank_correlation(x, y, z).p_value > 0.05


@pytest.mark.parametrize("held", [None, [5, 4, 3, 2, 1]])
def test_too_few_points_or_no_scatter_tell_nothing(held):
    few = partial_rank_correlation([1, 2, 3, 4], [2, 1, 4, 3], None if held is None else held[:4])
    flat = partial_rank_correlation([1, 1, 1, 1, 1], [1, 2, 3, 4, 5], held)
    assert np.isnan([few.rho, few.p_value, flat.rho, flat.ci95_low]).all()


def test_perfect_order_leaves_room_below_one():
    found = partial_rank_correlation(np.arange(12), np.arange(12))
    assert found.rho == 1
    assert found.ci95_low < found.ci95_high < 1


@pytest.mark.study
@pytest.mark.parametrize("own", [0.0, 0.5, 0.8])
@pytest.mark.parametrize("n", [6, 8, 12, 30, 100])
def test_the_interval_covers_92_to_97_in_100(own, n, monkeypatch):
    monkeypatch.setattr(ranks, "_p_value", lambda *_: 1.0)
    rng = np.random.default_rng(4)
    true = partial_rank_correlation(*sample(400_000, rng, own, 0.6)).rho
    held = [partial_rank_correlation(*sample(n, rng, own, 0.6)) for _ in range(2000)]
    covered = np.mean([one.ci95_low <= true <= one.ci95_high for one in held])
    assert 0.91 <= covered <= 0.98


@pytest.mark.study
@pytest.mark.parametrize("n", [7, 20])
def test_false_alarms_come_up_in_5_of_100(n, monkeypatch):
    monkeypatch.setattr(ranks, "EXCHANGES", 499)
    rng = np.random.default_rng(5)
    alarms = np.mean([partial_rank_correlation(*sample(n, rng, 0.0, 0.7)).p_value <= 0.05 for _ in range(800)])
    assert 0.03 <= alarms <= 0.07
