"""Whole fields: carbides of wanted amount, size, shape and arrangement, etched, damaged and photographed."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from micro.phantom.coverage import cover
from micro.phantom.defects import Damage, damaged
from micro.phantom.picture import Optics, etched_surface, expose
from micro.phantom.placing import Density, place, stringers, uneven_bands
from micro.phantom.shapes import FloatArray, Shapes, joined, shapes
from micro.phantom.truth import Truth, particle_table

SPARE = 1.35


@dataclass(frozen=True)
class Population:
    """Carbides of one kind.

    Parameters
    ----------
    area_fraction
        Wanted, 0 to 1.
    mean_ecd_px, spread
        Mean equivalent circle diameter by number, and standard deviation of its logarithm.
    aspect, aspect_spread
        Median aspect ratio, and standard deviation of its logarithm; never below 1.
    misalignment_deg
        Standard deviation of the major axes about the rolling direction; None: any direction alike.
    roughness, facets
        Waves and straight cuts of the outlines, as in `shapes`.
    banding, stringers
        Strength of the bands (`uneven_bands`), and share of the carbides that lies in rows.
    carbide_class
        Index of the grey level in the optics.
    """

    area_fraction: float
    mean_ecd_px: float
    spread: float = 0.4
    aspect: float = 1.3
    aspect_spread: float = 0.15
    misalignment_deg: float | None = None
    roughness: float = 0.06
    facets: int = 0
    banding: float = 0.0
    stringers: float = 0.0
    carbide_class: int = 0


@dataclass(frozen=True)
class Scene:
    """Kind of structure, and how it is photographed.

    Parameters
    ----------
    populations
        Placed in this order, none over another.
    class_names
        One name for each of the optics' class greys.
    rolling_deg
        Rolling direction from the horizontal, counter-clockwise as seen, 0 to 180.
    band_spacing_px, stringer_px
        Mean distance of the bands, and length of the rows.
    field_scatter
        Relative standard deviation of the area fraction from field to field.
    gap_px
        Carbides lie no closer than this.
    """

    populations: tuple[Population, ...]
    class_names: tuple[str, ...] = ("carbide",)
    rolling_deg: float = 0.0
    band_spacing_px: float = 200.0
    stringer_px: float = 200.0
    field_scatter: float = 0.0
    gap_px: float = 2.0
    optics: Optics = field(default_factory=Optics)
    damage: Damage = field(default_factory=Damage)


def make_field(scene: Scene, shape: tuple[int, int], rng: np.random.Generator) -> tuple[NDArray[np.float32], Truth]:
    """Grey picture (rows, columns) float32 of whole levels, and its truth."""
    outlines = arrange(scene, shape, rng)
    coverage = cover(outlines, shape, len(scene.class_names))
    surface = damaged(etched_surface(coverage, scene.optics, rng), coverage, scene.damage, rng)
    grey = expose(surface, scene.optics, rng)
    particles = particle_table(outlines, coverage, scene.class_names, scene.rolling_deg)
    return grey, Truth(coverage.area_fraction, particles, coverage)


def arrange(scene: Scene, shape: tuple[int, int], rng: np.random.Generator) -> Shapes:
    """Outlines of all populations, as many as come closest to the wanted area fractions."""
    bands = uneven_bands(1.0, scene.band_spacing_px, scene.rolling_deg, rng)
    swing = np.exp(rng.normal(-(scene.field_scatter**2) / 2, scene.field_scatter)) if scene.field_scatter else 1.0
    settled = shapes(np.empty(0), rng)
    for population in scene.populations:
        wanted = population.area_fraction * swing * shape[0] * shape[1]
        fresh = _draw(population, scene.rolling_deg, wanted, shape, rng)
        placed = place(fresh, shape, _density(population, scene, bands, rng), rng, gap_px=scene.gap_px, settled=settled)
        settled = joined(settled, _enough(placed, wanted, shape, rng))
    return settled


def _draw(
    population: Population, rolling_deg: float, wanted_px: float, shape: tuple[int, int], rng: np.random.Generator
) -> Shapes:
    """More outlines than are wanted, for the frame and its margin."""
    p = population
    mu, sigma = np.log(p.mean_ecd_px) - p.spread**2 / 2, p.spread
    mean_area = np.pi / 4 * p.mean_ecd_px**2 * np.exp(sigma**2)
    margin = 2 * p.mean_ecd_px * np.exp(2.5 * sigma) * np.sqrt(p.aspect)
    grown = (1 + margin / shape[0]) * (1 + margin / shape[1])
    n = rng.poisson(SPARE * grown * wanted_px / mean_area)
    angle = rng.uniform(0, 180, n) if p.misalignment_deg is None else rng.normal(rolling_deg, p.misalignment_deg, n)
    return shapes(
        rng.lognormal(mu, sigma, n),
        rng,
        aspect=np.maximum(1.0, p.aspect * np.exp(rng.normal(0, p.aspect_spread, n))),
        angle_deg=angle,
        class_index=p.carbide_class,
        roughness=p.roughness,
        facets=p.facets,
    )


def _density(population: Population, scene: Scene, bands: Density, rng: np.random.Generator) -> Density | None:
    rows = None
    if population.stringers:
        rows = stringers(population.stringers, scene.stringer_px, scene.rolling_deg, rng)
    if not (population.banding or rows):
        return None

    def density(x: FloatArray, y: FloatArray) -> FloatArray:
        banded = np.clip(1 + population.banding * (bands(x, y) - 1), 0, None)
        return banded * rows(x, y) if rows else banded

    return density


def _enough(placed: Shapes, wanted_px: float, shape: tuple[int, int], rng: np.random.Generator) -> Shapes:
    """Drop outlines at random until those left cover the wanted area in the frame."""
    order = rng.permutation(len(placed))
    total = np.cumsum(cover(placed.take(order), shape, 1 + int(placed.class_index.max(initial=0))).area_px)
    keep = int(np.argmin(np.abs(np.concatenate([[0.0], total]) - wanted_px)))
    return placed.take(np.sort(order[:keep]))
