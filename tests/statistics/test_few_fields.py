"""Two to four fields: their scatter, joined with what they show within where it agrees."""

import numpy as np
import pytest
from scipy import stats

from micro.statistics.sampling import AGREES, Estimate, joined_with_within, mean_of_fields

WAVES = 16


def held(fields, times, bars, seed=1):
    """Share of bars whose interval holds the truth, and median half width over that from the scatter alone.

    Variance between fields is so many times that within; what a field shows within has 16 degrees of freedom.
    """
    rng = np.random.default_rng(seed)
    holds, narrower = [], []
    for _ in range(bars):
        alone = mean_of_fields(rng.normal(100, np.sqrt(times), fields))
        within = np.sqrt(rng.chisquare(WAVES * fields) / (WAVES * fields) / fields)
        joined = joined_with_within(alone, within, WAVES * fields)
        low, high = joined.interval()
        holds.append(low <= 100 <= high)
        narrower.append((high - low) / np.subtract(*alone.interval()[::-1]))
    return np.mean(holds), np.array(narrower)


@pytest.mark.parametrize("fields", [2, 3, 4])
@pytest.mark.parametrize("times", [1, 2, 4, 10])
def test_the_interval_holds_bars_of_any_scatter(fields, times):
    """93 to 98 %, within what chance leaves of 3 000 bars (0.4 %): also where the bar scatters between its places."""
    share, _ = held(fields, times, 3000)
    assert 0.922 <= share <= 0.988


def test_it_is_joined_as_often_as_chosen():
    """Fields that scatter as they show within are joined in 4 of 10 bars; others keep their own interval."""
    _, ratio = held(2, 1, 3000)
    assert np.mean(ratio != 1) == pytest.approx(1 - AGREES, abs=0.03)
    assert np.median(ratio[ratio != 1]) < 0.8


def test_the_mean_of_both_variances():
    """Two fields at ±0.1 about 100, 0.5 within: variance (1·0.1² + 32·0.5²)/33 with 33 degrees of freedom."""
    alone = mean_of_fields([99.9, 100.1])
    joined = joined_with_within(alone, 0.5, 32)
    expected = np.sqrt((alone.standard_uncertainty**2 + 32 * 0.25) / 33)
    assert (joined.below, joined.above, joined.degrees_of_freedom) == pytest.approx((expected, expected, 33))
    assert joined.interval()[1] == pytest.approx(100 + stats.t.ppf(0.975, 33) * expected)
    assert joined_with_within(alone, np.nan, 32) == alone
    one = Estimate(1.0, np.nan, np.nan, np.nan, np.nan, 1)
    assert joined_with_within(one, 0.5, 16) == one
