"""Lognormal size distribution: fit, and how well it fits."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from micro.statistics.sampling import FloatArray, student_t

Ends = tuple[float, float]


@dataclass(frozen=True)
class Lognormal:
    """Lognormal distribution of sizes.

    Parameters
    ----------
    median
        In the unit of the sizes.
    sigma
        Standard deviation of the logarithm.
    greatest_gap
        Largest distance of the measured cumulative share from the fitted one, 0 to 1 (Kolmogorov's D).
    """

    median: float
    sigma: float
    greatest_gap: float


def fit_lognormal(size: FloatArray, weight: FloatArray, limit: float = 0.0) -> Lognormal:
    """Fit by largest likelihood: weighted mean and standard deviation of the logarithm; above a limit, a cut normal.

    Goodness is stated as a distance and not as a p-value: carbides of a field are not independent, and thousands
    of them refuse any smooth curve.

    Parameters
    ----------
    size, weight
        (carbides,) size above 0, and edge correction; carbides of weight 0 do not enter.
    limit
        Size from which on carbides are seen; smaller ones do not enter, and the law says how many there are.
    """
    from scipy.special import ndtr

    counts = (weight > 0) & (size >= limit)
    if counts.sum() < 2:
        return Lognormal(math.nan, math.nan, math.nan)
    size, weight = size[counts], weight[counts]
    order = np.argsort(size)
    logs, w = np.log(size[order]), weight[order] / weight.sum()
    del order
    mean = float(w @ logs)
    sigma = math.sqrt(float(w @ (logs - mean) ** 2))
    if not sigma > 0:
        return Lognormal(math.exp(mean), 0.0, math.nan)
    if limit > 0:
        mean, sigma = _cut_normal(mean, sigma**2, math.log(limit))
    below = ndtr((math.log(limit) - mean) / sigma) if limit > 0 else 0.0
    logs -= mean
    logs /= sigma
    beyond = np.cumsum(w)
    beyond -= (ndtr(logs) - below) / (1 - below)
    gap = max(np.max(beyond), np.max(w - beyond))
    return Lognormal(math.exp(mean), sigma, float(gap))


def _cut_normal(mean: float, variance: float, limit: float) -> tuple[float, float]:
    """Mean and standard deviation of the normal law whose part above `limit` has this mean and variance.

    Largest likelihood of a law cut on one side (A. C. Cohen 1950, from memory): both moments are matched.
    """
    from scipy import optimize, special

    def misfit(parameters: FloatArray) -> FloatArray:
        middle, spread = float(parameters[0]), math.exp(float(parameters[1]))
        z = (limit - middle) / spread
        hazard = math.exp(-0.5 * z * z - 0.5 * math.log(2 * math.pi) - float(special.log_ndtr(-z)))
        cut_mean, cut_variance = middle + spread * hazard, spread**2 * (1 + z * hazard - hazard**2)
        return np.array([(cut_mean - mean) / math.sqrt(variance), cut_variance / variance - 1])

    found = optimize.root(misfit, [mean, 0.5 * math.log(variance)])
    if not found.success:
        return math.nan, math.nan
    return float(found.x[0]), math.exp(float(found.x[1]))


def lognormal_ci95(
    size: FloatArray, weight: FloatArray, field: NDArray[np.integer], limit: float = 0.0
) -> tuple[Ends, Ends]:
    """Return the 95 % intervals of median and sigma from the scatter between fields; NaN with fewer than two.

    Parameters
    ----------
    size, weight
        (carbides,) as in `fit_lognormal`.
    field
        (carbides,) number of the field of each, from 0.
    """
    counts = (weight > 0) & (size >= limit)
    logs, w, field = np.log(size[counts]), weight[counts], field[counts]
    # Sums of each field, without their own mean so that no figure is lost in the squares.
    shift = float(np.average(logs, weights=w)) if w.size else 0.0
    logs = logs - shift
    sums = grouped(np.array([np.bincount(field, w * logs**power) for power in range(3)]).T).T
    left = sums.sum(axis=1, keepdims=True) - sums
    n = sums.shape[1]
    if n < 2:
        return (math.nan, math.nan), (math.nan, math.nan)
    fitted = fit_lognormal(size, weight, limit)
    moved = math.log(fitted.median)
    means, variances = left[1] / left[0], left[2] / left[0] - (left[1] / left[0]) ** 2
    if limit > 0:
        cut = math.log(limit) - shift
        means, spreads = np.array([_cut_normal(m, v, cut) for m, v in zip(means, variances, strict=True)]).T
    else:
        spreads = np.sqrt(variances)
    mean_ends = jackknife_ends(moved, means, n)
    sigma_ends = jackknife_ends(math.log(fitted.sigma), np.log(spreads), n)
    return mean_ends, sigma_ends


MOST_LEFT_OUT = 400
"""Fields up to which each is left out alone. A fit is then made anew so many times, and no more: of more fields, groups
are left out, and the width of the interval is known to √(1/800), 4 % (of a normal law's standard deviation)."""


def grouped(sums: FloatArray) -> FloatArray:
    """Sum (groups, ...) over groups of fields from what each field has (fields, ...); every field alone where few.

    Fields so many places apart are of one group: neighbours, which may have a trouble in common, are not.
    """
    if len(sums) <= MOST_LEFT_OUT:
        return sums
    return np.array([sums[first::MOST_LEFT_OUT].sum(axis=0) for first in range(MOST_LEFT_OUT)])


def jackknife_ends(value: float, left: FloatArray, fields: int) -> Ends:
    """95 % interval of exp(value) from the values with each field left out (J. W. Tukey 1958, from memory).

    Parameters
    ----------
    value
        A logarithm.
    left
        (fields,) the same with each field left out, up to a constant.
    """
    half = student_t(fields - 1) * math.sqrt((fields - 1) * float(np.var(left)))
    return math.exp(value - half), math.exp(value + half)
