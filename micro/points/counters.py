"""How far the counters of one sheet agree with each other, point by point."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from micro.columns import COUNTERS, empty, names
from micro.points.kappa import UNKNOWN, Kappa, fleiss_kappa, weighted_kappa
from micro.points.tally import VERDICTS

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
    """Table with the columns COUNTERS of `micro.columns`: a row a pair, then all together."""
    rows = []
    for k in kappas:
        pair = k.counters if len(k.counters) == 2 else ("", "")
        rows.append((*pair, len(k.counters), k.fields, k.points, k.kappa.value, k.kappa.low, k.kappa.high))
    return pd.DataFrame(rows, columns=names(COUNTERS)) if rows else empty(COUNTERS)
