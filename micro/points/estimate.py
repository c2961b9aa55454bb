"""The point fraction, its interval, and how many more fields it needs (ASTM E562, ISO 9042)."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from micro.specimens.sampling import mean_of_fields, student_t

FEWEST_HITS = 10.0
MOST_FIELDS = 1_000_000


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
        return 100 * (self.high - self.low) / 2 / self.mean if self.mean > 0 else math.nan


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
        exact_low, exact_high = independent_points_interval(hits, total)
        low, high = min(low, exact_low), max(high, exact_high)
    # Comparisons with NaN are false: an unknown end stays unknown.
    low, high = (0.0 if low < 0 else low), (1.0 if high > 1 else high)
    return PointFraction(estimate.value, estimate.std, low, high, len(fractions), int(total), hits, widened)


def independent_points_interval(hits: float, points: float) -> tuple[float, float]:
    """95 % interval of Clopper and Pearson for `hits` of `points` independent points; halves are allowed."""
    from scipy import special

    low = float(special.betaincinv(hits, points - hits + 1, 0.025)) if hits > 0 else 0.0
    high = float(special.betaincinv(hits + 1, points - hits, 0.975)) if hits < points else 1.0
    return low, high


def fields_for_accuracy(mean: float, std: float, relative_accuracy_pct: float) -> int | None:
    """Fewest fields with t(0.975, n − 1)·s/√n within the wanted share of the mean; None where that is unknown."""
    if not (mean > 0 and std > 0):
        return None
    wanted = relative_accuracy_pct / 100 * mean
    low, high = 1, 2
    while student_t(high - 1) * std / math.sqrt(high) > wanted:
        low, high = high, 2 * high
        if high > MOST_FIELDS:
            return None
    while high - low > 1:
        middle = (low + high) // 2
        enough = student_t(middle - 1) * std / math.sqrt(middle) <= wanted
        low, high = (low, middle) if enough else (middle, high)
    return high
