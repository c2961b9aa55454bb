"""What numbers and sizes would be by other readings of the outlines: some no carbide, some missed, some two in one."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pandas as pd

from micro.measures.intercepts import UNRELATED
from micro.measures.particles import touching_unseen
from micro.specimens.class_data import SHAPES, ClassData, is_unresolved
from micro.specimens.quantities import Quantile, Quantity, Ratio
from micro.statistics.sampling import NORMAL_95, FloatArray
from micro.tables.columns import flagged

PAIR = 2.0
"""Diameters, in resolved ones, below which an outline may hold two carbides that touch: two of the resolved diameter,
side by side, are so long (chosen)."""
ALONG = ("anisotropy_index", "degree_of_orientation", "orientation_order")
PARTS = "parts"
"""Column of carbides that are parts of an outline; together they have its length, but for where they touch."""


def other_readings(data: ClassData) -> list[ClassData]:
    """Return the class by each other reading of its outlines that its flags leave open.

    Those of `doubted_readings`, and with one carbide and more in each outline that stays concave.
    """
    touching = touching_unseen(data.carbides)
    concave = [_with(data, _parted(data.carbides, 1 + touching), data.field)] if touching.any() else []
    return [*doubted_readings(data), *concave]


def doubted_readings(data: ClassData) -> list[ClassData]:
    """Return the class without the outlines that may be no carbide, and with as many more as only just stand out.

    In an uneven matrix no more area is missed than lies in these (`micro.segmentation.doubtful`), and what is missed is
    like them.
    """
    doubtful, faint = data.doubtful, data.faint
    found = []
    if doubtful.any() and not doubtful.all():
        found.append(_with(data, data.carbides[~doubtful], data.field[~doubtful]))
    if faint.any():
        twice = data.carbides.assign(weight=data.weight * np.where(faint, 2.0, 1.0))
        found.append(_with(data, twice, data.field))
    return found


def _with(data: ClassData, carbides: pd.DataFrame, field: np.ndarray) -> ClassData:
    return ClassData(data.fields, carbides, field, data.unknown)


def _parted(carbides: pd.DataFrame, parts: FloatArray) -> pd.DataFrame:
    """Carbides (n,) of so many parts each, alike and side by side along the longer way."""
    along, across = (carbides[f"{name}_um"].to_numpy(float) for name in ("length_along", "width_across"))
    shorter = np.minimum(along, across)
    return carbides.assign(
        **{PARTS: parts},
        weight=carbides["weight"].to_numpy(float) * parts,
        area_um2=carbides["area_um2"].to_numpy(float) / parts,
        ecd_um=carbides["ecd_um"].to_numpy(float) / np.sqrt(parts),
        aspect_ratio=np.maximum(carbides["aspect_ratio"].to_numpy(float) / parts, 1.0),
        length_along_um=np.maximum(along / parts, shorter),
        width_across_um=np.maximum(across / parts, shorter),
    )


def open_ends(quantity: Quantity, value: float, data: ClassData, readings: Sequence[ClassData]) -> tuple[float, float]:
    """How much further the interval of a quantity reaches, below (0 or less) and above (0 or more), by other readings.

    Parameters
    ----------
    value
        Its estimate.
    readings
        As of `other_readings` of the same class.
    """
    moved = [_of(quantity, value, data, other) - value for other in readings]
    if quantity.name == "number_per_mm2" and is_unresolved(data) and data.weight.sum() > 0:
        moved.append(value * float(data.weight @ _pairs(data)) / float(data.weight.sum()))
    if quantity.name == "nearest_neighbour" and is_unresolved(data) and math.isfinite(value):
        moved.append(_apart(value, data, 1 + _pairs(data)) - value)
    known = np.nan_to_num(moved)
    return float(np.minimum(known, 0.0).sum()), float(np.maximum(known, 0.0).sum())


def _pairs(data: ClassData) -> FloatArray:
    """(carbides,) 1 for outlines short enough for a pair where the structure is too fine to tell, else 0."""
    short = data.carbide("ecd_um") < PAIR * data.column("resolved_diameter_um")[data.field]
    return np.where(short & (touching_unseen(data.carbides) == 0), 1.0, 0.0)


def _of(quantity: Quantity, value: float, data: ClassData, other: ClassData) -> float:
    """Return the quantity by another reading; its value where the carbides alone do not tell it."""
    measure, name = quantity.measure, quantity.name
    if not math.isfinite(value):
        return value
    if name in SHAPES:
        return _shape(name, other, other.shape_weight)
    if isinstance(measure, Quantile) or (isinstance(measure, Ratio) and measure.of_carbides):
        return quantity.estimate(other).value
    if name in ALONG and PARTS not in other.carbides:
        return _along(name, value, data, other)
    if name == "nearest_neighbour":
        parts = other.carbides[PARTS].to_numpy(float) if PARTS in other.carbides else None
        fewer = _number(data) / _number(other) if _number(other) > 0 else math.nan
        return value * math.sqrt(fewer) if parts is None else _apart(value, data, parts)
    if name == "unresolved_share":
        return value + unresolved_share(other) - unresolved_share(data)
    total = {"number_per_mm2": _number, "surface_per_volume": _outlines}.get(name)
    if total is None or not total(data) > 0 or (name == "surface_per_volume" and PARTS in other.carbides):
        return value
    return value * total(other) / total(data)


def _along(name: str, value: float, data: ClassData, other: ClassData) -> float:
    """AI, Ω12 or order of long axes by another reading.

    Lines across meet each carbide as often as it is long along rolling, lines along as it is wide: AI goes as the ratio
    of these sums.
    """
    if name == "orientation_order":
        return value + _order(other) - _order(data)
    index = value if name == "anisotropy_index" else (1 + UNRELATED * value) / (1 - value)
    index *= _proportion(other) / _proportion(data)
    return index if name == "anisotropy_index" else (index - 1) / (index + UNRELATED)


def _proportion(data: ClassData) -> float:
    """Length along over width across rolling, of all carbides."""
    along, across = (float(data.weight @ data.carbide(name)) for name in ("length_along_um", "width_across_um"))
    return along / across if along > 0 and across > 0 else math.nan


def _order(data: ClassData) -> float:
    """Order of long axes, from extents and aspect ratios r of ellipses (derived).

    Extents L along and W across of axes a, b at an angle θ: L² + W² = a² + b², L² - W² = (a² - b²)·cos 2θ.
    """
    along, across, ratio = (data.carbide(n) for n in ("length_along_um", "width_across_um", "aspect_ratio"))
    both, aspect = along**2 + across**2, np.maximum(np.nan_to_num(ratio, nan=1.0), 1 + 1e-6) ** 2
    turned = np.clip((along**2 - across**2) / both * (aspect + 1) / (aspect - 1), -1, 1)
    weight = data.weight * np.sqrt(both * aspect / (aspect + 1))
    return float(weight @ turned / weight.sum()) if weight.sum() > 0 else math.nan


def _apart(value: float, data: ClassData, parts: FloatArray) -> float:
    """Mean distance of neighbours where carbides (n,) are so many each, side by side along their longer way (derived).

    Thinned or filled up at random, points lie apart as one over the root of their number; those of one outline lie much
    nearer than that.
    """
    longer = np.maximum(data.carbide("length_along_um"), data.carbide("width_across_um"))
    near = np.where(parts > 1, np.minimum(value, longer / parts), value)
    weight = data.weight * parts
    return float(weight @ near / weight.sum()) if weight.sum() > 0 else value


def _number(data: ClassData) -> float:
    return float(data.weight.sum())


def _outlines(data: ClassData) -> float:
    """Length of convex outlines: π times their mean width (A. L. Cauchy), that along and across rolling."""
    width = data.carbide("length_along_um") + data.carbide("width_across_um")
    return math.pi / 2 * float(data.weight @ np.nan_to_num(width))


def unresolved_share(data: ClassData, larger_um: float = 0.0) -> float:
    """Share of the area in carbides below the resolved diameter, were all diameters so much larger."""
    area = data.weight * data.carbide("area_um2")
    return float(area @ _too_small(data, larger_um) / area.sum()) if area.sum() > 0 else math.nan


def _too_small(data: ClassData, larger_um: float) -> np.ndarray:
    return data.carbide("ecd_um") + larger_um < data.column("resolved_diameter_um")[data.field]


def moved_across_limit(quantity: Quantity, value: float, data: ClassData, relative: float) -> float:
    """Return the standard uncertainty by carbides that moved outlines put beyond the resolved diameter.

    Outlines are moved by as much as both ends of the area's interval; the larger change counts, as few may be near the
    limit on one side.

    Parameters
    ----------
    relative
        Standard uncertainty of the area.
    """
    more = 2e3 * data.outlines.shift * relative * NORMAL_95
    if not (math.isfinite(more) and math.isfinite(value)) or "resolved_diameter_um" not in data.fields:
        return 0.0
    if quantity.name == "unresolved_share":
        found = [unresolved_share(data, step) for step in (-more, 0.0, more)]
    elif quantity.name in SHAPES:
        told = data.weight * ~flagged(data.carbides["flags"], "blunt")
        found = [_shape(quantity.name, data, told * ~_too_small(data, step)) for step in (-more, 0.0, more)]
    else:
        return 0.0
    change = np.nan_to_num(np.abs(np.subtract(found, found[1])))
    return float(change.max()) / NORMAL_95


def _shape(name: str, data: ClassData, weight: FloatArray) -> float:
    """Mean aspect ratio, or length along over width across, of carbides (n,) that weigh so much."""
    if name == "elongation_along_rolling":
        across = float(weight @ data.carbide("width_across_um"))
        return float(weight @ data.carbide("length_along_um")) / across if across > 0 else math.nan
    aspect = data.carbide("aspect_ratio")
    weight = np.where(np.isfinite(aspect), weight, 0.0)
    return float(weight @ np.nan_to_num(aspect) / weight.sum()) if weight.sum() > 0 else math.nan
