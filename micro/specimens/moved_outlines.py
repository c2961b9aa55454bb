"""How totals of outlines move when every outline moves outwards alike: what the area's uncertainty does to them."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True)
class OutlineTotals:
    """What one class of carbides adds up to, per area or length analysed; any one unit of length.

    Outlines moved outwards by δ lengthen each by 2πδ and widen its projection in every direction by 2δ (J. Steiner
    1840, for outlines without holes, lobed ones too; from memory), while the area grows by δ times their length.
    A relative change of area then moves the totals by as much as these say. Discs of one size give ½ for both. Carbides
    of unequal size give more, as the large ones hold the area and the small ones the outlines; lines that meet carbides
    at their long side less, and those that meet them at their ends more.

    Parameters
    ----------
    fraction
        Area fraction.
    number
        Carbides per area.
    surface
        S_V = 4/π times the length of outlines per area.
    """

    fraction: float
    number: float
    surface: float

    @property
    def shift(self) -> float:
        """Distance that outlines move by per relative change of area."""
        return self.fraction / (math.pi / 4 * self.surface) if self.surface > 0 else math.nan

    def of_intercepts(self, per_length: float) -> float:
        """Relative change of intercepts per length, per relative change of area."""
        return self.shift * 2 * self.number / per_length if per_length > 0 else math.nan

    def of_mean_diameter(self, diameter: float) -> float:
        """Relative change of the mean diameter, in that unit of length, per relative change of area; ½ where unknown.

        Every diameter grows by twice the distance.
        """
        change = 2 * self.shift / diameter if diameter > 0 else math.nan
        return change if math.isfinite(change) else 0.5

    @property
    def of_surface(self) -> float:
        """Relative change of surface per volume, per relative change of area."""
        return self.shift * 8 * self.number / self.surface if self.surface > 0 else math.nan
