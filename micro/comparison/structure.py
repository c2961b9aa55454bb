"""Structure against toughness: whether the transverse ratio follows banding or the largest carbide."""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]
STRUCTURE = ("anisotropy_index", "band_contrast", "largest_ecd")
LEAST_POINTS = 3
MOST_POINTS_EXACT = 8
RANDOM_ORDERS = 9_999
SIMULATED = 4_000
TAIL = 0.025
COLUMNS = ("quantity", "unit", "specimen", "x", "x_low", "x_high", "ratio", "ratio_low", "ratio_high")


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


def structure_against_toughness(specimens: pd.DataFrame, ratios: pd.DataFrame) -> pd.DataFrame:
    """Points for the figure: the transverse toughness ratio of each specimen over its structure.

    Parameters
    ----------
    specimens
        Columns SPECIMENS of `micro.tables.columns`; all carbides together are taken.
    ratios
        Columns TRANSVERSE_RATIOS of `micro.tables.columns`; `group` must be the specimen's name.

    Returns
    -------
    pandas.DataFrame
        quantity, unit, specimen, x, x_low, x_high, ratio, ratio_low, ratio_high; no rows for a quantity with
        fewer than three specimens that have both.
    """
    structure = specimens[(specimens["carbide_class"] == "all") & specimens["quantity"].isin(STRUCTURE)]
    names = {"mean": "x", "ci95_low": "x_low", "ci95_high": "x_high"}
    of_ratio = {"group": "specimen", "ratio": "ratio", "ci95_low": "ratio_low", "ci95_high": "ratio_high"}
    points = (
        structure.rename(columns=names)
        .merge(ratios[list(of_ratio)].rename(columns=of_ratio), on="specimen")
        .dropna(subset=["x", "ratio"])[list(COLUMNS)]
    )
    enough = points.groupby("quantity")["specimen"].transform("nunique") >= LEAST_POINTS
    return points[enough].reset_index(drop=True)


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
    orders = math.factorial(n) if n <= MOST_POINTS_EXACT else RANDOM_ORDERS
    p_value = stats.permutation_test(
        (a,), lambda order, axis: np.abs(order @ b), permutation_type="pairings", vectorized=True,
        n_resamples=orders, alternative="greater", random_state=0,
    ).pvalue  # fmt: skip
    low, high = _interval(rho, n)
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


def _interval(rho: float, n: int) -> tuple[float, float]:
    true, samples = _simulated(n)
    as_high = (samples >= rho - 1e-9).mean(axis=1)
    as_low = (samples <= rho + 1e-9).mean(axis=1)
    low = -1.0 if as_high[0] >= TAIL else float(np.interp(TAIL, np.maximum.accumulate(as_high), true))
    high = 1.0 if as_low[-1] >= TAIL else float(np.interp(TAIL, np.maximum.accumulate(as_low[::-1]), true[::-1]))
    return min(low, rho), max(high, rho)
