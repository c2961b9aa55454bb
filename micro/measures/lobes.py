"""Lines that meet carbides which are no ellipses: their lobes and corners, as they were before the blur."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from micro.geometry.runs import Runs
from micro.measures.particles import OutlineShapes, measure_outlines, wavering
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
TURN = np.arange(64) / 64 * 2 * np.pi


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


def find_lobes(segmentation: Segmentation, rolling_deg: float) -> Lobes:
    """Lobes of the carbides of a field.

    An outline is taken for r(t) = 1 + Σ|ε_k|·cos(kt − arg ε_k) where the ellipse of its second moments is the unit
    circle. Blur by σ leaves of ε_k on a circle of radius r the share I_k(x)/I_1(x), x = r²/σ², which is undone
    (derived, first order: a disc blurred by a Gaussian has a slope as I_1 at its edge, a ring that goes as cos kt a
    height as I_k). Lines meet an outline as often as it goes to and fro across them. Small ones stay as they are, those
    that the frame cuts get the mean of the rest.
    """
    s = segmentation
    whole = ~s.small & ~s.cut
    more, times = np.ones((2, 2, s.count))
    if s.blur_px is None or not whole.any():
        return Lobes(more, times)
    outline = measure_outlines(s.runs, s.outline_moments, s.blur_px)
    seen = _sure(harmonics(s.runs, outline, s.outline_moments.x, s.outline_moments.y), s, whole)
    kept = np.flatnonzero(whole & (np.abs(seen).sum(axis=0) > 0))
    if not len(kept):
        return Lobes(more, times)
    seen = seen[:, kept]
    sharp = _unblurred(seen, s.outline_px[kept] / np.pi / (s.blur_px**2 + ADDED_SPREAD_PX**2))
    axes = outline.major[kept] / 2, outline.minor[kept] / 2
    blurred = axes[0] / outline.stretch.major[kept], axes[1] / outline.stretch.minor[kept]
    shrunk = np.sqrt(_area(seen) / _area(sharp))  # blur leaves the area
    for i, across in enumerate((rolling_deg + 90, rolling_deg)):
        off = np.radians(across - outline.angle_deg[kept])
        met, _ = _lines(sharp, *axes, off)
        met_blurred, width = _lines(seen, *blurred, off)
        none, none_blurred = (2 * np.hypot(a * np.cos(off), b * np.sin(off)) for a, b in (axes, blurred))
        more[i, kept] = shrunk * met / none / (width / none_blurred)
        times[i, kept] = met_blurred / width
        more[i, s.cut & ~s.small] = more[i, kept].mean()
    return Lobes(more, times)


def harmonics(runs: Runs, outline: OutlineShapes, x: FloatArray, y: FloatArray) -> ComplexArray:
    """(orders, n) amplitudes ε_k of outlines: the means of (u + iv)^k over their pixels, u and v on the unit circle.

    Of r = 1 + ε·cos kt that mean is ε/2·2π·(k + 2)/(k + 2)/π = ε (first order).
    """
    runs = runs.by_label
    own = np.repeat(np.arange(len(runs.label)), runs.length)
    label = runs.label[own]
    column = np.arange(len(own)) - (np.cumsum(runs.length) - runs.length)[own] + runs.start[own]
    right, up = column + 0.5 - x[label], y[label] - runs.row[own] - 0.5
    turn = np.radians(outline.angle_deg)
    cos, sin = np.cos(turn), np.sin(turn)
    a, b = outline.major / outline.stretch.major / 2, outline.minor / outline.stretch.minor / 2
    with np.errstate(invalid="ignore", divide="ignore"):  # of the frame of a mosaic's part some have no pixel
        z = right * (cos / a - 1j * sin / b)[label] + up * (sin / a + 1j * cos / b)[label]
    pixels = np.maximum(np.bincount(label, minlength=runs.count), 1)
    power, found = z**2, []
    for _ in ORDERS:
        power = power * z
        found.append(np.bincount(label, power.real, runs.count) + 1j * np.bincount(label, power.imag, runs.count))
    return np.asarray(np.array(found) / pixels, complex)


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
    from scipy.special import ive

    left = ive(np.minimum(ORDERS, DRIVEN)[:, None], size) / ive(1, size)
    sharp = seen / left
    return np.asarray(sharp * np.minimum(1, MOST / np.abs(sharp).sum(axis=0)), complex)


def _area(amplitudes: ComplexArray) -> FloatArray:
    """(n,) area over that of the circle, 1 + Σ|ε_k|²/2."""
    return 1 + (np.abs(amplitudes) ** 2).sum(axis=0) / 2


def _lines(amplitudes: ComplexArray, a: FloatArray, b: FloatArray, off: FloatArray) -> tuple[FloatArray, FloatArray]:
    """(n,) lines met, each time counted, and (n,) width across them, of outlines with half axes a, b at `off`."""
    waves = np.exp(-1j * ORDERS[:, None] * TURN)
    radius = 1 + (amplitudes.T @ waves).real
    place = radius * ((a * np.cos(off))[:, None] * np.cos(TURN) + (b * np.sin(off))[:, None] * np.sin(TURN))
    return np.abs(np.diff(place, axis=1, append=place[:, :1])).sum(axis=1) / 2, np.ptp(place, axis=1)
