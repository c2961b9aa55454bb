"""Least squares where some values are only known to be larger than a limit: right-censored normal regression."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from micro.statistics.sampling import FloatArray

MOST_STEPS = 5_000
CLOSE = 1e-11
"""Change of a step over the scatter at which the fit has settled. Chosen, far below any rounding that matters."""
FEWEST_FREE = 1
"""Values that are known, beyond the numbers fitted. Chosen: with none the scatter is unknown."""


@dataclass(frozen=True, eq=False)
class CensoredFit:
    """Coefficients with their covariance.

    `std` is that of a single value about the fit; `degrees_of_freedom` are the known values less the coefficients.
    Everything is NaN where too few values are known.
    """

    coefficients: FloatArray
    covariance: FloatArray
    std: float
    degrees_of_freedom: float


def censored_fit(design: ArrayLike, values: ArrayLike, censored: ArrayLike) -> CensoredFit:
    """Fit values = design·coefficients + normal scatter by largest likelihood (J. Tobin 1958).

    A censored value enters with the probability to lie above its limit. Found by expectation and maximisation
    (A. Dempster, N. Laird and D. Rubin 1977); covariance from the observed information, times m/(m - k) for m known
    values and k coefficients, so that without censored values it is ordinary least squares to the last figure.

    Parameters
    ----------
    design
        (n, k).
    values
        (n,) values, or limits where `censored`.
    censored
        (n,) True where the value is only known to be larger.
    """
    x, y, hidden = np.asarray(design, float), np.asarray(values, float), np.asarray(censored, bool)
    k, known = x.shape[1], int((~hidden).sum())
    if known < k + FEWEST_FREE or np.linalg.matrix_rank(x[~hidden]) < k:
        return CensoredFit(np.full(k, math.nan), np.full((k, k), math.nan), math.nan, math.nan)
    solve = np.linalg.pinv(x)
    beta = np.linalg.lstsq(x[~hidden], y[~hidden], rcond=None)[0]
    variance = float(np.mean((y - x @ beta)[~hidden] ** 2))
    for _ in range(MOST_STEPS if hidden.any() and variance > 0 else 0):
        sigma = math.sqrt(variance)
        mean = x @ beta
        a = (y - mean) / sigma
        hazard = _hazard(a)
        filled = np.where(hidden, mean + sigma * hazard, y)
        spread = np.where(hidden, variance * (1 - hazard * (hazard - a)), 0.0)
        new = solve @ filled
        new_variance = float(np.mean((filled - x @ new) ** 2 + spread))
        moved = float(np.abs(new - beta).max()) + abs(math.sqrt(new_variance) - sigma)
        beta, variance = new, new_variance
        if moved < CLOSE * sigma:
            break
    else:
        beta = solve @ y if not hidden.any() else beta
        variance = float(np.mean((y - x @ beta) ** 2)) if not hidden.any() else variance
    factor = known / (known - k)
    covariance = factor * _covariance(x, y, hidden, beta, variance)
    return CensoredFit(beta, covariance, math.sqrt(factor * variance), float(known - k))


def _hazard(a: FloatArray) -> FloatArray:
    """Density over upper tail of the standard normal law."""
    from scipy import special

    # log of the tail keeps its figures far out.
    return np.asarray(np.exp(-a * a / 2 - math.log(2 * math.pi) / 2 - special.log_ndtr(-a)), float)


def _covariance(
    x: FloatArray, y: FloatArray, hidden: NDArray[np.bool_], beta: FloatArray, variance: float
) -> FloatArray:
    """(k, k) of the coefficients: inverse of the observed information of coefficients and scatter."""
    if not variance > 0:
        return np.zeros((x.shape[1],) * 2)
    sigma = math.sqrt(variance)
    a = (y - x @ beta) / sigma
    hazard = _hazard(a)
    slope = hazard * (hazard - a)
    both = np.where(hidden, slope, 1.0)
    mixed = np.where(hidden, hazard + a * slope, 2 * a)
    scatter = np.where(hidden, 2 * a * hazard + a * a * slope, 3 * a * a - 1)
    k = x.shape[1]
    information = np.empty((k + 1, k + 1))
    information[:k, :k] = (x * both[:, None]).T @ x
    information[:k, k] = information[k, :k] = x.T @ mixed
    information[k, k] = scatter.sum()
    return np.asarray(np.linalg.inv(information / variance)[:k, :k], float)
