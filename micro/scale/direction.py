"""In which directions a picture is ruled: the energy of its spectrum along every ray."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
STEP_DEG = 0.25
LOWEST_CYCLES = 4  # a ruling of five lines has four pitches in the picture
HIGHEST_FREQUENCY = 0.35
NEIGHBOURS_DEG = 5.0
CANDIDATES = 4


def ruling_directions(grey: NDArray[np.float32]) -> FloatArray:
    """Directions across which parallel lines may lie, the most likely first.

    Parameters
    ----------
    grey
        (rows, columns) picture.

    Returns
    -------
    FloatArray
        (n,) normals of the lines, degrees from the horizontal, counter-clockwise as seen, 0 to 180.
    """
    energy = energy_by_direction(grey)
    around = int(NEIGHBOURS_DEG / STEP_DEG)
    wrapped = np.concatenate([energy[-around:], energy, energy[:around]])
    windows = np.lib.stride_tricks.sliding_window_view(wrapped, 2 * around + 1)
    peaks = np.flatnonzero((energy == windows.max(axis=1)) & (energy > 0))
    peaks = peaks[np.argsort(-energy[peaks])][:CANDIDATES]
    before, top, after = energy[peaks - 1], energy[peaks], energy[(peaks + 1) % len(energy)]
    bend = before - 2 * top + after
    shift = np.divide(before - after, 2 * bend, out=np.zeros(len(peaks)), where=bend < 0)
    return np.asarray((peaks + shift) * STEP_DEG % 180, np.float64)


def energy_by_direction(grey: NDArray[np.float32]) -> FloatArray:
    """(720,) energy of the spectrum along rays through zero, a quarter of a degree apart, from the horizontal on.

    It is the variance of the picture's projection on that direction (projection-slice theorem); parallel lines put a
    sharp maximum there. Directions are counter-clockwise as seen.

    Parameters
    ----------
    grey
        (rows, columns) picture.
    """
    return _along_rays(_power_spectrum(grey))


def _power_spectrum(grey: NDArray[np.float32]) -> NDArray[np.float32]:
    """Power by frequency, zero in the middle; the edges of the picture are faded out first."""
    import cv2

    rows, columns = grey.shape
    fade = np.outer(np.hanning(rows), np.hanning(columns)).astype(np.float32)
    padded = np.zeros((cv2.getOptimalDFTSize(rows), cv2.getOptimalDFTSize(columns)), np.float32)
    padded[:rows, :columns] = (grey - grey.mean()) * fade
    spectrum = cv2.dft(padded, flags=cv2.DFT_COMPLEX_OUTPUT)
    return np.fft.fftshift(spectrum[..., 0] ** 2 + spectrum[..., 1] ** 2)


def _along_rays(power: NDArray[np.float32]) -> FloatArray:
    import cv2

    rows, columns = power.shape
    angle = np.radians(np.arange(0, 180, STEP_DEG))[:, None]
    frequency = np.arange(LOWEST_CYCLES / max(power.shape), HIGHEST_FREQUENCY, 0.5 / max(power.shape))[None, :]
    x = columns // 2 + frequency * np.cos(angle) * columns
    y = rows // 2 - frequency * np.sin(angle) * rows
    return cv2.remap(power, x.astype(np.float32), y.astype(np.float32), cv2.INTER_LINEAR).sum(axis=1, dtype=float)
