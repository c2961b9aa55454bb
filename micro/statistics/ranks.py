"""Rank correlation of two quantities, as it is for few points, and while the ranks of others are held (Spearman)."""

from __future__ import annotations

import functools
import itertools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from micro.statistics.sampling import FloatArray, student_t

FEWEST = 5
"""Points beside the number of quantities held: with fewer the interval covers less than 92 % (simulated)."""
MOST_EXACT = 7
"""Points up to which all 5 040 exchanges are made. Chosen."""
EXCHANGES = 9_999
SEED = 19


@dataclass(frozen=True)
class PartialRank:
    """Partial rank correlation with its 95 % interval.

    `p_value` is two-sided, of no association, by exchange; `points` enter. All NaN where too few points, or no scatter
    of one side beside what is held, tell nothing.
    """

    rho: float
    ci95_low: float
    ci95_high: float
    p_value: float
    points: int


def partial_rank_correlation(x: ArrayLike, y: ArrayLike, held: ArrayLike | None = None) -> PartialRank:
    """Spearman's correlation of x and y with the ranks of `held` taken out of both.

    Ranks are regressed on the ranks held, and the residuals correlated. p value by exchange of the residuals of y
    (D. Freedman and D. Lane 1983): all exchanges up to 7 points, else 9 999 drawn with a fixed seed. Interval on
    Fisher's z with variance (1 + ρ²/2)/(n - 3 - k) for k held (D. G. Bonett and T. A. Wright 2000, from memory). It
    covers 92 to 97 % for 6 points and more with one held (simulated, `tests/statistics/test_partial_rank.py`).

    Parameters
    ----------
    x, y
        (n,) a value a bar.
    held
        (n,) or (n, k) what is held; None: nothing, which is Spearman's own.
    """
    from scipy import stats

    a, b = (stats.rankdata(np.asarray(v, float)) for v in (x, y))
    n = len(a)
    columns = [] if held is None else list(np.asarray(held, float).reshape(n, -1).T)
    design = np.column_stack([np.ones(n), *(stats.rankdata(c) for c in columns)])
    k = design.shape[1] - 1
    unknown = PartialRank(math.nan, math.nan, math.nan, math.nan, n)
    if n < FEWEST + k:
        return unknown
    own, other = (r - design @ np.linalg.lstsq(design, r, rcond=None)[0] for r in (a, b))
    # Residuals of ranks that those held explain wholly are rounding errors.
    if min(np.abs(own).max(), np.abs(other).max()) < 1e-9 * n:
        return unknown
    rho = float(np.clip(own @ other / math.sqrt((own @ own) * (other @ other)), -1, 1))
    low, high = _interval(rho, n, k)
    return PartialRank(rho, low, high, _p_value(own, other, design), n)


def _interval(rho: float, n: int, k: int) -> tuple[float, float]:
    if abs(rho) > 1 - 1e-12:
        rho = math.copysign(1 - 1 / (2 * n * n), rho)  # half a step of the ranks short of perfect order
    half = student_t(math.inf) * math.sqrt((1 + rho * rho / 2) / (n - 3 - k))
    return math.tanh(math.atanh(rho) - half), math.tanh(math.atanh(rho) + half)


def _p_value(own: FloatArray, other: FloatArray, design: FloatArray) -> float:
    """Share of exchanges of `other` whose part beside what is held correlates as strongly or more."""
    n = len(own)
    if n <= MOST_EXACT:
        shuffled = other[np.array(list(itertools.permutations(range(n))))]
        more = 0
    else:
        shuffled = np.random.default_rng(SEED).permuted(np.tile(other, (EXCHANGES, 1)), axis=1)
        more = 1  # the order seen is one of the exchanges
    left = shuffled - (shuffled @ np.linalg.pinv(design).T) @ design.T
    size = np.sqrt(np.square(left).sum(axis=1))
    found = np.abs(left @ own) / np.where(size > 1e-9 * n, size, np.inf)
    seen = abs(own @ other) / math.sqrt(other @ other)
    return float((np.sum(found >= seen * (1 - 1e-9)) + more) / (len(shuffled) + more))


def closer_p_value(shared: ArrayLike, first: ArrayLike, second: ArrayLike) -> float:
    """Two-sided p value of no difference between how closely two quantities go with a shared one, either way, by ranks.

    t = (r₁ - r₂)·√((n - 1)(1 + r₁₂)/(2·|R|·(n - 1)/(n - 3) + r̄²·(1 - r₁₂)³)) with n - 3 degrees of freedom, |R| the
    determinant of the three correlations and r̄ the mean of r₁ and r₂ (E. J. Williams 1959, as advised by J. H. Steiger
    1980; from memory). On ranks 1 to 8 % false alarms with 8 and 12 points, up to 11 % with 6 (simulated,
    `tests/comparison/test_explanation.py`).

    Parameters
    ----------
    shared, first, second
        (n,) a value a bar. NaN with fewer than five, or where all of one rank alike.
    """
    from scipy import special, stats

    z, a, b = (stats.rankdata(np.asarray(v, float)) for v in (shared, first, second))
    n = len(z)
    if n < FEWEST or min(np.ptp(z), np.ptp(a), np.ptp(b)) == 0:
        return math.nan
    r = np.corrcoef([z, a, b])
    # The sign of a quantity is a choice: both are turned so that they fall with the shared one.
    r_a, r_b, r_ab = -abs(r[0, 1]), -abs(r[0, 2]), r[1, 2] * np.sign(r[0, 1] * r[0, 2])
    determinant = max(1 - r_a**2 - r_b**2 - r_ab**2 + 2 * r_a * r_b * r_ab, 0.0)
    spread = 2 * determinant * (n - 1) / (n - 3) + ((r_a + r_b) / 2) ** 2 * (1 - r_ab) ** 3
    if not spread > 0:
        return 1.0 if math.isclose(r_a, r_b) else 0.0
    t = (r_a - r_b) * math.sqrt((n - 1) * (1 + r_ab) / spread)
    return float(2 * special.stdtr(n - 3, -abs(t)))


LEAST_POINTS = 3
MOST_POINTS_EXACT = 8
SIMULATED = 4_000
TAIL = 0.025


@dataclass(frozen=True)
class RankCorrelation:
    """Spearman's rank correlation.

    Parameters
    ----------
    rho
        -1 to 1; NaN where all values of one side are the same.
    ci95_low, ci95_high
        95 % interval.
    p_value
        Two-sided, of no association.
    least_p
        Smallest p value that so many points can reach.
    points
        Number of points.
    """

    rho: float
    ci95_low: float
    ci95_high: float
    p_value: float
    least_p: float
    points: int


def rank_correlation(x: ArrayLike, y: ArrayLike) -> RankCorrelation:
    """Spearman's rank correlation with p value and interval that hold for few points.

    The p value counts orders: all of them up to 8 points, else 9 999 drawn with a fixed seed. The interval holds
    every true rank correlation of a bivariate normal population under which the one observed, or one further out on
    its side, comes up in 2.5 % of samples or more; found by simulation, seeded.

    Parameters
    ----------
    x, y
        (n,) three points or more.
    """
    from scipy import stats

    n = len(np.asarray(x))
    if n < LEAST_POINTS:
        raise ValueError(f"rank correlation needs {LEAST_POINTS} points or more, got {n}")
    # Twice the ranks less their mean are whole numbers: orders that reach the same correlation compare as equal.
    a, b = (2 * stats.rankdata(np.asarray(v, float)) - (n + 1) for v in (x, y))
    least_p = 2 / math.factorial(n)
    if not (a.any() and b.any()):
        return RankCorrelation(math.nan, -1.0, 1.0, math.nan, least_p, n)
    rho = round(float(a @ b / math.sqrt((a @ a) * (b @ b))), 12)
    orders = math.factorial(n) if n <= MOST_POINTS_EXACT else EXCHANGES
    p_value = stats.permutation_test(
        (a,), lambda order, axis: np.abs(order @ b), permutation_type="pairings", vectorized=True,
        n_resamples=orders, alternative="greater", random_state=0,
    ).pvalue  # fmt: skip
    low, high = _interval_of_few(rho, n)
    return RankCorrelation(rho, low, high, float(p_value), least_p, n)


@functools.lru_cache(maxsize=8)
def _simulated(n: int) -> tuple[FloatArray, FloatArray]:
    """Return the true rank correlations (m,), rising, and (m, SIMULATED) sorted samples of the observed one."""
    rng = np.random.default_rng(0)
    first, second = rng.standard_normal((2, SIMULATED, n))
    # Closer together towards the ends, where the samples change fastest.
    pearson = np.tanh(np.linspace(-4, 4, 61))
    first_rank = first.argsort(axis=1).argsort(axis=1)
    samples = []
    for r in pearson:
        rank = (r * first + math.sqrt(1 - r * r) * second).argsort(axis=1).argsort(axis=1)
        distance = np.square(first_rank - rank).sum(axis=1)
        samples.append(np.sort(1 - 6 * distance / (n * (n * n - 1))))
    return 6 / math.pi * np.arcsin(pearson / 2), np.array(samples)


def _interval_of_few(rho: float, n: int) -> tuple[float, float]:
    true, samples = _simulated(n)
    as_high = (samples >= rho - 1e-9).mean(axis=1)
    as_low = (samples <= rho + 1e-9).mean(axis=1)
    low = -1.0 if as_high[0] >= TAIL else float(np.interp(TAIL, np.maximum.accumulate(as_high), true))
    high = 1.0 if as_low[-1] >= TAIL else float(np.interp(TAIL, np.maximum.accumulate(as_low[::-1]), true[::-1]))
    return min(low, rho), max(high, rho)
