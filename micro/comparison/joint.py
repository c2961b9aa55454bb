"""Several quantities of one pair at once: exchange of whole fields between the specimens (Westfall and Young)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from micro.comparison.sides import Side
from micro.statistics.sampling import FloatArray
from micro.statistics.two_samples import exchanges, holm, number_of_exchanges

LEAST_EXCHANGES = 200
PER_PAIR = 40  # 2/N times the pairs reaches 5 %
"""With fewer exchanges the steps of a p value are coarser than half a percent, and Holm's adjustment stands. Chosen."""


@dataclass(frozen=True, eq=False)
class Judged:
    """One quantity of a pair as it was tested.

    Parameters
    ----------
    a, b
        The sides.
    on_logs
        Whether the logarithm of the ratio of sums was tested.
    p_value, degrees_of_freedom
        Of that test.
    """

    a: Side
    b: Side
    on_logs: bool
    p_value: float
    degrees_of_freedom: float


def exchanged(tested: Judged) -> FloatArray:
    """(exchanges,) squared statistic of the pair, the true one first, and of every exchange of its fields.

    The statistic is the difference of the ratios of field sums, or of their logarithms, over its standard uncertainty
    by linearisation. Studentised, it holds its level with unequal scatter as the fields grow (A. Janssen 1997).
    """
    y, x = (np.concatenate([getattr(side, part) for side in (tested.a, tested.b)]) for part in _PARTS)
    parts = np.stack([y, x, y * y, x * y, x * x], axis=1)
    sides = zip(*((in_a @ parts, ~in_a @ parts) for in_a in exchanges(tested.a.fields, tested.b.fields)), strict=True)
    numbers = (tested.a.fields, tested.b.fields)
    value, variance = zip(
        *(_of_group(np.concatenate(own), n, tested.on_logs) for own, n in zip(sides, numbers, strict=True)), strict=True
    )
    gap = np.square(value[1] - value[0])
    total = variance[0] + variance[1]
    floor = 1e-14 * max(float(np.max(gap)), 1e-300)
    total = np.where(total > floor, total, 0.0)
    return np.divide(gap, total, out=np.where(gap > floor, np.inf, 0.0), where=total > 0)


_PARTS = ("numerator", "denominator")


def _of_group(sums: FloatArray, n: int, on_logs: bool) -> tuple[FloatArray, FloatArray]:
    """(exchanges,) ratio of sums of one side of n fields, or its logarithm, and its variance.

    `sums` (exchanges, 5): over its fields of numerator y and denominator x, of y², xy and x².
    """
    sum_y, sum_x, yy, xy, xx = sums.T
    ratio = sum_y / sum_x
    variance = n / (n - 1) * np.maximum(yy - 2 * ratio * xy + ratio**2 * xx, 0.0) / sum_x**2
    return (np.log(ratio), variance / ratio**2) if on_logs else (ratio, variance)


def exchange_p(statistic: FloatArray) -> float:
    """Share of the exchanges whose statistic reaches that of the true pair, the first; NaN where all are alike."""
    if not np.ptp(statistic) > 0:
        return float("nan")
    # The tolerance keeps exchanges that are equal but for rounding on the same side.
    return float(np.mean(statistic >= statistic[0] * (1 - 1e-9)))


def joint_p(tests: Sequence[Judged], pairs: int = 1) -> FloatArray:
    """P values adjusted for testing all of these at once.

    Step down by the smallest p value among those left, under exchange of whole fields, which keeps the ties between the
    quantities (P. H. Westfall and S. S. Young, Resampling-Based Multiple Testing, 1993; from memory). Holm's where the
    fields of the quantities are not the same, or allow fewer than 200 exchanges, or too few to tell any of the pairs
    apart: the smallest share of N exchanges is 2/N, and is multiplied by the number of pairs.

    Parameters
    ----------
    tests
        Quantities of one pair, each with a p value.
    pairs
        Pairs of specimens that are compared; the p values are not multiplied here.
    """
    from scipy import special

    p = np.array([test.p_value for test in tests])
    shapes = {(test.a.fields, test.b.fields) for test in tests}
    needed = max(LEAST_EXCHANGES, PER_PAIR * pairs)
    if len(tests) < 2 or len(shapes) > 1 or number_of_exchanges(*shapes.pop()) < needed:
        return holm(p)
    # Every exchange is judged as the true pair is, by Student's t.
    t = np.sqrt(np.array([exchanged(test) for test in tests]))
    freedom = np.array([test.degrees_of_freedom for test in tests])[:, None]
    chance = 2 * special.stdtr(np.minimum(freedom, 1e6), -t)
    chance[:, 0] = p  # the true pair, as it was tested
    order = np.argsort(p)
    least = np.minimum.accumulate(chance[order[::-1]], axis=0)[::-1]
    steps = np.mean(least <= p[order][:, None] * (1 + 1e-9), axis=1)
    adjusted = np.empty(len(p))
    adjusted[order] = np.maximum.accumulate(np.maximum(steps, p[order]))
    return adjusted
