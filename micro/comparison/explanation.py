"""What of the structure the transverse toughness ratio goes with from bar to bar, and what else it may be instead."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from micro.statistics.ranks import RankCorrelation, closer_p_value, rank_correlation
from micro.statistics.sampling import NORMAL_95, FloatArray
from micro.statistics.two_samples import ALPHA, holm

ROUTE = "route"
"""Stands among the rivals where bars of two routes show no order that the route does not show as well."""


@dataclass(frozen=True)
class Ranked:
    """One quantity against the transverse ratio.

    Parameters
    ----------
    rank
        Its rank correlation with the ratio.
    told_apart
        Whether the bars lie further apart in it than their intervals leave to chance; where not, their order is one of
        chance, and it is not asked.
    p_holm
        p value among all quantities asked; NaN where it is not asked.
    rivals
        Where the ratio falls with it: other quantities, or `ROUTE`, that the ratio goes with as closely, or less so by
        no more than chance.
    """

    rank: RankCorrelation
    told_apart: bool
    p_holm: float
    rivals: tuple[str, ...] = ()

    @property
    def falls(self) -> bool:
        """Whether the ratio falls as the quantity rises, among all that is asked."""
        return self.rank.rho < 0 and self.p_holm < ALPHA


def explanations(points: pd.DataFrame) -> dict[str, Ranked]:
    """Rank the ratio against each quantity, adjusted for all that is asked (Holm), and look for rivals of what falls.

    A rival is what the ratio does not go with significantly less closely (`closer_p_value`). Ranks are not held for it:
    errors of a measured cause let part of its effect through, which then seems to be another's (docs/methods/).

    Parameters
    ----------
    points
        Columns of `micro.analysis.structure_against_toughness`.
    """
    own = {str(quantity): rows for quantity, rows in points.groupby("quantity", sort=False)}
    ranks = {quantity: _widened(rank_correlation(rows["x"], rows["ratio"]), rows) for quantity, rows in own.items()}
    apart = {quantity: told_apart(rows) for quantity, rows in own.items()}
    asked = [quantity for quantity in own if apart[quantity] and math.isfinite(ranks[quantity].rho)]
    adjusted = dict(zip(asked, holm([ranks[quantity].p_value for quantity in asked]), strict=True))
    found = {q: Ranked(ranks[q], apart[q], float(adjusted.get(q, math.nan))) for q in own}
    others = {quantity: rows for quantity, rows in own.items() if apart[quantity]}
    return {
        q: Ranked(one.rank, one.told_apart, one.p_holm, _rivals(q, others)) if one.falls else one
        for q, one in found.items()
    }


def told_apart(rows: pd.DataFrame) -> bool:
    """Whether bars differ by more than their 95 % intervals leave to chance (W. G. Cochran's Q, 5 %; from memory).

    True where fewer than three intervals are known. Intervals of few fields are wide by Student's t: with them the test
    errs towards not told apart.
    """
    from scipy import special

    x, half = rows["x"].to_numpy(float), (rows["x_high"] - rows["x_low"]).to_numpy(float) / 2
    known = np.isfinite(half) & (half > 0)
    if known.sum() < 3:
        return True
    x, weight = x[known], (NORMAL_95 / half[known]) ** 2
    spread = float(weight @ np.square(x - weight @ x / weight.sum()))
    return bool(special.chdtrc(len(x) - 1, spread) < ALPHA)


def _widened(rank: RankCorrelation, rows: pd.DataFrame) -> RankCorrelation:
    """Rank correlation whose interval reaches as far out as errors of the points may have weakened it.

    By 1/√(product of the reliabilities of both sides) (C. Spearman 1904, of values; from memory). What the segmentation
    leaves open may be alike in all bars and weaken nothing: the near ends stay.
    """
    ends = rank.ci95_low, rank.ci95_high
    x, ratio = (rows[[name, f"{name}_low", f"{name}_high"]].to_numpy(float).T for name in ("x", "ratio"))
    kept = math.sqrt(_reliability(*x) * _reliability(*np.log(ratio)))
    low, high = (max(-1.0, min(end / kept, 1.0)) if kept > 0 else math.copysign(1, end) for end in ends)
    return replace(rank, ci95_low=min(rank.ci95_low, low), ci95_high=max(rank.ci95_high, high))


def _reliability(value: FloatArray, low: FloatArray, high: FloatArray) -> float:
    """Share of the variance of values that their 95 % intervals do not explain; 1 where these are unknown."""
    variance, error = float(np.var(value, ddof=1)), np.square((high - low) / 2 / NORMAL_95)
    known = np.isfinite(error)
    return max(0.0, 1 - float(error[known].mean()) / variance) if known.any() and variance > 0 else 1.0


def _rivals(quantity: str, own: Mapping[str, pd.DataFrame]) -> tuple[str, ...]:
    rows = own[quantity].set_index("specimen")
    others = {q: other.set_index("specimen")["x"] for q, other in own.items() if q != quantity}
    return rivals(rows["x"], rows["ratio"], others, rows["route"])


def rivals(x: pd.Series, y: pd.Series, others: Mapping[str, pd.Series], routes: pd.Series) -> tuple[str, ...]:
    """Names of other quantities, and `ROUTE`, that y goes with as closely as with x, or less so by no more than chance.

    Parameters
    ----------
    x, y, routes
        A value a bar; the route is heard where there are two, and where it is not "".
    others
        Likewise, by name.
    """
    told = routes.where(routes != "")
    of_routes = {ROUTE: (told == told.max()).astype(float).where(told.notna())} if told.nunique() == 2 else {}
    return tuple(name for name, values in (dict(others) | of_routes).items() if not _closer(x, y, values))


def _closer(x: pd.Series, y: pd.Series, other: pd.Series) -> bool:
    """Whether y goes with x more closely than with `other`, beyond chance."""
    both = pd.DataFrame({"x": x, "y": y, "other": other.reindex(x.index)}).dropna()
    if both["other"].nunique() < 2:
        return True
    own, its = (abs(both["y"].corr(both[name], method="spearman")) for name in ("x", "other"))
    return bool(own > its and closer_p_value(both["y"], both["x"], both["other"]) < ALPHA)


def least_p(found: Sequence[Ranked]) -> float:
    """Smallest p value that a perfect order in one quantity can reach among all that is asked."""
    asked = [one.rank.least_p for one in found if not math.isnan(one.p_holm)]
    return min(1.0, len(asked) * min(asked)) if asked else 1.0
