"""Quantiles of a size distribution, fields as the unit, whatever the number of carbides."""

import math

import numpy as np
import pytest
from scipy import stats

from micro.specimens import sizes
from micro.specimens.sizes import cumulative_by_field, quantile, shares_below


def study(rng, fields, carbides):
    field = np.repeat(np.arange(fields), carbides)
    return rng.lognormal(0.0, 0.5, len(field)), np.ones(len(field)), field


def test_quantiles_of_equal_weights_are_numpys():
    """With equal weights a quantile is the inverse of the empirical distribution, as numpy takes it."""
    size, weight, field = study(np.random.default_rng(1), 5, 200)
    for share in (0.1, 0.5, 0.9):
        assert quantile(shares_below(size, weight, field, 5), share).value == np.quantile(
            size, share, method="inverted_cdf"
        )


def test_the_share_below_a_size_is_as_skew_as_the_pulls_of_its_carbides():
    """Σx³/(Σx²)^1.5 of what each carbide pulls, w·(1 - p) below and -w·p above (cumulants of independents add)."""
    rng = np.random.default_rng(3)
    size, weight = rng.lognormal(0.0, 0.5, 60), rng.uniform(1, 5, 60)
    at = np.sort(size)
    ratio = np.array([weight[size <= s].sum() for s in at]) / weight.sum()
    pulls = np.where(size <= at[:-1, None], weight * (1 - ratio[:-1, None]), -weight * ratio[:-1, None])
    wanted = (pulls**3).sum(axis=1) / (pulls**2).sum(axis=1) ** 1.5
    assert sizes._skewness(at, ratio, size, weight)[:-1] == pytest.approx(wanted, rel=1e-6)


def test_many_carbides_take_the_same_value_on_a_coarser_table(monkeypatch):
    """The table on 2 048 sizes gives value and interval of the full one to a part in a thousand."""
    size, weight, field = study(np.random.default_rng(2), 6, 2000)
    coarse = [quantile(shares_below(size, weight, field, 6), share) for share in (0.1, 0.5, 0.9)]
    monkeypatch.setattr(sizes, "STEPS", 10**9)
    full = [quantile(shares_below(size, weight, field, 6), share) for share in (0.1, 0.5, 0.9)]
    for one, other in zip(coarse, full, strict=True):
        assert one.value == pytest.approx(other.value, rel=1e-3)
        assert np.allclose(one.interval(), other.interval(), rtol=2e-3)


def test_the_table_grows_with_the_fields_and_not_with_the_carbides():
    """A thousand fields of two thousand carbides stay a table of 1 000 by 2 048."""
    size, weight, field = study(np.random.default_rng(3), 1000, 2000)
    ((steps, table),) = cumulative_by_field(size, weight, field, 1000, most_cells=1000 * sizes.STEPS)
    assert table.shape == (1000, sizes.STEPS)
    assert np.all(np.diff(steps) >= 0)
    assert np.allclose(table[:, -1], 2000)


def test_the_table_in_parts_is_the_whole_table(monkeypatch):
    """Of many fields a part of the sizes is in memory at a time; table, value and interval are those of the whole."""
    size, weight, field = study(np.random.default_rng(5), 40, 100)
    weight = weight * np.random.default_rng(6).uniform(1, 2, len(weight))
    ((steps, table),) = cumulative_by_field(size, weight, field, 40)
    parts = list(cumulative_by_field(size, weight, field, 40, most_cells=40 * 300))
    assert len(parts) == 7
    assert np.array_equal(np.concatenate([part for part, _ in parts]), steps)
    assert np.array_equal(np.hstack([part for _, part in parts]), table)
    whole = quantile(shares_below(size, weight, field, 40), 0.5)
    monkeypatch.setattr(sizes.cumulative_by_field, "__defaults__", (40 * 300,))
    assert quantile(shares_below(size, weight, field, 40), 0.5) == whole


def test_the_upper_end_of_a_high_quantile_is_unknown():
    """Where the share is never told from that of all, nothing seen bounds the size."""
    size, weight, field = study(np.random.default_rng(4), 3, 6)
    assert np.isnan(quantile(shares_below(size, weight, field, 3), 0.999).interval()[1])


def test_the_scatter_between_fields_is_what_the_interval_stands_for():
    """Mean half width over Student's t is s/√n: as for a plain mean of fields."""
    size, weight, field = study(np.random.default_rng(4), 8, 200)
    found = quantile(shares_below(size, weight, field, 8), 0.5)
    low, high = found.interval()
    assert found.std == pytest.approx((high - low) / 2 / stats.t.ppf(0.975, 7) * np.sqrt(8))


@pytest.mark.parametrize("share", [0.5, 0.9])
def test_intervals_hold_the_quantile_of_the_steel(share):
    """Of 400 specimens of six fields that scatter, 92 to 98 % hold it."""
    held = []
    for seed in range(400):
        rng = np.random.default_rng(seed)
        size, weight, field = study(rng, 6, 80)
        low, high = quantile(
            shares_below(size * np.exp(rng.normal(0, 0.1, 6))[field], weight, field, 6), share
        ).interval()
        held.append(low <= stats.lognorm.ppf(share, math.hypot(0.5, 0.1)) <= high)
    assert 0.92 <= np.mean(held) <= 0.98
