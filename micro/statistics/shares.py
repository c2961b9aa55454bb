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
    from scipy import stats

    (low_a, high_a), (low_b, high_b) = wilson(*a), wilson(*b)
    share_a, share_b = a[0] / a[1], b[0] / b[1]
    gap = share_b - share_a
    p_value = stats.fisher_exact(np.array([[a[0], a[1] - a[0]], [b[0], b[1] - b[0]]])).pvalue
    low = gap - math.hypot(share_b - low_b, high_a - share_a)
    high = gap + math.hypot(high_b - share_b, share_a - low_a)
    return gap, low, high, float(p_value)
