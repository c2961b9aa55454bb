"""Lines that meet carbides which are no ellipses: their lobes and corners, as they were before the blur."""

from __future__ import annotations

from dataclasses import dataclass
from math import comb

import numpy as np
from numpy.typing import NDArray

from micro.geometry.runs import Runs
from micro.measures.particles import OutlineShapes, wavering
from micro.segmentation.matrix import ADDED_SPREAD_PX
from micro.segmentation.segmentation import Segmentation

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
ORDERS = np.arange(3, 7)
"""Lobes of an outline, counted where its ellipse is drawn as a circle. Higher ones blur has mostly taken (simulated:
tests/measures/test_lobes.py)."""
DRIVEN = 4
"""Blur takes those of higher order no faster than these, whose overtones they mostly are (simulated, as above)."""
NOISE_KNOWN = 2.0
"""How many times the noise that is known counts as noise: ellipses of 6 to 22 px show 0.9 to 1.9 times (simulated)."""
MOST = 0.5  # of the radius, all orders together: with more an outline would meet itself (chosen)
TURN = np.arange(65) / 64 * 2 * np.pi
"""Once about an outline, and its first place again."""
# Highest power first: B_(n+1)(t + 1/2) / (n + 1) for n from 0 to 6 (Bernoulli's polynomials, Abramowitz and Stegun
# 23.1; without the constants, which differences do not see).
SUMS = (
    (1, 0),
    (1 / 2, 0, 0),
    (1 / 3, 0, -1 / 12, 0),
    (1 / 4, 0, -1 / 8, 0, 0),
    (1 / 5, 0, -1 / 6, 0, 7 / 240, 0),
    (1 / 6, 0, -5 / 24, 0, 7 / 96, 0, 0),
    (1 / 7, 0, -1 / 4, 0, 7 / 48, 0, -31 / 1344, 0),
)
LEAST_SIZE = 0.1  # of r²/σ²: no outline so small is asked, and below it is MOST that counts


@dataclass(frozen=True, eq=False)
class Lobes:
    """What lobes do to the lines that n carbides meet; (2, n) each, lines along and across.

    Parameters
    ----------
    more
        Lines met, each time counted, over those that the width of the blurred outline and its ellipse tell.
    times
        How often a line that meets the blurred outline meets it because of them.
    """

    more: FloatArray
    times: FloatArray


def find_lobes(segmentation: Segmentation, rolling_deg: float, outline: OutlineShapes) -> Lobes:
    """Lobes of the carbides of a field, from their outlines whose blur is undone.

    An outline is taken for r(t) = 1 + Σ|ε_k|·cos(kt − arg ε_k) where the ellipse of its second moments is the unit
    circle. Blur by σ leaves of ε_k on a circle of radius r the share I_k(x)/I_1(x), x = r²/σ², which is undone
    (derived, first order: a disc blurred by a Gaussian has a slope as I_1 at its edge, a ring that goes as cos kt a
    height as I_k). Lines meet an outline as often as it goes to and fro across them. Small ones stay as they are, those
    that the frame cuts get the mean of the rest.
    """
    s = segmentation
    whole = ~s.small & ~s.cut
    more, times = np.ones((2, 2, s.count))
    blur = s.outline_blur_px
    if blur is None or not whole.any():
        return Lobes(more, times)
    seen = _sure(harmonics(s.runs, outline, s.outline_moments.x, s.outline_moments.y), s, whole)
    kept = np.flatnonzero(whole)
    seen = seen[:, kept]
    if not seen.any():
        return Lobes(more, times)
    sharp = _unblurred(seen, s.outline_px[kept] / np.pi / (blur**2 + ADDED_SPREAD_PX**2))
    axes = outline.major[kept] / 2, outline.minor[kept] / 2
    blurred = axes[0] / outline.stretch.major[kept], axes[1] / outline.stretch.minor[kept]
    shrunk = np.sqrt(_area(seen) / _area(sharp))  # blur leaves the area
    drawn, drawn_blurred = _radius(sharp), _radius(seen)
    for i, across in enumerate((rolling_deg + 90, rolling_deg)):
        off = np.radians(across - outline.angle_deg[kept])
        place, place_blurred = _places(drawn, *axes, off), _places(drawn_blurred, *blurred, off)
        width = place_blurred.max(axis=0) - place_blurred.min(axis=0)
        none, none_blurred = (2 * np.hypot(a * np.cos(off), b * np.sin(off)) for a, b in (axes, blurred))
        more[i, kept] = shrunk * _met(place) / none / (width / none_blurred)
        times[i, kept] = _met(place_blurred) / width
        more[i, s.cut & ~s.small] = more[i, kept].mean()
    return Lobes(more, times)


def harmonics(runs: Runs, outline: OutlineShapes, x: FloatArray, y: FloatArray) -> ComplexArray:
    """(orders, n) amplitudes ε_k of outlines: the means of (u + iv)^k over their pixels, u and v on the unit circle.

    Of r = 1 + ε·cos kt that mean is ε/2·2π·(k + 2)/(k + 2)/π = ε (first order).
    """
    runs = runs.by_label
    label, first = runs.label, runs.first
    up = y[label] - runs.row - 0.5
    along = _power_sums(runs.start - x[label], runs.stop - x[label])
    up_to = [np.ones_like(up)]
    for _ in range(ORDERS.max()):
        up_to.append(up_to[-1] * up)
    held = label[first]  # of the frame of a mosaic's part some have no pixel
    found = np.zeros((len(ORDERS), runs.count), complex)
    if not len(held):
        return found
    turn = np.radians(outline.angle_deg[held])
    cos, sin = np.cos(turn), np.sin(turn)
    a, b = (outline.major / outline.stretch.major)[held] / 2, (outline.minor / outline.stretch.minor)[held] / 2
    to_right, to_up = cos / a - 1j * sin / b, sin / a + 1j * cos / b
    pixels = np.add.reduceat(along[0], first)
    for order, mean in zip(ORDERS.tolist(), found, strict=True):
        # (right·p + up·q)^k summed over the pixels: a sum over the moments of the order k.
        for n in range(order + 1):
            moment = np.add.reduceat(along[n] * up_to[order - n], first) / pixels
            mean[held] += comb(order, n) * moment * to_right**n * to_up ** (order - n)
    return found


def _power_sums(start: FloatArray, stop: FloatArray) -> list[FloatArray]:
    """(m,) sums of t^n over the middles t of the pixels from start to stop, for n from 0 to the highest order.

    Differences of Bernoulli's polynomials B_(n+1)(t + 1/2) over n + 1 (Faulhaber's sums).
    """
    return [np.polyval(power, stop) - np.polyval(power, start) for power in SUMS]


def _sure(seen: ComplexArray, s: Segmentation, whole: NDArray[np.bool_]) -> ComplexArray:
    """Amplitudes less what noise makes of them: the share that is none in the mean of the field, of each order.

    An outline that wavers by so much at order k, px², gets |ε_k|² of 4/r² of it in the mean (derived).
    """
    noise = 4 * wavering(s, ORDERS.tolist()) / (np.maximum(s.outline_px, 1) / np.pi)
    signal = np.maximum((np.abs(seen[:, whole]) ** 2).mean(axis=1) - NOISE_KNOWN * noise[:, whole].mean(axis=1), 0)[
        :, None
    ]
    return np.asarray(seen * signal / (signal + noise), complex)


def _unblurred(seen: ComplexArray, size: FloatArray) -> ComplexArray:
    """Amplitudes before the blur; `size` (n,) is r²/σ²."""
    from scipy.special import i0e, i1e

    # I_(k+1) = I_(k-1) - 2k/x·I_k (Abramowitz and Stegun 9.6.26); upwards it loses few figures from x = 1 on.
    size = np.maximum(size, LEAST_SIZE)
    bessel = [i0e(size), i1e(size)]
    for k in range(1, DRIVEN):
        bessel.append(bessel[-2] - 2 * k / size * bessel[-1])
    left = np.stack([bessel[min(order, DRIVEN)] for order in ORDERS.tolist()]) / bessel[1]
    sharp = seen / left
    return np.asarray(sharp * (MOST / np.maximum(np.abs(sharp).sum(axis=0), MOST)), complex)


def _area(amplitudes: ComplexArray) -> FloatArray:
    """(n,) area over that of the circle, 1 + Σ|ε_k|²/2."""
    return 1 + (np.abs(amplitudes) ** 2).sum(axis=0) / 2


def _radius(amplitudes: ComplexArray) -> FloatArray:
    """(TURN, n) radius of the outlines where the ellipse is the unit circle."""
    waves = np.exp(1j * TURN[:, None] * ORDERS)
    return 1 + waves.real @ amplitudes.real + waves.imag @ amplitudes.imag


def _places(radius: FloatArray, a: FloatArray, b: FloatArray, off: FloatArray) -> FloatArray:
    """(TURN, n) places across the lines of outlines with half axes a, b at `off`."""
    return radius * (np.cos(TURN)[:, None] * (a * np.cos(off)) + np.sin(TURN)[:, None] * (b * np.sin(off)))


def _met(place: FloatArray) -> FloatArray:
    """(n,) lines met, each time counted: half of the way to and fro."""
    return np.asarray(np.abs(np.diff(place, axis=0)).sum(axis=0) / 2)
