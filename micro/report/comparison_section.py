"""The part of the report that sets specimens against each other: typical fields, then a table a pair."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

from micro.report.page import PagePicture, PageSection, PageTable
from micro.report.wording import MINUS, figures, plain_name, with_ends

if TYPE_CHECKING:
    import pandas as pd

    from micro.comparison.findings import PairFindings

# True of the row by its kind already, so not worth a reader's time.
OBVIOUS = "0 in some fields"
TEXT = (
    "Fields are the unit of sampling. Differences and ratios carry 95 % intervals (Welch). Differs: the difference "
    "stands when all tests of this report are taken together (Holm). May differ: only when it is taken alone. Alike: "
    "the whole interval lies within 10 %. Cannot tell: neither, which is not alike. The pictures show the same "
    "micrometres per centimetre. Every row stands in comparison.csv.",
)


def comparison_section(comparison: pd.DataFrame, pictures: Sequence[PagePicture]) -> PageSection | None:
    """Typical fields at one scale, then pair by pair."""
    from micro.comparison import findings

    if comparison.empty:
        return None
    tables = [pair_table(pair, comparison) for pair in findings(comparison)]
    return PageSection("comparison", "Comparison of the specimens", TEXT, pictures, tables=tables)


def pair_table(pair: PairFindings, comparison: pd.DataFrame) -> PageTable:
    """Every quantity of a pair that could be compared, and a note on those that could not."""
    from micro.comparison.difference import REFUSED

    a, b = pair.specimen_a, pair.specimen_b
    every = comparison[(comparison["specimen_a"] == a) & (comparison["specimen_b"] == b)].to_dict("records")
    rows = [_row(row) for row in every if row["verdict"] != REFUSED]
    refused: dict[str, list[str]] = {}
    for row in every:
        if row["verdict"] == REFUSED:
            refused.setdefault(str(row["warning"]), []).append(_subject(row))
    lacking = (
        f"Not compared ({why}): {', '.join(what)}." if what != ["all"] else f"Not compared: {why}."
        for why, what in refused.items()
    )
    return PageTable(
        f"{b} against {a}",
        ("quantity", a, b, f"{b} over {a}, or {b} less {a}", "verdict"),
        rows,
        note=" ".join([*pair.notes, *lacking]),
    )


def _row(row: dict[Any, Any]) -> tuple[str, ...]:
    from micro.report.wording import printed_factor

    factor = printed_factor(str(row["quantity"]))
    low, value, high = (float(row[name]) for name in ("ci95_low", "estimate", "ci95_high"))
    half = (high - low) / 2
    sides = []
    for side in ("value_a", "value_b"):
        mean = float(row[side])
        known = abs(mean) * half / value if row["kind"] == "ratio" else half
        sides.append(f"{figures(factor * mean, factor * known)}{_unit(row)}")
    if row["kind"] == "ratio":
        effect = f"× {with_ends(value, low, high)}"
    else:
        effect = with_ends(factor * value, factor * low, factor * high)
        effect = effect if effect.startswith(MINUS) else f"+{effect}"
        effect += " % points" if factor != 1 else _unit(row)
    return (_subject(row), *sides, effect, "; ".join(_verdict(row)))


def _verdict(row: dict[Any, Any]) -> Iterator[str]:
    from micro.comparison.difference import MAY_DIFFER, UNKNOWN

    verdict, detectable = str(row["verdict"]), float(row["detectable"])
    if verdict == MAY_DIFFER:
        yield f"{verdict} (p = {row['p_value']:.2g} alone, {row['p_holm']:.2g} among all)"
    elif verdict == UNKNOWN and math.isfinite(detectable) and row["kind"] == "ratio":
        yield f"{verdict} (such fields show a difference of {100 * (detectable - 1):.0f} % four times in five)"
    else:
        yield verdict
    yield from (w for w in str(row["warning"]).split("; ") if w and not w.startswith(OBVIOUS))


def _subject(row: dict[Any, Any]) -> str:
    from micro.comparison.quantities import BY_NAME

    if row["quantity"] == "all":
        return "all"
    known = BY_NAME.get(str(row["quantity"]))
    words = plain_name(str(row["quantity"])) if known is None else known.words
    return words if row["carbide_class"] == "all" else f"{words}, {row['carbide_class']}"


def _unit(row: dict[Any, Any]) -> str:
    from micro.report.wording import printed_unit

    unit = printed_unit(str(row["quantity"]), str(row["unit"] or ""))
    return f" {unit}" if unit and unit != "nan" else ""
