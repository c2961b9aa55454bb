"""The first screen: every bar in one row with what people ask first, and what it comes to in a few sentences."""

from __future__ import annotations

import math
from collections.abc import Mapping

from micro.analysis import Analysis
from micro.report.bars import LETTERED, MEANING_OF_LETTERS, Bars, bars_table, reference_table, stacked
from micro.report.page import PageSection, PageTable
from micro.report.wording import ends_of, joined, route_words
from micro.segmentation.segmentation import UNNAMED
from micro.specimens.quantities import banding_shown
from micro.study.model import Study

FEWEST_BARS = 2
QUANTITIES = ("area_fraction", "mean_ecd", "largest_ecd", "elongation_along_rolling")
HEADS = {
    "area fraction A_A, %": "carbide, area %",
    "mean carbide diameter, µm": "mean ECD, µm",
    "largest carbide seen, µm": "largest ECD seen, µm",
    "length along over width across rolling": "long along over wide across",
}
DIFFERENCES = (
    ("area_fraction", "amount"), ("mean_ecd", "mean size"), ("largest_ecd", "largest carbide"),
    ("anisotropy_index", "anisotropy"),
)  # fmt: skip
NOTE = (
    "Brackets hold 95 % intervals. Area % of a section is an estimate of volume % of the steel; ECD is the diameter of "
    "the circle of equal area. Kinds are the names that you gave to grey levels: no picture proves them."
)


def glance_section(study: Study, bars: Bars, answer: Analysis) -> PageSection | None:
    """One table of all bars with the sentences above it; None for a single bar."""
    if len(bars.names) < FEWEST_BARS:
        return None
    columns = [column for column in _columns(study, bars, answer) if any(column[1].values())]
    table = bars_table(bars, QUANTITIES)
    rows = [(*row, *(cells.get(row[0], "") for _, cells in columns[1:])) for row in table.rows]
    kinds = columns[0][1]
    rows = [(row[0], kinds.get(row[0], ""), *row[1:]) for row in rows]
    shown = (HEADS.get(head, head) for head in table.columns[1:])
    heads = (table.columns[0], columns[0][0], *shown, *(head for head, _ in columns[1:]))
    lettered = not bars.reference and len(bars.names) >= LETTERED
    tables = [PageTable("", heads, rows, f"{NOTE} {MEANING_OF_LETTERS}" if lettered else NOTE)]
    if bars.reference:
        tables.append(reference_table(bars, QUANTITIES))
    said = [*difference_lines(bars), *toughness_lines(answer)]
    return PageSection("bars", "At a glance", lists=[("In short", said)] if said else (), tables=tables, folded=False)


def _columns(study: Study, bars: Bars, answer: Analysis) -> list[tuple[str, Mapping[str, str]]]:
    """Headings, with a cell a bar, beside the quantities; the first stands before them."""
    routes = {s.name: route_words(s.route) for s in study.specimens}
    kinds = {}
    for bar in bars.names:
        own = bars.specimens.loc[bars.specimens["specimen"] == bar, "carbide_class"]
        named = ", ".join("not named" if c.startswith(UNNAMED) else c for c in dict.fromkeys(own) if c != "all")
        kinds[bar] = "\n".join(part for part in (routes.get(bar, ""), named) if part)
    return [
        ("route, kind of carbide", kinds),
        ("banded fields", {bar: _banded(bars, bar) for bar in bars.names}),
        ("Cr left in the matrix, %", _chromium(answer)),
        ("toughness across over along", _ratios(answer)),
    ]


def _banded(bars: Bars, bar: str) -> str:
    """Fields banded beyond chance, and whether so many show banding."""
    row = bars.row(bar, "banded_fields_share")
    share, fields = float(row.get("mean", math.nan)), int(row.get("fields", 0) or 0)
    if not math.isfinite(share) or not fields:
        return "cannot tell"
    banded = round(share * fields)
    return (
        f"{banded} of {fields}\n{'shown' if banding_shown(banded, fields) else 'may be chance' if banded else 'none'}"
    )


def _chromium(answer: Analysis) -> dict[str, str]:
    rows = answer.matrix[answer.matrix["element"] == "Cr"].to_dict("records")
    return {str(r["specimen"]): stacked(ends_of(r, "in_matrix")) for r in rows}


def _ratios(answer: Analysis) -> dict[str, str]:
    if answer.coupons is None:
        return {}
    rows = answer.coupons.ratios.to_dict("records")
    return {str(r["group"]): stacked(ends_of(r, "ratio")) for r in rows}


def difference_lines(bars: Bars) -> list[str]:
    """Say in what all bars are told apart, in what none, and in what some; nothing without letters."""
    groups: dict[str, list[str]] = {}
    for quantity, words in DIFFERENCES:
        letters = bars.letters(quantity)
        if letters:
            groups.setdefault(_told_apart(letters), []).append(words)
    return [f"{kind} in {joined(words)}." for kind, words in groups.items()]


def _told_apart(letters: Mapping[str, str]) -> str:
    used = set("".join(letters.values()))
    if len(used) == 1:
        return "No bar is told apart from any other"
    if len(used) == len(letters) and all(len(own) == 1 for own in letters.values()):
        return "Every bar is told apart from every other"
    return "Some bars are told apart, as the letters say,"


def toughness_lines(answer: Analysis) -> list[str]:
    """Say which bars are weaker across rolling beyond scatter, and whether the structure explains it."""
    from micro.report.summary import explanation_sentence

    said = []
    if answer.coupons is not None and len(answer.coupons.ratios):
        verdicts: dict[str, list[str]] = {}
        for row in answer.coupons.ratios.to_dict("records"):
            verdicts.setdefault(str(row["verdict"]), []).append(str(row["group"]))
        told = [f"{words} in {joined(verdicts[verdict])}" for verdict, words in GAPS.items() if verdict in verdicts]
        said.append("Toughness across rolling, against along: " + "; ".join(told) + ".")
    if answer.structure is not None and len(answer.structure):
        said.append(explanation_sentence(answer.structure))
    return said


GAPS = {
    "transverse lower": "lower beyond scatter",
    "transverse higher": "higher beyond scatter",
    "within scatter": "no gap beyond scatter",
    "cannot tell": "cannot tell",
}
