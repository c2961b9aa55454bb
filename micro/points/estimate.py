"""What a count says: point fractions with their intervals, and how far the program lies from them."""

from __future__ import annotations

import bisect
import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from micro.statistics.sampling import accuracy_pct, binomial_interval, mean_of_fields, student_t
from micro.statistics.two_samples import Contrast

FEWEST_HITS = 10.0
MOST_FIELDS = 2**19


@dataclass(frozen=True)
class PointFraction:
    """P_P of one specimen; `std` is between fields; what too few fields cannot tell is NaN.

    `widened` says that the interval is wider than Student's, because hits were few or the fields all alike.
    """

    mean: float
    std: float
    low: float
    high: float
    fields: int
    points: int
    hits: float
    widened: bool

    @property
    def relative_accuracy_pct(self) -> float:
        """%RA: half width of the 95 % interval over the fraction; NaN where nothing was hit."""
        return accuracy_pct(self.mean, self.low, self.high)


def point_fraction(fractions: ArrayLike, points: ArrayLike) -> PointFraction:
    """Mean of the field fractions with its 95 % interval t·s/√n, within 0 to 1.

    Below 10 hits, or where all fields agree, s says too little: the interval then also covers that of
    independent points (C. J. Clopper and E. S. Pearson, Biometrika 26, 1934).

    Parameters
    ----------
    fractions
        (fields,) share of the points that hit, a point on a boundary as ½.
    points
        (fields,) points of each field.
    """
    fractions, points = np.asarray(fractions, float), np.asarray(points, float)
    estimate = mean_of_fields(fractions)
    low, high = estimate.interval()
    total, hits = float(points.sum()), float((fractions * points).sum())
    few = min(hits, total - hits) < FEWEST_HITS
    widened = bool(total > 0 and len(fractions) > 1 and (few or estimate.std == 0))
    if widened:
        exact_low, exact_high = binomial_interval(hits, total)
        low, high = min(low, exact_low), max(high, exact_high)
    # Comparisons with NaN are false: an unknown end stays unknown.
    low, high = (0.0 if low < 0 else low), (1.0 if high > 1 else high)
    return PointFraction(estimate.value, estimate.std, low, high, len(fractions), int(total), hits, widened)


def fields_for_accuracy(mean: float, std: float, relative_accuracy_pct: float) -> int | None:
    """Fewest fields with t(0.975, n − 1)·s/√n within the wanted share of the mean; None where that is unknown."""
    if not (mean > 0 and std > 0):
        return None
    wanted = relative_accuracy_pct / 100 * mean

    def enough(fields: int) -> bool:
        return student_t(fields - 1) * std / math.sqrt(fields) <= wanted

    needed = 2 + bisect.bisect_left(range(2, MOST_FIELDS + 1), True, key=enough)
    return needed if needed <= MOST_FIELDS else None


# Twice the wanted %RA: two fractions known that well, each, pass as the same.
TOLERANCE_OF_ACCURACY = 2.0
DIFFERS, AGREES, TOO_SMALL = "differs", "agrees", "too small to tell"


@dataclass(frozen=True)
class Interval:
    """A difference of fractions with its 95 % interval; NaN where it is unknown."""

    value: float
    low: float
    high: float

    def within(self, limit: float) -> bool:
        """Tell whether the whole interval lies within ± limit."""
        return -limit <= self.low and self.high <= limit

    @property
    def excludes_zero(self) -> bool:
        """Whether no difference lies outside the interval."""
        return self.low > 0 or self.high < 0


@dataclass(frozen=True)
class Bias:
    """Counted less measured fraction of one specimen and class, fields as pairs.

    Parameters
    ----------
    specimen
        Empty where all specimens are taken together.
    counted
        P_P.
    measured
        Mean A_A of the counted fields.
    difference
        P_P less A_A: with all the counting noise.
    limits
        Where the difference of the next field is expected in 95 of 100: d ± t·s·√(1 + 1/n), the limits of agreement of
        J. M. Bland and D. G. Altman (Lancet 327, 1986) for few fields; NaN with one.
    judged
        The same difference without counting noise; the verdict rests on it.
    p_value
        Of no such difference, paired t test between fields; NaN with one field, or where the points that
        differ are too few for it.
    fields_wanted
        Fields for the wanted %RA; None where this count does not tell.
    wanted_accuracy_pct
        Wanted %RA.
    """

    specimen: str
    carbide_class: str
    counted: PointFraction
    measured: float
    difference: Interval
    limits: tuple[float, float]
    judged: Interval
    p_value: float
    fields_wanted: int | None
    wanted_accuracy_pct: float

    @property
    def close(self) -> float:
        """Difference that nobody minds: the wanted %RA of the measured fraction."""
        return self.wanted_accuracy_pct / 100 * self.measured

    @property
    def verdict(self) -> str:
        """`differs`, `agrees`, or `too small to tell`."""
        if self.judged.excludes_zero and not self.judged.within(self.close):
            return DIFFERS
        return AGREES if self.judged.within(TOLERANCE_OF_ACCURACY * self.close) else TOO_SMALL

    @property
    def more_fields(self) -> int | None:
        """Fields still to count for the wanted %RA."""
        return None if self.fields_wanted is None else max(0, self.fields_wanted - self.counted.fields)


def biases(fields: pd.DataFrame, wanted_accuracy_pct: float) -> Iterator[Bias]:
    """Bias of every specimen and class, then of all specimens together where there are several.

    Parameters
    ----------
    fields
        Columns POINTS of `micro.tables.columns`.
    """
    specimens = list(dict.fromkeys(fields["specimen"]))
    for specimen in [*specimens, ""] if len(specimens) > 1 else specimens:
        own = fields if specimen == "" else fields[fields["specimen"] == specimen]
        classes = list(dict.fromkeys(own["carbide_class"]))
        # A single class is all there is: it would only say the same again.
        for carbide_class in classes if len(classes) > 2 else classes[:1]:
            yield bias_of(specimen, carbide_class, own[own["carbide_class"] == carbide_class], wanted_accuracy_pct)


def bias_of(specimen: str, carbide_class: str, fields: pd.DataFrame, wanted_accuracy_pct: float) -> Bias:
    """Bias over the fields of one specimen and class.

    Where a grid falls on more carbide than the field holds, the counter and the program's own count on the same
    points both come out too high; what the own count is off, with points everywhere, is known exactly. Taking
    it off leaves the difference unbiased (a control variate; W. G. Cochran, Sampling Techniques, 1977, ch. 7, a
    difference estimator; from memory) and frees it of most of the counting noise.
    """
    counted = point_fraction(fields["point_fraction"], fields["grid_points"])
    measured, difference = float(fields["area_fraction"].mean()), mean_of_fields(fields["difference"])
    judged = mean_of_fields(fields["judged_difference"])
    low, high = judged.interval()
    p_value = Contrast(judged.value, judged.standard_uncertainty, judged.degrees_of_freedom).p_value
    above, below, points = (float(fields[c].sum()) for c in ("points_above", "points_below", "grid_points"))
    if above + below < FEWEST_HITS or judged.std == 0:
        # So few points that differ scatter less between fields than they would in another draw.
        exact_low, exact_high = _few_points_interval(above, below, points, judged.value)
        low, high, p_value = min(low, exact_low), max(high, exact_high), math.nan
    plain_low, plain_high = difference.interval()
    if counted.widened:
        plain_low, plain_high = min(plain_low, counted.low - measured), max(plain_high, counted.high - measured)
    # The next field scatters, and the mean it scatters about is itself uncertain.
    half = student_t(difference.degrees_of_freedom) * difference.std * math.sqrt(1 + 1 / max(len(fields), 1))
    return Bias(
        specimen=specimen,
        carbide_class=carbide_class,
        counted=counted,
        measured=measured,
        difference=Interval(difference.value, plain_low, plain_high),
        limits=(difference.value - half, difference.value + half),
        judged=Interval(judged.value, low, high),
        p_value=p_value,
        fields_wanted=fields_for_accuracy(counted.mean, counted.std, wanted_accuracy_pct),
        wanted_accuracy_pct=wanted_accuracy_pct,
    )


def _few_points_interval(above: float, below: float, points: float, value: float) -> tuple[float, float]:
    """Interval of a difference about which only the points above and below tell.

    Each share has its interval by Clopper and Pearson; the two are joined by the squares of their half widths
    (R. G. Newcombe, Statistics in Medicine 17, 1998, 873; from memory).
    """
    up, down = above / points, below / points
    up_low, up_high = binomial_interval(above, points)
    down_low, down_high = binomial_interval(below, points)
    return value - math.hypot(up - up_low, down_high - down), value + math.hypot(up_high - up, down - down_low)
