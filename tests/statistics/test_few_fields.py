"""Two to four fields: the mean of two intervals, by their scatter and by what they show within."""

import numpy as np
import pytest

from micro.statistics.sampling import WEIGHT_OF_JOINED, Estimate, joined_with_within, mean_of_fields, student_t

WAVES = 16


def held(fields, times, bars, seed=1):
    """Share of bars whose interval holds the truth, and median half width over that from the scatter alone.

    Bars scatter between their places so many times as much as fields show within, which has 16 degrees of freedom each.
    """
    rng = np.random.default_rng(seed)
    holds, narrower = [], []
    for _ in range(bars):
        alone = mean_of_fields(rng.normal(100, np.hypot(1, times), fields))
        within = np.sqrt(rng.chisquare(WAVES * fields) / (WAVES * fields) / fields)
        low, high = joined_with_within(alone, within, WAVES * fields).interval()
        holds.append(low <= 100 <= high)
        narrower.append((high - low) / np.subtract(*alone.interval()[::-1]))
    return np.mean(holds), np.median(narrower)


@pytest.mark.parametrize("fields", [2, 3, 4])
@pytest.mark.parametrize("times", [0, 0.5, 1, 2, 4])
def test_the_interval_holds_bars_of_any_scatter(fields, times):
    """93 to 98 %, within what chance leaves of 1 500 bars (0.6 %): also where the bar scatters between its places."""
    share, _ = held(fields, times, 1500)
    assert 0.915 <= share <= 0.99


@pytest.mark.study
@pytest.mark.parametrize("fields", [2, 3, 4])
@pytest.mark.parametrize("times", [0, 0.25, 0.5, 1, 2, 3, 4, 10])
def test_the_interval_holds_bars_of_any_scatter_for_sure(fields, times):
    """20 000 bars, so that chance leaves 0.16 %."""
    share, narrower = held(fields, times, 20_000)
    print(f"{fields} fields, {times} times within: {share:.4f} held, median {narrower:.2f} of Student's")
    assert 0.928 <= share <= 0.982


def between(scatter, fields):
    """Fields that scatter so much, in standard uncertainties of their mean, about 100."""
    return Estimate(100.0, scatter * np.sqrt(fields), scatter, scatter, fields - 1.0, fields)


@pytest.mark.parametrize("fields", [2, 3, 4])
def test_it_moves_without_a_jump(fields):
    """From fields alike to fields far apart no thousandth more of their scatter moves a half width by more than two."""
    scatter = np.exp(np.arange(np.log(0.01), np.log(30), 0.001))
    ends = [joined_with_within(between(u, fields), 1.0, WAVES * fields).interval()[1] - 100 for u in scatter]
    assert np.abs(np.diff(np.log(ends))).max() < 0.002


@pytest.mark.parametrize("fields", [2, 4])
def test_its_ends_are_those_of_both_intervals(fields):
    """Alike fields: what they show within, with its own degrees of freedom; far apart: Student's t of the scatter."""
    waves = WAVES * fields
    alike = joined_with_within(between(1e-6, fields), 0.5, waves)
    share = waves / (waves + fields - 1)
    assert alike.interval()[1] - 100 == pytest.approx(
        student_t(waves + fields - 1) * WEIGHT_OF_JOINED * 0.5 * np.sqrt(share), rel=1e-4
    )
    apart = joined_with_within(between(1e3, fields), 0.5, waves)
    assert apart.interval() == pytest.approx(between(1e3, fields).interval(), rel=1e-3)
    assert apart.degrees_of_freedom == pytest.approx(fields - 1, rel=1e-3)


def test_squares_are_averaged_by_the_chance_of_less_scatter():
    """Two fields at ± u/√2·… about 100 whose F is the median: half of each square (median of F by simulation)."""
    rng = np.random.default_rng(2)
    median = np.median(rng.chisquare(1, 1_000_000) / (rng.chisquare(32, 1_000_000) / 32))
    alone = between(np.sqrt(median), 2)
    joined = WEIGHT_OF_JOINED * np.sqrt((median + 32) / 33) * student_t(33)
    expected = np.sqrt((joined**2 + median * student_t(1) ** 2) / 2)
    assert joined_with_within(alone, 1.0, 32).interval()[1] - 100 == pytest.approx(expected, rel=0.005)


def test_what_is_not_told_is_not_joined():
    """No word from within, or no scatter: the estimate as it was. Sides that differ stay so, where fields lie apart."""
    alone = mean_of_fields([99.9, 100.1])
    assert joined_with_within(alone, np.nan, 32) == alone
    one = Estimate(1.0, np.nan, np.nan, np.nan, np.nan, 1)
    assert joined_with_within(one, 0.5, 16) == one
    skewed = joined_with_within(Estimate(100.0, 10.0, 4.0, 6.0, 1.0, 2), 0.1, 32)
    assert skewed.above / skewed.below == pytest.approx(1.5, rel=0.05)
