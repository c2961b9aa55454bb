"""The largest carbide to expect in an area: Gumbel distribution of the largest of each field (ASTM E2283)."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike

from micro.statistics.sampling import UNKNOWN, Estimate, FloatArray, student_t

FEWEST = 3
FEWEST_TO_CHECK = 10
"""Fields below which no test tells a Gumbel distribution from another. Chosen."""
FARTHEST = 10.0
"""Area asked about over the area measured, at most. Chosen; lognormal diameters are then held by the interval in
`tests/specimens/test_largest.py`, and two populations of carbides are not."""
TOP = 10
"""Carbides on which the largest of another field rests. Simulated with 10, 16 and 30, and with 9 and 16 sub-areas in
their place: more of them hold less where the logarithm of the sizes scatters by 0.5 and more. Chosen."""
STEPS = 40
MOST_DRAWN = 1_000_000
"""Numbers drawn at once; chosen: what is drawn for up to 500 fields is in one part."""
MEDIAN = -math.log(math.log(2))
"""Reduced variate that is exceeded half of the time."""


@dataclass(frozen=True)
class Gumbel:
    """Distribution of the largest carbide of a field.

    Parameters
    ----------
    location, scale
        In the unit of the largest.
    """

    location: float
    scale: float
    fields: int

    def value(self, return_period: float) -> float:
        """Return value x(T) = location + scale·y (ASTM E2283, from memory).

        One field in T exceeds it; of the largest on T fields 63 % do (1 - 1/e), so it is not what to expect there.
        """
        return self.location + self.scale * reduced_variate(return_period)

    def standard_error(self, return_period: float) -> float:
        """SE = scale·√((1.109 + 0.514·y + 0.608·y²)/n) of `value` by largest likelihood (ASTM E2283, from memory)."""
        y = reduced_variate(return_period)
        return self.scale * math.sqrt((1.109 + 0.514 * y + 0.608 * y**2) / self.fields)

    def expected(self, times: float) -> Estimate:
        """Largest carbide on as much area as `times` fields: its median, and an interval that holds it at 95 %.

        The largest to come scatters as well as the fit. (Largest to come - location)/scale follows one law whatever
        location and scale: its quantiles, simulated with a fixed seed, give the interval.

        Parameters
        ----------
        times
            Area asked about over the area of a field; above 0.

        Returns
        -------
        Unknown with fewer than three fields, and beyond ten times the area measured.
        """
        if self.fields < FEWEST or not self.scale > 0 or not 0 < times <= FARTHEST * self.fields * (1 + 1e-9):
            return UNKNOWN
        value = self.location + self.scale * (MEDIAN + math.log(times))
        low, high = (self.location + self.scale * (q + math.log(times)) for q in _pivot(self.fields, times))
        t = student_t(self.fields - 1)
        below, above = max(value - low, 0.0) / t, max(high - value, 0.0) / t
        return Estimate(
            value, (below + above) / 2 * math.sqrt(self.fields), below, above, self.fields - 1.0, self.fields
        )


@lru_cache(maxsize=256)
def _pivot(fields: int, times: float) -> tuple[float, float]:
    """Quantiles at 2.5 and 97.5 % of (largest on `times` new fields - location)/scale, less ln times."""
    location, scale = _simulated(fields)
    new = np.random.default_rng(1).gumbel(size=len(location)) + math.log(times)
    low, high = (np.quantile((new - location) / scale, [0.025, 0.975]) - math.log(times)).tolist()
    return low, high


@lru_cache(maxsize=64)
def _simulated(fields: int) -> tuple[FloatArray, FloatArray]:
    """Location and scale, each (draws,), fitted to samples of `fields` from the Gumbel distribution of 0 and 1."""
    draws = max(2000, min(20_000, 1_000_000 // fields))
    rng, at_once = np.random.default_rng(0), max(1, MOST_DRAWN // fields)
    found = [likeliest(rng.gumbel(size=(min(at_once, draws - k), fields))) for k in range(0, draws, at_once)]
    location, scale = (np.concatenate(columns) for columns in zip(*found, strict=True))
    return location, scale


def reduced_variate(return_period: float) -> float:
    """Return y of a return period T: -ln(-ln(1 - 1/T))."""
    return -math.log(-math.log1p(-1 / return_period))


def likeliest(samples: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Location and scale of largest likelihood, each (samples,), by Newton's steps on the logarithm of the scale.

    The scale δ solves δ = x̄ - Σ x·e^(-x/δ)/Σ e^(-x/δ); the location is -δ·ln of the mean of e^(-x/δ).

    Parameters
    ----------
    samples
        (samples, fields), two fields or more that are not all the same.
    """
    x = samples - samples.min(axis=1, keepdims=True)
    mean = x.mean(axis=1)
    scale = x.std(axis=1, ddof=1) * math.sqrt(6) / math.pi
    for _ in range(STEPS):
        weight = np.exp(-x / scale[:, None])
        total, first = weight.sum(axis=1), (weight * x).sum(axis=1)
        tilted = first / total
        spread = (weight * x * x).sum(axis=1) / total - tilted**2
        gap = scale - mean + tilted
        step = np.clip(gap / (scale + spread / scale), -0.5, 0.5)
        scale = scale * np.exp(-step)
        if np.abs(step).max() < 1e-10:
            break
    location = samples.min(axis=1) - scale * np.log(np.exp(-x / scale[:, None]).mean(axis=1))
    return location, scale


def fit_gumbel(largest: ArrayLike) -> Gumbel:
    """Fit by largest likelihood, as ASTM E2283 does (from memory).

    Parameters
    ----------
    largest
        (fields,) largest carbide of each field; NaN fields do not enter.
    """
    values = _known(largest)
    if len(values) < 2 or not np.ptp(values) > 0:
        return Gumbel(math.nan, math.nan, len(values))
    location, scale = likeliest(values[None])
    return Gumbel(float(location[0]), float(scale[0]), len(values))


def _known(largest: ArrayLike) -> FloatArray:
    values = np.asarray(largest, float)
    return values[np.isfinite(values)]


def largest_of_fields(largest: ArrayLike) -> Estimate:
    """Largest seen, with the interval that holds the largest on as many fields of the same bar.

    A resample never holds a carbide larger than the largest seen, so the interval comes from the Gumbel
    distribution; it is stretched to the largest seen where that lies outside.
    """
    values = _known(largest)
    n = len(values)
    if n == 0:
        return UNKNOWN
    value = float(values.max())
    std = float(values.std(ddof=1)) if n > 1 else math.nan
    expected = fit_gumbel(values).expected(n)
    if not expected.fields:
        return Estimate(value, std, math.nan, math.nan, math.nan, n)
    t = student_t(n - 1)
    low, high = expected.interval()
    return Estimate(value, std, max(value - low, 0.0) / t, max(high - value, 0.0) / t, n - 1.0, n)


def largest_of_another(ecd: FloatArray) -> tuple[float, float]:
    """Interval that holds the largest carbide of another field like this one, from the largest few of this one.

    Beyond a size that few exceed, excesses are near an exponential law (the Gumbel domain), so that the largest to come
    is x_r + δ·(ln r + G), with x_r the r-th largest, δ the mean excess over it and G a Gumbel variate (I. Weissman,
    JASA 73, 1978; from memory). (Largest to come - x_r)/δ follows one law, whose quantiles are simulated with a fixed
    seed. Where the carbides lie does not enter.

    Parameters
    ----------
    ecd
        (n,) diameters of the carbides of the field, in any unit.

    Returns
    -------
    NaN with fewer than twice the carbides that it rests on.
    """
    if len(ecd) < 2 * TOP:
        return math.nan, math.nan
    top = np.sort(ecd)[: -TOP - 1 : -1]
    excess = float(top[:-1].mean() - top[-1])
    low, high = (float(top[-1]) + excess * quantile for quantile in _pivot_of_top())
    return min(low, float(top[0])), max(high, float(top[0]))


@lru_cache(maxsize=1)
def _pivot_of_top() -> tuple[float, float]:
    """Quantiles at 2.5 and 97.5 % of (largest to come - x_r)/δ, r the TOP-th largest.

    The largest of many have -ln of the times of a Poisson process of rate 1 as their law.
    """
    rng = np.random.default_rng(0)
    top = -np.log(np.cumsum(rng.exponential(size=(40_000, TOP)), axis=1))
    pivot = (rng.gumbel(size=len(top)) - top[:, -1]) / (top[:, :-1].mean(axis=1) - top[:, -1])
    low, high = np.quantile(pivot, [0.025, 0.975]).tolist()
    return low, high


def gumbel_p_value(largest: ArrayLike) -> float:
    """Chance of so much better a fit by the generalised extreme value distribution, were Gumbel true.

    Likelihood ratio with one degree of freedom; low values refuse the Gumbel distribution. NaN with fewer than
    ten fields, which cannot tell.
    """
    values = _known(largest)
    if len(values) < FEWEST_TO_CHECK or not values.std() > 0:
        return math.nan
    from scipy import optimize, special

    fitted = fit_gumbel(values)
    start = np.array([0.0, fitted.location, fitted.scale])

    def misfit(law: FloatArray) -> float:
        return -log_likelihood(values, law)

    found = optimize.minimize(misfit, start, method="Nelder-Mead")
    gain = misfit(start) - float(found.fun)
    return float(special.chdtrc(1, 2 * max(gain, 0.0)))


def log_likelihood(values: FloatArray, law: FloatArray) -> float:
    """Logarithm of the likelihood of a generalised extreme value distribution with shape, location and scale `law`.

    `scipy.stats` has it too, and takes as long to load as two fields to measure. With z the reduced size its density is
    y·exp(-y)/scale to the power of 1 - shape of y, y = (1 - shape·z)^(1/shape); Gumbel's law where the shape is 0.
    """
    shape, location, scale = law.tolist()
    if not scale > 0:
        return -math.inf
    z = (values - location) / scale
    if abs(shape) < 1e-12:
        logs = -z
    elif (shape * z < 1).all():
        logs = np.log1p(-shape * z) / shape
    else:
        return -math.inf
    return float(((1 - shape) * logs - np.exp(logs)).sum()) - len(values) * math.log(scale)
