"""What a micrograph shows besides matrix and carbide.

Damage and dirt change the surface (grey levels before the lens).
Every function returns a new array (rows, columns) float32.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from micro.phantom.shapes import FloatArray, Shapes, cover, shapes

Grey = NDArray[np.float32]


@dataclass(frozen=True)
class Damage:
    """How much of each kind of damage a field shows, on average.

    Parameters
    ----------
    scratches, pits, dust, stains
        Mean number in a field.
    """

    scratches: float = 0.0
    pits: float = 0.0
    dust: float = 0.0
    stains: float = 0.0


def damaged(surface: Grey, damage: Damage, rng: np.random.Generator) -> Grey:
    """Surface with every kind of damage; numbers are Poisson."""
    kinds = ((stains, damage.stains), (pits, damage.pits), (scratches, damage.scratches), (dust, damage.dust))
    for kind, mean in kinds:
        if mean:
            surface = kind(surface, int(rng.poisson(mean)), rng)
    return surface


def scratches(
    surface: Grey, count: int, rng: np.random.Generator, *, contrast: float = -30.0, width_px: float = 1.2
) -> Grey:
    """Long thin straight lines, brighter or darker by `contrast` grey levels, about `width_px` wide."""
    rows, columns = surface.shape
    length = rng.uniform(0.2, 1.5, count) * max(surface.shape)
    width = width_px * rng.uniform(0.6, 1.4, count)
    lines = _scattered(
        shapes(np.sqrt(length * width), rng, aspect=length / width, angle_deg=rng.uniform(0, 180, count)),
        surface.shape,
        rng,
    )
    share = cover(lines, (rows, columns)).by_class[0]
    return surface + np.float32(contrast) * share


def pits(surface: Grey, count: int, rng: np.random.Generator, *, level: float = 25.0, diameter_px: float = 5.0) -> Grey:
    """Small round dark holes left by polishing."""
    holes = shapes(
        diameter_px * rng.lognormal(-0.08, 0.4, count), rng, aspect=rng.uniform(1, 1.4, count), roughness=0.1
    )
    return _painted(surface, _scattered(holes, surface.shape, rng), level)


def dust(
    surface: Grey, count: int, rng: np.random.Generator, *, level: float = 30.0, diameter_px: float = 20.0
) -> Grey:
    """Ragged dark grains that lie above the surface and are out of focus."""
    from scipy import ndimage

    grains = shapes(
        diameter_px * rng.lognormal(-0.08, 0.4, count), rng, aspect=rng.uniform(1, 2.5, count),
        angle_deg=rng.uniform(0, 180, count), roughness=0.3,
    )  # fmt: skip
    share = cover(_scattered(grains, surface.shape, rng), surface.shape).by_class[0]
    share = ndimage.gaussian_filter(share, diameter_px / 8)
    return surface * (1 - share) + np.float32(level) * share


def stains(
    surface: Grey, count: int, rng: np.random.Generator, *, contrast: float = -35.0, diameter_px: float = 90.0
) -> Grey:
    """Soft patches with a deeper rim, as drying drops leave them."""
    from scipy import ndimage

    drops = shapes(
        diameter_px * rng.lognormal(-0.08, 0.4, count), rng, aspect=rng.uniform(1, 1.6, count), roughness=0.1
    )
    share = cover(_scattered(drops, surface.shape, rng), surface.shape).by_class[0]
    soft = ndimage.gaussian_filter(share, diameter_px / 30)
    rim = ndimage.gaussian_gradient_magnitude(share, diameter_px / 30)
    rim = rim / max(float(rim.max(initial=0.0)), 1e-6)
    return (surface + contrast * (0.4 * soft + 0.6 * rim)).astype(np.float32)


def _scattered(marks: Shapes, shape: tuple[int, ...], rng: np.random.Generator) -> Shapes:
    x: FloatArray = rng.uniform(0, shape[1], len(marks))
    return marks.moved(x, rng.uniform(0, shape[0], len(marks)))


def _painted(surface: Grey, marks: Shapes, level: float) -> Grey:
    share = cover(marks, (surface.shape[0], surface.shape[1])).by_class[0]
    return surface * (1 - share) + np.float32(level) * share
