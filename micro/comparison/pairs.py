"""Two specimens: differences and size distributions."""

from __future__ import annotations

import functools
import itertools
import math
from collections.abc import Callable, Iterator, Sequence
from typing import Any

import numpy as np
import pandas as pd

from micro.comparison.joint import Judged, exchange_p, exchanged, joint_p
from micro.comparison.measured import MeasuredSpecimen, class_of, common_diameter
from micro.comparison.sides import Side, TooFew, difference_of, sides_of, too_few_carbides
from micro.specimens.class_data import BIASED, BY_NUMBER, ClassData, is_mostly_open, is_unresolved
from micro.specimens.quantities import BY_NAME, QUANTITIES, Quantity
from micro.statistics.sampling import FloatArray, student_t, uncertainty_of_ratio
from micro.statistics.two_samples import ALPHA, holm, share_difference
from micro.tables.columns import COMPARISON, empty, names

KEPT_CLASSES = 8
"""Classes of specimens that are kept while pairs are compared: all of the first of a pair, mostly (chosen)."""
SAME_FIELD_AREA = 1.25
LEAST_SHARE_ABOVE = 0.5
FEW_FIELDS = 5

DIFFERS, MAY_DIFFER, ALIKE, UNKNOWN, REFUSED = "differs", "may differ", "alike", "cannot tell", "not compared"


_TESTED = "_tested"
NO_VERDICT = "shown only"


def compare(specimens: Sequence[MeasuredSpecimen]) -> pd.DataFrame:
    """Compare every pair of specimens in every quantity and carbide class.

    Positive sizes and counts are compared as ratios of field sums, fractions as differences, with the variance by
    leaving out one field at a time, Student's t and, where carbides weigh unequally, their skewness
    (`micro.statistics.skewed`). The uncertainty that the fields of a specimen share (segmentation, and scale where the
    sizes of a pixel differ) is added.

    One quantity for each question gets a verdict: how much (in all, and of each class that both have), how large, the
    largest, how elongated, how banded. `p_joint` is adjusted for all of these by exchange of fields, and for the number
    of pairs. The others are shown with their intervals only, and so is what rests on too few carbides
    (`micro.comparison.sides`).

    Parameters
    ----------
    specimens
        Two or more; each name once.

    Returns
    -------
    pandas.DataFrame
        Columns COMPARISON of `micro.tables.columns`; the estimate is b over a, or b less a. A pair on different planes,
        or with too little in common above the coarser resolution, is one row with the verdict "not compared".
    """
    pairs = list(itertools.combinations(specimens, 2))
    # The first of a pair is also that of the next.
    known = functools.lru_cache(maxsize=KEPT_CLASSES)(class_of)
    rows = [row for a, b in pairs for row in _adjusted(list(_pair_rows(a, b, known)), len(pairs))]
    if not rows:
        return empty(COMPARISON)
    table = pd.DataFrame(rows, columns=names(COMPARISON))
    table["p_holm"] = holm(table["p_value"].where(table["primary"] == 1))
    table["verdict"] = [_verdict(row) for row in table.itertuples(index=False)]
    return table.astype({column.name: column.dtype for column in COMPARISON})


def _adjusted(rows: list[dict[str, Any]], pairs: int) -> list[dict[str, Any]]:
    """Rows of one pair with p values adjusted over the primary ones, and what such fields would show after that."""
    tested = [row for row in rows if row["primary"] and _TESTED in row]
    adjusted = joint_p([row[_TESTED] for row in tested], pairs)
    for row, p_joint in zip(tested, adjusted, strict=True):
        row["p_joint"] = min(1.0, pairs * p_joint)
    for row in rows:
        found = row.pop(_TESTED, None)
        if found is not None:
            level = ALPHA / (pairs * len(tested)) if row["primary"] else ALPHA
            shown = difference_of(found.a, found.b, found.on_logs).detectable(level)
            row["detectable"] = math.exp(shown) if found.on_logs else shown
    return rows


def _pair_rows(
    a: MeasuredSpecimen, b: MeasuredSpecimen, class_of: Callable[[MeasuredSpecimen, str, float], ClassData]
) -> Iterator[dict[str, Any]]:
    above = common_diameter(a, b)
    refusal = _refusal(a, b, above)
    if refusal:
        yield _row(a, b, "all", "all", "", REFUSED) | {"warning": refusal}
        return
    classes = list(dict.fromkeys([*a.classes, *b.classes]))
    for carbide_class in ["all", *(classes if len(classes) > 1 else [])]:
        lacking = [s.name for s in (a, b) if carbide_class not in ("all", *s.classes)]
        if lacking:
            told = f"{carbide_class} is not told apart in {lacking[0]}"
            yield _row(a, b, carbide_class, "all", "", REFUSED) | {"warning": told}
            continue
        data = class_of(a, carbide_class, above), class_of(b, carbide_class, above)
        yield from _class_rows(a, b, carbide_class, data, above)


def _class_rows(
    a: MeasuredSpecimen, b: MeasuredSpecimen, carbide_class: str, data: tuple[ClassData, ClassData], above_um: float
) -> Iterator[dict[str, Any]]:
    """Every quantity of one class."""
    for quantity in QUANTITIES:
        measure = quantity.by_field(above_um > 0)
        if measure is None:
            continue
        row = _row(a, b, carbide_class, quantity.name, quantity.unit, quantity.compared)
        row["primary"] = int(quantity.primary and (carbide_class == "all" or quantity.name == "area_fraction"))
        if quantity.name == "largest_ecd" and not _same_field_area(*data):
            yield row | {"warning": "the fields differ in area, and the largest carbide grows with it"}
            continue
        sides = sides_of(quantity, measure, (a, b), data)
        unjudged = list(_unjudged(quantity, too_few_carbides(quantity, measure, sides, data), (a, b), data))
        if unjudged:
            row["primary"] = 0
        yield row | _contrast(quantity.compared, sides, [*_pair_warnings(a, b, quantity, above_um), *unjudged])


def _unjudged(
    quantity: Quantity,
    scarce: TooFew | None,
    pair: tuple[MeasuredSpecimen, MeasuredSpecimen],
    data: tuple[ClassData, ClassData],
) -> Iterator[str]:
    """Why a quantity of this pair gets no verdict."""
    too_fine, doubted = (
        " and ".join(one.name for one, own in zip(pair, data, strict=True) if told(own))
        for told in (is_unresolved, is_mostly_open)
    )
    if scarce:
        yield scarce.text(*(one.name for one in pair))
    if too_fine and quantity.name in BIASED:
        yield f"carbides of {too_fine} are too fine to be told apart: not judged"
    if doubted and quantity.name in BY_NUMBER:
        yield f"most outlines of {doubted} may be no carbide, or miss others: not judged"


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
                    f"the coarser of the two resolves {above_um:.2g} µm{_softest(a, b)}, and only {100 * share:.0f} % "
                    f"of the carbide area of {one.name} lies above; "
                    f"{'leave that field out, or ' if _softest(a, b) else ''}photograph both at one magnification"
                )
    return ""


def _softest(a: MeasuredSpecimen, b: MeasuredSpecimen) -> str:
    """Name the one field, if it is one, that makes the coarser of two specimens the coarser."""
    coarser = max(a, b, key=lambda one: one.resolved_um)
    field, others = coarser.softest_field
    return f" (by field {field} of {coarser.name} alone, its other fields {others:.2g} µm)" if field else ""


def _pair_warnings(a: MeasuredSpecimen, b: MeasuredSpecimen, quantity: Quantity, above_um: float) -> Iterator[str]:
    if above_um:
        yield f"resolution differs: only carbides of {above_um:.2g} µm and more{_softest(a, b)}"
    if not (a.plane and b.plane):
        yield "plane not stated"
    if shared := len(a.pictures & b.pictures):
        yield f"{shared} picture{'s' * (shared != 1)} the same in both: they are no two samples"
    if quantity.scale_power and a.um_per_px != b.um_per_px:
        unstated = [s.name for s in (a, b) if s.scale_relative_uncertainty is None]
        if unstated:
            yield f"uncertainty of the scale unknown for {' and '.join(unstated)}, left out"


def _same_field_area(a: ClassData, b: ClassData) -> bool:
    areas = [np.nanmean(data.column("analysed_area_um2")) for data in (a, b)]
    return bool(max(areas) <= SAME_FIELD_AREA * min(areas))


def _contrast(kind: str, sides: tuple[Side, Side], warnings: list[str]) -> dict[str, Any]:
    a, b = sides
    cells: dict[str, Any] = {"value_a": a.value, "value_b": b.value, "fields_a": a.fields, "fields_b": b.fields}
    fewest = min(a.fields, b.fields)
    if fewest < 2:
        return cells | {"warning": "; ".join([*warnings, "fewer than two fields with a value: scatter unknown"])}
    if fewest < FEW_FIELDS:
        warnings.append(f"only {fewest} fields on one side")
    if kind == "share":
        return cells | _shares(a, b) | {"warning": "; ".join(warnings)}
    if kind == "ratio" and not all(math.isfinite(side.on_logs.variance) for side in sides):
        kind = "difference"
        warnings.append("0 in some fields: compared as a difference")
    logs = kind == "ratio"
    found = difference_of(a, b, logs)
    back = math.exp if logs else float
    low, high = (back(end) for end in found.interval)
    tested = Judged(a, b, logs, found.p_value, found.degrees_of_freedom)
    p_permutation = math.nan
    if not (logs and min(a.numerator.min(), b.numerator.min()) <= 0):
        p_permutation = exchange_p(exchanged(tested))
    warnings += _permutation_warning(found.p_value, p_permutation, a.fields, b.fields)
    if math.isnan(found.p_value):
        low = high = math.nan
        warnings.append("no scatter between fields to judge by")
    return (
        cells
        | {
            "kind": kind,
            "estimate": back(found.estimate),
            "ci95_low": low,
            "ci95_high": high,
            "p_value": found.p_value,
            "p_permutation": p_permutation,
            "warning": "; ".join(warnings),
        }
        | ({} if math.isnan(found.p_value) else {_TESTED: tested})
    )


def _shares(a: Side, b: Side) -> dict[str, Any]:
    counts = [(round(float(side.numerator.sum())), side.fields) for side in (a, b)]
    gap, low, high, p_value = share_difference(*counts)
    return {"kind": "difference", "estimate": gap, "ci95_low": low, "ci95_high": high, "p_value": p_value}


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
        "primary": 0,
        "fields_a": a.fields["field"].nunique(),
        "fields_b": b.fields["field"].nunique(),
    }


def _verdict(row: Any) -> str:
    if math.isnan(row.p_value):
        return REFUSED
    if not row.primary:
        return NO_VERDICT
    if row.p_value < ALPHA:
        return DIFFERS if row.p_joint < ALPHA else MAY_DIFFER
    low, high = BY_NAME[row.quantity].alike(row.kind, (row.value_a + row.value_b) / 2)
    return ALIKE if low < row.ci95_low and row.ci95_high < high else UNKNOWN


CLASSES_A_DECADE = 25
COLUMNS = ("specimen", "weighting", "ecd_um", "share", "ci95_low", "ci95_high")


def size_distributions(specimens: Sequence[MeasuredSpecimen]) -> pd.DataFrame:
    """Cumulative distributions of the equivalent circle diameter by number and by area, all on the same diameters.

    Only carbides above the coarsest of the specimens' resolutions enter where these differ. Bands are 95 % at each
    diameter, by leaving out one field at a time and Student's t on the logit scale: with 5 fields a bootstrap of
    whole fields covers 92 %.

    Parameters
    ----------
    specimens
        With their carbides.

    Returns
    -------
    pandas.DataFrame
        specimen, weighting ("number", "area"), ecd_um, share (in carbides smaller than ecd_um, 0 to 1), ci95_low,
        ci95_high. Bands are NaN for one field, and where the share is 0 or 1.
    """
    above = max((common_diameter(a, b) for a in specimens for b in specimens), default=0.0)
    classes = [class_of(s, "all", above) for s in specimens]
    sizes = [c.carbide("ecd_um")[c.weight > 0] for c in classes]
    ends = [end for own in sizes if len(own) for end in (own.min(), own.max())]
    del sizes
    if not ends:
        return pd.DataFrame({name: pd.Series(dtype="str" if name in COLUMNS[:2] else "float64") for name in COLUMNS})
    edges = _edges(min(ends), max(ends))
    tables = []
    for specimen, data in zip(specimens, classes, strict=True):
        for weighting, weight in (("number", data.weight), ("area", data.weight * data.carbide("area_um2"))):
            if weight.sum() > 0:
                below, whole = _by_field(data, weight, edges)
                share, low, high = share_band(below, whole)
                curve = (specimen.name, weighting, edges, share, low, high)
                tables.append(pd.DataFrame(dict(zip(COLUMNS, curve, strict=True))))
    return pd.concat(tables, ignore_index=True)


def _edges(smallest: float, largest: float) -> FloatArray:
    low = np.floor(CLASSES_A_DECADE * np.log10(smallest))
    high = np.floor(CLASSES_A_DECADE * np.log10(largest)) + 1
    return 10 ** (np.arange(low, high + 1) / CLASSES_A_DECADE)


def _by_field(data: ClassData, weight: FloatArray, edges: FloatArray) -> tuple[FloatArray, FloatArray]:
    """(fields, edges) weight below each edge, and (fields,) weight in all."""
    # A cut carbide may be smaller or larger than every whole one; it weighs nothing.
    cell = np.searchsorted(edges, data.carbide("ecd_um"), side="right")
    classes = len(edges) + 1
    cell += data.field * classes
    table = np.bincount(cell, weight, len(data.fields) * classes).reshape(-1, classes)
    return table.cumsum(axis=1)[:, :-1], table.sum(axis=1)


def share_band(parts: FloatArray, whole: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Shares Σ parts over Σ whole of the fields, and the ends of their 95 % intervals on the logit scale.

    Parameters
    ----------
    parts
        (fields, m) weight in each of m shares.
    whole
        (fields,) weight of the field.
    """
    parts, whole = parts[whole > 0], whole[whole > 0]
    n = len(whole)
    share = np.clip(parts.sum(axis=0) / whole.sum(), 0, 1)
    if n < 2:
        unknown = np.full(len(share), np.nan)
        return share, unknown, unknown
    inside = (share > 1e-12) & (share < 1 - 1e-12)
    s = np.where(inside, share, 0.5)
    logit, half = np.log(s / (1 - s)), student_t(n - 1) * uncertainty_of_ratio(parts, whole) / (s * (1 - s))
    low, high = (1 / (1 + np.exp(-np.clip(logit + side * half, -700, 700))) for side in (-1, 1))
    # Where no carbide, or every one, has been seen, the fields do not tell how far the share may lie from that.
    return share, np.where(inside, low, np.nan), np.where(inside, high, np.nan)
