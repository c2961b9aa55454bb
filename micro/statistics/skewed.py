"""Ratios of field sums whose carbides weigh very unequally: jackknife, Student's t, and a correction for skewness.

A few large carbides carry most of an area-weighted mean. Its error and its standard uncertainty then go together, and
plain intervals miss the truth on the side of the carbides that were not met. The skewness is estimated from all
carbides, the variance from the fields, and P. Hall's cubic transform (On the removal of skewness by transformation,
1992; from memory) puts both into one statistic that is close to Student's.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from micro.statistics.sampling import UNKNOWN, Estimate, FloatArray, student_t
from micro.statistics.two_samples import Contrast

FARTHEST = 1e6
"""Largest factor t looked at for a p value; beyond it the difference is as sure as can be written."""
CLUSTERED = 0.01
"""Fields scatter more than their carbides would on their own where chance does so less often than this. Chosen."""


@dataclass(frozen=True)
class Skewed:
    """A value with its variance and third cumulant, on the scale on which it is judged.

    Parameters
    ----------
    value, variance
        The value, and its variance by leaving out one field at a time.
    third
        Third cumulant of its error; 0 where unknown.
    degrees_of_freedom
        Fields less one.
    """

    value: float
    variance: float
    third: float
    degrees_of_freedom: float

    @property
    def skewness(self) -> float:
        """Of the error."""
        return self.third / self.variance**1.5 if self.variance > 0 else 0.0

    @property
    def interval(self) -> tuple[float, float]:
        """95 % interval; NaN where the fields show no scatter to judge by."""
        if not self.variance > 0:
            return math.nan, math.nan
        below, above = self.reach(student_t(self.degrees_of_freedom))
        return self.value - below, self.value + above

    def reach(self, t: float) -> tuple[float, float]:
        """How far the interval of a factor t of Student's reaches below and above the value."""
        low, high = (float(straightened_back(q, self.skewness)) for q in (t, -t))
        root = math.sqrt(self.variance)
        return root * low, -root * high


def straightened_back(q: float | FloatArray, skewness: float | FloatArray) -> FloatArray:
    """Return the t whose transform t + γ·t²/3 + γ²·t³/27 + γ/6 is q: (3/γ)·(∛(1 + γ·(q - γ/6)) - 1).

    Parameters
    ----------
    q
        Of Student's distribution.
    skewness
        γ, that of the error of the value.
    """
    small = np.abs(skewness) < 1e-6
    g = np.where(small, 1.0, skewness)
    return np.asarray(np.where(small, q, 3 / g * (np.cbrt(1 + g * (q - g / 6)) - 1)))


def log_ratio(
    numerator: FloatArray, denominator: FloatArray, field: NDArray[np.intp], fields: int, of_carbides: bool = True
) -> tuple[Skewed, int]:
    """Logarithm of Σ numerator over Σ denominator, and the fields that entered.

    Assumes fields that are independent, and a skewness as of independent carbides. Simulated in
    `tests/specimens/test_skewed.py`: lognormal diameters with σ 0.4 to 0.6, 3 to 10 fields of 20 or 200 carbides.

    Parameters
    ----------
    numerator, denominator
        (carbides,) what each adds to the sums; both sums are above 0.
    field, fields
        (carbides,) field of each from 0, and the number of fields.
    of_carbides
        Whether the parts are carbides, so many that their skewness is known; fields are too few for that.
    """
    y, x = (np.bincount(field, part, fields) for part in (numerator, denominator))
    seen = x > 0
    n = int(seen.sum())
    whole_y, whole_x = float(y.sum()), float(x.sum())
    if n == 0 or not whole_y > 0:
        return Skewed(math.nan, math.nan, 0.0, math.nan), n
    value = math.log(whole_y / whole_x)
    if n < 2:
        return Skewed(value, math.nan, 0.0, math.nan), n
    rest_y, rest_x = whole_y - y[seen], whole_x - x[seen]
    if not rest_y.min() > 0:
        return Skewed(value, math.nan, 0.0, math.nan), n
    variance = (n - 1) * float(np.var(np.log(rest_y / rest_x)))
    if not of_carbides:
        return Skewed(value, variance, 0.0, n - 1.0), n
    pull = numerator / whole_y
    pull -= denominator / whole_x
    power = pull * pull
    second = float(power.sum())
    power *= pull
    third = float(power.sum()) * scaled_to_carbides(variance, second, n)
    return Skewed(value, variance, third, n - 1.0), n


def scaled_to_carbides(variance: float, of_carbides: float, fields: int) -> float:
    """Return what turns the carbides' third cumulant into one that goes with the variance between fields.

    Where the fields scatter as independent carbides would, the skewness of the carbides stands, and the chance
    scatter of a variance of few fields must not enter. Where they scatter more, by what is no chance, the rest of the
    variance counts as free of skewness.
    """
    from scipy import special

    if not of_carbides > 0:
        return 0.0
    beyond = special.chdtrc(fields - 1, (fields - 1) * variance / of_carbides) < CLUSTERED
    return 1.0 if beyond else (variance / of_carbides) ** 1.5


def mean_of_carbides(numerator: FloatArray, denominator: FloatArray, field: NDArray[np.intp], fields: int) -> Estimate:
    """Σ numerator over Σ denominator as an estimate; parameters as in `log_ratio`."""
    found, n = log_ratio(numerator, denominator, field, fields)
    if not n or math.isnan(found.value):
        return UNKNOWN
    value = math.exp(found.value)
    if n < 2 or math.isnan(found.variance):
        return Estimate(value, math.nan, math.nan, math.nan, math.nan, n)
    if not found.variance > 0:
        return Estimate(value, 0.0, 0.0, 0.0, n - 1.0, n)
    low, high = (math.exp(end) for end in found.interval)
    t = student_t(n - 1)
    std = value * math.sqrt(n * found.variance)
    return Estimate(value, std, max(value - low, 0.0) / t, max(high - value, 0.0) / t, n - 1.0, n)


@dataclass(frozen=True)
class Difference:
    """Value of b less that of a, each with an interval that may be longer on one side than on the other.

    The interval is recovered from those of the sides (G. Y. Zou and A. Donner, 2008; from memory): it reaches
    √(below_b² + above_a²) down and √(above_b² + below_a²) up, with the degrees of freedom that F. E. Satterthwaite
    (1946) gives to both together. Without skewness it is Welch's.

    Parameters
    ----------
    a, b
        The sides, independent of each other.
    shared_variance
        Of errors that all fields of a side share; counts as known and free of skewness.
    """

    a: Skewed
    b: Skewed
    shared_variance: float = 0.0

    @property
    def estimate(self) -> float:
        """Value of b less that of a."""
        return self.b.value - self.a.value

    @property
    def standard_error(self) -> float:
        """Of the difference."""
        return math.sqrt(self.a.variance + self.b.variance + self.shared_variance)

    @property
    def degrees_of_freedom(self) -> float:
        """Of both sides together."""
        below = sum(s.variance**2 / s.degrees_of_freedom for s in (self.a, self.b))
        return self.standard_error**4 / below if below > 0 else math.inf

    @property
    def interval(self) -> tuple[float, float]:
        """95 % interval; NaN where the fields show no scatter to judge by."""
        if not self.standard_error > 0:
            return math.nan, math.nan
        return self._ends(student_t(self.degrees_of_freedom))

    @property
    def p_value(self) -> float:
        """Level at which the interval just reaches 0; NaN where the fields show no scatter to judge by."""
        from scipy import optimize, special

        if not self.standard_error > 0:
            return math.nan

        def beyond(t: float) -> float:
            low, high = self._ends(t)
            return high if self.estimate < 0 else -low

        t = FARTHEST if beyond(FARTHEST) < 0 else 0.0
        if beyond(0.0) < 0 < beyond(FARTHEST):
            t = float(optimize.brentq(beyond, 0.0, FARTHEST))
        return float(2 * special.stdtr(self.degrees_of_freedom, -t))

    def detectable(self, alpha: float) -> float:
        """Smallest true difference that such fields show with a power of 80 % at a level, skewness aside."""
        return Contrast(self.estimate, self.standard_error, self.degrees_of_freedom).detectable(alpha)

    def _ends(self, t: float) -> tuple[float, float]:
        sides = [s.reach(t) if s.variance > 0 else (0.0, 0.0) for s in (self.a, self.b)]
        (below_a, above_a), (below_b, above_b) = sides
        shared = t * math.sqrt(self.shared_variance)
        low, high = math.hypot(below_b, above_a, shared), math.hypot(above_b, below_a, shared)
        return self.estimate - low, self.estimate + high
