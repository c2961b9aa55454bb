"""What blur makes of small carbides: the model behind levels, outlines and checks.

A Gaussian of standard deviation σ blurs a uniform disc or ellipse of area A. `x` is A/(2·π·σ²), which is R²/2σ²
for a disc of radius R.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

ROOTS = np.linspace(0.25, 9.0, 176)  # √(2x): radius over blur
HALVINGS = 24
ASPECTS = np.array([1.0, 1.25, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 7.0, 10.0])


def peak(x: FloatArray | float, aspect: FloatArray | float = 1.0) -> FloatArray:
    """Height at the centre of a blurred ellipse of unit contrast; 1 − exp(−x) for a disc.

    The normal distribution's share inside an ellipse about its mean, in polar coordinates.
    """
    turn = (np.arange(24) + 0.5) / 24 * np.pi / 2
    x, aspect = np.broadcast_arrays(np.asarray(x, float)[..., None], np.asarray(aspect, float)[..., None])
    return -np.expm1(-x / (np.cos(turn) ** 2 / aspect + np.sin(turn) ** 2 * aspect)).mean(axis=-1)


def edge(x: FloatArray | float) -> FloatArray:
    """Height at the true edge of a blurred disc of unit contrast, (1 − exp(−2x)·I0(2x))/2; near 1/2 for large ones.

    The share of a circular normal distribution, centred on the edge, that falls on the disc.
    """
    from scipy.special import i0e

    return (1 - i0e(2 * np.asarray(x, float))) / 2


@lru_cache
def _peak_table() -> tuple[FloatArray, FloatArray]:
    x = ROOTS**2 / 2
    return x, peak(x[:, None], ASPECTS[None, :])


def contrast_from_peak(
    light: FloatArray, height: FloatArray, blur_area: float, aspect: FloatArray | float = 1.0
) -> FloatArray:
    """Contrast c of unblurred ellipses from integrated contrast and height at the centre.

    Solves height = c·peak(light/(c·blur_area), aspect), `blur_area` = 2·π·σ². NaN where the light is less than that
    of a point image of that height.
    """
    x, table = _peak_table()
    wanted = np.asarray(light, float) / (blur_area * np.asarray(height, float))
    aspect = np.clip(np.broadcast_to(aspect, wanted.shape), ASPECTS[0], ASPECTS[-1])
    column = np.interp(aspect, ASPECTS, np.arange(len(ASPECTS)))
    low = np.minimum(column.astype(int), len(ASPECTS) - 2)
    found = []
    for step in (0, 1):
        one = np.full(wanted.shape, np.nan)
        for k in np.unique(low + step):
            here = low + step == k
            ratio = x / table[:, k]
            one[here] = np.interp(wanted[here], ratio, x, left=np.nan)
            beyond = here & (wanted > ratio[-1])
            one[beyond] = wanted[beyond]
        found.append(one)
    size = found[0] + (column - low) * (found[1] - found[0])
    return np.asarray(light, float) / (blur_area * size)


@lru_cache
def _half_and_band(clear_height: float) -> tuple[FloatArray, FloatArray]:
    """Area above half of the height at the centre, and between half and `clear_height`, in σ², for radii ROOTS."""
    from scipy.special import chndtr

    def covered(share: float) -> FloatArray:
        low, high = np.zeros_like(ROOTS), ROOTS + 3
        for _ in range(HALVINGS):
            middle = (low + high) / 2
            above = chndtr(ROOTS**2, 2, middle**2) > share * top  # non-central chi-squared
            low, high = np.where(above, middle, low), np.where(above, high, middle)
        return np.asarray(np.pi * low**2, float)

    top = peak(ROOTS**2 / 2)
    half = covered(0.5)
    return half, half - covered(clear_height)


def radius_from_half(half: FloatArray, spread: float) -> FloatArray:
    """Radius over `spread` of blurred discs from their area above half height, px²; never below that of a point."""
    table = _half_and_band(0.75)[0]
    area = np.asarray(half, float) / spread**2
    return np.where(area > table[-1], np.sqrt(area / np.pi), np.interp(area, table, ROOTS))


def band_area(half: FloatArray, spread: float, clear_height: float = 0.75) -> FloatArray:
    """Area between half and `clear_height` of the height of blurred discs from their area above half height, px²."""
    area, band = _half_and_band(clear_height)
    size = np.asarray(half, float) / spread**2
    straight = band[-1] * np.sqrt(size / area[-1])
    return spread**2 * np.where(size > area[-1], straight, np.interp(size, area, band))
