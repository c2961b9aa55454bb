"""From coverage to a micrograph: surface, lens, light, sensor."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from micro.phantom.coverage import Coverage


@dataclass(frozen=True)
class Optics:
    """Light, lens and sensor of an invented microscope; grey levels are on the scale 0 to `grey_max`.

    Parameters
    ----------
    matrix_grey
        Level of the matrix.
    class_greys
        Level of each carbide class.
    blur_px
        Standard deviation of the Gaussian edge spread.
    noise
        Standard deviation of the sensor noise.
    shading
        Loss of light from the brightest to the darkest part of the field, 0 to 1.
    texture, texture_px
        Standard deviation and grain of the uneven etch of the matrix, before the blur.
    grey_max
        Full scale; the picture is rounded and clipped to it.
    """

    matrix_grey: float = 90.0
    class_greys: tuple[float, ...] = (180.0,)
    blur_px: float = 1.0
    noise: float = 6.0
    shading: float = 0.15
    texture: float = 0.0
    texture_px: float = 3.0
    grey_max: float = 255.0


def photograph(coverage: Coverage, optics: Optics, rng: np.random.Generator) -> NDArray[np.float32]:
    """Grey picture (rows, columns) float32 of whole levels: surface, lens, light, noise, sensor."""
    return expose(etched_surface(coverage, optics, rng), optics, rng)


def etched_surface(coverage: Coverage, optics: Optics, rng: np.random.Generator) -> NDArray[np.float32]:
    """Grey levels (rows, columns) float32 of the surface before any lens: matrix with its texture, carbides."""
    from scipy import ndimage

    shape = coverage.by_class.shape[1:]
    scene = np.full(shape, optics.matrix_grey, np.float32)
    if optics.texture:
        grain = ndimage.gaussian_filter(rng.standard_normal(shape).astype(np.float32), optics.texture_px)
        bare = 1 - coverage.by_class.sum(axis=0)
        scene += bare * grain * np.float32(optics.texture / grain.std())
    for share, level in zip(coverage.by_class, optics.class_greys, strict=True):
        scene += share * np.float32(level - optics.matrix_grey)
    return scene


def expose(surface: NDArray[np.float32], optics: Optics, rng: np.random.Generator) -> NDArray[np.float32]:
    """Grey picture (rows, columns) float32 of whole levels from the levels of the surface."""
    from scipy import ndimage

    scene = ndimage.gaussian_filter(surface, optics.blur_px) if optics.blur_px else surface
    scene = scene * illumination(scene.shape, optics.shading, rng)
    scene += np.float32(optics.noise) * rng.standard_normal(scene.shape).astype(np.float32)
    return np.clip(np.rint(scene), 0, optics.grey_max).astype(np.float32)


def illumination(shape: tuple[int, ...], shading: float, rng: np.random.Generator) -> NDArray[np.float32]:
    """Smooth multiplicative light field (rows, columns) from 1 down to 1 - `shading`."""
    y, x = np.meshgrid(np.linspace(-1, 1, shape[0]), np.linspace(-1, 1, shape[1]), indexing="ij")
    cx, cy, tilt = rng.uniform(-0.5, 0.5), rng.uniform(-0.5, 0.5), rng.uniform(0, 2 * np.pi)
    fall = (x - cx) ** 2 + (y - cy) ** 2 + 0.6 * (x * np.cos(tilt) + y * np.sin(tilt))
    fall = (fall - fall.min()) / (fall.max() - fall.min())
    return (1 - shading * fall).astype(np.float32)
