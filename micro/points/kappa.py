"""How far counters agree beyond chance, fields as the unit."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from micro.points.estimate import independent_points_interval
from micro.specimens.sampling import student_t

FloatArray = NDArray[np.float64]
# From sums (..., m): share of disagreement seen, and expected by chance, both (...).
Disagreement = Callable[[FloatArray], tuple[FloatArray, FloatArray]]


@dataclass(frozen=True)
class Kappa:
    """Agreement beyond chance: 1 perfect, 0 as by chance; NaN where one verdict was given throughout.

    The ends of the 95 % interval are NaN where the fields do not tell: with one of them, or with all hits in one.
    """

    value: float
    low: float
    high: float


UNKNOWN = Kappa(math.nan, math.nan, math.nan)


def weighted_kappa(tables: ArrayLike) -> Kappa:
    """Cohen's kappa of two counters, linear weights, with its 95 % interval.

    J. Cohen, Psychological Bulletin 70 (1968); from memory. The interval is by leaving out one field at a time.

    Parameters
    ----------
    tables
        (fields, k, k) points of each field by the verdict of the first and of the second counter; verdicts in
        their order.
    """
    tables = np.asarray(tables, float)
    k = tables.shape[-1]
    apart = np.abs(np.subtract.outer(np.arange(k), np.arange(k))) / (k - 1)

    def disagreement(sums: FloatArray) -> tuple[FloatArray, FloatArray]:
        table = sums.reshape(*sums.shape[:-1], k, k)
        points = table.sum(axis=(-2, -1))
        first, second = table.sum(axis=-1), table.sum(axis=-2)
        by_chance = np.einsum("...i,ij,...j->...", first, apart, second) / points**2
        return (apart * table).sum(axis=(-2, -1)) / points, by_chance

    return _kappa(tables.reshape(len(tables), -1), disagreement, tables.sum())


def fleiss_kappa(counts: ArrayLike, field: ArrayLike) -> Kappa:
    """Kappa of three or more counters (J. L. Fleiss, Psychological Bulletin 76, 1971), with its 95 % interval.

    The interval is by leaving out one field at a time.

    Parameters
    ----------
    counts
        (points, verdicts) how many counters gave each verdict; every point by the same number of counters.
    field
        (points,) number of the field of each point, from 0; no number without a point.
    """
    counts, field = np.asarray(counts, float), np.asarray(field)
    counters = counts[0].sum()
    sums = np.zeros((int(field.max()) + 1, 1 + counts.shape[1]))
    np.add.at(sums, field, np.column_stack([np.square(counts).sum(axis=1), counts]))

    def disagreement(sums: FloatArray) -> tuple[FloatArray, FloatArray]:
        squares, verdicts = sums[..., 0], sums[..., 1:]
        total = verdicts.sum(axis=-1)
        observed = (counters * total - squares) / (total * (counters - 1))
        return observed, 1 - np.square(verdicts).sum(axis=-1) / total**2

    return _kappa(sums, disagreement, len(counts))


def _kappa(sums: FloatArray, disagreement: Disagreement, points: float) -> Kappa:
    """Kappa of fields with `sums` (fields, m): 1 less the ratio of the disagreement seen to that by chance.

    The ratio is above 0 and its scatter grows with it, so that its logarithm gets the interval, t·s/√n of the values
    without one field each. Where all disagreement lies in one field, or there is none, s says too little: the interval
    is of the ratio itself, and also covers that of independent points.
    """
    total = sums.sum(axis=0)
    # Without the only field with hits the rest has one verdict throughout: no ratio.
    with np.errstate(divide="ignore", invalid="ignore"):
        seen, by_chance = disagreement(total)
        ratio, without = seen / by_chance, np.divide(*disagreement(total - sums))
    if not by_chance > 0:
        return UNKNOWN
    if (without > 0).all():
        low, high = ratio * np.exp(_half_width(np.log(without)) * np.array([-1, 1]))
    else:
        half = _half_width(without)
        rare = np.array(independent_points_interval(float(seen * points), points)) / by_chance
        low, high = np.minimum(ratio - half, rare[0]), np.maximum(ratio + half, rare[1])
    return Kappa(float(1 - ratio), float(np.clip(1 - high, -1, 1)), float(np.clip(1 - low, -1, 1)))


def _half_width(without: FloatArray) -> float:
    """Half of a 95 % interval from the values without one field each; NaN with one field."""
    fields = len(without)
    return student_t(fields - 1) * math.sqrt((fields - 1) * np.var(without))


def in_words(value: float) -> str:
    """Word for a kappa (J. R. Landis and G. G. Koch, Biometrics 33, 1977; from memory); NaN raises ValueError."""
    if math.isnan(value):
        raise ValueError("a kappa that is unknown has no word")
    for limit, word in ((0.0, "none"), (0.2, "slight"), (0.4, "fair"), (0.6, "moderate"), (0.8, "substantial")):
        if value <= limit:
            return word
    return "almost perfect"
