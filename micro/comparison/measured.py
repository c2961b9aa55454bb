"""Specimens as the comparison takes them, and the diameter above which they are resolved."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from micro.specimens.quantities import ClassData, class_data
from micro.tables.columns import flagged

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
        small = self.particles.loc[flagged(self.particles["flags"], "small"), "ecd_um"]
        counted = COUNTED_OUTLINE_PX * self.um_per_px
        return max(counted, float(small.max())) if len(small) else counted


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
