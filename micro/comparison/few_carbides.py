"""Whether enough carbides stand behind a number for its interval to be true; too few are said, and not judged."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from micro.comparison.sides import Side
from micro.specimens.quantities import ClassData, Quantity, Ratio

FOR_A_SIZE = 40
"""Carbides for a mean size. The skewness of a mean of N carbides, taken from these, errs by √(6/N)/√N = √6/N (that of a
sample of the normal law, R. A. Fisher 1930; from memory). It moves Student's t by γ·(1 + 2·t²)/6 (P. Hall 1992), at
t = 2 by 1.5·γ = 3.7/N, and a tail of 2.5 % by φ(1.96)·3.7/N: half a point at N = 43."""
FOR_AN_AMOUNT = 100
"""Carbides for an area fraction, whose skewness is estimated from as many. Simulated with it
(`tests/comparison/test_few_carbides.py`): 3 to 12 fields, one side with lognormal diameters of σ 0.4 to 0.6, the other
known: 3 to 6 % false alarms with 100 to 200 carbides where 5 are meant; 2.5 to 6.5 % with σ 0.8."""
OF_CARBIDES = ("mean_ecd", "area_weighted_ecd", "mean_aspect_ratio", "largest_ecd")


@dataclass(frozen=True)
class TooFew:
    """The carbides that a quantity rests on, of both specimens, and how many it needs."""

    a: float
    b: float
    needed: int

    def text(self, name_a: str, name_b: str) -> str:
        """One line that says so."""
        name, seen = min(((name_a, self.a), (name_b, self.b)), key=lambda one: one[1])
        return f"rests on as few as {seen:.0f} carbides in {name}, where {self.needed} are needed: not judged"


def too_few_carbides(
    quantity: Quantity, measure: Ratio, sides: tuple[Side, Side], data: tuple[ClassData, ClassData]
) -> TooFew | None:
    """Return the carbides that a quantity rests on where they are too few to be judged.

    A mean size needs 40 on either side, counted by their weights: (Σ w)²/Σ w² (L. Kish 1965; from memory). An area
    fraction needs 100 on the side that the uncertainty comes from: that of a specimen next to free of the class is
    small against any difference.

    Parameters
    ----------
    quantity, measure
        What is compared, and by which definition.
    sides, data
        Both specimens.
    """
    if quantity.name in OF_CARBIDES:
        seen = [_effective(measure, own) for own in data]
        return TooFew(seen[0], seen[1], FOR_A_SIZE) if min(seen) < FOR_A_SIZE else None
    if quantity.name == "area_fraction" and all(side.plain.variance >= 0 for side in sides):
        seen = [float(np.nansum(own.column("particles"))) for own in data]
        wide = [side.plain.variance >= other.plain.variance for side, other in (sides, sides[::-1])]
        if any(w and n < FOR_AN_AMOUNT for w, n in zip(wide, seen, strict=True)):
            judged = [n if w else np.inf for w, n in zip(wide, seen, strict=True)]
            return TooFew(judged[0], judged[1], FOR_AN_AMOUNT)
    return None


def _effective(measure: Ratio, data: ClassData) -> float:
    """Carbides that would tell as much if all weighed the same."""
    weight = np.ones(len(data.carbides)) if measure.terms is None else measure.terms(data)[1]
    return float(weight.sum() ** 2 / np.square(weight).sum()) if weight.any() else 0.0
