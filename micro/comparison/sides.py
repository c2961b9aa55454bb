"""One quantity of two specimens: both sides as ratios of field sums, their difference, and what is too few to judge."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from micro.comparison.measured import MeasuredSpecimen
from micro.specimens.class_data import ClassData, area_relative_uncertainty, pixel_shape_uncertainty, turned_from_rows
from micro.specimens.open_outlines import doubted_readings, open_ends
from micro.specimens.quantities import Quantity, Ratio
from micro.statistics.sampling import FloatArray, ratio_of_fields, uncertainty_of_ratio
from micro.statistics.skewed import Difference, Skewed, log_ratio, scaled_to_carbides


@dataclass(frozen=True, eq=False)
class Side:
    """One specimen's class on one side of a pair.

    Parameters
    ----------
    numerator, denominator
        (fields,) sums of the fields that have the quantity.
    value
        Sum of the numerators over that of the denominators.
    on_logs, plain
        The logarithm of the value, and the value, as they are judged.
    shared
        Relative standard uncertainty that all fields share.
    """

    numerator: FloatArray
    denominator: FloatArray
    value: float
    on_logs: Skewed
    plain: Skewed
    shared: float

    @property
    def fields(self) -> int:
        """Fields that have the quantity."""
        return len(self.numerator)


def sides_of(
    quantity: Quantity,
    measure: Ratio,
    pair: tuple[MeasuredSpecimen, MeasuredSpecimen],
    data: tuple[ClassData, ClassData],
) -> tuple[Side, Side]:
    """Both sides of a pair; scale counts as shared only where the sizes of a pixel differ."""
    one_scale = pair[0].um_per_px == pair[1].um_per_px
    sides = []
    for specimen, own in zip(pair, data, strict=True):
        scale = 0.0 if one_scale else abs(quantity.scale_power) * (specimen.scale_relative_uncertainty or 0.0)
        side = _side(measure, own, scale)
        moved = float(np.nan_to_num(quantity.moved_by_area(side.value, own) * area_relative_uncertainty(own)))
        moved = math.hypot(moved, quantity.moved_by_shapes(side.value, own))
        area = moved / abs(side.value) if side.value else 0.0
        sides.append(replace(side, shared=math.hypot(scale, area, _by_readings(quantity, measure, side.value, own))))
    if quantity.by_proportion is not None:
        shapes = _of_pixel_shape(quantity, sides, data, one_scale)
        sides = [replace(own, shared=math.hypot(own.shared, one)) for own, one in zip(sides, shapes, strict=True)]
    return sides[0], sides[1]


def _by_readings(quantity: Quantity, measure: Ratio, value: float, data: ClassData) -> float:
    """Return the relative standard uncertainty by other readings of the outlines: anywhere up to them (rectangular)."""
    # The mean over the fields of the largest of each, which is compared, is not the largest of all, which they move.
    own = value if measure.of_fields is ratio_of_fields else quantity.estimate(data).value
    ends = open_ends(quantity, own, data, doubted_readings(data))
    return max(map(abs, ends)) / abs(own) / math.sqrt(3) if own else 0.0


def _of_pixel_shape(
    quantity: Quantity, sides: list[Side], data: tuple[ClassData, ClassData], one_scale: bool
) -> tuple[float, float]:
    """Relative standard uncertainty of each side by pixels that are not square.

    Pixels of one camera err alike: two specimens that lie alike under it differ none the more for it, and ones that lie
    across each other twice as much; half of that variance is given to either side.
    """
    sizes = [abs(side.value) if math.isfinite(side.value) and side.value else math.inf for side in sides]
    moved = [
        turned_from_rows(own) * quantity.by_proportion(side.value) * pixel_shape_uncertainty(own)
        if quantity.by_proportion and math.isfinite(side.value)
        else 0.0
        for side, own in zip(sides, data, strict=True)
    ]
    of_ratio = [each / size for each, size in zip(moved, sizes, strict=True)]
    if not one_scale:
        return abs(of_ratio[0]), abs(of_ratio[1])
    if quantity.compared == "ratio":
        apart = abs(of_ratio[1] - of_ratio[0]) / math.sqrt(2)
        return apart, apart
    apart = abs(moved[1] - moved[0]) / math.sqrt(2)
    return apart / sizes[0], apart / sizes[1]


def _side(measure: Ratio, data: ClassData, shared: float) -> Side:
    y, x = measure.numerator(data), measure.denominator(data)
    if measure.of_fields is not ratio_of_fields:
        # The largest of a field, or whether it is banded: one value a field, and no sum of sums.
        y, x = np.divide(y, x, out=np.full(len(y), np.nan), where=x > 0), np.ones(len(y))
    known = np.isfinite(y) & np.isfinite(x) & (x > 0)
    y, x = y[known], x[known]
    n = len(y)
    value = float(y.sum() / x.sum()) if n else math.nan
    variance = float(uncertainty_of_ratio(y, x)) ** 2 if n > 1 else math.nan
    third = 0.0 if measure.parts is None else _third(measure.parts(data)[known[data.field]] / x.sum(), variance, n)
    plain = Skewed(value, variance, third, n - 1.0)
    if measure.terms is not None and n:
        on_logs, _ = log_ratio(*measure.terms(data), data.field, len(data.fields))
    else:
        on_logs, _ = log_ratio(y, x, np.arange(n), n, of_carbides=False)
    return Side(y, x, value, on_logs, plain, shared)


def _third(part: FloatArray, variance: float, fields: int) -> float:
    """Return the third cumulant of a sum over independent carbides as the fields scatter; `part` (carbides,).

    Few large carbides make an amount skew: without it, 5 to 12 fields with 100 to 200 lognormal carbides (σ 0.4 to 0.6)
    differ from a known amount in 5 to 8 studies of 100, with it in 4 to 6; with σ 0.8 in 9 to 14, and 4 to 6.
    """
    if not variance > 0:
        return 0.0
    return float(np.sum(part**3)) * scaled_to_carbides(variance, float(np.sum(part**2)), fields)


def difference_of(a: Side, b: Side, on_logs: bool) -> Difference:
    """Return b less a, of the logarithms or of the values."""
    if on_logs:
        return Difference(a.on_logs, b.on_logs, a.shared**2 + b.shared**2)
    return Difference(a.plain, b.plain, (a.shared * a.value) ** 2 + (b.shared * b.value) ** 2)


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
