"""Outlines of invented carbides."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
HARMONICS = np.arange(2, 6)


@dataclass(frozen=True, eq=False)
class Shapes:
    """n outlines r(t) = ellipse(t)·(1 + Σ roughness_k·cos(k·t + phase_k)), k = 2 … 5, cut by facets, in pixels.

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
    facet_angle, facet_distance
        (n, f) straight cuts: direction (radians) and distance from the centre, both where the ellipse is
        drawn as the unit circle.
    """

    x: FloatArray
    y: FloatArray
    semi_major: FloatArray
    semi_minor: FloatArray
    angle_deg: FloatArray
    class_index: NDArray[np.intp]
    roughness: FloatArray
    phase: FloatArray
    facet_angle: FloatArray
    facet_distance: FloatArray

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
    facets: int = 0,
) -> Shapes:
    """Outlines at the origin of given equivalent circle diameter (px), that of their area.

    Parameters
    ----------
    ecd
        (n,) diameters of circles of the same area.
    aspect, angle_deg, class_index
        (n,) or one value for all.
    roughness
        Spread of the first harmonic's amplitude, cut off at 1.5 times and at 0.2; the next ones fall off as 1/k.
    facets
        Number of straight cuts that take corners off the ellipse.
    """
    ecd = np.asarray(ecd, float)
    n = len(ecd)
    aspect = np.broadcast_to(np.asarray(aspect, float), n)
    amplitude = roughness * np.clip(rng.standard_normal((n, len(HARMONICS))), -1.5, 1.5) * 2 / HARMONICS
    raw = Shapes(
        x=np.zeros(n),
        y=np.zeros(n),
        semi_major=ecd / 2 * np.sqrt(aspect),
        semi_minor=ecd / 2 / np.sqrt(aspect),
        angle_deg=np.broadcast_to(np.asarray(angle_deg, float), n).copy(),
        class_index=np.broadcast_to(np.asarray(class_index, np.intp), n).copy(),
        roughness=np.clip(amplitude, -0.2, 0.2),
        phase=rng.uniform(0, 2 * np.pi, (n, len(HARMONICS))),
        facet_angle=2 * np.pi / max(facets, 1) * (np.arange(facets) + rng.uniform(-0.4, 0.4, (n, facets))),
        facet_distance=rng.uniform(0.6, 1.05, (n, facets)),
    )
    if not (roughness or facets):
        return raw
    x, y = np.moveaxis(polygons(raw, 120), 2, 0)
    area = np.abs((x * np.roll(y, -1, axis=1) - np.roll(x, -1, axis=1) * y).sum(axis=1)) / 2
    factor = ecd / (2 * np.sqrt(area / np.pi))
    return replace(raw, semi_major=raw.semi_major * factor, semi_minor=raw.semi_minor * factor)


def joined(first: Shapes, second: Shapes) -> Shapes:
    """Outlines of both; `second` follows `first`."""
    both = {key: [a, vars(second)[key]] for key, a in vars(first).items()}
    facets = max(a.shape[1] for a in both["facet_angle"])
    for key, none in (("facet_angle", 0.0), ("facet_distance", np.inf)):
        both[key] = [np.pad(a, ((0, 0), (0, facets - a.shape[1])), constant_values=none) for a in both[key]]
    return Shapes(**{key: np.concatenate(pair) for key, pair in both.items()})


def inside(
    outlines: Shapes, index: NDArray[np.intp], dx: FloatArray, dy: FloatArray, grow: float = 0.0
) -> NDArray[np.bool_]:
    """Whether points (m, …) at `dx`, `dy` from the centres of outlines `index` (m or 1, …) lie within the outline.

    `grow` moves the outline outwards along its radii.
    """
    turn = np.radians(outlines.angle_deg)
    cos, sin = np.cos(turn)[index], np.sin(turn)[index]
    along, across = dx * cos - dy * sin, -dx * sin - dy * cos
    radius = np.maximum(np.hypot(along, across), 1e-12) if grow or outlines.roughness.any() else np.ones(1)
    inward = 1 - grow / np.maximum(radius, grow) if grow else 1.0
    u, v = inward * along / outlines.semi_major[index], inward * across / outlines.semi_minor[index]
    wave = _wave(outlines, index, along / radius, across / radius) if outlines.roughness.any() else 1.0
    hit = u * u + v * v <= wave * wave
    for angle, distance in zip(outlines.facet_angle.T, outlines.facet_distance.T, strict=True):
        hit &= u * np.cos(angle)[index] + v * np.sin(angle)[index] <= distance[index]
    return hit


def _wave(outlines: Shapes, index: NDArray[np.intp], cos: FloatArray, sin: FloatArray) -> FloatArray:
    """1 + Σ roughness_k·cos(k·t + phase_k) from cos t and sin t, by the addition theorem."""
    real, imaginary = outlines.roughness * np.cos(outlines.phase), outlines.roughness * np.sin(outlines.phase)
    wave = np.ones_like(cos)
    cos_k, sin_k = cos, sin
    for k in range(len(HARMONICS)):
        cos_k, sin_k = cos_k * cos - sin_k * sin, sin_k * cos + cos_k * sin
        wave += real[index, k] * cos_k - imaginary[index, k] * sin_k
    return wave


def polygons(outlines: Shapes, vertices: int = 360) -> FloatArray:
    """(n, vertices, 2) x, y of points along the outlines, counter-clockwise as seen."""
    n = len(outlines)
    a, b = outlines.semi_major[:, None], outlines.semi_minor[:, None]
    t = np.linspace(0, 2 * np.pi, vertices, endpoint=False)  # equal steps on the ellipse drawn as a circle
    flat = np.arctan2(b * np.sin(t), a * np.cos(t))
    radius = _wave(outlines, np.arange(n)[:, None], np.cos(flat), np.sin(flat))
    for angle, distance in zip(outlines.facet_angle.T, outlines.facet_distance.T, strict=True):
        toward = np.cos(t - angle[:, None])
        reach = np.divide(distance[:, None], toward, out=np.full((n, vertices), np.inf), where=toward > 1e-6)
        radius = np.minimum(radius, reach)
    along, across = a * radius * np.cos(t), b * radius * np.sin(t)
    turn = np.radians(outlines.angle_deg)[:, None]
    x = outlines.x[:, None] + along * np.cos(turn) - across * np.sin(turn)
    y = outlines.y[:, None] - along * np.sin(turn) - across * np.cos(turn)
    return np.stack([x, y], axis=2)
