"""The accuracy the program promises: its cases, drawn, measured, and read by a plain threshold beside it.

One place for the table of `accuracy.py` and for the tests that hold the targets.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from micro.measures.particles import measure_particles
from micro.measures.totals import all_totals
from micro.phantom.picture import Optics, Truth
from micro.phantom.scenes import Population, Scene, make_field
from micro.segmentation.stages import segment

SHAPE = (1024, 1024)
SHARES, DIAMETERS, BLURS = (0.01, 0.05, 0.10, 0.20), (5, 8, 12, 25), (0.7, 1.0, 1.25, 1.5)
CONTRAST_TO_NOISE, SHADINGS = (5, 10, 20), (0.0, 0.2, 0.4)
SMALLEST_PX = 4.0
TEXTURES = ((0, 1), (5, 1.3), (8, 2.5), (6, 4))


@dataclass(frozen=True)
class Case:
    """One field to draw: what is asked for, and how it is photographed."""

    populations: tuple[Population, ...]
    optics: Optics
    seed: int
    shape: tuple[int, int] = SHAPE

    def draw(self) -> tuple[NDArray[np.float32], Truth]:
        names = tuple(f"class {i}" for i in range(len(self.optics.class_greys)))
        scene = Scene(self.populations, names, gap_px=2.0, optics=self.optics)
        return make_field(scene, self.shape, np.random.default_rng(self.seed))


@dataclass(frozen=True)
class Reading:
    """Area fraction by class and of all, mean and area-weighted ECD (px) of what is at least SMALLEST_PX wide."""

    by_class: tuple[float, ...] = ()
    area_fraction: float = 0.0
    low: float = 0.0
    high: float = 0.0
    count: int = 0
    mean_ecd: float = field(default=np.nan)
    weighted_ecd: float = field(default=np.nan)


def mean_diameters(area: NDArray) -> tuple[float, float]:
    """Mean and area-weighted ECD of areas, px²."""
    ecd = 2 * np.sqrt(np.maximum(area, 0) / np.pi)
    ecd = ecd[ecd >= SMALLEST_PX]
    return (float(ecd.mean()), float((ecd**3).sum() / (ecd**2).sum())) if len(ecd) else (np.nan, np.nan)


def true_reading(truth: Truth) -> Reading:
    by_class = tuple(truth.area_fraction.tolist())
    shown = truth.particles["shown_px"].to_numpy()
    total = sum(by_class)
    return Reading(by_class, total, total, total, len(shown), *mean_diameters(shown))


def measured(grey: NDArray[np.float32], grey_max: float = 255.0) -> Reading:
    """Measure as the program does, nothing pinned."""
    found = segment(grey, grey_max=grey_max)
    particles = measure_particles(found, grey, 0.0)
    totals = all_totals(found, particles)
    whole = totals["all"]
    by_class = tuple(totals[c.name].area_fraction for c in found.classes)
    diameters = mean_diameters(particles["area_px2"].to_numpy(float))
    return Reading(by_class, whole.area_fraction, whole.low, whole.high, found.count, *diameters)


def thresholded(grey: NDArray[np.float32], classes: int = 1, dark: bool = False) -> Reading:
    """Read the same picture by a global threshold (N. Otsu 1979) and scikit-image's regionprops."""
    from skimage.filters import threshold_multiotsu
    from skimage.measure import label, regionprops_table

    grey = -grey if dark else grey
    phase = np.digitize(grey, threshold_multiotsu(grey, classes + 1))
    area = regionprops_table(label(phase > 0), properties=("area",))["area"]
    by_class = tuple(float((phase == k + 1).mean()) for k in range(classes))
    return Reading(by_class, sum(by_class), np.nan, np.nan, len(area), *mean_diameters(area))


def area_cases(repeats: int) -> Iterator[tuple[float, int, list[Case]]]:
    """Share, mean diameter and `repeats` cases of each; blur, noise, shading and outlines take their levels in turn."""
    for i, share in enumerate(SHARES):
        for j, ecd in enumerate(DIAMETERS):
            yield share, ecd, [_area_case(len(DIAMETERS) * i + j, share, ecd, repeat) for repeat in range(repeats)]


def _area_case(number: int, share: float, ecd: float, repeat: int) -> Case:
    k = number + number // 4 + 2 * repeat
    kind = Population(share, ecd, spread=0.35, aspect=1.0 + 0.5 * (k % 2), facets=6 * (k // 2 % 2))
    optics = Optics(blur_px=BLURS[k % 4], noise=90 / CONTRAST_TO_NOISE[k % 3], shading=SHADINGS[(k + number // 4) % 3])
    return Case((kind,), optics, 5000 + 10 * number + repeat)


def faint_case(seed: int) -> Case:
    """1 % of carbides with a contrast three times the noise."""
    return Case((Population(0.01, 8),), Optics(class_greys=(135.0,), noise=15.0, shading=0.2), seed)


def empty_case(seed: int) -> Case:
    """Noise and texture without carbides."""
    texture, grain = TEXTURES[seed % len(TEXTURES)]
    optics = Optics(texture=texture, texture_px=grain, noise=3 + seed % 10, shading=0.3)
    return Case((), optics, seed, (768, 1024))


def two_class_case(seed: int) -> Case:
    """5 % of bright carbides, and 3 % half as bright over the matrix."""
    kinds = (Population(0.05, 7 + seed, carbide_class=1), Population(0.03, 11 - seed))
    optics = Optics(class_greys=(140.0, 190.0), blur_px=0.8 + 0.15 * seed, noise=5.0, shading=0.2)
    return Case(kinds, optics, seed)


def same_surface_case(seed: int) -> Case:
    """Make a field to be shown dark on bright, in 16 bit, and as RGB."""
    return Case((Population(0.05, 9),), Optics(shading=0.0), 100 + seed)


def area_met(true: float, found: float) -> bool:
    """Within 3 % relative or 0.05 points, whichever is larger."""
    return abs(found - true) <= max(0.03 * true, 0.0005)
