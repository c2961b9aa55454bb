"""From circles on the plane of polish to spheres in space: Saltykov, Schwartz-Saltykov."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from micro.specimens.sampling import FloatArray, resamples

ELONGATED = 1.5
RATIO = 10**0.1


@dataclass(frozen=True, eq=False)
class Spheres:
    """Size distribution of spheres in space.

    Parameters
    ----------
    limits_um
        (classes + 1,) class limits of the sphere diameter.
    number_per_mm3
        (classes,) N_V of each class.
    low, high
        (classes,) 95 % interval by field-level bootstrap; NaN with fewer than two fields.
    warning
        What to know before trusting the classes; empty where nothing.
    """

    limits_um: FloatArray
    number_per_mm3: FloatArray
    low: FloatArray
    high: FloatArray
    warning: str

    @property
    def mean_um(self) -> float:
        """Mean sphere diameter."""
        return float(np.sum(self.number_per_mm3 * self._middle) / self.number_per_mm3.sum())

    @property
    def std_um(self) -> float:
        """Standard deviation of the sphere diameter."""
        moment = np.sum(self.number_per_mm3 * (self._middle - self.mean_um) ** 2) / self.number_per_mm3.sum()
        return math.sqrt(max(float(moment), 0.0))

    @property
    def _middle(self) -> FloatArray:
        return np.asarray((self.limits_um[:-1] + self.limits_um[1:]) / 2)


def linear_limits(largest: float, classes: int) -> FloatArray:
    """Classes of equal width from 0 (Schwartz-Saltykov)."""
    return np.linspace(0.0, largest, classes + 1)


def log_limits(largest: float, classes: int) -> FloatArray:
    """Classes each 10^0.1 wider than the one below (Saltykov); the lowest starts at 0."""
    return np.concatenate([[0.0], largest * RATIO ** np.arange(1.0 - classes, 1.0)])


def sections(limits: FloatArray) -> FloatArray:
    """(classes, classes) N_A of the section class (row) per unit N_V of the sphere class (column).

    Spheres take the upper limit of their class: N_A(i) = Σ_j N_V(j)·(√(D_j² - d_{i-1}²) - √(D_j² - d_i²))
    (S. A. Saltykov; E. E. Underwood, Quantitative Stereology, 1970; from memory).
    """
    chord = np.sqrt(np.maximum(limits[None, 1:] ** 2 - limits[:, None] ** 2, 0.0))
    return np.asarray(chord[:-1] - chord[1:])


def spread_sections(limits: FloatArray) -> FloatArray:
    """Like `sections`, with the spheres spread evenly over their class: mean and scatter then come out unbiased."""
    at, part = np.polynomial.legendre.leggauss(16)
    width, middle = np.diff(limits) / 2, (limits[:-1] + limits[1:]) / 2
    diameter = middle[None] + at[:, None] * width[None]
    chord = np.sqrt(np.maximum(diameter[:, None] ** 2 - limits[None, :, None] ** 2, 0.0))
    return np.asarray(np.einsum("q,qij->ij", part / 2, chord[:, :-1] - chord[:, 1:]), float)


def coefficients(limits: FloatArray) -> FloatArray:
    """(classes, classes) N_V of the sphere class (row) per unit N_A of the section class (column)."""
    return np.asarray(np.linalg.inv(sections(limits)), float)


def unfold(
    counts: FloatArray, area_um2: FloatArray, limits: FloatArray, *, mean_aspect_ratio: float = 1.0, draws: int = 400
) -> Spheres:
    """Sphere diameters from the diameters of sections.

    The published coefficients put every sphere at the upper limit of its class and let classes fall below 0. Here
    spheres are spread over their class, and the classes are the best fit that is nowhere negative, each section
    class weighted by the counting error of its number.

    Parameters
    ----------
    counts
        (fields, classes) edge-corrected number of sections of each field.
    area_um2
        (fields,) area analysed.
    limits
        (classes + 1,) from `linear_limits` or `log_limits`, µm.
    mean_aspect_ratio
        Of the carbides; above 1.5 they are no spheres, and the result says so.
    draws
        Resamples of the fields, seeded.
    """
    kernel = spread_sections(limits)
    number = _fit(kernel, counts.sum(axis=0), area_um2.sum())
    low = high = np.full(len(number), math.nan)
    if len(counts) > 1:
        times = resamples(len(counts), draws, np.random.default_rng(0))
        drawn = [_fit(kernel, t @ counts, t @ area_um2) for t in times]
        low, high = np.quantile(drawn, [0.025, 0.975], axis=0)
    warning = ""
    if mean_aspect_ratio > ELONGATED:
        warning = f"carbides are elongated (mean aspect ratio {mean_aspect_ratio:.1f}): they are no spheres"
    return Spheres(limits, number, low, high, warning)


def _fit(kernel: FloatArray, counts: FloatArray, area_um2: float) -> FloatArray:
    """Return N_V per mm³ of each class, none negative."""
    from scipy.optimize import nnls

    weight = 1 / np.sqrt(np.maximum(counts, 1.0))
    return np.asarray(nnls(kernel * weight[:, None], counts * weight)[0] * 1e9 / area_um2)
