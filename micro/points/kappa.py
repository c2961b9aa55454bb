"""How far counters agree beyond chance."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from micro.specimens.sampling import student_t


@dataclass(frozen=True)
class Kappa:
    """Agreement beyond chance: 1 perfect, 0 as by chance; NaN where one verdict was given throughout."""

    value: float
    low: float
    high: float


UNKNOWN = Kappa(math.nan, math.nan, math.nan)


def weighted_kappa(table: ArrayLike) -> Kappa:
    """Cohen's kappa of two counters, linear weights, with its 95 % interval.

    J. Cohen, Psychological Bulletin 70 (1968); standard error by J. L. Fleiss, J. Cohen and B. S. Everitt,
    Psychological Bulletin 72 (1969); from memory.

    Parameters
    ----------
    table
        (k, k) points by the verdict of the first and of the second counter; verdicts in their order.
    """
    table = np.asarray(table, float)
    share = table / table.sum()
    steps = np.arange(len(table))
    weight = 1 - np.abs(steps[:, None] - steps) / (len(table) - 1)
    first, second = share.sum(axis=1), share.sum(axis=0)
    by_chance = float((weight * np.outer(first, second)).sum())
    agreed = float((weight * share).sum())
    if by_chance >= 1:
        return UNKNOWN
    value = (agreed - by_chance) / (1 - by_chance)
    mean_weight = (weight @ second)[:, None] + (first @ weight)[None, :]
    spread = (share * (weight - mean_weight * (1 - value)) ** 2).sum() - (value - by_chance * (1 - value)) ** 2
    half = student_t(math.inf) * math.sqrt(max(spread, 0.0) / table.sum()) / (1 - by_chance)
    return Kappa(value, max(-1.0, value - half), min(1.0, value + half))


def fleiss_kappa(counts: NDArray) -> float:
    """Kappa of three or more counters (J. L. Fleiss, Psychological Bulletin 76, 1971).

    Parameters
    ----------
    counts
        (points, verdicts) how many counters gave each verdict; every point by the same number of counters.
    """
    counts = np.asarray(counts, float)
    counters = counts[0].sum()
    share = counts.sum(axis=0) / counts.sum()
    by_chance = float(np.square(share).sum())
    agreed = float(((np.square(counts).sum(axis=1) - counters) / (counters * (counters - 1))).mean())
    return (agreed - by_chance) / (1 - by_chance) if by_chance < 1 else math.nan


def in_words(value: float) -> str:
    """Word for a kappa (J. R. Landis and G. G. Koch, Biometrics 33, 1977; from memory)."""
    if math.isnan(value):
        return "unknown, since every point got one verdict"
    for limit, word in ((0.0, "none"), (0.2, "slight"), (0.4, "fair"), (0.6, "moderate"), (0.8, "substantial")):
        if value <= limit:
            return word
    return "almost perfect"
