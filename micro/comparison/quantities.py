"""What is compared between specimens: one value a field and quantity."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from micro.specimens.summary import ClassData, class_data
from micro.statistics.sampling import FloatArray

SAME_RESOLUTION = 1.25
COUNTED_OUTLINE_PX = 2.8
"""Diameter of the smallest outline that is counted, 6 px in area."""


@dataclass(frozen=True, eq=False)
class MeasuredSpecimen:
    """All that the comparison needs of one specimen.

    Parameters
    ----------
    name
        As it will be printed.
    fields, particles
        Its rows of the tables FIELDS and PARTICLES of `micro.tables.columns`.
    plane
        longitudinal, transverse or planar; empty where unknown.
    scale_relative_uncertainty
        Standard uncertainty of the size of a pixel over its value; None where the scale states none.
    """

    name: str
    fields: pd.DataFrame
    particles: pd.DataFrame
    plane: str = ""
    scale_relative_uncertainty: float | None = None

    @property
    def um_per_px(self) -> float:
        """Size of a pixel; the largest where fields differ."""
        return float(self.fields["um_per_px"].max())

    @property
    def classes(self) -> list[str]:
        """Carbide classes, without the row of all together."""
        return [name for name in dict.fromkeys(self.fields["carbide_class"]) if name != "all"]

    @property
    def resolved_um(self) -> float:
        """Diameter below which carbides are unresolved or uncounted."""
        small = self.particles["flags"].astype(object).fillna("").astype(str).str.contains(r"\bsmall\b", regex=True)
        flagged = self.particles.loc[small.to_numpy(bool), "ecd_um"]
        counted = COUNTED_OUTLINE_PX * self.um_per_px
        return max(counted, float(flagged.max())) if len(flagged) else counted


@dataclass(frozen=True)
class Quantity:
    """One quantity of the comparison.

    Parameters
    ----------
    name, unit, words
        As in the tables of specimens, and as in a sentence.
    values
        From the carbides and fields of a class to one value a field.
    kind
        "ratio" for positive sizes and counts, compared by their logarithms; "difference" for fractions.
    scale_power, area_power
        The quantity goes as the size of a pixel, and as the measured area of all carbides, to this power.
    margin
        Specimens whose whole interval lies within it are called alike: relative to the mean, or absolute where
        the quantity may be 0. Common practice, no source.
    """

    name: str
    unit: str
    words: str
    values: Callable[[ClassData], FloatArray]
    kind: str = "ratio"
    scale_power: float = 0.0
    area_power: float = 0.0
    margin: float = 0.1


def _column(name: str) -> Callable[[ClassData], FloatArray]:
    return lambda data: data.column(name)


def _over(numerator: FloatArray, denominator: FloatArray) -> FloatArray:
    return np.divide(numerator, denominator, out=np.full(len(numerator), np.nan), where=denominator > 0)


def _carbide_mean(name: str, weight: Callable[[ClassData], FloatArray]) -> Callable[[ClassData], FloatArray]:
    def values(data: ClassData) -> FloatArray:
        value = data.carbide(name)
        w = np.where(np.isfinite(value), weight(data), 0.0)
        return _over(data.sums(w * np.nan_to_num(value)), data.sums(w))

    return values


def _largest(data: ClassData) -> FloatArray:
    top = np.full(len(data.fields), -np.inf)
    np.maximum.at(top, data.field, data.carbide("ecd_um"))
    return np.where(np.isfinite(top), top, np.nan)


def _area_weight(data: ClassData) -> FloatArray:
    return data.weight * data.carbide("area_um2")


def _carbide_fraction(data: ClassData) -> FloatArray:
    return data.sums(_area_weight(data)) / data.column("analysed_area_um2")


def _carbide_number(data: ClassData) -> FloatArray:
    return data.sums(data.weight) / data.column("analysed_area_um2") * 1e6


OF_CARBIDES = (
    Quantity(
        "area_weighted_ecd",
        "µm",
        "area-weighted carbide diameter",
        _carbide_mean("ecd_um", _area_weight),
        "ratio",
        1,
        0.5,
    ),
    Quantity("largest_ecd", "µm", "largest carbide of a field", _largest, "ratio", 1, 0.5),
    Quantity("mean_aspect_ratio", "", "mean aspect ratio", _carbide_mean("aspect_ratio", lambda d: d.shape_weight)),
)

QUANTITIES = (
    Quantity("area_fraction", "", "area fraction", _column("area_fraction"), "difference", area_power=1),
    Quantity("number_per_mm2", "1/mm²", "number of carbides per area", _column("number_per_mm2"), scale_power=-2),
    Quantity("mean_ecd", "µm", "mean carbide diameter", _column("mean_ecd_um"), "ratio", 1, 0.5),
    *OF_CARBIDES,
    Quantity(
        "intercepts_along",
        "1/mm",
        "intercepts per length along rolling",
        _column("intercepts_along_per_mm"),
        scale_power=-1,
    ),
    Quantity(
        "intercepts_across",
        "1/mm",
        "intercepts per length across rolling",
        _column("intercepts_across_per_mm"),
        scale_power=-1,
    ),
    Quantity("anisotropy_index", "", "anisotropy index", _column("anisotropy_index")),
    Quantity(
        "degree_of_orientation",
        "",
        "degree of orientation",
        _column("degree_of_orientation"),
        "difference",
        margin=0.05,
    ),
    Quantity("mean_free_path", "µm", "mean free path across rolling", _column("mean_free_path_um"), scale_power=1),
)

ABOVE_A_DIAMETER = (
    Quantity("area_fraction", "", "area fraction", _carbide_fraction, "difference", area_power=1),
    Quantity("number_per_mm2", "1/mm²", "number of carbides per area", _carbide_number, scale_power=-2),
    Quantity("mean_ecd", "µm", "mean carbide diameter", _carbide_mean("ecd_um", lambda d: d.weight), "ratio", 1, 0.5),
    *OF_CARBIDES,
)
"""Quantities that can be taken anew from the carbides above a diameter; counts of intercepts cannot."""

BY_NAME = {quantity.name: quantity for quantity in QUANTITIES}


def class_of(specimen: MeasuredSpecimen, carbide_class: str, above_um: float = 0.0) -> ClassData:
    """Carbides and fields of one class; with `above_um`, only the carbides of that diameter and more."""
    particles = specimen.particles
    if above_um:
        particles = particles[particles["ecd_um"] >= above_um]
    return class_data(particles, specimen.fields, carbide_class)


def common_diameter(a: MeasuredSpecimen, b: MeasuredSpecimen) -> float:
    """Diameter above which both specimens are resolved; 0 where they resolve alike."""
    finer, coarser = sorted((a.resolved_um, b.resolved_um))
    return coarser if coarser > SAME_RESOLUTION * finer else 0.0
