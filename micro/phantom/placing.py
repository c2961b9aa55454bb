"""Where invented carbides lie: at random, in bands, in stringers."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from micro.phantom.shapes import FloatArray, Shapes, inside

Density = Callable[[FloatArray, FloatArray], FloatArray]
"""Relative number of carbides at x, y; 0 or more."""
CELL_PX = 4
BATCH = 50


def place(
    outlines: Shapes,
    shape: tuple[int, int],
    density: Density | None,
    rng: np.random.Generator,
    *,
    gap_px: float = 2.0,
    tries: int = 200,
    settled: Shapes | None = None,
) -> Shapes:
    """Place outlines one after the other, the largest first, never closer than `gap_px` to each other or to `settled`.

    Centres fall on the frame and a margin around it, so that the frame cuts carbides as a real field does.
    What finds no room in `tries` is dropped: take the truth from the coverage, not from the list.
    """
    outlines = outlines.take(np.argsort(-outlines.semi_major, kind="stable"))
    margin = int(np.ceil(outlines.reach.max(initial=0.0) + gap_px)) + 3
    occupied = np.zeros((shape[0] + 4 * margin, shape[1] + 4 * margin), bool)
    if settled is not None:
        for i in range(len(settled)):
            _occupy(settled, i, occupied, 2 * margin)
    draw = _drawer(shape, margin, density, rng)
    kept, xs, ys = [], [], []
    for i in range(len(outlines)):
        (rows, cols), (near_rows, near_cols) = _footprint(outlines, i, gap_px)
        for _ in range(0, tries, BATCH):
            x, y = draw(BATCH)
            r, c = (y + 2 * margin).astype(int), (x + 2 * margin).astype(int)
            j = next((j for j in range(BATCH) if not occupied[near_rows + r[j], near_cols + c[j]].any()), None)
            if j is not None:
                occupied[rows + r[j], cols + c[j]] = True
                kept.append(i)
                xs.append(x[j])
                ys.append(y[j])
                break
    return outlines.take(np.array(kept, np.intp)).moved(np.array(xs), np.array(ys))


def place_at_random(
    outlines: Shapes,
    shape: tuple[int, int],
    rng: np.random.Generator,
    *,
    gap_px: float = 2.0,
    banding: float = 0.0,
    band_spacing_px: float = 100.0,
    rolling_deg: float = 0.0,
    tries: int = 200,
) -> Shapes:
    """Place as `place` does, evenly or, with `banding` m, in bands of density 1 + m·cos(2π·u/band_spacing_px + phase).

    u runs across the rolling direction.
    """
    phase = rng.uniform(0, 2 * np.pi)
    sin, cos = np.sin(np.radians(rolling_deg)), np.cos(np.radians(rolling_deg))

    def wave(x: FloatArray, y: FloatArray) -> FloatArray:
        return 1 + banding * np.cos(2 * np.pi * (sin * x + cos * y) / band_spacing_px + phase)

    return place(outlines, shape, wave if banding else None, rng, gap_px=gap_px, tries=tries)


def uneven_bands(contrast: float, spacing_px: float, rolling_deg: float, rng: np.random.Generator) -> Density:
    """Bands as solidification leaves them: widths vary, they fork and fade along the rolling direction.

    Parameters
    ----------
    contrast
        Standard deviation of the density over its mean, before it is cut off at 0.
    spacing_px
        Mean distance between bands.
    """
    waves = 16
    turn = np.radians(rolling_deg + 90 + rng.normal(0, 3.0, waves))
    length = spacing_px * np.exp(rng.normal(0, 0.2, waves))
    phase = rng.uniform(0, 2 * np.pi, waves)

    def density(x: FloatArray, y: FloatArray) -> FloatArray:
        total = np.zeros(np.broadcast_shapes(x.shape, y.shape))
        for angle, wavelength, start in zip(turn, length, phase, strict=True):
            total += np.cos(2 * np.pi * (x * np.cos(angle) - y * np.sin(angle)) / wavelength + start)
        return np.clip(1 + contrast * total * np.sqrt(2 / waves), 0, None)

    return density


def stringers(share: float, length_px: float, rolling_deg: float, rng: np.random.Generator) -> Density:
    """Rows of carbides along the rolling direction: about `share` of them lie in rows of `length_px`."""
    sin, cos = np.sin(np.radians(rolling_deg)), np.cos(np.radians(rolling_deg))
    width = length_px / 25
    seed = rng.integers(2**32)

    def density(x: FloatArray, y: FloatArray) -> FloatArray:
        own = np.random.default_rng(seed)
        extent = (x.max() - x.min()) * (y.max() - y.min())
        rows = max(1, round(0.05 * extent / (length_px * width)))
        total = np.zeros(np.broadcast_shapes(x.shape, y.shape))
        for _ in range(rows):
            dx, dy = x - own.uniform(x.min(), x.max()), y - own.uniform(y.min(), y.max())
            along, across = dx * cos - dy * sin, dx * sin + dy * cos
            total += np.exp(-((across / width) ** 2) / 2 - (2 * along / length_px) ** 4)
        return 1 - share + share * total / total.mean()

    return density


def _drawer(
    shape: tuple[int, int], margin: int, density: Density | None, rng: np.random.Generator
) -> Callable[[int], tuple[FloatArray, FloatArray]]:
    """Make the function that draws n places x, y on the frame and its margin."""
    rows, cols = shape[0] + 2 * margin, shape[1] + 2 * margin
    if density is None:
        return lambda n: (rng.uniform(0, cols, n) - margin, rng.uniform(0, rows, n) - margin)
    x, y = np.arange(0.0, cols, CELL_PX) - margin, np.arange(0.0, rows, CELL_PX) - margin
    weight = density(x[None, :] + CELL_PX / 2, y[:, None] + CELL_PX / 2)
    total = np.cumsum(np.broadcast_to(weight, (len(y), len(x))))

    def draw(n: int) -> tuple[FloatArray, FloatArray]:
        row, col = np.divmod(np.searchsorted(total, rng.uniform(0, total[-1], n), side="right"), len(x))
        return x[col] + rng.uniform(0, CELL_PX, n), y[row] + rng.uniform(0, CELL_PX, n)

    return draw


def _footprint(outlines: Shapes, i: int, gap_px: float) -> tuple[tuple[NDArray, NDArray], tuple[NDArray, NDArray]]:
    """Rows and columns, from the pixel of its centre, that outline `i` may touch, and those within the gap of it."""
    import cv2

    reach = int(np.ceil(outlines.reach[i] + gap_px)) + 2
    step = np.arange(-reach, reach + 1, dtype=float)
    dy, dx = np.meshgrid(step, step, indexing="ij")
    hit = inside(outlines.take(np.array([i])), np.zeros(dx.shape, np.intp), dx, dy, 0.3).astype(np.uint8)
    hit[reach, reach] = 1
    touched = cv2.dilate(hit, np.ones((3, 3), np.uint8))
    disc = (np.hypot(dx, dy) <= gap_px + 0.5)[reach - int(gap_px) - 2 : reach + int(gap_px) + 3]
    disc = disc[:, reach - int(gap_px) - 2 : reach + int(gap_px) + 3].astype(np.uint8)
    (r, c), (near_r, near_c) = np.nonzero(touched), np.nonzero(cv2.dilate(hit, disc))
    return (r - reach, c - reach), (near_r - reach, near_c - reach)


def _occupy(outlines: Shapes, i: int, occupied: NDArray[np.bool_], margin: int) -> None:
    """Mark the pixels of a placed outline, where they lie on the canvas with its margin."""
    (rows, cols), _ = _footprint(outlines, i, 0.0)
    rows, cols = rows + int(np.floor(outlines.y[i])) + margin, cols + int(np.floor(outlines.x[i])) + margin
    on = (rows >= 0) & (rows < occupied.shape[0]) & (cols >= 0) & (cols < occupied.shape[1])
    occupied[rows[on], cols[on]] = True
