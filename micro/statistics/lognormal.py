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


def fit_lognormal(size: FloatArray, weight: FloatArray) -> Lognormal:
    """Fit by the weighted mean and standard deviation of the logarithm (largest likelihood).

    Goodness is stated as a distance and not as a p-value: carbides of a field are not independent, and thousands
    of them refuse any smooth curve.

    Parameters
    ----------
    size, weight
        (carbides,) size above 0, and edge correction; carbides of weight 0 do not enter.
    """
    from scipy.special import ndtr

    counts = weight > 0
    if counts.sum() < 2:
        return Lognormal(math.nan, math.nan, math.nan)
    order = np.argsort(size[counts])
    logs, w = np.log(size[counts][order]), weight[counts][order] / weight[counts].sum()
    mean = float(w @ logs)
    sigma = math.sqrt(float(w @ (logs - mean) ** 2))
    if not sigma > 0:
        return Lognormal(math.exp(mean), 0.0, math.nan)
    fitted, up_to = ndtr((logs - mean) / sigma), np.cumsum(w)
    gap = max(np.max(up_to - fitted), np.max(fitted - (up_to - w)))
    return Lognormal(math.exp(mean), sigma, float(gap))


def lognormal_ci95(size: FloatArray, weight: FloatArray, field: NDArray[np.integer]) -> tuple[Ends, Ends]:
    """Return the 95 % intervals of median and sigma from the scatter between fields; NaN with fewer than two.

    Parameters
    ----------
    size, weight
        (carbides,) as in `fit_lognormal`.
    field
        (carbides,) number of the field of each, from 0.
    """
    counts = weight > 0
    logs, w, field = np.log(size[counts]), weight[counts], field[counts]
    # Sums of each field, without their own mean so that no figure is lost in the squares.
    logs = logs - np.average(logs, weights=w) if w.size else logs
    sums = np.array([np.bincount(field, w * logs**power) for power in range(3)])
    whole, left = sums.sum(axis=1), sums.sum(axis=1, keepdims=True) - sums
    n = sums.shape[1]
    if n < 2:
        return (math.nan, math.nan), (math.nan, math.nan)
    middle = math.log(fit_lognormal(size, weight).median)
    spread = 0.5 * np.log(left[2] / left[0] - (left[1] / left[0]) ** 2)
    mean_ends = _jackknife(middle, left[1] / left[0], n)
    sigma_ends = _jackknife(0.5 * math.log(whole[2] / whole[0]), spread, n)
    return mean_ends, sigma_ends


def _jackknife(value: float, left: FloatArray, fields: int) -> Ends:
    """Return the 95 % interval of exp(value) from the values with each field left out (Tukey 1958, from memory)."""
    half = student_t(fields - 1) * math.sqrt((fields - 1) * float(np.var(left)))
    return math.exp(value - half), math.exp(value + half)
