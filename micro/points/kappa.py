"""Agreement of counters, by kappa."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from micro.points.tally import VERDICTS
from micro.statistics.sampling import FloatArray, binomial_interval, student_t
from micro.tables.columns import COUNTERS, empty, names

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
        rare = np.array(binomial_interval(float(seen * points), points)) / by_chance
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


PLACE = ["specimen", "field", "point"]


@dataclass(frozen=True)
class CounterKappa:
    """Agreement of two counters, or of all of them, on the `points` in `fields` that each of them judged."""

    counters: tuple[str, ...]
    fields: int
    points: int
    kappa: Kappa


def between_counters(points: pd.DataFrame) -> tuple[CounterKappa, ...]:
    """Kappa of every two counters, then of all together where there are three or more.

    Parameters
    ----------
    points
        As in `Tally`; rows without a verdict do not enter.
    """
    judged = points[points["verdict"] != ""]
    if judged["counter"].nunique() < 2:
        return ()
    codes = judged.assign(code=judged["verdict"].map(VERDICTS.index)).set_index([*PLACE, "counter"])["code"]
    wide = codes.unstack()  # noqa: PD010 (every point has one verdict a counter)
    return tuple(_agreement(wide[list(counters)].dropna()) for counters in _together(list(wide.columns)))


def _together(counters: list[str]) -> Iterator[tuple[str, ...]]:
    yield from itertools.combinations(counters, 2)
    if len(counters) > 2:
        yield tuple(counters)


def _agreement(codes: pd.DataFrame) -> CounterKappa:
    """Agreement on points that all judged: a row a point, a column a counter."""
    counters, fields = tuple(str(name) for name in codes.columns), codes.groupby(PLACE[:2]).ngroup().to_numpy()
    number = len(set(fields))
    if not number:
        return CounterKappa(counters, 0, 0, UNKNOWN)
    verdicts = codes.to_numpy(int)
    k = len(VERDICTS)
    if len(counters) == 2:
        cell = (fields * k + verdicts[:, 0]) * k + verdicts[:, 1]
        kappa = weighted_kappa(np.bincount(cell, minlength=number * k * k).reshape(number, k, k))
    else:
        kappa = fleiss_kappa((verdicts[:, :, None] == np.arange(k)).sum(axis=1), fields)
    return CounterKappa(counters, number, len(codes), kappa)


def counter_table(kappas: tuple[CounterKappa, ...]) -> pd.DataFrame:
    """Table with the columns COUNTERS of `micro.tables.columns`: a row a pair, then all together."""
    rows = []
    for k in kappas:
        pair = k.counters if len(k.counters) == 2 else ("", "")
        rows.append((*pair, len(k.counters), k.fields, k.points, k.kappa.value, k.kappa.low, k.kappa.high))
    return pd.DataFrame(rows, columns=names(COUNTERS)) if rows else empty(COUNTERS)
