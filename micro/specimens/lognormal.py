"""Lognormal size distribution: fit, and how well it fits."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from micro.specimens.sampling import FloatArray


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
