"""Sections of the report on pairs and coupons."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from functools import partial
from typing import Any

import pandas as pd

from micro.analysis import Analysis
from micro.comparison.coupon_words import CAUTIONS, outlier_sentences
from micro.comparison.coupons import CouponAnalysis
from micro.comparison.findings import PairFindings, findings
from micro.comparison.pairs import MAY_DIFFER, NO_VERDICT, REFUSED, UNKNOWN
from micro.report.bars import MAIN, MORE, Bars, bars_table
from micro.report.page import PagePicture, PageSection, PageTable, Save
from micro.report.study_figures import draw_coupons
from micro.report.wording import (
    MINUS,
    ends_of,
    figures,
    listed,
    printed_factor,
    printed_unit,
    with_ends,
    with_ends_of,
)
from micro.specimens.quantities import BY_NAME
from micro.statistics.sampling import student_t

# True of the row by its kind already, so not worth a reader's time.
OBVIOUS = "0 in some fields"
OF_A_BAR = ("specimen", "carbide_class", "quantity")
TEXT = (
    "Fields are the unit of sampling. Differences, and ratios of field sums, carry 95 % intervals. Five questions get "
    "a verdict: how much, how large, the largest, how elongated, how banded. Differs: the difference stands when all "
    "of these are taken together (fields exchanged between the bars). May differ: only when it is taken alone. Alike: "
    "the whole interval lies within 10 %. Cannot tell: neither, which is not alike. What is shown only is not "
    "judged. The pictures show the same micrometres per centimetre. Every row stands in comparison.csv.",
)


def comparison_section(comparison: pd.DataFrame, bars: Bars, pictures: Sequence[PagePicture]) -> PageSection | None:
    """Typical fields at one scale, then the pair; of more than two bars the quantities beside the main ones."""
    if comparison.empty:
        return None
    pairs = findings(comparison)
    tables = (
        [pair_table(pair, comparison, bars.specimens) for pair in pairs]
        if len(pairs) == 1
        else [replace(bars_table(bars, quantities), printed=False) for quantities in (MAIN, MORE)]
    )
    refused = refused_sentence(pairs) if len(pairs) > 1 else ""
    text = (*TEXT, refused) if refused else TEXT
    return PageSection("comparison", "More on the comparison", text, pictures, tables=tables, printed=True)


def refused_sentence(pairs: Sequence[PairFindings]) -> str:
    """Name the pairs of which nothing could be compared, and why; empty where there is none."""
    judged = [any(said for verdict, said in p.said.items() if verdict not in (NO_VERDICT, REFUSED)) for p in pairs]
    refused = [pair for pair, known in zip(pairs, judged, strict=True) if pair.said[REFUSED] and not known]
    if not refused:
        return ""
    named = [f"{pair.specimen_b} and {pair.specimen_a}" for pair in refused]
    return f"Not compared at all: {listed(named, 5)}; the first because {refused[0].said[REFUSED][0]}"


def pair_table(pair: PairFindings, comparison: pd.DataFrame, specimens: pd.DataFrame) -> PageTable:
    """Every quantity of a pair that could be compared, and a note on those that could not.

    `specimens` has the intervals of the two bars.
    """
    a, b = pair.specimen_a, pair.specimen_b
    every = comparison[(comparison["specimen_a"] == a) & (comparison["specimen_b"] == b)].to_dict("records")
    of_bars = {tuple(row[name] for name in OF_A_BAR): row for row in specimens.to_dict("records")}
    rows = [_row(row, of_bars) for row in every if row["verdict"] != REFUSED]
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


def _row(row: dict[Any, Any], of_bars: Mapping[tuple[Any, ...], dict[Any, Any]]) -> tuple[str, ...]:
    factor = printed_factor(str(row["quantity"]))
    value, low, high = ends_of(row, "estimate")
    key = row["carbide_class"], row["quantity"]
    sides = [_side(row, side, of_bars.get((row[f"specimen_{side}"], *key))) for side in "ab"]
    if row["kind"] == "ratio":
        effect = f"× {with_ends(value, low, high)}"
    else:
        effect = with_ends(factor * value, factor * low, factor * high)
        effect = effect if effect.startswith(MINUS) else f"+{effect}"
        effect += " percentage points" if factor != 1 else _unit(row)
    return (_subject(row), *sides, effect, "; ".join(_verdict(row)))


def _side(row: dict[Any, Any], side: str, of_bar: dict[Any, Any] | None) -> str:
    """Value of one bar with its interval, from its scatter where fields are compared and not the bar as a whole."""
    factor, mean = printed_factor(str(row["quantity"])), float(row[f"value_{side}"])
    low = high = math.nan
    if of_bar is not None and math.isclose(mean, float(of_bar["mean"]), rel_tol=1e-6):
        _, low, high = ends_of(of_bar)
    elif of_bar is not None:
        half = student_t(of_bar["fields"] - 1) * of_bar["std"] / math.sqrt(of_bar["fields"])
        low, high = mean - half, mean + half
    return with_ends(factor * mean, factor * low, factor * high) + _unit(row)


def _verdict(row: dict[Any, Any]) -> Iterator[str]:
    verdict, detectable = str(row["verdict"]), float(row["detectable"])
    if verdict == MAY_DIFFER:
        yield f"{verdict} (p = {row['p_value']:.2g} alone, {row['p_joint']:.2g} among all)"
    elif verdict == UNKNOWN and math.isfinite(detectable) and row["kind"] == "ratio":
        yield f"{verdict} (such fields show a difference of {100 * (detectable - 1):.0f} % four times in five)"
    else:
        yield verdict
    yield from (w for w in str(row["warning"]).split("; ") if w and not w.startswith(OBVIOUS))


def _subject(row: dict[Any, Any]) -> str:
    if row["quantity"] == "all":
        return str(row["carbide_class"])
    words = BY_NAME[str(row["quantity"])].words_of_fields
    return words if row["carbide_class"] == "all" else f"{words}, {row['carbide_class']}"


def _unit(row: dict[Any, Any]) -> str:
    unit = printed_unit(str(row["quantity"]), str(row["unit"] or ""))
    return f" {unit}" if unit and unit != "nan" else ""


def coupon_section(answer: Analysis, save: Save) -> PageSection | None:
    """Every coupon, ratios of the directions, groups against each other, means."""
    analysis = answer.coupons
    if analysis is None or analysis.coupons.empty:
        return None
    figure = save(
        "coupons", 1, 3.4, partial(draw_coupons, analysis=analysis),
        "Toughness of every test bar (filled), and the mean of its group with its 95 % interval (open). Outliers are "
        "ringed; none is left out.",
        "Toughness of all test bars by specimen and direction, with the means and their 95 % intervals.",
    )  # fmt: skip
    tables = [direction_table(analysis), group_table(analysis), mean_table(analysis)]
    notes = [*_warnings(analysis.ratios), *_warnings(analysis.groups), *outlier_sentences(analysis)]
    lists = [("To know about the test bars", list(dict.fromkeys(notes)))] if notes else []
    return PageSection(
        "coupons",
        "Toughness of the test bars",
        CAUTIONS,
        (),
        lists,
        [figure],
        [t for t in tables if t.rows],
        printed=True,
    )


def direction_table(analysis: CouponAnalysis) -> PageTable:
    """Transverse over longitudinal, a row a group, with what more coupons would show."""
    rows = [
        (
            str(r["group"]), f"{r['coupons_longitudinal']} + {r['coupons_transverse']}",
            with_ends_of(r, "ratio"), str(r["verdict"]), _hardness(r), *_power(r),
        )
        for r in analysis.ratios.to_dict("records")
    ]  # fmt: skip
    columns = (
        "group", "test bars along + across", "transverse over longitudinal", "verdict",
        f"hardness, transverse less longitudinal, {analysis.hardness_scale}", "gap that such test bars show",
        f"more test bars for a gap of {analysis.gap_pct:g} %",
    )  # fmt: skip
    note = "The gap that such test bars show is found in four of five tests, if they scatter as these do."
    return PageTable("Transverse against longitudinal", columns, rows, note)


def group_table(analysis: CouponAnalysis) -> PageTable:
    """Toughness of groups against each other, a row a pair and direction."""
    rows = [
        (
            f"{r['group_b']} against {r['group_a']}", str(r["direction"]), with_ends_of(r, "ratio"),
            str(r["verdict"]), _hardness(r),
        )
        for r in analysis.groups.to_dict("records")
    ]  # fmt: skip
    columns = (
        "groups",
        "direction",
        "ratio of toughness",
        "verdict",
        f"difference of hardness, {analysis.hardness_scale}",
    )
    return PageTable("Group against group", columns, rows, printed=False)


def mean_table(analysis: CouponAnalysis) -> PageTable:
    """Means with their intervals and standard deviations."""
    rows = [
        (
            f"{r['group']}, {r['direction']}", f"{r['quantity']}, {r['unit']}",
            with_ends_of(r), figures(float(r["std"]), float(r["std"])), str(r["coupons"]),
        )
        for r in analysis.summary.to_dict("records")
    ]  # fmt: skip
    columns = ("group, direction", "quantity", "mean", "standard deviation", "test bars")
    return PageTable("Means of the groups", columns, rows, printed=False)


def _power(row: dict[Any, Any]) -> tuple[str, str]:
    gap, along, across = (float(row[n]) for n in ("detectable_gap_pct", "more_longitudinal", "more_transverse"))
    if not math.isfinite(gap):
        return "unknown", "unknown"
    more = f"{along:.0f} + {across:.0f}" if math.isfinite(along) else "more than anyone would break"
    return f"{gap:.0f} %", "none" if along == across == 0 else more


def _hardness(row: dict[Any, Any]) -> str:
    if not math.isfinite(row["hardness_difference"]):
        return ""
    return with_ends_of(row, "hardness_difference", "hardness_ci95_low", "hardness_ci95_high")


def _warnings(table: pd.DataFrame) -> Iterator[str]:
    for row in table.to_dict("records"):
        head = row["group"] if "group" in row else f"{row['group_b']} against {row['group_a']}"
        yield from (f"{head}: {warning}." for warning in str(row["warning"] or "").split("; ") if warning)
