"""What the matrix of each bar keeps, from its measured classes and its composition: rows of matrix.csv."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import Any

import pandas as pd

from micro.carbides import BALANCED, CarbideRange
from micro.comparison.chemistry import TRACE_PCT, UNBALANCED, carbide_ceilings, checked_composition, possible_classes
from micro.comparison.matrix import MatrixComposition, MeasuredFraction, matrix_composition
from micro.tables.columns import MATRIX, empty, names

DOUBTFUL = 0.5
"""Share of possible combinations below which class names, fractions or composition are doubted. Chosen."""
LEFT_OUT = (
    "Left out: carbides that the picture does not resolve (those of tempering among them) and that the etch does not "
    "show, which are counted as matrix; the uncertainty of the composition given; and thermodynamics: nothing says "
    "where in the matrix an element lies. The ranges of what a carbide holds are from memory. Whether a steel resists "
    "corrosion is for tests to say."
)


def matrix_table(
    specimen: str, composition: Mapping[str, float], specimens: pd.DataFrame, ranges: Mapping[str, CarbideRange]
) -> pd.DataFrame:
    """Rows of matrix.csv for one specimen: an element of its composition each.

    Parameters
    ----------
    specimen, composition
        Name and wt %.
    specimens
        Columns SPECIMENS of `micro.tables.columns`.
    ranges
        From `carbide_ranges`.

    Raises
    ------
    UsageError
        As `carbide_ceilings`.
    """
    where = f"composition of {specimen}"
    checked_composition(composition, where)
    own = specimens[(specimens["specimen"] == specimen) & (specimens["quantity"] == "area_fraction")]
    measured = {str(row["carbide_class"]): row for row in own.to_dict("records")}
    classes = {name: row for name, row in measured.items() if name != "all"}
    refusal = _refusal(classes, composition, ranges, where)
    if refusal:
        found = _unknown()
    else:
        found = matrix_composition(composition, {name: _measured(row) for name, row in classes.items()}, ranges)
    message = refusal or "; ".join(_doubts(found, classes, composition))
    one_field = [name for name, row in classes.items() if not math.isfinite(row["ci95_high"])]
    rows = [
        {
            "specimen": specimen,
            "element": element,
            "in_steel": composition[element],
            "in_matrix": found.value[number],
            "ci95_low": math.nan if one_field else found.low[number],
            "ci95_high": math.nan if one_field else found.high[number],
            "carbides": ", ".join(classes),
            "possible_share": found.possible,
            "message": message,
        }
        for number, element in enumerate(BALANCED)
        if composition.get(element, 0) > 0
    ]
    return pd.DataFrame(rows, columns=names(MATRIX)) if rows else empty(MATRIX)


def _measured(row: Mapping[Any, Any]) -> MeasuredFraction:
    value, low, high = (float(row[name]) for name in ("mean", "ci95_low", "ci95_high"))
    if not math.isfinite(high):
        return MeasuredFraction(value, value, value)
    return MeasuredFraction(value, low, high, max(int(row["fields"]) - 1, 1))


def _unknown() -> MatrixComposition:
    import numpy as np

    nothing = np.full(len(BALANCED), math.nan)
    return MatrixComposition(nothing, nothing, nothing, math.nan)


def _refusal(
    classes: Mapping[str, Mapping[Any, Any]], composition: Mapping[str, float], ranges: Mapping[str, CarbideRange],
    where: str,
) -> str:  # fmt: skip
    """Why nothing can be said; empty where something can."""
    if not classes:
        return "no carbide class was found"
    if unknown := [name for name, row in classes.items() if not math.isfinite(row["mean"])]:
        return f"the amount of {', '.join(unknown)} is unknown"
    said = []
    for name in (n for n in classes if n not in ranges):
        could = possible_classes(carbide_ceilings(composition, where), float(classes[name]["ci95_low"]))
        which = f"by its composition it may be {_or(could)}" if could else "its composition has no name for so much"
        said.append(f"what the class {name!r} is made of is not known: name it in the study file; {which}")
    return "; ".join(said)


def _doubts(
    found: MatrixComposition, classes: Mapping[str, Mapping[Any, Any]], composition: Mapping[str, float]
) -> Iterator[str]:
    if not math.isfinite(found.value[0]):
        yield (
            f"so much {' and '.join(classes)} cannot be made of this composition; check the names of the classes, the "
            "etch and the composition"
        )
    elif found.possible < DOUBTFUL:
        yield (
            f"only {100 * found.possible:.2g} % of the combinations drawn were possible: the names of the classes, the "
            "amounts or the composition are doubtful"
        )
    if any(not math.isfinite(row["ci95_high"]) for row in classes.values()):
        yield "one field gives no interval of the amount, and so none of what is left"
    left_out = [e for e in UNBALANCED if composition.get(e, 0) > TRACE_PCT]
    if left_out:
        yield f"carbide of {' and '.join(left_out)} is not in the balance"


def _or(words: list[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} or {words[-1]}"
