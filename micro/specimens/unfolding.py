"""From circles on the plane of polish to spheres in space: Saltykov, Schwartz-Saltykov."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from micro.statistics.sampling import FloatArray, resamples, student_t

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
    drawn
        (draws, classes) the same from field-level bootstrap resamples; no rows with fewer than two fields.
    warning
        What to know before trusting the classes; empty where nothing.
    """

    limits_um: FloatArray
    number_per_mm3: FloatArray
    drawn: FloatArray
    fields: int
    warning: str

    @property
    def mean_um(self) -> float:
        """Mean sphere diameter."""
        return float(self._mean(self.number_per_mm3))

    @property
    def std_um(self) -> float:
        """Standard deviation of the sphere diameter."""
        return float(self._std(self.number_per_mm3))

    @property
    def classes_ci95(self) -> tuple[FloatArray, FloatArray]:
        """Ends (classes,) of the 95 % interval of each class: quantiles of the resamples."""
        if not len(self.drawn):
            return (np.full(len(self.number_per_mm3), math.nan),) * 2
        low, high = np.quantile(self.drawn, [0.025, 0.975], axis=0)
        return low, high

    @property
    def total_ci95(self) -> tuple[float, float]:
        """Ends of the 95 % interval of the number of all spheres, per mm³."""
        return self._ci95(float(self.number_per_mm3.sum()), self.drawn.sum(axis=1))

    @property
    def mean_ci95(self) -> tuple[float, float]:
        """Ends of the 95 % interval of `mean_um`."""
        return self._ci95(self.mean_um, self._mean(self.drawn))

    @property
    def std_ci95(self) -> tuple[float, float]:
        """Ends of the 95 % interval of `std_um`."""
        return self._ci95(self.std_um, self._std(self.drawn))

    def _ci95(self, value: float, drawn: FloatArray) -> tuple[float, float]:
        """Student's t times the scatter of the resamples, which is too small by √(1 - 1/fields)."""
        if not len(drawn):
            return math.nan, math.nan
        half = student_t(self.fields - 1) * float(drawn.std()) * math.sqrt(self.fields / (self.fields - 1))
        return value - half, value + half

    def _mean(self, numbers: FloatArray) -> FloatArray:
        return np.asarray(numbers @ self._middle / numbers.sum(axis=-1))

    def _std(self, numbers: FloatArray) -> FloatArray:
        away = (self._middle - self._mean(numbers)[..., None]) ** 2
        return np.asarray(np.sqrt((numbers * away).sum(axis=-1) / numbers.sum(axis=-1)))

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
    drawn = np.empty((0, len(number)))
    if len(counts) > 1:
        times = resamples(len(counts), draws, np.random.default_rng(0))
        drawn = np.array([_fit(kernel, t @ counts, t @ area_um2) for t in times])
    warning = ""
    if mean_aspect_ratio > ELONGATED:
        warning = f"carbides are elongated (mean aspect ratio {mean_aspect_ratio:.1f}): they are no spheres"
    return Spheres(limits, number, drawn, len(counts), warning)


def _fit(kernel: FloatArray, counts: FloatArray, area_um2: float) -> FloatArray:
    """Return N_V per mm³ of each class, none negative."""
    from scipy.optimize import nnls

    weight = 1 / np.sqrt(np.maximum(counts, 1.0))
    return np.asarray(nnls(kernel * weight[:, None], counts * weight)[0] * 1e9 / area_um2)
