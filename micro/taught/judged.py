"""How far outlines and maps agree with the answers, which outlines to use, and how wrong they may be."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from micro.statistics.sampling import FloatArray, binomial_interval

Wanted = Literal["own", "taught", "better"]
# The usual 5 %, one half of it on the side that would put the program's own outlines aside (common practice).
SIGNIFICANT = 0.025
BINS = 10
# Fewest points of a bin of the reliability diagram: with fewer the interval spans most of the axis (chosen).
FEWEST_IN_A_BIN = 5


class Share(NamedTuple):
    """A share of points with its exact 95 % interval; NaN where there are no points."""

    value: float
    low: float
    high: float


@dataclass(frozen=True)
class Choice:
    """Which outlines are used, and on what ground.

    Parameters
    ----------
    own, taught
        Agreement of each with the answers, a boundary answer being half right either way.
    for_taught, for_own
        Points where only the taught, and only the own outlines are right.
    p_value
        Probability that as many or more would speak for the taught outlines if both were as good.
    """

    chosen: Literal["own", "taught"]
    own: Share
    taught: Share
    for_taught: int
    for_own: int
    p_value: float


@dataclass(frozen=True)
class OutlineErrors:
    """Share of the outlined area that is matrix, and of the carbide area that is outside of the outlines."""

    false_area: Share
    missed_area: Share

    @property
    def number_factors(self) -> tuple[float, float]:
        """Lowest and highest true number over the number outlined.

        Area false or missed is taken to be whole carbides: what it adds to the number's interval is then at its
        widest, unless small carbides err more often than large ones.
        """
        seen = 1 - self.missed_area.high
        return 1 - self.false_area.high, math.inf if seen == 0 else 1 / seen

    @property
    def size_factors(self) -> tuple[float, float]:
        """Lowest and highest true ECD over the one outlined: all error taken to be at the rims of right carbides."""
        low, high = self.number_factors
        return math.sqrt(low), math.sqrt(high)


def exact_share(hits: float, points: float) -> Share:
    """Share with its exact binomial interval; halves are allowed.

    >>> share = exact_share(8, 10)
    >>> round(share.low, 3), round(share.high, 3)
    (0.444, 0.975)
    """
    if not points > 0:
        return Share(math.nan, math.nan, math.nan)
    return Share(hits / points, *binomial_interval(hits, points))


def choose(own: FloatArray, taught: NDArray[np.bool_], answers: FloatArray, wanted: Wanted = "better") -> Choice:
    """Decide between the program's own outlines and taught ones.

    Taught outlines are used where they agree with the answers significantly better: exact test of Q. McNemar
    (Psychometrika 12, 1947; from memory) on the points where only one of both is right.

    Parameters
    ----------
    own
        (points,) 1 inside the program's own outlines, 0 outside, NaN in a field that it says nothing of: it is then
        credited with the commoner answer, which needs no picture.
    taught
        (points,) whether a point is inside outlines by a map that has not seen its answer.
    answers
        (points,) 1 in, ½ boundary, 0 out, or the mean of counters; NaN points do not enter.

    Examples
    --------
    >>> answers = np.repeat([0.0, 1.0], 50)
    >>> choose(np.zeros(100), answers > 0.5, answers).chosen
    'taught'
    >>> choose(answers, answers > 0.5, answers).chosen
    'own'

    """
    from scipy import special

    known = np.isfinite(answers)
    answers, taught, own = answers[known], taught[known].astype(float), own[known]
    commoner = float(answers.mean() > 0.5) if len(answers) else 0.0
    own = np.where(np.isfinite(own), own, commoner)
    own_right, taught_right = 1 - np.abs(answers - own), 1 - np.abs(answers - taught)
    for_taught, for_own = int((taught_right > own_right).sum()), int((own_right > taught_right).sum())
    apart = for_taught + for_own
    p_value = float(special.bdtrc(for_taught - 1, apart, 0.5)) if for_taught else 1.0
    better: Literal["own", "taught"] = "taught" if p_value < SIGNIFICANT else "own"
    return Choice(
        chosen=better if wanted == "better" else wanted,
        own=exact_share(float(own_right.sum()), len(answers)),
        taught=exact_share(float(taught_right.sum()), len(answers)),
        for_taught=for_taught,
        for_own=for_own,
        p_value=p_value,
    )


def reliability(probability: FloatArray, answers: FloatArray) -> list[tuple[float, ...]]:
    """Set answers against probability: does carbide lie at nine of ten points where the map says 0.9.

    Parameters
    ----------
    probability
        (points,) of carbide, by maps that have not seen these answers.
    answers
        (points,) 1, ½ or 0; NaN points do not enter.

    Returns
    -------
    A row a bin: mean probability, mean answer with the ends of its exact 95 % interval, and the number of points; bins
    with few points are joined to their neighbours.
    """
    known = np.isfinite(answers)
    p, y = probability[known], answers[known]
    which = np.minimum((p * BINS).astype(np.intp), BINS - 1)
    which = _joined(np.bincount(which, minlength=BINS))[which]
    bins, which = np.unique(which, return_inverse=True)
    points = np.bincount(which, minlength=len(bins))
    hits = np.bincount(which, y, len(bins))
    mean = (np.bincount(which, p, len(bins)) / points).tolist()
    return [(m, *exact_share(h, n), float(n)) for m, h, n in zip(mean, hits.tolist(), points.tolist(), strict=True)]


def outline_errors(inside: NDArray[np.bool_], answers: FloatArray) -> OutlineErrors:
    """Share of wrong outlines, by area, from points.

    Parameters
    ----------
    inside
        (points,) whether a point is inside outlines that have not seen its answer.
    answers
        (points,) 1, ½ or 0. Boundary answers belong to both sides and do not enter; NaN points neither.
    """
    known = np.isfinite(answers) & (answers != 0.5)
    inside, carbide = inside[known], answers[known] > 0.5
    return OutlineErrors(
        false_area=exact_share(float((inside & ~carbide).sum()), float(inside.sum())),
        missed_area=exact_share(float((~inside & carbide).sum()), float(carbide.sum())),
    )


def _joined(points: NDArray[np.intp]) -> NDArray[np.intp]:
    """(bins,) number of the bin that each is joined to, so that all but perhaps the last hold enough points."""
    to, held, own = np.empty(len(points), np.intp), 0, 0
    for k, number in enumerate(points.tolist()):
        to[k] = own
        held += number
        if held >= FEWEST_IN_A_BIN:
            own, held = k + 1, 0
    if held:
        # What is left over at the end goes to the bin before it.
        to[to == own] = to[to < own].max(initial=0)
    return to
