"""What was measured on each field, and by which grey levels: a table of the report."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from micro.report.page import PageTable
from micro.report.wording import with_ends_of

COLUMNS = (
    "field, class", "area fraction, %", "carbides", "matrix grey", "class grey", "outline grey", "edge spread, px",
    "noise",
)  # fmt: skip
NOTE = (
    "Grey levels as in the file; matrix_grey, grey of a class, threshold_grey and blur_px in a study file pin them. "
    "Intervals hold what the segmentation of that field leaves open."
)


def field_table(rows: Sequence[Mapping[str, Any]]) -> PageTable:
    """Table of the fields of one specimen; of a field with one class only the row of all carbides.

    Parameters
    ----------
    rows
        Of the fields table.
    """
    classes: dict[str, int] = {}
    for row in rows:
        classes[row["field"]] = classes.get(row["field"], 0) + 1
    kept = [row for row in rows if row["carbide_class"] == "all" or classes[row["field"]] > 2]
    return PageTable("What was found, field by field", COLUMNS, [_cells(row) for row in kept], note=NOTE)


def _cells(row: Mapping[str, Any]) -> tuple[str, ...]:
    name = row["field"] if row["carbide_class"] == "all" else f"{row['field']}, {row['carbide_class']}"
    greys = (_number(row[key], 1) for key in ("matrix_grey", "class_grey", "threshold_grey"))
    fraction = with_ends_of(row, "area_fraction", "area_fraction_low", "area_fraction_high", factor=100)
    return (name, fraction, str(row["particles"]), *greys, _number(row["blur_px"], 2), _number(row["noise_grey"], 1))


def _number(value: Any, decimals: int) -> str:
    return f"{float(value):.{decimals}f}" if math.isfinite(float(value)) else ""
