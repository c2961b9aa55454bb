"""The largest carbide to expect in an area: Gumbel distribution of the largest of each field (ASTM E2283)."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike

from micro.statistics.sampling import UNKNOWN, Estimate, FloatArray, student_t

EULER = 0.5772156649
FEWEST = 3


@dataclass(frozen=True)
class Gumbel:
    """Distribution of the largest carbide of a field.

    Parameters
    ----------
    location, scale
        In the unit of the largest.
    fields
        Number of fields it was fitted to.
    """

    location: float
    scale: float
    fields: int

    def value(self, return_period: float) -> float:
        """Largest expected on `return_period` fields, x(T) = location + scale·y (ASTM E2283, from memory)."""
        return self.location + self.scale * reduced_variate(return_period)

    def standard_error(self, return_period: float) -> float:
        """SE = scale·√((1.109 + 0.514·y + 0.608·y²)/n) (ASTM E2283, from memory)."""
        y = reduced_variate(return_period)
        return self.scale * math.sqrt((1.109 + 0.514 * y + 0.608 * y**2) / self.fields)

    def expected(self, return_period: float) -> Estimate:
        """Largest expected on `return_period` fields with its 95 % interval.

        Twice the standard error covers only 90 % with 4 to 30 fields. Yet (x(T) - mean)/s follows one law whatever
        location and scale: its quantiles, simulated with a fixed seed, give the interval.

        Parameters
        ----------
        return_period
            Area asked about over the area of a field; above 1.
        """
        if not return_period > 1 or self.fields < FEWEST or not math.isfinite(self.scale):
            return UNKNOWN
        value = self.value(return_period)
        s = self.scale * math.pi / math.sqrt(6)
        mean = self.location + EULER * self.scale
        low, high = (mean + s * q for q in _pivot(self.fields, return_period))
        t = student_t(self.fields - 1)
        below, above = max(value - low, 0.0) / t, max(high - value, 0.0) / t
        return Estimate(
            value, (below + above) / 2 * math.sqrt(self.fields), below, above, self.fields - 1.0, self.fields
        )


@lru_cache(maxsize=256)
def _pivot(fields: int, return_period: float) -> tuple[float, float]:
    """Quantiles at 2.5 and 97.5 % of (x(T) - mean)/s over samples of `fields`."""
    means, stds = _simulated(fields)
    low, high = np.quantile((reduced_variate(return_period) - means) / stds, [0.025, 0.975]).tolist()
    return low, high


@lru_cache(maxsize=64)
def _simulated(fields: int) -> tuple[FloatArray, FloatArray]:
    """Mean and standard deviation, each (draws,), of samples of `fields` from a Gumbel distribution."""
    rng = np.random.default_rng(0)
    draws = max(2000, min(40_000, 4_000_000 // fields))
    sample = rng.gumbel(size=(draws, fields))
    return sample.mean(axis=1), sample.std(axis=1, ddof=1)


def reduced_variate(return_period: float) -> float:
    """Return y of a return period T: -ln(-ln(1 - 1/T))."""
    return -math.log(-math.log1p(-1 / return_period))


def gumbel_by_moments(largest: ArrayLike) -> Gumbel:
    """Scale s·√6/π and location x̄ - 0.5772·scale (ASTM E2283, from memory).

    Parameters
    ----------
    largest
        (fields,) largest carbide of each field; NaN fields do not enter.
    """
    values = np.asarray(largest, float)
    values = values[np.isfinite(values)]
    if len(values) < 2:
        return Gumbel(math.nan, math.nan, len(values))
    scale = float(values.std(ddof=1)) * math.sqrt(6) / math.pi
    return Gumbel(float(values.mean()) - EULER * scale, scale, len(values))


def largest_of_fields(largest: ArrayLike) -> Estimate:
    """Largest seen, with the interval of the largest expected on as many fields.

    A resample never holds a carbide larger than the largest seen, so the interval comes from the Gumbel
    distribution; it is stretched to the largest seen where that lies outside.
    """
    values = np.asarray(largest, float)
    values = values[np.isfinite(values)]
    n = len(values)
    if n == 0:
        return UNKNOWN
    value = float(values.max())
    std = float(values.std(ddof=1)) if n > 1 else math.nan
    expected = gumbel_by_moments(values).expected(n)
    if not expected.fields:
        return Estimate(value, std, math.nan, math.nan, math.nan, n)
    t = student_t(n - 1)
    low, high = expected.interval()
    return Estimate(value, std, max(value - low, 0.0) / t, max(high - value, 0.0) / t, n - 1.0, n)


def gumbel_p_value(largest: ArrayLike) -> float:
    """Chance of so much better a fit by the generalised extreme value distribution, were Gumbel true.

    Likelihood ratio with one degree of freedom; low values refuse the Gumbel distribution. NaN with fewer than
    ten fields, which cannot tell.
    """
    values = np.asarray(largest, float)
    values = values[np.isfinite(values)]
    if len(values) < 10 or not values.std() > 0:
        return math.nan
    from scipy import stats

    start = stats.gumbel_r.fit(values)
    shape = stats.genextreme.fit(values, 0.0, loc=start[0], scale=start[1])
    gain = stats.genextreme.logpdf(values, *shape).sum() - stats.gumbel_r.logpdf(values, *start).sum()
    return float(stats.chi2.sf(2 * max(float(gain), 0.0), 1))
