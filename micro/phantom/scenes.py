"""Where invented carbides lie: populations, bands, fields."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from micro.phantom.picture import Damage, Optics, Truth, damaged, etched_surface, expose, particle_table
from micro.phantom.shapes import FloatArray, Shapes, cover, inside, joined, shapes

Density = Callable[[FloatArray, FloatArray], FloatArray]
"""Relative number of carbides at x, y; 0 or more."""
CELL_PX = 4
BATCH = 50
TESTED = 200_000
"""Pixels about outlines that are tested together. Chosen."""
SQUARE = np.ones((3, 3), np.uint8)


def place(
    outlines: Shapes,
    shape: tuple[int, int],
    density: Density | None,
    rng: np.random.Generator,
    *,
    gap_px: float = 2.0,
    tries: int = 200,
    settled: Shapes | None = None,
    beyond: bool = True,
) -> Shapes:
    """Place outlines one after the other, the largest first, never closer than `gap_px` to each other or to `settled`.

    Centres fall on the frame and, `beyond`, a margin around it, so that the frame cuts carbides as a real field does.
    What finds no room in `tries` is dropped: take the truth from the coverage, not from the list.
    """
    outlines = outlines.take(np.argsort(-outlines.semi_major, kind="stable"))
    margin = int(np.ceil(outlines.reach.max(initial=0.0) + gap_px)) + 3
    occupied = np.zeros((shape[0] + 4 * margin, shape[1] + 4 * margin), bool)
    if settled is not None:
        _occupy(settled, occupied, 2 * margin)
    draw = _drawer(shape, margin if beyond else 0, density, rng)
    kept, xs, ys = [], [], []
    for i, ((rows, cols), (near_rows, near_cols)) in enumerate(_footprints(outlines, gap_px)):
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


def _footprints(outlines: Shapes, gap_px: float) -> Iterator[tuple[tuple[NDArray, NDArray], tuple[NDArray, NDArray]]]:
    """Rows and columns, from the pixel of its centre, that each outline may touch, and those within the gap of it."""
    import cv2

    far = int(gap_px) + 2
    dy, dx = np.mgrid[-far : far + 1, -far : far + 1]
    disc = (np.hypot(dx, dy) <= gap_px + 0.5).astype(np.uint8)
    start = 0
    while start < len(outlines):
        side = 2 * int(np.ceil(outlines.reach[start] + gap_px)) + 5
        stop = start + max(1, TESTED // side**2)
        some = outlines.take(np.arange(start, min(stop, len(outlines))))
        reach = int(np.ceil(some.reach.max() + gap_px)) + 2
        step = np.arange(-reach, reach + 1, dtype=float)
        hits = inside(some, np.arange(len(some))[:, None, None], step[None, None, :], step[None, :, None], 0.3)
        hits[:, reach, reach] = True
        for hit in hits.astype(np.uint8):
            (r, c), (near_r, near_c) = np.nonzero(cv2.dilate(hit, SQUARE)), np.nonzero(cv2.dilate(hit, disc))
            yield (r - reach, c - reach), (near_r - reach, near_c - reach)
        start = stop


def _occupy(outlines: Shapes, occupied: NDArray[np.bool_], margin: int) -> None:
    """Mark the pixels of placed outlines, where they lie on the canvas with its margin."""
    places = zip(np.floor(outlines.y).astype(int) + margin, np.floor(outlines.x).astype(int) + margin, strict=True)
    for (y, x), ((rows, cols), _) in zip(places, _footprints(outlines, 0.0), strict=True):
        r, c = rows + y, cols + x
        on = (r >= 0) & (r < occupied.shape[0]) & (c >= 0) & (c < occupied.shape[1])
        occupied[r[on], c[on]] = True


SPARE = 1.35
"""Carbides drawn over those wanted: some find no room, and what is too many is left out. Chosen."""


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
    surface = damaged(etched_surface(coverage, scene.optics, rng), scene.damage, rng)
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
    """More outlines than are wanted, for the frame and a margin around it from which all but the largest reach in."""
    p = population
    mean_area = float(np.pi / 4 * p.mean_ecd_px**2 * np.exp(p.spread**2))
    margin = float(2 * p.mean_ecd_px * np.exp(2.5 * p.spread) * np.sqrt(p.aspect))
    n = rng.poisson(SPARE * (1 + margin / shape[0]) * (1 + margin / shape[1]) * wanted_px / mean_area)
    mu, sigma = np.log(p.mean_ecd_px) - p.spread**2 / 2, p.spread
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
