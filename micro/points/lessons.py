"""What a count taught, kept in a results folder, and entered into its tables."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from micro import results
from micro.errors import InputError
from micro.specimens.summary import Budget
from micro.statistics.sampling import NORMAL_95, accuracy_pct, ratio_of_fields
from micro.tables.columns import FIELDS, SPECIMENS, names

if TYPE_CHECKING:
    from micro.taught.lesson import Amount, Lesson, Numbers

LESSONS = "taught.json"
ALL = "all"
AREA, THESE = "area_fraction", "area_fraction_of_these_fields"
BY_OUTLINES, COUNT_THESE = "area_fraction_by_outlines", "point_fraction_of_these_fields"
POINT_FRACTION = "point_fraction"
# What goes as the number of carbides, and what as their size or shape: wrong outlines move it by the same factors.
AS_NUMBER = ("number_per_mm2", "intercepts_along", "intercepts_across", "surface_per_volume")
AS_SIZE = (
    "mean_ecd", "area_weighted_ecd", "ecd_d10", "ecd_d50", "ecd_d90", "ecd_d10_by_area", "ecd_d50_by_area",
    "ecd_d90_by_area", "largest_ecd", "mean_aspect_ratio", "elongation_along_rolling", "anisotropy_index",
    "mean_chord_along", "mean_chord_across", "mean_free_path", "mean_band_spacing", "nearest_neighbour",
)  # fmt: skip


def write_lessons(out: Path, lessons: Mapping[str, Lesson]) -> None:
    """Keep the lessons of a run, by specimen."""
    results.write_json(out / results.TAUGHT / LESSONS, {name: asdict(one) for name, one in lessons.items()})


def read_lessons(out: Path) -> dict[str, Lesson]:
    """Lessons that a results folder keeps, by specimen; none where nothing was taught.

    Raises
    ------
    InputError
        Where the file is damaged.
    """
    path = out / results.TAUGHT / LESSONS
    if not path.is_file():
        return {}
    from micro.taught.lesson import Lesson

    try:
        return {name: Lesson.read(one) for name, one in results.read_json(path).items()}
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        raise InputError(path, "is damaged", results.RUN_AGAIN) from None


def corrected_fields(out: Path, lessons: Mapping[str, Lesson]) -> None:
    """Enter the corrected area fraction of every counted field into fields.csv, what it was before beside it."""
    path = out / results.FIELDS
    fields = results.read_table(path, names(FIELDS))
    rows = fields.to_dict("records")
    for row in rows:
        lesson = lessons.get(str(row["specimen"]))
        if lesson is not None:
            row.update(_corrected_row(row, lesson, rows))
    results.write_table(path, pd.DataFrame(rows, columns=names(FIELDS)).astype(fields.dtypes))


def _corrected_row(row: Mapping[Any, Any], lesson: Lesson, rows: list[dict[Any, Any]]) -> dict[str, Any]:
    """Cells of one row of fields.csv that a lesson changes."""
    name = str(row["carbide_class"])
    alone = name != ALL and name not in lesson.field_values and _classes(row, rows) == 1
    by_field = lesson.field_values.get(ALL if alone else name, {})
    before = row["area_fraction"]
    if row["field"] in by_field:
        value, low, high = by_field[str(row["field"])]
        return {
            AREA: value, f"{AREA}_low": low, f"{AREA}_high": high, "origin": lesson.origin, BY_OUTLINES: before,
            f"{BY_OUTLINES}_low": row[f"{AREA}_low"], f"{BY_OUTLINES}_high": row[f"{AREA}_high"],
        }  # fmt: skip
    if lesson.chosen != "taught":
        return {}
    low, high = _widened(float(before), (float(before), float(before)), lesson.number_factors)
    return {f"{AREA}_low": low, f"{AREA}_high": min(high, 1.0), "origin": "taught outlines; nobody counted this field"}


def _classes(row: Mapping[Any, Any], rows: list[dict[Any, Any]]) -> int:
    """Carbide classes of the field of a row."""
    place = (row["specimen"], row["field"])
    return sum((r["specimen"], r["field"]) == place and r["carbide_class"] != ALL for r in rows)


def with_lessons(specimens: pd.DataFrame, fields: pd.DataFrame, lessons: Mapping[str, Lesson]) -> pd.DataFrame:
    """Table of the specimens with the corrected area fraction, and intervals that hold the outlines' errors.

    Parameters
    ----------
    specimens
        Columns SPECIMENS, from `micro.specimens.summary`.
    fields
        Columns FIELDS, after `corrected_fields`.
    """
    rows: list[dict[Any, Any]] = []
    for row in specimens.to_dict("records"):
        lesson = lessons.get(str(row["specimen"]))
        if lesson is None:
            rows.append(row)
            continue
        own = fields[(fields["specimen"] == row["specimen"]) & (fields["carbide_class"] == row["carbide_class"])]
        rows += _area_rows(row, own, lesson) if row["quantity"] == AREA else [_with_outline_errors(row, lesson)]
    return pd.DataFrame(rows, columns=names(SPECIMENS)).astype(specimens.dtypes) if rows else specimens


def _area_rows(row: dict[Any, Any], fields: pd.DataFrame, lesson: Lesson) -> list[dict[Any, Any]]:
    """Rows of the area fraction: corrected for the specimen and for just these fields, by outlines, by points alone."""
    name = str(row["carbide_class"])
    if name not in lesson.corrected and len(fields) and (fields["origin"] == lesson.origin).all():
        name = ALL  # one class alone is all carbides
    if name not in lesson.corrected:
        return [_with_outline_errors(row, lesson)]
    corrected, counted = lesson.corrected[name], lesson.counted[name]
    alone, of = f"{lesson.points} points alone", "specimen" if lesson.fields > 1 else "field"
    these = {
        "quantity": THESE,
        "std": math.nan,
        "interval_of": "these fields",
        "origin": f"{lesson.origin}; says nothing of other fields",
    }
    counted_these = {"quantity": COUNT_THESE, "std": math.nan, "interval_of": "these fields", "origin": alone}
    return [
        row | _ends(corrected.specimen, corrected, lesson) | {"origin": lesson.origin, "interval_of": of},
        row | _ends(corrected.these_fields, corrected, lesson) | these,
        row | _by_outlines(fields, lesson) | {"quantity": BY_OUTLINES, "origin": f"{lesson.chosen} outlines"},
        row
        | _ends(counted.specimen, counted, lesson)
        | {"quantity": POINT_FRACTION, "origin": alone, "interval_of": of},
        row | _ends(counted.these_fields, counted, lesson) | counted_these,
    ]


def _ends(ends: Numbers, amount: Amount, lesson: Lesson) -> dict[str, Any]:
    value, low, high = ends
    return {"mean": value, "std": amount.std, "ci95_low": low, "ci95_high": high, "fields": lesson.fields,
            "relative_accuracy_pct": accuracy_pct(value, low, high)}  # fmt: skip


def _by_outlines(fields: pd.DataFrame, lesson: Lesson) -> dict[str, Any]:
    """Uncorrected area fraction of the fields: scatter between them, their segmentation, errors of taught outlines."""
    before = fields[BY_OUTLINES].fillna(fields[AREA])
    found = ratio_of_fields(before, fields["analysed_area_um2"] > 0)
    half = (fields[f"{BY_OUTLINES}_high"] - fields[f"{BY_OUTLINES}_low"]) / 2 / NORMAL_95
    ends = Budget(found, float(half.mean()), highest=1.0).interval
    if lesson.chosen == "taught":
        ends = _widened(found.value, ends, lesson.number_factors)
    return {"mean": found.value, "std": found.std, "ci95_low": ends[0], "ci95_high": min(ends[1], 1.0),
            "fields": found.fields, "relative_accuracy_pct": accuracy_pct(found.value, *ends)}  # fmt: skip


def _with_outline_errors(row: dict[Any, Any], lesson: Lesson) -> dict[Any, Any]:
    """Row whose interval also holds what wrong outlines may do to it, where taught outlines were used."""
    quantity = row["quantity"]
    factors = lesson.number_factors if quantity in AS_NUMBER or quantity == AREA else lesson.size_factors
    if lesson.chosen != "taught" or quantity not in (AREA, *AS_NUMBER, *AS_SIZE):
        return row
    low, high = _widened(row["mean"], (row["ci95_low"], row["ci95_high"]), factors)
    return row | {
        "ci95_low": low, "ci95_high": high, "relative_accuracy_pct": accuracy_pct(row["mean"], low, high),
        "origin": "taught outlines; their errors widen the interval",
    }  # fmt: skip


def _widened(value: float, ends: tuple[float, float], factors: Numbers) -> tuple[float, float]:
    """Interval by the fields and by the outlines together: two errors that know nothing of each other."""
    low = value - math.hypot(value - ends[0], value * (1 - factors[0]))
    high = value + math.hypot(ends[1] - value, value * (factors[1] - 1))
    return max(low, 0.0), high
