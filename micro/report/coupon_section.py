"""The part of the report on toughness coupons: along and across rolling, group against group."""

from __future__ import annotations

import math
from collections.abc import Iterator
from functools import partial
from typing import TYPE_CHECKING, Any

from micro.answer import Answer
from micro.report.drawing import Save
from micro.report.page import PageSection, PageTable
from micro.report.wording import figures, with_ends

if TYPE_CHECKING:
    import pandas as pd

    from micro.comparison import CouponAnalysis


def coupon_section(answer: Answer, save: Save) -> PageSection | None:
    """Every coupon, ratios of the directions, groups against each other, means."""
    from micro.comparison.coupon_findings import CAUTIONS, outlier_sentences
    from micro.report.coupon_figure import draw_coupons

    analysis = answer.coupons
    if analysis is None or analysis.coupons.empty:
        return None
    figure = save(
        "coupons", 1, 3.4, partial(draw_coupons, analysis=analysis),
        "Toughness of every coupon (filled), and the mean of its group with its 95 % interval (open). Outliers are "
        "ringed; none is left out.",
        "Toughness of all coupons by specimen and direction, with the means and their 95 % intervals.",
    )  # fmt: skip
    tables = [direction_table(analysis), group_table(analysis), mean_table(analysis)]
    notes = [*_warnings(analysis.ratios), *_warnings(analysis.groups), *outlier_sentences(analysis)]
    lists = [("To know about the coupons", list(dict.fromkeys(notes)))] if notes else []
    return PageSection("coupons", "Toughness coupons", CAUTIONS, (), lists, [figure], [t for t in tables if t.rows])


def direction_table(analysis: CouponAnalysis) -> PageTable:
    """Transverse over longitudinal, a row a group, with what more coupons would show."""
    rows = [
        (
            str(r["group"]), f"{r['coupons_longitudinal']} + {r['coupons_transverse']}",
            _ends(r, "ratio", "ci95_low", "ci95_high"), str(r["verdict"]), _hardness(r), *_power(r),
        )
        for r in analysis.ratios.to_dict("records")
    ]  # fmt: skip
    columns = (
        "group", "coupons along + across", "transverse over longitudinal", "verdict",
        f"hardness, transverse less longitudinal, {analysis.hardness_scale}", "gap that such coupons show",
        f"more coupons for a gap of {analysis.gap_pct:g} %",
    )  # fmt: skip
    note = "The gap that such coupons show is found in four of five tests, if they scatter as these do."
    return PageTable("Transverse against longitudinal", columns, rows, note)


def group_table(analysis: CouponAnalysis) -> PageTable:
    """Toughness of groups against each other, a row a pair and direction."""
    rows = [
        (
            f"{r['group_b']} against {r['group_a']}", str(r["direction"]), _ends(r, "ratio", "ci95_low", "ci95_high"),
            str(r["verdict"]), _hardness(r),
        )
        for r in analysis.groups.to_dict("records")
    ]  # fmt: skip
    columns = ("groups", "direction", "ratio of toughness", "verdict", f"hardness, less, {analysis.hardness_scale}")
    return PageTable("Group against group", columns, rows)


def mean_table(analysis: CouponAnalysis) -> PageTable:
    """Means with their intervals and standard deviations."""
    rows = [
        (
            f"{r['group']}, {r['direction']}", f"{r['quantity']}, {r['unit']}",
            _ends(r, "mean", "ci95_low", "ci95_high"), figures(float(r["std"]), float(r["std"])), str(r["coupons"]),
        )
        for r in analysis.summary.to_dict("records")
    ]  # fmt: skip
    columns = ("group, direction", "quantity", "mean", "standard deviation", "coupons")
    return PageTable("Means of the groups", columns, rows)


def _power(row: dict[Any, Any]) -> tuple[str, str]:
    gap, along, across = (float(row[n]) for n in ("detectable_gap_pct", "more_longitudinal", "more_transverse"))
    if not math.isfinite(gap):
        return "unknown", "unknown"
    more = f"{along:.0f} + {across:.0f}" if math.isfinite(along) else "more than anyone would break"
    return f"{gap:.0f} %", "none" if along == across == 0 else more


def _hardness(row: dict[Any, Any]) -> str:
    if not math.isfinite(row["hardness_difference"]):
        return ""
    return _ends(row, "hardness_difference", "hardness_ci95_low", "hardness_ci95_high")


def _warnings(table: pd.DataFrame) -> Iterator[str]:
    for row in table.to_dict("records"):
        head = row["group"] if "group" in row else f"{row['group_b']} against {row['group_a']}"
        yield from (f"{head}: {warning}." for warning in str(row["warning"] or "").split("; ") if warning)


def _ends(row: dict[Any, Any], *names: str) -> str:
    return with_ends(*(float(row[name]) for name in names))
