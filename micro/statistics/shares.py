"""Two shares of fields: difference with its interval, and exact test."""

from __future__ import annotations

import math

import numpy as np

from micro.statistics.sampling import NORMAL_95


def wilson(count: int, fields: int) -> tuple[float, float]:
    """95 % interval of a share (E. B. Wilson 1927)."""
    z2 = NORMAL_95**2
    middle = (count + z2 / 2) / (fields + z2)
    half = NORMAL_95 * math.sqrt(count * (fields - count) / fields + z2 / 4) / (fields + z2)
    return middle - half, middle + half


def share_difference(a: tuple[int, int], b: tuple[int, int]) -> tuple[float, float, float, float]:
    """Share of b less that of a, ends of its 95 % interval, and p value of no difference.

    Interval from Wilson's of both (R. G. Newcombe 1998, method 10); p value by counting all tables with the same totals
    (R. A. Fisher).

    Parameters
    ----------
    a, b
        Fields that show it, and fields in all, one or more each.
    """
    (low_a, high_a), (low_b, high_b) = wilson(*a), wilson(*b)
    share_a, share_b = a[0] / a[1], b[0] / b[1]
    gap = share_b - share_a
    low = gap - math.hypot(share_b - low_b, high_a - share_a)
    high = gap + math.hypot(high_b - share_b, share_a - low_a)
    return gap, low, high, fisher_p_value(a, b)


def fisher_p_value(a: tuple[int, int], b: tuple[int, int]) -> float:
    """Chance of a table no likelier than this one, its totals given (R. A. Fisher).

    In place of `scipy.stats`, which takes longer to load than a field to measure.
    """
    shown = a[0] + b[0]
    count = np.arange(max(0, shown - b[1]), min(a[1], shown) + 1)
    chosen = _ways(count, a[1]) + _ways(shown - count, b[1])
    chance = np.exp(chosen.min() - chosen)
    # Tables as likely as this one may come out a rounding apart.
    no_likelier = chance <= chance[a[0] - count[0]] * (1 + 1e-7)
    return float(chance[no_likelier].sum() / chance.sum())


def _ways(chosen: np.ndarray, of: int) -> np.ndarray:
    """Log of how many ways there are to choose so many out of `of`, negative, less what all choices share."""
    from scipy.special import gammaln

    return gammaln(chosen + 1) + gammaln(of - chosen + 1)
