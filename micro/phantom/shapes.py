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

    @property
    def extent(self) -> tuple[FloatArray, FloatArray]:
        """(n,) half width and (n,) half height of an upright box about the centre that holds the outline."""
        turn = np.radians(self.angle_deg)
        swell = 1 + np.abs(self.roughness).sum(axis=1)
        along, across = self.semi_major * swell, self.semi_minor * swell
        return (
            np.hypot(along * np.cos(turn), across * np.sin(turn)),
            np.hypot(along * np.sin(turn), across * np.cos(turn)),
        )

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
    dx, dy = np.broadcast_arrays(cols + 0.5 - x, rows + 0.5 - y)
    hit = inside(one, np.zeros(dx.shape, np.intp), dx, dy, grow)
    r, c = np.nonzero(hit)
    return rows[r, 0], cols[0, c]


def inside(
    outlines: Shapes, index: NDArray[np.intp], dx: FloatArray, dy: FloatArray, grow: float = 0.0
) -> NDArray[np.bool_]:
    """Whether points (m, …) at `dx`, `dy` from the centres of outlines `index` (m or 1, …) lie within the outline.

    `grow` moves the outline outwards along its radii.
    """
    turn = np.radians(outlines.angle_deg)
    cos, sin = np.cos(turn)[index], np.sin(turn)[index]
    along, across = dx * cos - dy * sin, -dx * sin - dy * cos
    out = np.hypot(along / outlines.semi_major[index], across / outlines.semi_minor[index])
    if not grow and not outlines.roughness.any():
        return out <= 1
    radius = np.maximum(np.hypot(along, across), 1e-12)
    return out * (1 - grow / np.maximum(radius, grow)) <= _wave(outlines, index, along / radius, across / radius)


def _wave(outlines: Shapes, index: NDArray[np.intp], cos: FloatArray, sin: FloatArray) -> FloatArray:
    """1 + Σ roughness_k·cos(k·t + phase_k) from cos t and sin t (m,), by the addition theorem."""
    real, imaginary = (outlines.roughness * f(outlines.phase) for f in (np.cos, np.sin))
    wave = np.ones_like(cos)
    cos_k, sin_k = cos, sin
    for k in range(len(HARMONICS)):
        cos_k, sin_k = cos_k * cos - sin_k * sin, sin_k * cos + cos_k * sin
        wave += real[index, k] * cos_k - imaginary[index, k] * sin_k
    return wave


def polygon(outlines: Shapes, i: int, vertices: int = 360) -> FloatArray:
    """(vertices, 2) x, y of points along outline `i`."""
    t = np.linspace(0, 2 * np.pi, vertices, endpoint=False)
    a, b, turn = outlines.semi_major[i], outlines.semi_minor[i], np.radians(outlines.angle_deg[i])
    wave = _wave(outlines, np.full(vertices, i), np.cos(t), np.sin(t))
    radius = a * b / np.hypot(b * np.cos(t), a * np.sin(t)) * wave
    return np.stack([outlines.x[i] + radius * np.cos(t + turn), outlines.y[i] - radius * np.sin(t + turn)], axis=1)
