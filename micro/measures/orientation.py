"""Orientation of carbides, and the rolling direction that they show."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from micro.issues import Issue, issue
from micro.statistics.sampling import NORMAL_95, student_t

FloatArray = NDArray[np.float64]
BINS = 18
# Chosen: keeps quotients finite, and far below what an angle can be told.
SURE_DEG = 1e-6
# Beyond so many standard deviations less than 1e-18 is left of a normal distribution.
FAR = 9.0


@dataclass(frozen=True, eq=False)
class Rose:
    """Orientation distribution of carbides.

    Parameters
    ----------
    angle_deg
        (bins,) middle of each bin, from the rolling direction, -90 to 90.
    share
        (bins,) share of the total length of the carbides that lies in the bin; sums to 1, NaN without carbides.
    """

    angle_deg: FloatArray
    share: FloatArray


def orientation(angle_deg: ArrayLike, length: ArrayLike, weight: ArrayLike, uncertainty_deg: ArrayLike = 0.0) -> Rose:
    """Length-weighted orientation distribution; a bin is centred on the rolling direction.

    A carbide counts in every bin by the chance that its axis lies there. Else those of a few pixels, whose axes can
    only lie along rows, columns and diagonals, would make spikes.

    Parameters
    ----------
    angle_deg
        (n,) major axis from the rolling direction, (-90, 90].
    length
        (n,) length of the carbide, any unit.
    weight
        (n,) edge correction.
    uncertainty_deg
        (n,) standard uncertainty of the angle, normal.
    """
    angle, w = np.asarray(angle_deg, float), np.asarray(length, float) * np.asarray(weight, float)
    unsure = np.broadcast_to(np.asarray(uncertainty_deg, float), angle.shape)
    known = np.isfinite(angle) & np.isfinite(w) & (w > 0)
    angle, w, unsure = angle[known], w[known], unsure[known]
    width = 180 / BINS
    middle = np.asarray(-90 + width * np.arange(BINS), np.float64)
    if not w.sum():
        return Rose(middle, np.full(BINS, np.nan))
    return Rose(middle, w @ _chances(angle, np.maximum(unsure, SURE_DEG), middle, width) / w.sum())


def orientation_order(angle_deg: ArrayLike, length: ArrayLike, weight: ArrayLike) -> float:
    """Mean of cos 2·angle weighted as for `orientation`: 1 all along rolling, 0 no preference, -1 all across."""
    angle, w = np.asarray(angle_deg, float), np.asarray(length, float) * np.asarray(weight, float)
    known = np.isfinite(angle) & np.isfinite(w) & (w > 0)
    w = w[known]
    return float(w @ np.cos(2 * np.radians(angle[known])) / w.sum()) if w.sum() else np.nan


def _chances(angle: FloatArray, unsure: FloatArray, middle: FloatArray, width: float) -> FloatArray:
    """(n, bins) chance that an axis lies in each bin; an axis has no sense, so that 180° is a full turn."""
    from scipy.special import ndtr

    turns = 180.0 * np.arange(-2, 3)
    edges = np.append(middle - width / 2, middle[-1] + width / 2)
    beyond = (edges[:, None] + turns - angle[:, None, None]) / unsure[:, None, None]
    below = np.asarray(beyond > 0, np.float64)
    near = np.abs(beyond) < FAR
    below[near] = ndtr(beyond[near])
    return np.diff(below.sum(axis=2), axis=1)


# Chosen: one field in a hundred without a direction shows one; fewer carbides than ten are not asked.
SIGNIFICANCE = 0.01
FEWEST = 10
FAR_OWED = 3.0
"""Standard uncertainties of what edges owe to one direction, up to which all that is seen may be that (chosen)."""


@dataclass(frozen=True)
class RollingDirection:
    """What the carbides say about the rolling direction.

    Parameters
    ----------
    angle_deg
        From the horizontal, counter-clockwise as seen, 0 to 180; NaN where there is no preferred direction.
    standard_uncertainty_deg
        Of that angle; NaN where there is none.
    p_value
        How often carbides that lie at random show at least as strong a preference; NaN with too few carbides.
    resultant_x, resultant_y, squares
        Sum of the carbides' weighted double-angle vectors, and of their squared weights: those of fields add up.
    owed_deg
        How much of the uncertainty all fields of a lens share, because edges are others in one direction.
    """

    angle_deg: float
    standard_uncertainty_deg: float
    p_value: float
    resultant_x: float = 0.0
    resultant_y: float = 0.0
    squares: float = 0.0
    owed_deg: float = 0.0

    @property
    def found(self) -> bool:
        """Whether the field has a preferred direction."""
        return bool(np.isfinite(self.angle_deg))

    @property
    def issue(self) -> Issue:
        """What a reader must know where nobody gave the direction."""
        if not self.found:
            return issue("no_rolling_direction")
        half = NORMAL_95 * self.standard_uncertainty_deg
        return issue("rolling_estimated", angle_deg=self.angle_deg, half_width_deg=half)


def estimate_rolling_direction(
    angle_deg: ArrayLike, major: ArrayLike, minor: ArrayLike, owed: ArrayLike = 0.0
) -> RollingDirection:
    """Mean axis of the carbides, each weighted by how much longer than wide it is.

    The weighted sum of the double-angle vectors is tested against carbides that lie at random: its squared
    length over the sum of squared weights then is exponential with mean 1 (Rayleigh's test; K. V. Mardia,
    Statistics of Directional Data, 1972; from memory).

    Parameters
    ----------
    angle_deg
        (n,) major axes from the horizontal, counter-clockwise as seen. Leave out carbides that the edge of
        the frame cuts: they lie along the edge.
    major, minor
        (n,) axes of the carbides, in one unit.
    owed
        (n,) standard uncertainty of major less minor by what one direction does to all edges alike. What three times as
        much could show is no direction.
    """
    double = 2 * np.radians(np.asarray(angle_deg, float))
    weight = np.asarray(major, float) - np.asarray(minor, float)
    known = np.isfinite(double) & (weight > 0)
    owed_by = np.broadcast_to(np.asarray(owed, float), weight.shape)[known]
    double, weight = double[known], weight[known]
    if len(weight) < FEWEST:
        return RollingDirection(np.nan, np.nan, np.nan)
    resultant = np.sum(weight * np.exp(1j * double))
    size, squares, shared = float(np.abs(resultant)), float(np.sum(weight**2)), float(owed_by.sum())
    p_value = float(np.exp(-(size**2) / squares))
    sums = float(resultant.real), float(resultant.imag), squares
    if p_value > SIGNIFICANCE or size < FAR_OWED * shared:
        return RollingDirection(np.nan, np.nan, p_value, *sums)
    mean = np.angle(resultant)
    spread = np.sqrt(np.sum((weight * np.sin(double - mean)) ** 2)) / size
    owed_deg = float(np.degrees(shared / size)) / 2
    unsure_deg = float(np.hypot(np.degrees(spread) / 2, owed_deg))
    return RollingDirection(float(np.degrees(mean) / 2 % 180), unsure_deg, p_value, *sums, owed_deg)


def shown_together(found: Sequence[RollingDirection]) -> bool:
    """Whether the carbides of several fields show a direction, all of them together, by the test of a single field.

    Of eight fields without one some field shows one in 8 of 100 specimens; all together do in 1. True where nothing is
    kept of the fields' sums.
    """
    x, y, squares = (sum(getattr(one, name) for one in found) for name in ("resultant_x", "resultant_y", "squares"))
    return not squares > 0 or float(np.exp(-(x**2 + y**2) / squares)) <= SIGNIFICANCE


# A given direction is doubted where the carbides' own lies so far off and is so sure; chosen. Round carbides of 400 to
# 700 a field stay above 0.04 (27 invented and sample fields), elongated ones lie below 1e-7 and within 8° (33 fields).
FAR_OFF_DEG, SURELY_SHOWN, DEVIATIONS = 20.0, 1e-4, 4.0


def doubt_of_given(own: RollingDirection, given_deg: float) -> tuple[Issue, ...]:
    """Return an issue where carbides surely lie along another direction than the one that was given."""
    off = abs(float(_turn(np.asarray(own.angle_deg - given_deg))))
    if own.found and own.p_value < SURELY_SHOWN and off > max(FAR_OFF_DEG, DEVIATIONS * own.standard_uncertainty_deg):
        return (issue("rolling_unlike_given", off_deg=off),)
    return ()


# Halvings of the bracket of the variance between fields: the last step is 1e-12 of the largest it can be.
HALVINGS = 40
# No direction of a field is known better (chosen: a tenth of what a stage is turned by); keeps weights finite.
BEST_KNOWN_DEG = 0.01
# No axis lies farther from another.
FARTHEST_DEG = 90.0


@dataclass(frozen=True, eq=False)
class PooledDirection:
    """Rolling direction of a specimen from those of its fields.

    Parameters
    ----------
    angle_deg
        From the horizontal, counter-clockwise as seen, 0 to 180; NaN without a field that has a direction.
    standard_uncertainty_deg
        Of that angle, such that 1.96 of it hold the direction 95 times in 100: by the scatter between the fields and
        Student's t, as few fields tell little of that scatter, and not below what the fields' own uncertainties give.
    between_deg
        Standard deviation of the direction between fields beyond their own uncertainties.
    p_value
        (fields,) how often a field of the specimen lies as far from the others, times the number of fields
        (Bonferroni); 1 at most, NaN for a field without a direction or without another to compare with.
    """

    angle_deg: float
    standard_uncertainty_deg: float
    between_deg: float
    p_value: FloatArray


def pooled_direction(angle_deg: ArrayLike, standard_uncertainty_deg: ArrayLike) -> PooledDirection:
    """Mean axis of several fields, weighted by their uncertainties and the scatter between them.

    Axes are averaged as double angles, so that 179° and 1° give 0°. The variance between fields is that of R. C. Paule
    and J. Mandel (1982), the uncertainty that of J. Hartung and G. Knapp (2001), not below what the fields' own
    uncertainties give (both from memory). Each field is compared with all others pooled. Simulated in
    `tests/measures/test_pooled_direction.py`: 2 to 5 fields that scatter clearly more than each is unsure are held in
    94 to 97 of 100, those that scatter as much as each is unsure in 94 to 99, those that do not in 97 to 99.5.

    Parameters
    ----------
    angle_deg
        (fields,) rolling directions, any turn; NaN where a field has none.
    standard_uncertainty_deg
        (fields,) their standard uncertainties.
    """
    from scipy.special import ndtr, stdtr

    angle, own = np.asarray(angle_deg, float), np.asarray(standard_uncertainty_deg, float)
    known = np.isfinite(angle) & np.isfinite(own)
    count = int(known.sum())
    p_value = np.full(len(angle), np.nan)
    if not count:
        return PooledDirection(np.nan, np.nan, np.nan, p_value)
    angle, own = angle[known], np.maximum(own[known], BEST_KNOWN_DEG)
    mean, _, between = (value[0] for value in _pool(angle, own, np.ones((1, count))))
    unsure_deg = float(np.sqrt(1 / np.sum(1 / own**2)))
    if count > 1:
        _, variance, square = _weighted(_turn(angle - mean), own, np.ones((1, count)), between[None])
        by_scatter = student_t(count - 1) / NORMAL_95 * float(np.sqrt(variance * square / (count - 1))[0])
        unsure_deg = float(np.clip(by_scatter, unsure_deg, FARTHEST_DEG / NORMAL_95))
        others, unsure, scatter = _pool(angle, own, 1 - np.eye(count))
        total = own**2 + unsure + scatter
        off = np.abs(_turn(angle - others)) / np.sqrt(total)
        # The scatter is known from the other fields only: as many degrees of freedom (F. E. Satterthwaite 1946).
        freedom = np.full(count, np.inf)
        np.divide(max(count - 2, 1) * total**2, scatter**2, out=freedom, where=scatter > 0)
        known_scatter = np.isinf(freedom)
        beyond = np.where(known_scatter, ndtr(-off), stdtr(np.where(known_scatter, 1.0, freedom), -off))
        p_value[known] = np.minimum(1.0, count * 2 * beyond)
    return PooledDirection(float(mean % 180), unsure_deg, float(np.sqrt(between)), p_value)


def _turn(angle_deg: FloatArray) -> FloatArray:
    """Angle of an axis from another, [-90, 90)."""
    return (angle_deg + 90) % 180 - 90


def _pool(angle: FloatArray, own: FloatArray, chosen: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return (sets,) mean axis, its variance and the variance between fields, of sets (sets, fields) of 0 and 1."""
    double = np.angle(chosen @ (np.exp(2j * np.radians(angle)) / own**2))
    start = np.degrees(double) / 2
    off = _turn(angle - start[:, None])
    freedom = chosen.sum(axis=1) - 1
    low = np.zeros(len(chosen))
    high = (chosen * off**2).sum(axis=1)  # with so much between fields the weighted squares are below their mean
    for _ in range(HALVINGS):
        between = (low + high) / 2
        scattered = _weighted(off, own, chosen, between)[2] > freedom
        low, high = np.where(scattered, between, low), np.where(scattered, high, between)
    between = np.where(_weighted(off, own, chosen, np.zeros(len(chosen)))[2] > freedom, low, 0.0)
    shift, variance, square = _weighted(off, own, chosen, between)
    return start + shift, variance * np.maximum(1.0, square / np.maximum(freedom, 1)), between


def _weighted(
    off: FloatArray, own: FloatArray, chosen: FloatArray, between: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return (sets,) weighted mean, its variance and the weighted sum of squares about it."""
    weight = chosen / (own**2 + between[:, None])
    total = weight.sum(axis=1)
    mean = (weight * off).sum(axis=1) / total
    return mean, 1 / total, (weight * (off - mean[:, None]) ** 2).sum(axis=1)
