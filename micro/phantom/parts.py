"""Pictures too large to draw at once: drawn in parts, with the same bytes whoever draws which part.

Every part knows the whole by its seed. Its carbides keep their distance from those of the parts beside it, which are
placed before it or after it, never at once: parts of one of four colours, laid out as on a floor, do not touch. Within
ten pixels of the sides of parts there is a little less carbide (simulated, 10 %: 5 to 9 % less, of 9 px), for the last
find the small ones of their neighbours there already. The truth is what is drawn, wherever it lies.
"""

from __future__ import annotations

import itertools
import zlib
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from micro.phantom.coverage import cover
from micro.phantom.defects import Damage
from micro.phantom.picture import (
    Answer,
    illumination,
    particle_table,
    polygon_measures,
    sensed,
    surface_with,
    tiff_tags,
)
from micro.phantom.scenes import SPARE, Density, Population, Scene, drawn, margin_px, mean_area_px, place, uneven_bands
from micro.phantom.shapes import FloatArray, Shapes, joined, polygons, shapes

if TYPE_CHECKING:
    import pandas as pd

PART = 2048
"""Pixels of the side of a part. Chosen."""
BYTES_OF_A_PART = 700 * 2**20
"""Memory of a process that draws parts: 640 MB were measured with 10 % of carbides of 12.5 px."""
TILE = 512
"""Pixels of the side of a tile in the file; whole tiles make a part. Chosen."""
BLOCK = 128
"""Pixels of the side of a block of random numbers, more than the texture and the lens reach. Chosen."""
WEIGHED_PX = 16
"""Step at which the density of a part is summed up: a tenth of the narrowest band that can be asked for. Chosen."""
PLACED, SENSED, GRAINS, BANDS, SCATTER, LIGHT = range(1, 7)
"""What random numbers are for, in their seeds."""

Index = tuple[int, int]
Spread = Callable[[Callable[[Any], Any], Iterable[Any]], Iterator[Any]]
"""Calls a function for each job, here or in other processes, and gives the answers in order: such as `map`."""


def can_be_parted(scene: Scene) -> bool:
    """Whether nothing in a scene reaches from one part over the next."""
    far = max((margin_px(population) for population in scene.populations), default=0.0)
    plain = scene.damage == Damage() and not any(population.stringers for population in scene.populations)
    return plain and 2 * far + scene.gap_px < PART


@dataclass(frozen=True)
class Whole:
    """The picture of which parts are drawn.

    Parameters
    ----------
    scene
        One that can be parted.
    shape
        (rows, columns).
    seed
        Of the picture; not negative.
    """

    scene: Scene
    shape: tuple[int, int]
    seed: tuple[int, ...]

    def __post_init__(self) -> None:
        if not can_be_parted(self.scene):
            raise ValueError("damage, rows of carbides and very large ones are drawn in one piece only")

    @property
    def parts(self) -> list[Index]:
        """Row and column of every part, row by row."""
        down, across = (range(-(-side // PART)) for side in self.shape)
        return list(itertools.product(down, across))

    def box(self, part: Index, around: int = 0) -> tuple[int, int, int, int]:
        """Return first and last row and column of a part, with pixels around it that lie in the picture too."""
        (top, left), (rows, columns) = (PART * np.array(part)).tolist(), self.shape
        return (
            max(0, top - around), min(rows, top + PART + around),
            max(0, left - around), min(columns, left + PART + around),
        )  # fmt: skip

    def room(self, part: Index, margin: int) -> tuple[int, int, int, int]:
        """Return where the centres of a part's carbides may lie: at the sides of the picture also beyond it."""
        top, bottom, left, right = self.box(part)
        return (
            top - margin * (top == 0), bottom + margin * (bottom == self.shape[0]),
            left - margin * (left == 0), right + margin * (right == self.shape[1]),
        )  # fmt: skip

    def random(self, *purpose: int) -> np.random.Generator:
        """Random numbers for one purpose, always the same."""
        return np.random.default_rng([*self.seed, *purpose])

    def density(self, population: Population) -> Density | None:
        """Return the density of a population anywhere in the picture; None where it is even."""
        if not population.banding:
            return None
        bands = uneven_bands(1.0, self.scene.band_spacing_px, self.scene.rolling_deg, self.random(BANDS))
        return lambda x, y: np.clip(1 + population.banding * (bands(x, y) - 1), 0, None)


@dataclass(frozen=True, eq=False)
class Settled:
    """Carbides placed in one part, in px of the whole picture.

    Parameters
    ----------
    outlines
        n of them.
    rank
        (n,) evenly from 0 to 1: those of the highest are left out first.
    """

    outlines: Shapes
    rank: FloatArray


def nobody() -> Settled:
    """No carbide."""
    return Settled(shapes(np.empty(0), np.random.default_rng(0)), np.empty(0))


def arrange_in_parts(whole: Whole, spread: Spread) -> dict[Index, Shapes]:
    """Place the carbides of all parts, as many as come closest to the wanted area fractions, in px of the whole."""
    scatter = whole.scene.field_scatter
    swing = np.exp(whole.random(SCATTER).normal(-(scatter**2) / 2, scatter)) if scatter else 1.0
    held = dict.fromkeys(whole.parts, nobody().outlines)
    for number, population in enumerate(whole.scene.populations):
        wanted_px = population.area_fraction * swing * whole.shape[0] * whole.shape[1]
        weights = list(spread(_weight, [(whole, number, part) for part in whole.parts]))
        share = dict(zip(whole.parts, _shares(whole, population, weights), strict=True))
        fresh = dict.fromkeys(whole.parts, nobody())
        for colour in itertools.product((0, 1), repeat=2):
            own = [p for p in whole.parts if (p[0] % 2, p[1] % 2) == colour]
            settled = {part: joined(held[part], fresh[part].outlines) for part in whole.parts}
            far = int(margin_px(population))
            jobs = [(whole, number, part, wanted_px * share[part], _near(whole, part, settled, far)) for part in own]
            fresh.update(zip(own, spread(_place, jobs), strict=True))
        last = _last_rank(whole, fresh.values(), wanted_px)
        for part, found in fresh.items():
            held[part] = joined(held[part], found.outlines.take(found.rank <= last))
    return held


def _shares(whole: Whole, population: Population, weights: list[float]) -> FloatArray:
    """Share of what the picture holds that is to be placed in each part and the margin beside it."""
    far = 2 * int(margin_px(population))
    grown = (1 + far / whole.shape[0]) * (1 + far / whole.shape[1])
    return grown * np.array(weights) / np.sum(weights)


def _last_rank(whole: Whole, found: Iterable[Settled], wanted_px: float) -> float:
    """Return the rank up to which carbides centred in the picture have the wanted area."""
    ranks, areas = [], []
    for one in found:
        x, y = one.outlines.x, one.outlines.y
        centred = (x >= 0) & (x < whole.shape[1]) & (y >= 0) & (y < whole.shape[0])
        ranks.append(one.rank[centred])
        areas.append(polygon_measures(polygons(one.outlines.take(centred), 120))["area_px"])
    rank = np.concatenate(ranks)
    order = np.argsort(rank, kind="stable")
    total = np.concatenate([[0.0], np.cumsum(np.concatenate(areas)[order])])
    return float(np.concatenate([[-1.0], rank[order]])[np.argmin(np.abs(total - wanted_px))])


def _near(whole: Whole, part: Index, settled: dict[Index, Shapes], more: int) -> Shapes:
    """Return a part's own carbides, then those of the parts around that may touch it and `more` pixels around it."""
    top, bottom, left, right = whole.box(part)
    near = settled[part]
    for step in itertools.product((-1, 0, 1), repeat=2):
        beside = settled.get((part[0] + step[0], part[1] + step[1]))
        if beside is None or step == (0, 0):
            continue
        reach = beside.reach + more
        touching = (beside.y > top - reach) & (beside.y < bottom + reach)
        touching &= (beside.x > left - reach) & (beside.x < right + reach)
        near = joined(near, beside.take(touching))
    return near


def _weight(job: tuple[Whole, int, Index]) -> float:
    """Return the share of a population that belongs into a part, over that of one pixel of mean density."""
    whole, number, part = job
    population = whole.scene.populations[number]
    top, bottom, left, right = whole.room(part, int(margin_px(population)))
    density = whole.density(population)
    if density is None:
        return float((bottom - top) * (right - left))
    half = WEIGHED_PX / 2
    x: FloatArray = np.arange(left + half, right, WEIGHED_PX, dtype=float)
    y: FloatArray = np.arange(top + half, bottom, WEIGHED_PX, dtype=float)
    return float(density(x[None, :], y[:, None]).mean() * (bottom - top) * (right - left))


def _place(job: tuple[Whole, int, Index, float, Shapes]) -> Settled:
    """Place the carbides of one part, apart from those around it."""
    whole, number, part, wanted_px, near = job
    scene, population = whole.scene, whole.scene.populations[number]
    rng = whole.random(PLACED, number, *part)
    top, bottom, left, right = whole.room(part, int(margin_px(population)))
    even = whole.density(population)
    fresh = drawn(population, scene.rolling_deg, rng.poisson(SPARE * wanted_px / mean_area_px(population)), rng)
    # Parts do not know of each other beyond the margin: the one carbide in thousands that reaches farther is left out.
    fresh = fresh.take(fresh.reach + scene.gap_px + 3 < margin_px(population))
    placed = place(
        fresh, (bottom - top, right - left), None if even is None else lambda x, y: even(x + left, y + top), rng,
        gap_px=scene.gap_px, settled=near.moved(near.x - left, near.y - top), beyond=False,
    )  # fmt: skip
    return Settled(placed.moved(placed.x + left, placed.y + top), rng.uniform(size=len(placed)))


def write_in_parts(path: Path, whole: Whole, um_per_px: float, bits: int, spread: Spread) -> Answer:
    """Write a tiled TIFF, part by part, with the scale in its resolution tags; return the truth.

    Parameters
    ----------
    bits
        8 or 16.
    spread
        `map`, or the same of a pool of processes.
    """
    import pandas as pd
    import tifffile

    held = arrange_in_parts(whole, spread)
    jobs = ((whole, part, _near(whole, part, held, _around(whole, own)), len(own), bits) for part, own in held.items())
    tables: list[pd.DataFrame] = []

    def tiles() -> Iterator[bytes]:
        across = -(-whole.shape[1] // PART)
        answers = spread(_draw_part, jobs)
        while row := list(itertools.islice(answers, across)):
            tables.extend(table for _, table in row)
            # The file wants its tiles row by row, over all parts beside each other.
            for lines in zip(*(rows for rows, _ in row), strict=True):
                yield from itertools.chain.from_iterable(lines)

    tifffile.imwrite(
        path, tiles(), shape=whole.shape, dtype=f"<u{bits // 8}", tile=(TILE, TILE), byteorder="<",
        **tiff_tags(um_per_px),
    )  # fmt: skip
    every = pd.concat(tables, ignore_index=True)
    every["label"] = np.arange(1, len(every) + 1)
    shown = [every.loc[every["carbide_class"] == name, "shown_px"].sum() for name in whole.scene.class_names]
    return Answer(np.array(shown) / (whole.shape[0] * whole.shape[1]), every, whole.shape)


def _around(whole: Whole, own: Shapes) -> int:
    """Pixels around a part that are drawn with it: all of its own carbides, and what the lens mixes in.

    The lens as far as scipy follows a Gaussian, 4 σ.
    """
    return int(np.ceil(max(4 * whole.scene.optics.blur_px, own.reach.max(initial=0.0)))) + 3


def _draw_part(job: tuple[Whole, Index, Shapes, int, int]) -> tuple[list[list[bytes]], pd.DataFrame]:
    """Return the packed tiles of a part, row by row, and the rows of its own carbides, which come first."""
    from scipy import ndimage

    whole, part, outlines, number, bits = job
    scene, optics, own = whole.scene, whole.scene.optics, np.arange(number)
    up, low, before, behind = whole.box(part, _around(whole, outlines.take(own)))
    frame = (low - up, behind - before)
    seen = cover(outlines.moved(outlines.x - before, outlines.y - up), frame, len(scene.class_names))
    texture = _texture(whole, (up, before), frame) if optics.texture else None
    surface = surface_with(texture, seen, optics)
    through = ndimage.gaussian_filter(surface, optics.blur_px) if optics.blur_px else surface
    top, bottom, left, right = whole.box(part)
    window = (slice(top, bottom), slice(left, right))
    light = illumination(whole.shape, optics.shading, whole.random(LIGHT), window)
    grey = sensed(
        through[top - up : bottom - up, left - before : right - before] * light, optics, whole.random(SENSED, *part)
    )
    of_own = replace(seen, area_px=seen.area_px[own], whole=seen.whole[own])
    table = particle_table(outlines.take(own), of_own, scene.class_names, scene.rolling_deg)
    return _packed(grey.astype(f"<u{bits // 8}")), table


def _texture(whole: Whole, corner: Index, shape: tuple[int, int]) -> NDArray[np.float32]:
    """Texture (rows, columns) of the matrix, in levels, from a corner on that may lie outside the picture.

    White noise comes in blocks of its own seeds, so that parts that overlap see the same. Its standard deviation after
    the filter is the sum of squares of the weights of one direction (derived), not that of a part.
    """
    from scipy import ndimage

    sigma = whole.scene.optics.texture_px
    reach = int(np.ceil(4 * sigma)) + 1
    start = [place - reach for place in corner]
    spans = [
        range(first // BLOCK, -(-(first + side + 2 * reach) // BLOCK)) for first, side in zip(start, shape, strict=True)
    ]
    far = 2**31  # numbers in seeds are not negative
    seeds = [[(GRAINS, row + far, column + far) for column in spans[1]] for row in spans[0]]
    white = np.block([[whole.random(*s).standard_normal((BLOCK, BLOCK), np.float32) for s in line] for line in seeds])
    rows, columns = (
        slice(first % BLOCK, first % BLOCK + side + 2 * reach) for first, side in zip(start, shape, strict=True)
    )
    grain = ndimage.gaussian_filter(white[rows, columns], sigma)[reach:-reach, reach:-reach]
    one = np.zeros(2 * reach + 1)
    one[reach] = 1
    deviation = (ndimage.gaussian_filter1d(one, sigma) ** 2).sum()
    return grain * np.float32(whole.scene.optics.texture / deviation)


def _packed(values: NDArray[Any]) -> list[list[bytes]]:
    """Tiles of a part, row by row, as TIFF wants them: differences along the rows (predictor 2), deflated.

    Level 1: noise packs no better at 9, and takes ten times as long.
    """
    rows, columns = (-(-side // TILE) * TILE for side in values.shape)
    full = np.zeros((rows, columns), values.dtype)
    full[: values.shape[0], : values.shape[1]] = values
    tiles = full.reshape(rows // TILE, TILE, columns // TILE, TILE).swapaxes(1, 2)
    steps = tiles.copy()
    steps[..., 1:] -= tiles[..., :-1]
    return [[zlib.compress(tile.tobytes(), 1) for tile in line] for line in steps]
