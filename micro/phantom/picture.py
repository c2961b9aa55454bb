"""From outlines to a micrograph: coverage, optics, sensor; the truth comes from the coverage."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from micro.phantom.shapes import FloatArray, Shapes, boundary, polar

SUBSAMPLES = 5
CHUNK = 4_000_000


@dataclass(frozen=True, eq=False)
class Coverage:
    """Share of every pixel that carbide covers.

    Parameters
    ----------
    by_class
        (classes, rows, columns) float32, 0 to 1; where outlines overlap the later one wins.
    area_px
        (n,) area of each outline within the frame, px².
    whole
        (n,) True where the frame does not cut the outline.
    """

    by_class: NDArray[np.float32]
    area_px: FloatArray
    whole: NDArray[np.bool_]

    @property
    def area_fraction(self) -> FloatArray:
        """(classes,) true area fraction of each class."""
        return self.by_class.mean(axis=(1, 2), dtype=float)


def cover(outlines: Shapes, shape: tuple[int, int], classes: int = 1) -> Coverage:
    """Sample outlines on a grid five times finer than the pixels and count.

    Parameters
    ----------
    outlines
        Outlines placed on the frame, in px.
    shape
        (rows, columns) of the frame.
    """
    fine = (shape[0] * SUBSAMPLES, shape[1] * SUBSAMPLES)
    owner = np.zeros(fine, np.int32)
    whole = np.ones(len(outlines), bool)
    reach = np.ceil(outlines.reach * SUBSAMPLES).astype(np.int64) + 1
    size = (2 * reach + 1) ** 2
    start = 0
    while start < len(outlines):
        stop = start + max(1, int(np.searchsorted(np.cumsum(size[start:]), CHUNK)))
        _paint(outlines, np.arange(start, stop), reach, owner, whole)
        start = stop
    in_frame = np.bincount(owner.ravel(), minlength=len(outlines) + 1)[1:]
    by_class = np.zeros((classes, *shape), np.float32)
    of_owner = np.concatenate([[-1], outlines.class_index])
    for c in range(classes):
        hit = of_owner[owner] == c
        blocks = hit.reshape(shape[0], SUBSAMPLES, shape[1], SUBSAMPLES)
        by_class[c] = blocks.mean(axis=(1, 3), dtype=np.float32)
    return Coverage(by_class, in_frame / SUBSAMPLES**2, whole)


def _paint(
    outlines: Shapes, index: NDArray, reach: NDArray, owner: NDArray[np.int32], whole: NDArray[np.bool_]
) -> None:
    """Write outline numbers into `owner`; clear `whole` for those that leave the frame."""
    width = 2 * reach[index] + 1
    size = width**2
    which = np.repeat(index, size)
    within = np.arange(len(which)) - np.repeat(np.cumsum(size) - size, size)
    row0 = np.floor(outlines.y * SUBSAMPLES).astype(np.int64) - reach
    col0 = np.floor(outlines.x * SUBSAMPLES).astype(np.int64) - reach
    span = np.repeat(width, size)
    rows, cols = row0[which] + within // span, col0[which] + within % span
    dx = (cols + 0.5) / SUBSAMPLES - outlines.x[which]
    dy = (rows + 0.5) / SUBSAMPLES - outlines.y[which]
    radius, angle = polar(dx, dy, outlines.angle_deg[which])
    inside = radius <= boundary(outlines, which, angle)
    in_frame = (rows >= 0) & (rows < owner.shape[0]) & (cols >= 0) & (cols < owner.shape[1])
    whole[which[inside & ~in_frame]] = False
    hit = inside & in_frame
    owner[rows[hit], cols[hit]] = which[hit] + 1


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
    """Grey picture (rows, columns) float32 of whole levels: scene · light, lens, noise, sensor."""
    from scipy import ndimage

    shape = coverage.by_class.shape[1:]
    scene = np.full(shape, optics.matrix_grey, np.float32)
    if optics.texture:
        grain = ndimage.gaussian_filter(rng.standard_normal(shape).astype(np.float32), optics.texture_px)
        bare = 1 - coverage.by_class.sum(axis=0)
        scene += bare * grain * np.float32(optics.texture / grain.std())
    for share, level in zip(coverage.by_class, optics.class_greys, strict=True):
        scene += share * np.float32(level - optics.matrix_grey)
    scene = ndimage.gaussian_filter(scene, optics.blur_px) if optics.blur_px else scene
    scene *= illumination(shape, optics.shading, rng)
    scene += np.float32(optics.noise) * rng.standard_normal(shape).astype(np.float32)
    return np.clip(np.rint(scene), 0, optics.grey_max).astype(np.float32)


def illumination(shape: tuple[int, ...], shading: float, rng: np.random.Generator) -> NDArray[np.float32]:
    """Smooth multiplicative light field (rows, columns) from 1 down to 1 - `shading`."""
    y, x = np.meshgrid(np.linspace(-1, 1, shape[0]), np.linspace(-1, 1, shape[1]), indexing="ij")
    cx, cy, tilt = rng.uniform(-0.5, 0.5), rng.uniform(-0.5, 0.5), rng.uniform(0, 2 * np.pi)
    fall = (x - cx) ** 2 + (y - cy) ** 2 + 0.6 * (x * np.cos(tilt) + y * np.sin(tilt))
    fall = (fall - fall.min()) / (fall.max() - fall.min())
    return (1 - shading * fall).astype(np.float32)
