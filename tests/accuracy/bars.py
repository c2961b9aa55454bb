"""Endless bars cut into fields: whole plates are drawn, every field is a window of one, photographed on its own."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import ndimage

from micro.measures.particles import measure_particles
from micro.measures.totals import all_totals
from micro.phantom.picture import Optics, etched_surface, expose, particle_table
from micro.phantom.scenes import Population, Scene, arrange
from micro.phantom.shapes import cover
from micro.segmentation.segmentation import SegmentationSettings
from micro.segmentation.stages import segment
from micro.tables import columns
from micro.tables.units import to_um

FIELD = (192, 256)
ACROSS = 8  # fields along each side of a plate
UM_PER_PX = 0.2
QUANTITIES = ("area_fraction", "number_per_mm2", "mean_ecd", "mean_aspect_ratio")

POWDER_MADE = Scene(
    (Population(0.06, 8.0, spread=0.35, aspect=1.2),),
    optics=Optics(90, (180,), blur_px=0.9, noise=6.0, shading=0.2),
)
INGOT_CAST = Scene(
    (
        Population(
            0.10, 11.0, spread=0.45, aspect=2.0, aspect_spread=0.25, misalignment_deg=15, banding=1.0, roughness=0.1,
            facets=5,
        ),
    ),
    band_spacing_px=120,
    optics=Optics(90, (180,), blur_px=1.1, noise=6.0, shading=0.2, texture=5.0, texture_px=1.3),
)  # fmt: skip


@dataclass(frozen=True, eq=False)
class Plate:
    """A wide piece of a bar seen through the lens, and sums over the carbides centred in it, each taken whole.

    A field sees the light of carbides beyond its frame, as in a microscope.
    """

    surface: NDArray[np.float32]
    pixels: int
    carbide_px: float
    carbides: pd.DataFrame


def draw_plate(scene: Scene, rng: np.random.Generator) -> Plate:
    shape = (FIELD[0] * ACROSS, FIELD[1] * ACROSS)
    outlines = arrange(scene, shape, rng)
    coverage = cover(outlines, shape)
    surface = ndimage.gaussian_filter(etched_surface(coverage, scene.optics, rng), scene.optics.blur_px)
    table = particle_table(outlines, coverage, scene.class_names, scene.rolling_deg)
    own = table["x_px"].between(0, shape[1]) & table["y_px"].between(0, shape[0])
    return Plate(surface, surface.size, float(coverage.area_fraction.sum() * surface.size), table[own])


def photograph_fields(plate: Plate, scene: Scene, rng: np.random.Generator) -> Iterator[NDArray[np.float32]]:
    """Windows side by side, and again half a field further on: each with its own light and noise.

    The lens has already blurred the plate.
    """
    sensor = replace(scene.optics, blur_px=0.0)
    rows, cols = FIELD
    for down, right in ((0, 0), (rows // 2, 0), (0, cols // 2), (rows // 2, cols // 2)):
        for top in range(down, plate.surface.shape[0] - rows + 1, rows):
            for left in range(right, plate.surface.shape[1] - cols + 1, cols):
                yield expose(plate.surface[top : top + rows, left : left + cols], sensor, rng)


def measure(
    grey: NDArray[np.float32],
    name: str,
    settings: SegmentationSettings | None = None,
    um_per_px: float = UM_PER_PX,
    rolling_deg: float = 0.0,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Carbides and field of one picture.

    Of the field only the totals, which are all that these quantities take from it: bands and neighbours would take
    twice the time of the rest.
    """
    found = segment(grey, settings)
    particles = measure_particles(found, grey, rolling_deg)
    rows = [
        {
            "carbide_class": carbide_class,
            "analysed_area_um2": found.analysed_px * um_per_px**2,
            "area_fraction": total.area_fraction,
            "area_fraction_low": total.low,
            "area_fraction_high": total.high,
            "number_per_mm2": total.number_per_px / um_per_px**2 * 1e6,
        }
        for carbide_class, total in all_totals(found, particles).items()
    ]
    table = pd.DataFrame(rows).reindex(columns=columns.names(columns.FIELDS)).assign(specimen="bar", field=name)
    carbides = to_um(particles, columns.PARTICLES, um_per_px)
    return carbides.assign(specimen="bar", field=name), table


def truth_of(plates: list[Plate]) -> dict[str, float]:
    """Take what the bar shows from all plates together."""
    carbides = pd.concat([plate.carbides for plate in plates])
    pixels = sum(plate.pixels for plate in plates)
    return {
        "area_fraction": sum(plate.carbide_px for plate in plates) / pixels,
        "number_per_mm2": len(carbides) / (pixels * UM_PER_PX**2) * 1e6,
        "mean_ecd": carbides["ecd_px"].mean() * UM_PER_PX,
        "mean_aspect_ratio": carbides["aspect_ratio"].mean(),
    }
