"""Specimens against each other, pair by pair, with fields as the unit of sampling."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from micro.columns import COMPARISON, empty, names
from micro.comparison.quantities import (
    ABOVE_A_DIAMETER,
    QUANTITIES,
    MeasuredSpecimen,
    Quantity,
    class_of,
    common_diameter,
)
from micro.comparison.two_samples import ALPHA, FloatArray, holm, permutation_p, welch
from micro.specimens.summary import ClassData, area_relative_uncertainty

SAME_FIELD_AREA = 1.25
LEAST_SHARE_ABOVE = 0.5
FEW_FIELDS = 5

DIFFERS, MAY_DIFFER, ALIKE, UNKNOWN, REFUSED = "differs", "may differ", "alike", "cannot tell", "not compared"


@dataclass(frozen=True, eq=False)
class _Side:
    """One specimen's class on one side of a pair."""

    fields: FloatArray
    mean: float
    shared: float


def compare(specimens: Sequence[MeasuredSpecimen]) -> pd.DataFrame:
    """Compare every pair of specimens in every quantity and carbide class.

    Positive sizes and counts are compared as ratios, by Welch's test on the logarithms of the field values;
    fractions as differences, by Welch's test on the values. The uncertainty that the fields of a specimen share
    (segmentation, and scale where the sizes of a pixel differ) is added to the standard error. `p_holm` is adjusted for
    all tests of the table. `p_permutation` is a check that assumes no distribution.

    Parameters
    ----------
    specimens
        Two or more; each name once.

    Returns
    -------
    pandas.DataFrame
        Columns COMPARISON of `micro.columns`; the estimate is b over a, or b less a. A pair on different planes,
        or with too little in common above the coarser resolution, is one row with the verdict "not compared".
    """
    rows = [row for a, b in itertools.combinations(specimens, 2) for row in _pair_rows(a, b)]
    if not rows:
        return empty(COMPARISON)
    table = pd.DataFrame(rows, columns=names(COMPARISON))
    table["p_holm"] = holm(table["p_value"])
    table["verdict"] = [_verdict(row) for row in table.itertuples(index=False)]
    return table.astype({column.name: column.dtype for column in COMPARISON})


def _pair_rows(a: MeasuredSpecimen, b: MeasuredSpecimen) -> Iterator[dict[str, Any]]:
    above = common_diameter(a, b)
    refusal = _refusal(a, b, above)
    if refusal:
        yield _row(a, b, "all", "all", "", REFUSED) | {"warning": refusal}
        return
    classes = list(dict.fromkeys([*a.classes, *b.classes]))
    for carbide_class in ["all", *(classes if len(classes) > 1 else [])]:
        data = class_of(a, carbide_class, above), class_of(b, carbide_class, above)
        for quantity in ABOVE_A_DIAMETER if above else QUANTITIES:
            row = _row(a, b, carbide_class, quantity.name, quantity.unit, quantity.kind)
            warnings = list(_pair_warnings(a, b, quantity, above))
            if quantity.name == "largest_ecd" and not _same_field_area(*data):
                yield row | {"warning": "the fields differ in area, and the largest carbide grows with it"}
                continue
            yield row | _contrast(quantity, _sides(quantity, (a, b), data), warnings)


def _refusal(a: MeasuredSpecimen, b: MeasuredSpecimen, above_um: float) -> str:
    """Why the pair cannot be compared; empty where it can."""
    if a.plane and b.plane and a.plane != b.plane:
        return f"{a.name} was seen on the {a.plane} plane, {b.name} on the {b.plane}; prepare the same plane of both"
    if above_um:
        for one in (a, b):
            area = one.particles["area_um2"]
            share = area[one.particles["ecd_um"] >= above_um].sum() / area.sum() if len(area) else 1.0
            if share < LEAST_SHARE_ABOVE:
                return (
                    f"the coarser of the two resolves {above_um:.2g} µm, and only {100 * share:.0f} % of the carbide "
                    f"area of {one.name} lies above; photograph both at one magnification"
                )
    return ""


def _pair_warnings(a: MeasuredSpecimen, b: MeasuredSpecimen, quantity: Quantity, above_um: float) -> Iterator[str]:
    if above_um:
        yield f"resolution differs: only carbides of {above_um:.2g} µm and more"
    if not (a.plane and b.plane):
        yield "plane not stated"
    if quantity.scale_power and a.um_per_px != b.um_per_px:
        unstated = [s.name for s in (a, b) if s.scale_relative_uncertainty is None]
        if unstated:
            yield f"uncertainty of the scale unknown for {' and '.join(unstated)}, left out"


def _same_field_area(a: ClassData, b: ClassData) -> bool:
    areas = [np.nanmean(data.column("analysed_area_um2")) for data in (a, b)]
    return bool(max(areas) <= SAME_FIELD_AREA * min(areas))


def _sides(
    quantity: Quantity, pair: tuple[MeasuredSpecimen, MeasuredSpecimen], data: tuple[ClassData, ClassData]
) -> tuple[_Side, _Side]:
    one_scale = pair[0].um_per_px == pair[1].um_per_px
    sides = []
    for specimen, own in zip(pair, data, strict=True):
        values = quantity.values(own)
        values = values[np.isfinite(values)]
        scale = 0.0 if one_scale else abs(quantity.scale_power) * (specimen.scale_relative_uncertainty or 0.0)
        area = abs(quantity.area_power) * float(np.nan_to_num(area_relative_uncertainty(own)))
        sides.append(_Side(values, float(values.mean()) if len(values) else math.nan, math.hypot(scale, area)))
    return sides[0], sides[1]


def _contrast(quantity: Quantity, sides: tuple[_Side, _Side], warnings: list[str]) -> dict[str, Any]:
    a, b = sides
    cells: dict[str, Any] = {"value_a": a.mean, "value_b": b.mean, "fields_a": len(a.fields), "fields_b": len(b.fields)}
    fewest = min(len(a.fields), len(b.fields))
    if fewest < 2:
        return cells | {"warning": "; ".join([*warnings, "fewer than two fields with a value: scatter unknown"])}
    if fewest < FEW_FIELDS:
        warnings.append(f"only {fewest} fields on one side")
    kind = quantity.kind
    if kind == "ratio" and min(a.fields.min(), b.fields.min()) <= 0:
        kind = "difference"
        warnings.append("0 in some fields: compared as a difference")
    logs = kind == "ratio"
    shared = math.hypot(a.shared, b.shared) if logs else math.hypot(a.shared * a.mean, b.shared * b.mean)
    x, y = (np.log(a.fields), np.log(b.fields)) if logs else (a.fields, b.fields)
    found = welch(x, y, shared)
    back = math.exp if logs else float
    low, high = (back(end) for end in found.interval)
    if logs and not low <= b.mean / a.mean <= high:
        warnings.append(f"scatter is skewed: the plain means stand {b.mean / a.mean:.3g} to 1")
    p_permutation = permutation_p(x, y)
    warnings += _permutation_warning(found.p_value, p_permutation, len(x), len(y))
    if math.isnan(found.p_value):
        warnings.append("no scatter between fields to judge by")
    return cells | {
        "kind": kind,
        "estimate": back(found.estimate),
        "ci95_low": low,
        "ci95_high": high,
        "p_value": found.p_value,
        "p_permutation": p_permutation,
        "detectable": back(found.detectable),
        "warning": "; ".join(warnings),
    }


def _permutation_warning(p_value: float, p_permutation: float, n_a: int, n_b: int) -> list[str]:
    least = (2 if n_a == n_b else 1) / math.comb(n_a + n_b, n_a)
    if least > ALPHA:
        return ["too few fields for the permutation check"]
    if p_value < ALPHA <= p_permutation:
        return [f"the permutation check does not confirm it (p = {p_permutation:.2g})"]
    return []


def _row(
    a: MeasuredSpecimen, b: MeasuredSpecimen, carbide_class: str, quantity: str, unit: str, kind: str
) -> dict[str, Any]:
    blank: dict[str, Any] = {c.name: math.nan if c.dtype == "float64" else "" for c in COMPARISON}
    return blank | {
        "specimen_a": a.name,
        "specimen_b": b.name,
        "carbide_class": carbide_class,
        "quantity": quantity,
        "unit": unit,
        "kind": kind,
        "fields_a": a.fields["field"].nunique(),
        "fields_b": b.fields["field"].nunique(),
    }


def _verdict(row: Any) -> str:
    if math.isnan(row.p_value):
        return REFUSED
    if row.p_value < ALPHA:
        return DIFFERS if row.p_holm < ALPHA else MAY_DIFFER
    low, high = alike_limits(row.quantity, row.kind, (row.value_a + row.value_b) / 2)
    return ALIKE if low < row.ci95_low and row.ci95_high < high else UNKNOWN


def alike_limits(quantity: str, kind: str, mean: float) -> tuple[float, float]:
    """Lower and upper limit of the estimate between which two specimens are called alike."""
    margin = next(q.margin for q in QUANTITIES if q.name == quantity)
    if kind == "ratio":
        return 1 / (1 + margin), 1 + margin
    half = margin if quantity == "degree_of_orientation" else margin * abs(mean)
    return -half, half
