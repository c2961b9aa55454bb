"""Spectrum of a pattern of weighted points, and how regular the pattern is beside points placed at random."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
STEPS = 60
FEWEST_WAVES, ENOUGH_WAVES = 8, 300
SPREAD_DEG = 25.0
"""Waves within this angle of a direction run close to it."""
WAVES_AT_ONCE = 2**20
"""Waves times points that are held at once, 16 MiB in each direction: all of them would be 8 GiB for 36 million pixels
with 8 000 carbides a million (chosen)."""


@dataclass(frozen=True, eq=False)
class Regularity:
    """Power of a pattern over that of the same points placed independently: exp(level + slope·frequency²).

    Below 1 where points keep their distance, as carbides do that cannot overlap; above 1 where they cluster.

    Parameters
    ----------
    level, slope
        Of the logarithm; slope in px².
    fitted
        (waves,) squares of the frequencies they were fitted to; with fewer than eight nothing was, and both are 0.
    """

    level: float
    slope: float
    fitted: FloatArray

    def at(self, frequency: FloatArray) -> FloatArray:
        """Ratio at a frequency, cycles per px."""
        return np.exp(self.level + self.slope * np.square(frequency))

    def errors(self, frequency: FloatArray, draws: int, rng: np.random.Generator) -> FloatArray:
        """(draws, frequencies) factors by which fits to as many waves of other patterns would be off."""
        if len(self.fitted) < FEWEST_WAVES:
            return np.ones((draws, len(frequency)))
        # A part of many waves, whose fit errs more, stands for all.
        every = -(-len(self.fitted) // ENOUGH_WAVES)
        part = self.fitted[::every]
        level, slope = level_and_slope(part, rng.exponential(size=(draws, len(part)))) / np.sqrt(every)
        return np.exp(level[:, None] + slope[:, None] * np.square(frequency))


def analysed_cells(excluded: NDArray[np.bool_], side_px: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    """(cells,) pixels analysed of each cell of a picture, and x and y of its middle, row by row.

    Parameters
    ----------
    excluded
        (rows, columns) True where not analysed.
    side_px
        Of a cell, 255 at most; those at the right and lower edge are what is left.
    """
    rows, columns = excluded.shape
    top, left = np.arange(0, rows, side_px), np.arange(0, columns, side_px)
    if excluded.any():
        by_row = np.add.reduceat((~excluded).view(np.uint8), top, axis=0, dtype=np.uint8)
        pixels = np.add.reduceat(by_row, left, axis=1, dtype=float)
    else:
        pixels = np.outer(np.diff(top, append=rows), np.diff(left, append=columns)).astype(float)
    y, x = (top + np.minimum(top + side_px, rows)) / 2, (left + np.minimum(left + side_px, columns)) / 2
    return pixels.ravel(), np.tile(x, len(y)), np.repeat(y, len(x))


def regularity(
    x: FloatArray,
    y: FloatArray,
    weight: FloatArray,
    shape: tuple[int, int],
    across: tuple[float, float],
    highest: float,
) -> Regularity:
    """Fit the power of all waves of the frame but those that run close to one direction.

    The squared amplitudes of waves that fit the frame are exponential about their mean; the fit maximises
    that likelihood (P. Whittle, 1953; from memory). Bands thus do not enter the reference they are
    judged against.

    Parameters
    ----------
    x, y, weight
        (n,) points in px and their weights.
    shape
        (rows, columns) of the frame.
    across
        Unit vector (x, y) of the direction to leave out.
    highest
        Highest frequency, cycles per px.
    """
    rows, columns = shape
    p, q = np.arange(int(highest * columns) + 1), np.arange(int(highest * rows) + 1)
    fx, fy = p[:, None] / columns, np.append(-q[:0:-1], q) / rows
    frequency = np.hypot(fx, fy)
    power = _power((x / columns, y / rows, weight), (len(p), len(q))) / np.sum(weight**2)
    with np.errstate(invalid="ignore"):
        lean = np.abs(fx * across[0] + fy * across[1]) / frequency
    use = (frequency > 0) & (frequency <= highest) & (lean < np.cos(np.radians(SPREAD_DEG))) & ~((fx == 0) & (fy < 0))
    square = frequency[use] ** 2
    if len(square) < FEWEST_WAVES:
        return Regularity(0.0, 0.0, square)
    (level,), (slope,) = level_and_slope(square, power[use][None])
    return Regularity(float(level), float(slope), square)


def _waves(place: FloatArray, count: int) -> NDArray[np.complex128]:
    """(count, n) waves of 0, 1, 2 … cycles at places (n,), each the last one turned further."""
    turn = np.exp(-2j * np.pi * place)
    waves = np.ones((count, len(place)), complex)
    for last, own in pairwise(waves):
        np.multiply(last, turn, out=own)
    return waves


def _power(points: tuple[FloatArray, FloatArray, FloatArray], waves: tuple[int, int]) -> FloatArray:
    """(p, 2q - 1) power of waves (p, q) over weighted points x, y, weight (n,), the latter turning backwards first."""
    many = max(1, WAVES_AT_ONCE // max(waves))
    products: NDArray = np.zeros(())
    for start in range(0, len(points[0]), many):
        x, y, weight = (values[start : start + many] for values in points)
        one, other = _waves(x, waves[0]) * weight, _waves(y, waves[1])
        split_one, split_other = (np.concatenate([wave.real, wave.imag]) for wave in (one, other))
        products = products + split_one @ split_other.T
    (rr, ri), (ir, ii) = (np.hsplit(half, 2) for half in np.vsplit(products, 2))
    backwards, forwards = (rr + ii) ** 2 + (ir - ri) ** 2, (rr - ii) ** 2 + (ir + ri) ** 2
    return np.concatenate([backwards[:, :0:-1], forwards], axis=1)


def level_and_slope(square: FloatArray, power: FloatArray) -> FloatArray:
    """(2, patterns) level and slope over squared frequency of the log mean of power (patterns, waves)."""
    scale = square.max()
    design = np.column_stack([np.ones_like(square), square / scale])
    to_step = design @ np.linalg.inv(design.T @ design)
    beta = np.column_stack([np.log(power.mean(axis=1)), np.zeros(len(power))])
    for _ in range(STEPS):
        step = (power * np.exp(-beta @ design.T) - 1) @ to_step
        largest = np.abs(step).max()
        beta += step if largest <= 1 else np.clip(step, -1, 1)
        if largest < 1e-6:
            break
    return beta.T / np.array([[1.0], [scale]])
