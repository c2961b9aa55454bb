"""How sure the area of a field is, from what its grey levels leave open."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from micro.geometry.outlines import crofton_perimeter
from micro.geometry.runs import find_runs
from micro.segmentation.matrix import ADDED_SPREAD_PX
from micro.segmentation.segmentation import Segmentation
from micro.statistics.sampling import NORMAL_95

FloatArray = NDArray[np.float64]
# From invented fields without halo or relief: outline and contrast agree this well, the worse the smaller the carbides.
OUTLINE_ERROR, OUTLINE_ERROR_UNRESOLVED = 0.02, 0.2
DISAGREEMENT = 2.0
THIN, ROD = 3.0, 3.0
# From invented rods 2.8 px wide under a blur of 1 and 2 px: up to 18 % too little.
THIN_ERROR = 0.1
# Where an edge has a quarter of its height, in standard deviations of the blur inside; and by how much sharper it looks
# where only that half is seen of it, at a twentieth, a quarter and nine twentieths of the whole height.
QUARTER, SHARPER = 0.674, 0.7
# A halo is strongest at the outline; what is left of it just outside the basins is about a quarter of what the light of
# the basins holds too much or too little. From invented fields with bright and dark halos 4 px wide. 40 sound fields
# show up to 0.0022; 12 % of the light in a halo four times as wide as the lens 0.005.
HALO, HALO_UNRESOLVED, HALO_ERROR = 0.004, 0.015, 4.0
SURE = 4.0
# Of 200 sound invented fields one reaches 2 % beyond noise, none 2.5 %.
UNOUTLINED = 0.025


@dataclass(frozen=True, eq=False)
class AreaUncertainty:
    """Standard uncertainty of the area fraction by its causes, each (classes,).

    Parameters
    ----------
    noise
        Noise of the pixels whose light was summed.
    matrix
        Level of the matrix, one error for all carbides.
    level
        Grey level of the class, and the blur it was found with.
    missed
        Carbides too small to stand out: one error of the total, shared out over the classes, and upward only.
    method
        What outline and integrated contrast disagree about, clipped grey levels, what the edges leave open, and how
        well a person draws.
    """

    noise: FloatArray
    matrix: FloatArray
    level: FloatArray
    missed: FloatArray
    method: FloatArray

    @property
    def of_class(self) -> FloatArray:
        """(classes,) all causes together, towards more carbide."""
        return np.hypot(self.of_class_below, self.missed)

    @property
    def of_all(self) -> float:
        """Of the sum of all classes, towards more carbide.

        What was missed is one error of the total: naming a second class must not make the total surer.
        """
        return float(np.hypot(self.of_all_below, self.missed.sum()))

    @property
    def of_class_below(self) -> FloatArray:
        """(classes,) towards less carbide: what was missed is no reason for less."""
        return np.sqrt(self.noise**2 + self.matrix**2 + self.level**2 + self.method**2)

    @property
    def of_all_below(self) -> float:
        """Of the sum of all classes, towards less: matrix level and method err for all alike, the rest each alone."""
        own = self.noise**2 + self.level**2
        return float(np.sqrt(own.sum() + self.matrix.sum() ** 2 + self.method.sum() ** 2))


def area_fraction_uncertainty(segmentation: Segmentation) -> AreaUncertainty:
    """Return the standard uncertainty of a field's area fraction by integrated contrast.

    Area = Σ contrast/level over the basins, so noise of correlation area a adds noise²·m·a over m pixels, the matrix
    level u·m, the class level its relative error. What contrast is left outside the basins comes from carbides too
    small to be counted: their area is the half width of a rectangular distribution. Where outline and contrast
    disagree by more than the model allows, the truth may lie as far beyond either; the same where the matrix near
    carbides is brighter or darker than elsewhere. Clipped carbides, and rods too thin for the blur, leave their level
    open.
    """
    s = segmentation
    count = len(s.classes)
    if s.area_by_outlines:
        # What outlines without a model of their light leave open only points can tell.
        return AreaUncertainty(*(np.full(count, np.nan) for _ in range(5)))
    frame = max(1, s.analysed_px)
    basin, light = s.basin_sums
    pixels = np.bincount(s.class_index, basin, count)
    contrast = np.array([c.contrast for c in s.classes])
    level_error = np.array([c.contrast_uncertainty for c in s.classes]) / np.abs(contrast)
    by_light = light / contrast[s.class_index] * s.verdict.factor
    area = by_light if s.area_by_hand is None else s.area_by_hand
    total = np.bincount(s.class_index, area, count)
    own = np.abs(total) / frame
    doubts = [of_method * own.sum() for of_method in method_doubts(s).values()]
    doubts += [s.verdict.doubt / NORMAL_95 * own.sum(), s.hand_uncertainty_px / frame]
    return AreaUncertainty(
        noise=s.noise * np.sqrt(s.noise_area_px * pixels) / np.abs(contrast) / frame,
        matrix=s.matrix_uncertainty * pixels / np.abs(contrast) / frame,
        level=level_error * own * (1 - s.clipped_share),
        missed=abs(uncounted_area(s)) / np.sqrt(3) * own / max(own.sum(), 1e-12),
        method=float(np.linalg.norm(doubts)) * own / max(own.sum(), 1e-12),
    )


def method_doubts(segmentation: Segmentation) -> dict[str, float]:
    """Return the relative standard uncertainty of the area by what the method cannot know, by kind of issue."""
    s = segmentation
    if not s.count:
        return {}
    each = s.basin_sums[1] / s.class_contrast * s.verdict.factor
    area = max(float(np.sum(each if s.area_by_hand is None else s.area_by_hand)), 1e-9)
    around = max(0.0, float(s.basin_sums[0].sum() - s.outline_px.sum()))
    differ = 0.0 if s.verdict.edges else float(abs(np.subtract(*areas_differ(s))))
    return {
        "saturated": clipped_error(s),
        "thin_rods": THIN_ERROR * thin_share(s),
        "halo": HALO_ERROR * abs(halo(s)) * around / area,
        "areas_differ": DISAGREEMENT * differ * max(1, s.analysed_px) / area,
    }


def uncounted_area(segmentation: Segmentation) -> float:
    """Return the area fraction that contrast outside the basins amounts to: carbides too small to be counted.

    The matrix level is the mean of what lies clear of all carbides, so noise sums to about 0 out there.
    """
    s = segmentation
    if not s.count:
        return 0.0
    level = np.array([c.contrast for c in s.classes])
    weight = np.bincount(s.class_index, minlength=len(level)) / s.count
    frame = max(1, s.analysed_px)
    return max(0.0, s.light_outside / float((weight * level).sum())) / frame


def unoutlined_area(segmentation: Segmentation) -> float:
    """Return `uncounted_area` where it is beyond noise and a fair share of what was counted; else 0.

    Light that a halo holds outside the basins is told by `halo`.
    """
    s = segmentation
    left = uncounted_area(s)
    if not left or halo(s):
        return 0.0
    frame, outside = max(1, s.analysed_px), s.analysed_px - s.basin_sums[0].sum()
    level = s.class_contrast
    by_chance = np.hypot(s.noise * np.sqrt(s.noise_area_px * outside), s.matrix_uncertainty * outside)
    counted = float((s.basin_sums[1] / level).sum()) / frame
    sure = left > SURE * by_chance / float(np.abs(level).mean()) / frame
    return left if sure and left > UNOUTLINED * counted else 0.0


def areas_differ(segmentation: Segmentation) -> tuple[float, float]:
    """Return the area fractions by outline and by contrast where they differ beyond the model; else 0, 0."""
    s = segmentation
    if not s.count:
        return 0.0, 0.0
    frame = max(1, s.analysed_px)
    area = np.maximum(s.basin_sums[1] / s.class_contrast, 0)
    by_outline, by_contrast = s.outline_px.sum() / frame, float(area.sum()) / frame
    allowed = OUTLINE_ERROR + OUTLINE_ERROR_UNRESOLVED * _unresolved(s, area)
    if abs(by_outline - by_contrast) <= allowed * by_contrast:
        return 0.0, 0.0
    return by_outline, by_contrast


def halo(segmentation: Segmentation) -> float:
    """Return the contrast of the matrix just outside the basins over that of the carbides; 0 where blur explains it."""
    s = segmentation
    if not s.count or s.verdict.lens:
        return 0.0
    contrast = s.class_contrast
    found, noise = (value / float(contrast.mean()) for value in s.contrast_around)
    allowed = HALO
    if found > 0:
        allowed += HALO_UNRESOLVED * _unresolved(s, np.maximum(s.basin_sums[1] / contrast, 0))
    return found if abs(found) > max(allowed, SURE * abs(noise)) else 0.0


def _unresolved(s: Segmentation, area: FloatArray) -> float:
    """Return the share of the light of carbides, (n,) area in px², that blur carries far: e^(−area/2πσ²) of each."""
    spread2 = (s.blur_px or 1.0) ** 2 + ADDED_SPREAD_PX**2
    return float((area * np.exp(-area / (2 * np.pi * spread2))).sum() / max(area.sum(), 1e-12))


def thin_share(segmentation: Segmentation) -> float:
    """Share of the outlines' area in rods (axis ratio above ROD) thinner than THIN standard deviations of the blur.

    Their level and the blur are known only together, and their axis ratio hardly.
    """
    s = segmentation
    if not s.count:
        return 0.0
    aspect = s.outline_moments.aspect
    width = np.sqrt(4 / np.pi * s.outline_px / aspect)
    thin = (aspect > ROD) & (width < THIN * (s.blur_px or 1.0))
    return float(s.outline_px[thin].sum() / max(1, s.outline_px.sum()))


def clipped_error(segmentation: Segmentation) -> float:
    """Return the relative standard uncertainty of the area by carbides, or a matrix, whose level is above full scale.

    The contrast may be twice what is seen: its half then lies where the edge has a quarter of its height, to one side
    of the outline. An edge whose top is cut off there looks sharper than it is. Where half of the pixels are cut off
    noise shows the level, hence the square.
    """
    s = segmentation
    if not (s.count and (s.clipped_share or s.matrix_clipped_share)):
        return 0.0
    spread = np.hypot(s.blur_px or 1.0, ADDED_SPREAD_PX)
    by_carbides = s.clipped_share**2 * (1 + SHARPER * s.clipped_share)
    cut_off = max(by_carbides, s.matrix_clipped_share**2)
    outline = crofton_perimeter(find_runs(s.labels, s.count)).sum()
    return float(cut_off * QUARTER * spread * outline / s.outline_px.sum())
