"""Probability of detection against size from hits and misses (ASTM E2862, from memory)."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from micro.statistics.sampling import NORMAL_95, FloatArray

ROUNDS, SETTLED = 100, 1e-9
NORMAL_95_ONE_SIDED = 1.644854
LOGIT_90 = math.log(0.9 / 0.1)


@dataclass(frozen=True, eq=False)
class DetectionCurve:
    """P(size) = 1/(1 + exp(−(b₀ + b₁·ln size))), with the covariance of both coefficients.

    Parameters
    ----------
    coefficients
        (2,) b₀, b₁.
    covariance
        (2, 2) of them.
    """

    coefficients: FloatArray
    covariance: FloatArray

    def probability(self, size: FloatArray) -> FloatArray:
        """(n,) probability of detection at sizes."""
        return logistic(_design(size) @ self.coefficients)

    def band(self, size: FloatArray) -> tuple[FloatArray, FloatArray]:
        """(n,) ends of the 95 % interval of that probability at each size (Wald, on the logit)."""
        design = _design(size)
        half = NORMAL_95 * np.sqrt(np.einsum("ni,ij,nj->n", design, self.covariance, design))
        middle = design @ self.coefficients
        return logistic(middle - half), logistic(middle + half)

    @property
    def a90(self) -> float:
        """Size found with a probability of 90 %; NaN where larger ones are not found more often."""
        b0, b1 = self.coefficients
        return math.exp((LOGIT_90 - b0) / b1) if b1 > 0 else math.nan

    @property
    def a90_interval(self) -> tuple[float, float, float]:
        """That size with the ends of its 95 % interval (delta method on ln size)."""
        factor = math.exp(NORMAL_95 * self._log_error)
        return self.a90, self.a90 / factor, self.a90 * factor

    @property
    def a90_95(self) -> float:
        """Size that is found with a probability of 90 %, at a confidence of 95 % (delta method on ln size)."""
        return self.a90 * math.exp(NORMAL_95_ONE_SIDED * self._log_error)

    @property
    def _log_error(self) -> float:
        """Standard uncertainty of ln a90."""
        b0, b1 = self.coefficients
        slope = np.array([-1 / b1, -(LOGIT_90 - b0) / b1**2])
        return math.sqrt(slope @ self.covariance @ slope)


def fit_detection(size: FloatArray, found: NDArray[np.bool_]) -> DetectionCurve:
    """Fit the curve to hits and misses, with the penalty of D. Firth (1993, from memory).

    Without it sizes that part hits from misses without overlap would make the slope infinite.

    Parameters
    ----------
    size
        (n,) above 0.
    found
        (n,) True for hits.

    Raises
    ------
    ValueError
        If there are fewer than ten, or all are hits or all misses.
    """
    hits = int(np.count_nonzero(found))
    if len(size) < 10 or hits in (0, len(size)):
        raise ValueError("hits and misses are both needed, ten together")
    design = _design(size)
    middle = design[:, 1].mean()
    centred = design - np.array([0.0, middle])
    b = np.zeros(2)
    for _ in range(ROUNDS):
        p = logistic(centred @ b)
        weight = p * (1 - p)
        covariance = np.linalg.inv(centred.T @ (weight[:, None] * centred))
        leverage = weight * np.einsum("ni,ij,nj->n", centred, covariance, centred)
        step = covariance @ (centred.T @ (found - p + leverage * (0.5 - p)))
        step *= min(1.0, 2.0 / max(np.abs(step).max(), 1e-12))
        b = b + step
        if np.abs(step).max() < SETTLED:
            break
    back = np.array([[1.0, -middle], [0.0, 1.0]])
    return DetectionCurve(back @ b, back @ covariance @ back.T)


def logistic(x: FloatArray) -> FloatArray:
    """1/(1 + exp(−x))."""
    from scipy import special

    return np.asarray(special.expit(x))


def _design(size: FloatArray) -> FloatArray:
    return np.stack([np.ones(len(size)), np.log(size)], axis=1)
