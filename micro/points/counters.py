"""How far the counters of one sheet agree with each other, point by point."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from micro.points.kappa import UNKNOWN, Kappa, fleiss_kappa, weighted_kappa
from micro.points.tally import VERDICTS


@dataclass(frozen=True)
class Pair:
    """Two counters on the points that both judged."""

    first: str
    second: str
    points: int
    kappa: Kappa


def between_counters(points: pd.DataFrame) -> tuple[tuple[Pair, ...], float]:
    """Kappa of every two counters, and of all where there are three or more, on the points that all judged.

    Parameters
    ----------
    points
        As in `Tally`; rows without a verdict do not enter.
    """
    judged = points[points["verdict"] != ""]
    if judged["counter"].nunique() < 2:
        return (), math.nan
    place = ["specimen", "field", "point", "counter"]
    codes = judged.assign(code=judged["verdict"].map(VERDICTS.index)).set_index(place)["code"]
    wide = codes.unstack()  # noqa: PD010 (every point has one verdict a counter)
    pairs = []
    for first, second in itertools.combinations(wide.columns, 2):
        both = wide[[first, second]].dropna().to_numpy(int)
        table = np.bincount(both[:, 0] * 3 + both[:, 1], minlength=9).reshape(3, 3)
        pairs.append(Pair(str(first), str(second), len(both), weighted_kappa(table) if len(both) else UNKNOWN))
    every = wide.dropna().to_numpy(int)
    if wide.shape[1] < 3 or not len(every):
        return tuple(pairs), math.nan
    return tuple(pairs), fleiss_kappa((every[:, :, None] == np.arange(3)).sum(axis=1))
