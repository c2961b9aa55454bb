"""Fields as the sampling unit: estimate, standard deviation between fields, 95 % interval by Student's t."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]
LEVEL = 0.95
NORMAL_95 = 1.959964
"""Standard uncertainties on either side of a 95 % interval of the normal distribution."""


@dataclass(frozen=True)
class Estimate:
    """One number for a specimen, as far as the scatter between its fields tells.

    Parameters
    ----------
    value
        The estimate; NaN where the fields do not tell.
    std
        Standard deviation between fields, such that std/√fields is the standard uncertainty.
    below, above
        Standard uncertainty towards lower and higher values; NaN with fewer than two fields.
    degrees_of_freedom
        For Student's t.
    fields
        Number of fields that entered.
    """

    value: float
    std: float
    below: float
    above: float
    degrees_of_freedom: float
    fields: int

    @property
    def standard_uncertainty(self) -> float:
        """Mean of both sides."""
        return (self.below + self.above) / 2

    def interval(self, level: float = LEVEL) -> tuple[float, float]:
        """Two-sided interval from the scatter between fields alone."""
        t = student_t(self.degrees_of_freedom, level)
        return self.value - t * self.below, self.value + t * self.above


UNKNOWN = Estimate(math.nan, math.nan, math.nan, math.nan, math.nan, 0)


def student_t(degrees_of_freedom: float, level: float = LEVEL) -> float:
    """Two-sided Student t factor; NaN below one degree of freedom."""
    from scipy import special

    if not degrees_of_freedom >= 1:
        return math.nan
    if math.isinf(degrees_of_freedom):
        return float(special.ndtri((1 + level) / 2))
    return float(special.stdtrit(degrees_of_freedom, (1 + level) / 2))


def accuracy_pct(value: float, low: float, high: float) -> float:
    """%RA: half width of an interval over the size of the value, in percent (ASTM E562); NaN where that is 0."""
    return 100 * (high - low) / 2 / abs(value) if value else math.nan


WEIGHT_OF_JOINED = 0.8
"""The joined interval counts so much in the mean. Chosen: of bars of any scatter 93.3 to 97.8 % are held then, at 1.0
up to 98.9 %, at 0.7 down to 92.8 % (tests/statistics/test_few_fields.py)."""


def joined_with_within(estimate: Estimate, within: float, degrees_of_freedom: float) -> Estimate:
    """Estimate from few fields with the mean of two intervals: by their scatter, and by what they show within.

    Few fields tell their own scatter badly. Were the bar alike at all places, they would scatter less than they do with
    a chance P (F test): squares of half widths are averaged, with weight P for that by the scatter between them, the
    rest for the joined variance of both (by their degrees of freedom; F. E. Satterthwaite, 1946, where variances are
    equal; from memory). So the interval moves without a jump from the one to the other as fields lie further apart, and
    is wider than chance made it where they lie too close.

    Parameters
    ----------
    within
        Standard uncertainty of the value from within the fields alone; NaN: not told.
    degrees_of_freedom
        Of `within`.
    """
    from scipy import special

    own, between = estimate.degrees_of_freedom, estimate.standard_uncertainty
    if not (within > 0 and own >= 1):
        return estimate
    apart = float(special.fdtr(own, degrees_of_freedom, (between / within) ** 2))
    every = own + degrees_of_freedom
    joined = WEIGHT_OF_JOINED**2 * (own * between**2 + degrees_of_freedom * within**2) / every
    parts = (1 - apart) * joined, apart * between**2
    # Degrees of freedom whose t makes that half width of both parts together.
    t = math.sqrt((parts[0] * student_t(every) ** 2 + parts[1] * student_t(own) ** 2) / sum(parts))
    below, above = (math.sqrt(parts[0] + apart * side**2) for side in (estimate.below, estimate.above))
    freedom = min(max(float(special.stdtridf((1 + LEVEL) / 2, t)), own), every)  # but for rounding it lies between
    return replace(estimate, below=below, above=above, degrees_of_freedom=freedom)


def mean_of_fields(values: ArrayLike) -> Estimate:
    """Mean x̄, s, and s/√n with n - 1 degrees of freedom (ASTM E562, ISO 9042); NaN fields do not enter.

    Parameters
    ----------
    values
        (fields,) one value a field.
    """
    values = np.asarray(values, float)
    return ratio_of_fields(values, np.ones_like(values))


def binomial_interval(hits: float, number: float) -> tuple[float, float]:
    """Exact 95 % interval of a share (C. J. Clopper and E. S. Pearson, Biometrika 26, 1934); halves are allowed.

    Examples
    --------
    >>> low, high = binomial_interval(8, 10)
    >>> round(low, 3), round(high, 3)
    (0.444, 0.975)

    """
    from scipy import special

    tail = (1 - LEVEL) / 2
    low = float(special.betaincinv(hits, number - hits + 1, tail)) if hits > 0 else 0.0
    high = float(special.betaincinv(hits + 1, number - hits, 1 - tail)) if hits < number else 1.0
    return low, high


def share_of_fields(holds: ArrayLike) -> Estimate:
    """Share of the fields for which something holds, with the exact binomial interval (Clopper and Pearson 1934).

    Parameters
    ----------
    holds
        (fields,) True or False.
    """
    found = np.asarray(holds, bool)
    fields, count = len(found), int(found.sum())
    if fields == 0:
        return UNKNOWN
    share = count / fields
    low, high = binomial_interval(count, fields)
    t = student_t(fields - 1)
    std = float(found.std(ddof=1)) if fields > 1 else math.nan
    return Estimate(share, std, (share - low) / t, (high - share) / t, fields - 1, fields)


def ratio_of_fields(numerators: ArrayLike, denominators: ArrayLike) -> Estimate:
    """Σ numerators over Σ denominators, with the uncertainty by leaving out one field at a time.

    A carbide of a crowded field weighs as much as one of a sparse field, yet only fields are independent.
    Equal denominators give x̄ and s/√n exactly.

    Parameters
    ----------
    numerators, denominators
        (fields,) sums of each field. Fields with NaN, or without denominator, do not enter.
    """
    y, x = np.asarray(numerators, float), np.asarray(denominators, float)
    known = np.isfinite(y) & np.isfinite(x) & (x > 0)
    y, x = y[known], x[known]
    n = len(y)
    if n == 0:
        return UNKNOWN
    ratio = y.sum() / x.sum()
    if n == 1:
        return Estimate(float(ratio), math.nan, math.nan, math.nan, math.nan, 1)
    uncertainty = float(uncertainty_of_ratio(y, x))
    return Estimate(float(ratio), uncertainty * math.sqrt(n), uncertainty, uncertainty, n - 1.0, n)


def uncertainty_of_ratio(numerators: FloatArray, denominators: FloatArray) -> FloatArray:
    """Return the standard uncertainty of Σ numerators over Σ denominators, by leaving out one field at a time.

    Leaving out field i moves the ratio R by (y_i - R·x_i)/(Σx - x_i); the jackknife variance is (n - 1)/n·Σ of the
    squared moves about their mean (W. G. Cochran, Sampling Techniques, 1977, ch. 6; from memory).

    Parameters
    ----------
    numerators
        (fields,), or (fields, m) for m ratios over the same denominators.
    denominators
        (fields,), two or more, above 0.
    """
    y, x = numerators.T, denominators
    moves = (y - (y.sum(axis=-1) / x.sum())[..., None] * x) / (x.sum() - x)
    return np.asarray(np.sqrt((len(x) - 1) * np.var(moves, axis=-1)))


def resamples(fields: int, draws: int, rng: np.random.Generator) -> FloatArray:
    """(draws, fields) how often each field occurs in each field-level bootstrap resample."""
    return rng.multinomial(fields, np.full(fields, 1 / fields), size=draws).astype(float)
