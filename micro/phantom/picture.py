"""From a scene to a picture with its true answer: surface and its damage, lens, light, sensor."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from micro.phantom.shapes import Coverage, FloatArray, Shapes, cover, polygons, shapes

if TYPE_CHECKING:
    import pandas as pd


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

    scene = np.full(coverage.by_class.shape[1:], optics.matrix_grey, np.float32)
    if optics.texture:
        grain = ndimage.gaussian_filter(rng.standard_normal(scene.shape).astype(np.float32), optics.texture_px)
        scene += (1 - coverage.by_class.sum(axis=0)) * (grain * np.float32(optics.texture / grain.std()))
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
    down, along = np.linspace(-1, 1, shape[0]), np.linspace(-1, 1, shape[1])
    cx, cy, tilt = rng.uniform(-0.5, 0.5), rng.uniform(-0.5, 0.5), rng.uniform(0, 2 * np.pi)
    by_x, by_y = (along - cx) ** 2 + 0.6 * along * np.cos(tilt), (down - cy) ** 2 + 0.6 * down * np.sin(tilt)
    least, most = by_x.min() + by_y.min(), by_x.max() + by_y.max()
    y, x = down[:, None], along[None, :]
    fall = (x - cx) ** 2 + (y - cy) ** 2 + 0.6 * (x * np.cos(tilt) + y * np.sin(tilt))
    return (1 - shading * (fall - least) / (most - least)).astype(np.float32)


@dataclass(frozen=True, eq=False)
class Truth:
    """What is known of an invented field.

    Parameters
    ----------
    area_fraction
        (classes,) of each class, from the coverage.
    particles
        One row a carbide that shows in the frame: label, x_px, y_px, area_px, ecd_px, perimeter_px, major_px, minor_px,
        aspect_ratio, angle_deg (from the rolling direction), all of the whole outline; shown_px, its area within the
        frame; carbide_class; whole, 0 where the frame cuts it.
    coverage
        Share of carbide in every pixel, and the labels.
    """

    area_fraction: FloatArray
    particles: pd.DataFrame
    coverage: Coverage


def particle_table(
    outlines: Shapes, coverage: Coverage, class_names: tuple[str, ...], rolling_deg: float
) -> pd.DataFrame:
    """One row a carbide that shows in the frame, as in `Truth`."""
    import pandas as pd

    seen = np.flatnonzero(coverage.area_px > 0)
    measures = polygon_measures(polygons(outlines.take(seen)))
    turned = (measures.pop("angle_from_horizontal_deg") - rolling_deg) % 180
    return pd.DataFrame(
        {
            "label": seen + 1,
            **measures,
            "ecd_px": 2 * np.sqrt(measures["area_px"] / np.pi),
            "angle_deg": np.where(turned > 90, turned - 180, turned),
            "shown_px": coverage.area_px[seen],
            "carbide_class": np.array(class_names)[outlines.class_index[seen]],
            "whole": coverage.whole[seen].astype(int),
        }
    )


def field_rows(truth: Truth, class_names: tuple[str, ...], um_per_px: float) -> list[dict[str, Any]]:
    """One row for "all" and one a class: area fraction, and count and means of carbides centred in the frame.

    A carbide belongs to the field that holds its centroid, whole as it is, so that no field's edge biases the means.
    """
    rows, columns = truth.coverage.labels.shape
    table = truth.particles
    centred = table["x_px"].between(0, columns) & table["y_px"].between(0, rows)
    fractions = dict(zip(class_names, truth.area_fraction.tolist(), strict=True))
    found = []
    for name in ("all", *class_names):
        own = table[centred & ((table["carbide_class"] == name) | (name == "all"))]
        found.append(
            {
                "carbide_class": name,
                "area_fraction": fractions.get(name, sum(fractions.values())),
                "particles": len(own),
                "number_per_mm2": len(own) / (rows * columns * um_per_px**2) * 1e6,
                "mean_ecd_um": own["ecd_px"].mean() * um_per_px,
                "mean_aspect_ratio": own["aspect_ratio"].mean(),
                "largest_ecd_um": own["ecd_px"].max() * um_per_px,
            }
        )
    return found


def particle_rows(truth: Truth, um_per_px: float) -> pd.DataFrame:
    """Table of the carbides in µm and µm²."""
    table = truth.particles.copy()
    powers = {"shown_px": ("shown_um2", 2), "area_px": ("area_um2", 2)}
    powers |= {n: (n.replace("_px", "_um"), 1) for n in table.columns if n.endswith("_px") and n not in powers}
    for name, (_, power) in powers.items():
        table[name] *= um_per_px**power
    return table.rename(columns={name: new for name, (new, _) in powers.items()})


def polygon_measures(points: FloatArray) -> dict[str, FloatArray]:
    """Centroid, perimeter, and the ellipse of the same second moments, of polygons (n, vertices, 2).

    By Green's theorem from the corners; axes are full lengths. Exact for the polygon.
    """
    middle = points.mean(axis=1, keepdims=True)
    x, y = np.moveaxis(points - middle, 2, 0)
    x1, y1 = np.roll(x, -1, axis=1), np.roll(y, -1, axis=1)
    cross = x * y1 - x1 * y
    area = cross.sum(axis=1) / 2
    cx, cy = ((x + x1) * cross).sum(axis=1) / (6 * area), ((y + y1) * cross).sum(axis=1) / (6 * area)
    xx = ((x * x + x * x1 + x1 * x1) * cross).sum(axis=1) / (12 * area) - cx**2
    yy = ((y * y + y * y1 + y1 * y1) * cross).sum(axis=1) / (12 * area) - cy**2
    xy = ((2 * x * y + x * y1 + x1 * y + 2 * x1 * y1) * cross).sum(axis=1) / (24 * area) - cx * cy
    half_sum, root = (xx + yy) / 2, np.hypot((xx - yy) / 2, xy)
    major, minor = 4 * np.sqrt(half_sum + root), 4 * np.sqrt(half_sum - root)
    return {
        "area_px": np.abs(area),
        "x_px": middle[:, 0, 0] + cx,
        "y_px": middle[:, 0, 1] + cy,
        "perimeter_px": np.hypot(x1 - x, y1 - y).sum(axis=1),
        "major_px": major,
        "minor_px": minor,
        "aspect_ratio": major / minor,
        "angle_from_horizontal_deg": np.degrees(np.arctan2(-2 * xy, xx - yy)) / 2,
    }


def write_tiff(path: Path, grey: NDArray[np.float32], um_per_px: float, bits: int = 8) -> None:
    """Write a grey TIFF, compressed without loss, with the scale in its resolution tags (px per cm).

    Parameters
    ----------
    grey
        (rows, columns) whole levels from 0 to 2**bits - 1.
    bits
        8 or 16.
    """
    import tifffile

    per_cm = 1e4 / um_per_px
    tifffile.imwrite(
        path, grey.astype(np.uint8 if bits == 8 else np.uint16), compression="zlib", compressionargs={"level": 9},
        predictor=2, resolution=(per_cm, per_cm), resolutionunit="CENTIMETER", software="", metadata=None,
    )  # fmt: skip


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
