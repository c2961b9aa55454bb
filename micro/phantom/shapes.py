"""Outlines of invented carbides and where they lie."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
HARMONICS = np.arange(2, 6)


@dataclass(frozen=True, eq=False)
class Shapes:
    """n outlines r(t) = ellipse(t)·(1 + Σ roughness_k·cos(k·t + phase_k)), k = 2 … 5, in pixels.

    Parameters
    ----------
    x, y
        (n,) centres; origin at the top left, y down, a pixel's centre at +0.5.
    semi_major, semi_minor
        (n,) half axes of the ellipse.
    angle_deg
        (n,) major axis from the horizontal, counter-clockwise as seen.
    class_index
        (n,) class of each outline.
    roughness, phase
        (n, 4) amplitude and phase of the harmonics.
    """

    x: FloatArray
    y: FloatArray
    semi_major: FloatArray
    semi_minor: FloatArray
    angle_deg: FloatArray
    class_index: NDArray[np.intp]
    roughness: FloatArray
    phase: FloatArray

    def __len__(self) -> int:
        return len(self.x)

    @property
    def reach(self) -> FloatArray:
        """(n,) radius of a circle about the centre that holds the outline."""
        return self.semi_major * (1 + np.abs(self.roughness).sum(axis=1))

    def take(self, index: NDArray) -> Shapes:
        """Return the outlines at `index` (integers or booleans)."""
        return Shapes(**{key: value[index] for key, value in vars(self).items()})

    def moved(self, x: FloatArray, y: FloatArray) -> Shapes:
        """Return the same outlines at other centres."""
        return replace(self, x=np.asarray(x, float), y=np.asarray(y, float))


def shapes(
    ecd: FloatArray,
    rng: np.random.Generator,
    *,
    aspect: FloatArray | float = 1.0,
    angle_deg: FloatArray | float = 0.0,
    class_index: NDArray[np.intp] | int = 0,
    roughness: float = 0.0,
) -> Shapes:
    """Outlines of given equivalent circle diameter (px) at the origin.

    Parameters
    ----------
    ecd
        (n,) diameters of circles of the same area as the smooth ellipse.
    aspect, angle_deg, class_index
        (n,) or one value for all.
    roughness
        Standard deviation of the first harmonic's amplitude; the next ones fall off as 1/k.
    """
    ecd = np.asarray(ecd, float)
    n = len(ecd)
    aspect = np.broadcast_to(np.asarray(aspect, float), n)
    amplitude = roughness * rng.standard_normal((n, len(HARMONICS))) * 2 / HARMONICS
    return Shapes(
        x=np.zeros(n),
        y=np.zeros(n),
        semi_major=ecd / 2 * np.sqrt(aspect),
        semi_minor=ecd / 2 / np.sqrt(aspect),
        angle_deg=np.broadcast_to(np.asarray(angle_deg, float), n).copy(),
        class_index=np.broadcast_to(np.asarray(class_index, np.intp), n).copy(),
        roughness=np.clip(amplitude, -0.3, 0.3),
        phase=rng.uniform(0, 2 * np.pi, (n, len(HARMONICS))),
    )


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
    """Place outlines one after the other, the largest first, never closer than `gap_px`.

    Centres fall on the frame and a margin around it, so that the frame cuts carbides as a real field does.
    With `banding` m the density varies as 1 + m·cos(2π·u/band_spacing_px + phase), u across the rolling
    direction. What finds no room in `tries` is dropped: take the truth from the picture, not from the list.
    """
    order = np.argsort(-outlines.semi_major)
    outlines = outlines.take(order)
    margin = int(np.ceil(outlines.reach.max(initial=0.0) + gap_px)) + 1
    occupied = np.zeros((shape[0] + 4 * margin, shape[1] + 4 * margin), bool)
    phase = rng.uniform(0, 2 * np.pi)
    across = np.array([np.sin(np.radians(rolling_deg)), np.cos(np.radians(rolling_deg))])
    kept, xs, ys = [], [], []
    for i in range(len(outlines)):
        for _ in range(tries):
            x = rng.uniform(-margin, shape[1] + margin)
            y = rng.uniform(-margin, shape[0] + margin)
            wave = 1 + banding * np.cos(2 * np.pi * (across @ (x, y)) / band_spacing_px + phase)
            if rng.uniform(0, 1 + banding) > wave:
                continue
            rows, cols = _pixels_inside(outlines, i, x + 2 * margin, y + 2 * margin, gap_px / 2)
            if not occupied[rows, cols].any():
                occupied[rows, cols] = True
                kept.append(i)
                xs.append(x)
                ys.append(y)
                break
    return outlines.take(np.array(kept, np.intp)).moved(np.array(xs), np.array(ys))


def _pixels_inside(outlines: Shapes, i: int, x: float, y: float, grow: float) -> tuple[NDArray, NDArray]:
    reach = outlines.reach[i] + grow
    rows = np.arange(int(y - reach), int(y + reach) + 1)[:, None]
    cols = np.arange(int(x - reach), int(x + reach) + 1)[None, :]
    one = outlines.take(np.array([i]))
    radius, angle = polar(cols + 0.5 - x, rows + 0.5 - y, one.angle_deg[0])
    inside = radius <= boundary(one, np.zeros(radius.size, np.intp), angle.ravel()).reshape(radius.shape) + grow
    r, c = np.nonzero(inside)
    return rows[r, 0], cols[0, c]


def polar(dx: NDArray, dy: NDArray, angle_deg: NDArray | float) -> tuple[FloatArray, FloatArray]:
    """Radius and angle (radians, counter-clockwise as seen) of points in the frame of an outline's major axis."""
    turn = np.radians(angle_deg)
    along = dx * np.cos(turn) - dy * np.sin(turn)
    across = -dx * np.sin(turn) - dy * np.cos(turn)
    return np.hypot(along, across), np.arctan2(across, along)


def boundary(outlines: Shapes, index: NDArray[np.intp], angle: FloatArray) -> FloatArray:
    """Distance of the outline from its centre for outlines `index` (m,) at `angle` (m,) from their major axes."""
    a, b = outlines.semi_major[index], outlines.semi_minor[index]
    ellipse = a * b / np.hypot(b * np.cos(angle), a * np.sin(angle))
    if not outlines.roughness.any():
        return ellipse
    wave = np.ones_like(angle)
    for k, amplitude, phase in zip(HARMONICS, outlines.roughness.T, outlines.phase.T, strict=True):
        wave += amplitude[index] * np.cos(k * angle + phase[index])
    return ellipse * wave
