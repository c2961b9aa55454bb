"""Area fraction of a map of probabilities, put right by the points that a person answered.

The map may err as it likes: its mean over all pixels plus the mean of (answer − map) at random points is the area
fraction, and the scatter of that difference tells how well it is known. A map that helps has differences smaller
than the answers themselves; one that does not is taken with a coefficient near 0, which leaves the count alone.

Sources, all from memory: W. G. Cochran, Sampling Techniques, 1977 (difference and regression estimators, ch. 7;
fields as clusters, ch. 10); C.-E. Särndal, B. Swensson and J. Wretman, Model Assisted Survey Sampling, 1992 (unequal
probabilities, linearised variance, ch. 5 and 6); F. E. Satterthwaite, Biometrics Bulletin 2, 1946 (degrees of
freedom of a sum of variances).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from micro.statistics.sampling import FloatArray, student_t

# The best coefficient lies between 0 (the map says nothing) and 1 (it is the probability that it says), or little
# above for a map that is too unsure. What lies outside is noise of few points (chosen).
LOWEST_COEFFICIENT, HIGHEST_COEFFICIENT = 0.0, 1.5
# Points wrong by a whole that the count did not meet but might have: without it a map that is right at every point
# would be right without doubt (chosen; one of 100 points is 1 %, near to the exact interval of 0 of 100 by half).
UNSEEN = 1.0

# Where a map says less or more than the rest of it, an answer against it is looked at as a slip; so many such points
# tell a rate of a fiftieth from none (chosen).
SURE, FEWEST_SURE = 0.05, 30
# Fewer counted fields do not tell whether the maps follow the values from field to field (chosen).
FEWEST_COUNTED = 4


@dataclass(frozen=True, eq=False)
class CountedField:
    """Points of one field: what was answered, and what a map says that has not seen these answers.

    Parameters
    ----------
    answers
        (points,) 1 in, ½ on the boundary, 0 out; or (counters, points), NaN where a counter did not judge.
    map_at_points
        (points,) probability that the map gives there.
    map_mean
        Mean of the map over all pixels of the field; (points,) where folds of points have maps of their own.
    weights
        (points,) one over the density of the draw there, up to a factor of each draw; None where all are alike.
    draw
        (points,) number of the draw that a point came from; None for one draw. Each draw by itself must be able to
        speak for the field: what it was drawn for may rest on the answers to the draws before it.
    """

    answers: FloatArray
    map_at_points: FloatArray
    map_mean: FloatArray | float
    weights: FloatArray | None = None
    draw: NDArray[np.intp] | None = None

    @property
    def score(self) -> FloatArray:
        """(points,) mean of the counters; NaN where nobody judged."""
        table = np.atleast_2d(self.answers)
        judged = np.isfinite(table)
        number = judged.sum(axis=0)
        total = np.where(judged, table, 0.0).sum(axis=0)
        return np.where(number > 0, total / np.maximum(number, 1), math.nan)

    @property
    def used(self) -> NDArray[np.bool_]:
        """(points,) points with an answer."""
        return np.isfinite(self.score)

    @property
    def weight(self) -> FloatArray:
        """(points,) weights, 0 where there is no answer."""
        weights = np.ones(len(self.used)) if self.weights is None else np.asarray(self.weights, float)
        return np.where(self.used, weights, 0.0)

    @property
    def even(self) -> NDArray[np.bool_]:
        """(points,) points of an even draw: only these count alike where a share of points is told."""
        return np.ones(len(self.used), bool) if self.weights is None else np.asarray(self.weights, float) == 1


@dataclass(frozen=True)
class Fraction:
    """An area fraction with its standard error; NaN where too little was counted to tell.

    `low` and `high` end the 95 % interval by Student's t, within 0 to 1. It reaches further towards what the value is
    without `slips`: what answers add to it, or take from it, that contradict a map that is sure.
    """

    value: float
    standard_error: float
    degrees_of_freedom: float
    slips: float = 0.0

    @property
    def half_width(self) -> float:
        """Half width of the 95 % interval, before it is cut at 0 and 1."""
        return student_t(self.degrees_of_freedom) * self.standard_error

    @property
    def low(self) -> float:
        """Lower end of the 95 % interval."""
        low = self.value - self.half_width - max(self.slips, 0.0)
        return 0.0 if low < 0 else low

    @property
    def high(self) -> float:
        """Upper end of the 95 % interval."""
        high = self.value + self.half_width - min(self.slips, 0.0)
        return 1.0 if high > 1 else high


@dataclass(frozen=True, eq=False)
class Corrected:
    """Area fraction of several fields by one estimator.

    Parameters
    ----------
    fields
        One a field: what its own points and map tell of that field.
    of_the_fields
        Mean of exactly these fields; its interval has the part within fields, and the counters'.
    of_the_specimen
        Mean of all fields that the specimen could give, from the scatter between these; NaN error for one field.
    within, between
        Variance of a field's estimate by its points, and of the true fractions between fields (0 where the first
        explains the whole scatter; NaN for one field).
    counters
        Variance of the mean by the disagreement of the counters; 0 for one counter, who cannot disagree.
    coefficients
        (fields,) what the map of each field was multiplied by.
    """

    fields: tuple[Fraction, ...]
    of_the_fields: Fraction
    of_the_specimen: Fraction
    within: float
    between: float
    counters: float
    coefficients: FloatArray


def corrected_fraction(fields: Sequence[CountedField], beside: Sequence[float] = ()) -> Corrected:
    """Survey estimate of the area fraction, with its interval.

    Parameters
    ----------
    fields
        Counted fields, each with the map of `micro.taught.crossfit`; every field weighs alike.
    beside
        Mean of the map of each field of the specimen that nobody counted.

    Examples
    --------
    Two fields of four points. The map reads 0.1 too low on both, and the points say so:

    >>> import numpy as np
    >>> low = np.array([0.0, 0.1, 0.9, 0.8])
    >>> fields = [CountedField(np.array([0.0, 0.0, 1.0, 1.0]), low, 0.40) for _ in range(2)]
    >>> round(corrected_fraction(fields).of_the_fields.value, 3)
    0.438

    """
    return _estimate(fields, coefficients(fields), beside)


def counted_fraction(fields: Sequence[CountedField]) -> Corrected:
    """Estimate of the count alone: the same sums with a coefficient of 0.

    >>> field = CountedField(np.array([0.0, 0.5, 1.0, 1.0]), np.zeros(4), 0.0)
    >>> counted_fraction([field]).of_the_fields.value
    0.625
    """
    return _estimate(fields, np.zeros(len(fields)))


def coefficients(fields: Sequence[CountedField]) -> FloatArray:
    """(fields,) slope of the answers on the map within fields, for each field from all the others.

    A slope from the field's own points would favour its own chance errors (Cochran 1977, sec. 7.7: the bias of the
    regression estimator); from other fields it is a given number. For one field it is from its own points, whose
    bias is of the order 1/points.
    """
    sums = np.array([_slope_sums(field) for field in fields]).reshape(-1, 2)
    others = sums.sum(axis=0) - sums if len(fields) > 1 else sums
    slope = np.divide(others[:, 0], others[:, 1], out=np.zeros(len(sums)), where=others[:, 1] > 0)
    return np.clip(slope, LOWEST_COEFFICIENT, HIGHEST_COEFFICIENT)


def slips_of(fields: Sequence[CountedField], value: float) -> float:
    """Area fraction that slips of the hand add to a value, if all that contradicts a sure map is one.

    Of the points where the map says under SURE the share a is answered "in", and alike b on the other side "out":
    a(1 − value) − b·value (derived). The map learns the slips with the answers, and so cannot tell them from its own
    errors: where it is wrong and not the hand, the interval is too wide by as much, on one side.
    """
    answer = np.concatenate([f.score[f.even] for f in fields])
    says = np.concatenate([f.map_at_points[f.even] for f in fields])
    known = np.isfinite(answer)
    answer, says = answer[known], says[known]
    into, out = _against(answer[says < SURE] == 1), _against(answer[says > 1 - SURE] == 0)
    return into * (1 - value) - out * value


def _against(answers: NDArray[np.bool_]) -> float:
    """Share of answers against a map that is sure; 0 where it is sure of few points, or against it too often."""
    if len(answers) < FEWEST_SURE:
        return 0.0
    share = float(answers.mean())
    return share if share <= 2 * SURE else 0.0


def _slope_sums(field: CountedField) -> tuple[float, float]:
    """Weighted Σ (answer − mean)·(map − mean) and Σ (map − mean)²; what differs between fold maps is taken off."""
    w, used = field.weight, field.used
    if not used.any():
        return 0.0, 0.0
    y = np.where(used, field.score, 0.0)
    m = np.where(used, field.map_at_points - field.map_mean, 0.0)
    y = y - (w * y).sum() / w.sum()
    m = m - (w * m).sum() / w.sum()
    return float((w * y * m).sum()), float((w * m * m).sum())


def point_values(field: CountedField, coefficient: float) -> FloatArray:
    """(points,) answer − c·(map there − mean of the map): values whose mean is the corrected fraction."""
    return np.asarray(field.score - coefficient * (field.map_at_points - field.map_mean))


@dataclass(frozen=True)
class _Mean:
    """Mean of the draws' means Σ wv / Σ w, its variance and degrees of freedom, and what UNSEEN adds to the variance.

    The ratio is linearised (Hájek; Särndal, Swensson and Wretman 1992, sec. 5.7): the variance is that of
    Σ w (v − mean) / Σ w, points being independent within a draw. Draws are weighted by their points over the variance
    of a point. Equal weights give v̄ and s/√n, but for UNSEEN.
    """

    value: float
    variance: float
    freedom: float
    unseen: float


@dataclass(frozen=True, eq=False)
class _Draws:
    """Draws of one field: numbers, points, weighted means and their variances, (draws,) each; and every point.

    `group` is the place of the point's draw, `share` its weight there, which sum to 1, and `z` share·(value − mean).
    """

    number: NDArray[np.intp]
    size: FloatArray
    mean: FloatArray
    variance: FloatArray
    group: NDArray[np.intp]
    share: FloatArray
    z: FloatArray


def _draws(values: FloatArray, weight: FloatArray, draw: NDArray[np.intp] | None) -> _Draws:
    entered = weight > 0
    v, w = values[entered], weight[entered]
    every = np.zeros(len(weight), np.intp) if draw is None else draw
    number, group = np.unique(every[entered], return_inverse=True)
    size = np.bincount(group, minlength=len(number)).astype(float)
    share = w / np.bincount(group, w, len(number))[group]
    mean = np.bincount(group, share * v, len(number)).astype(float)
    z = share * (v - mean[group])
    scale = np.where(size > 1, size / np.maximum(size - 1, 1), math.nan)
    return _Draws(number, size, mean, scale * np.bincount(group, z * z, len(number)), group, share, z)


def _variance_of_a_point(fields: Sequence[_Draws]) -> dict[int, float]:
    """Variance that a point of each draw would have alone, from all fields: a field's own would favour chance."""
    found: dict[int, list[float]] = {}
    for field in fields:
        for number, size, variance in zip(field.number.tolist(), field.size, field.variance, strict=True):
            if size > 1:
                found.setdefault(number, []).append(float(size * variance + UNSEEN / size))
    return {number: float(np.mean(each)) for number, each in found.items()}


def _mean(field: _Draws, variance_of_a_point: Mapping[int, float]) -> _Mean:
    known = field.size > 1
    if not known.any():
        # One point has a value and no error.
        return _Mean(float(field.mean.mean()) if len(field.mean) else math.nan, math.nan, math.nan, math.nan)
    of_a_point = np.array([variance_of_a_point.get(number, math.inf) for number in field.number.tolist()])
    information = np.where(known, field.size / of_a_point, 0.0)
    share = information / information.sum()
    z = share[field.group] * field.z
    unseen = UNSEEN * float(((share[field.group] * field.share) ** 2).sum()) / len(z)
    return _Mean(
        value=float(share @ field.mean),
        variance=float(share[known] ** 2 @ field.variance[known]),
        freedom=min(_freedom(z), float((field.size[known] - 1).sum())),
        unseen=unseen,
    )


def _freedom(z: FloatArray) -> float:
    """Degrees of freedom of Σz²: 2·mean²/variance of it, from the fourth powers (Satterthwaite's rule for one sum).

    n for a normal z; twice the number of errors where a map is right but for a few of them.
    """
    squares, fourth = float((z**2).sum()), float((z**4).sum())
    scatter = fourth - squares**2 / len(z)
    return max(2 * squares**2 / scatter, 1.0) if scatter > 0 else math.inf


def _estimate(fields: Sequence[CountedField], coefficient: FloatArray, beside: Sequence[float] = ()) -> Corrected:
    draws = [_draws(point_values(f, c), f.weight, f.draw) for f, c in zip(fields, coefficient, strict=True)]
    of_a_point = _variance_of_a_point(draws)
    found = [_mean(one, of_a_point) for one in draws]
    number = len(found)
    value = np.array([one.value for one in found])
    variance = np.array([one.variance for one in found])
    unseen = float(np.mean([one.unseen for one in found])) / max(number, 1) ** 2 if found else math.nan
    counters = _disagreement(fields)
    within = float(variance.mean()) if number else math.nan
    scatter = float(value.var(ddof=1)) if number > 1 else math.nan
    mean = float(value.mean()) if number else math.nan
    parts = [(one.variance / number**2, one.freedom) for one in found]
    # Student's t on the scatter between fields is exact as it stands; only no scatter at all would be sure of itself.
    between_fields = scatter / number if number and scatter != 0 else unseen
    slips = slips_of(fields, mean) if number else 0.0
    of_all, between_fields = _with_beside(value, fields, float(coefficient.mean()), beside) or (mean, between_fields)
    return Corrected(
        fields=tuple(Fraction(m.value, math.sqrt(m.variance + m.unseen), m.freedom, slips) for m in found),
        of_the_fields=replace(_combined(mean, [*parts, (unseen, math.inf), counters]), slips=slips),
        of_the_specimen=replace(_combined(of_all, [(between_fields, number - 1.0), counters]), slips=slips),
        within=within,
        between=math.nan if number < 2 else max(scatter - within, 0.0),
        counters=counters[0],
        coefficients=coefficient,
    )


def _with_beside(
    value: FloatArray, fields: Sequence[CountedField], coefficient: float, beside: Sequence[float]
) -> tuple[float, float] | None:
    """Mean of a specimen and its variance, where maps of fields that nobody counted add what counting cannot pay for.

    Two phases (Cochran 1977, ch. 12): all N fields have a map, n of them the difference d of value and map too. Mean
    c·M̄ over all plus d̄ over the counted; variance s_d²/n + (s_v² − s_d²)/N for values v = d + cM (derived). None where
    the maps do not follow the values from field to field, or fewer than FEWEST_COUNTED fields tell whether they do.
    """
    number = len(value)
    if number < FEWEST_COUNTED or not len(beside):
        return None
    maps = np.array([float(np.mean(field.map_mean)) for field in fields])
    difference = value - coefficient * maps
    of_values, of_differences = float(value.var(ddof=1)), float(difference.var(ddof=1))
    if not of_differences < of_values:
        return None
    every = np.concatenate([maps, np.asarray(beside, float)])
    variance = of_differences / number + (of_values - of_differences) / len(every)
    return float(coefficient * every.mean() + difference.mean()), variance


def _combined(value: float, parts: Sequence[tuple[float, float]]) -> Fraction:
    """Sum of variances, each with its degrees of freedom; the sum's by Satterthwaite."""
    total = sum(variance for variance, _ in parts)
    if not total > 0:
        return Fraction(value, math.nan, math.nan)
    spent = sum(variance**2 / freedom for variance, freedom in parts if variance > 0)
    return Fraction(value, math.sqrt(total), total**2 / spent if spent > 0 else math.inf)


def _disagreement(fields: Sequence[CountedField]) -> tuple[float, float]:
    """Variance of the counters' mean, and its degrees of freedom: counters are a sample of those who could count.

    Each counter is set against the mean of all on the points that two or more judged; the variance between counters
    over their number enters whole, which is on the safe side where they only slip.
    """
    tables = [np.atleast_2d(f.answers) for f in fields]
    counters = max((len(t) for t in tables), default=1)
    moved, points = np.zeros(counters), np.zeros(counters)
    for field, table in zip(fields, tables, strict=True):
        both = np.isfinite(table) & (np.isfinite(table).sum(axis=0) > 1)
        moved[: len(table)] += np.where(both, table - field.score, 0.0).sum(axis=1)
        points[: len(table)] += both.sum(axis=1)
    offset = moved[points > 0] / points[points > 0]
    if len(offset) < 2:
        return 0.0, 1.0
    return float(offset.var(ddof=1)) / len(offset), len(offset) - 1.0
