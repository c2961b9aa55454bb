"""What the toughness coupons show, in sentences."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

import pandas as pd

from micro.comparison.coupons import BOTH, HIGHER, LOWER, UNKNOWN, WITHIN, CouponAnalysis
from micro.comparison.findings import number

CAUTIONS = (
    "These figures describe the bars tested. They are not a certificate of the steel or of a part.",
    "Where a blade or tool can injure when it fails, a licensed engineer decides, by the codes that apply there.",
)


def coupon_sentences(analysis: CouponAnalysis) -> list[str]:
    """Say what the coupons show, what they do not, and how many more would; the means it rests on come last."""
    return [
        *gap_sentences(analysis),
        *group_sentences(analysis),
        *outlier_sentences(analysis),
        *(_mean_sentence(row) for row in _rows(analysis.summary)),
    ]


def gap_sentences(analysis: CouponAnalysis) -> list[str]:
    """Say how the directions compare within each group, and how many more coupons would show."""
    lines = []
    for row in _rows(analysis.ratios):
        lines.append(_gap_sentence(row))
        lines += _further(row)
        lines += _hardness(row, f"{row.group}, transverse less longitudinal", analysis.hardness_scale)
        lines += _at_equal_hardness(row, f"{row.group}, transverse over longitudinal")
        lines += [f"{row.group}: {warning}." for warning in row.warning.split("; ") if warning]
    return lines


def group_sentences(analysis: CouponAnalysis) -> list[str]:
    """Say how the groups compare."""
    lines = []
    for row in _rows(analysis.groups):
        lines.append(_group_sentence(row))
        lines += _hardness(row, f"{row.group_b} less {row.group_a}, {row.direction}", analysis.hardness_scale)
        lines += _at_equal_hardness(row, f"{row.group_b} over {row.group_a}, {row.direction}")
        lines += [f"{row.group_b} against {row.group_a}: {warning}." for warning in row.warning.split("; ") if warning]
    return lines


def _rows(table: pd.DataFrame) -> Iterator[Any]:
    return table.itertuples(index=False)


def _mean_sentence(row: Any) -> str:
    head = f"{row.group}, {row.direction}: {row.quantity} {number(row.mean)} {row.unit}"
    counted = f"{row.coupons} test bars"
    if row.beyond:
        counted = f"{row.beyond} of {counted} only known to be more than their value"
        if math.isnan(row.ci95_low):
            return f"{head} (no mean: {counted})."
    elif row.coupons < 2:
        return f"{head} (1 test bar, no interval)."
    ends = f"{number(row.ci95_low)} to {number(row.ci95_high)}"
    return f"{head} (95 % interval {ends}; s = {number(row.std)}, {counted})."


def _gap_sentence(row: Any) -> str:
    if math.isnan(row.ratio):
        return f"{row.group}: no transverse ratio."
    head = f"{row.group}: transverse over longitudinal toughness {row.ratio:.2f}"
    if math.isnan(row.ci95_low):
        return f"{head}, without an interval."
    head += f" (95 % interval {row.ci95_low:.2f} to {row.ci95_high:.2f})"
    tail = {
        LOWER: "the gap is beyond scatter",
        HIGHER: "the transverse test bars are the tougher ones, beyond scatter",
        WITHIN: "no gap beyond scatter is shown, which does not prove that there is none",
        UNKNOWN: "whether the gap is one of hardness cannot be told from these test bars",
    }[row.verdict]
    return f"{head}; {tail}."


def _further(row: Any) -> list[str]:
    if math.isnan(row.detectable_gap_pct):
        return []
    told = (
        f"{row.group}: such test bars show a gap of {row.detectable_gap_pct:.0f} % or more with a power of 80 %; "
        f"for a gap of {row.gap_pct:g} %, "
    )
    if math.isnan(row.more_longitudinal):
        return [f"{told}no number of test bars that anyone would break suffices."]
    along, across = int(row.more_longitudinal), int(row.more_transverse)
    if along == across == 0:
        return [f"{told}there are enough."]
    return [f"{told}{along} more longitudinal and {across} more transverse are needed, if they scatter as these do."]


def _hardness(row: Any, what: str, scale: str) -> list[str]:
    if math.isnan(row.hardness_difference):
        return []
    said = f"Hardness, {what}: {row.hardness_difference:+.2g} {scale}"
    if math.isnan(row.hardness_ci95_low):
        return [f"{said}, without an interval."]
    return [f"{said} (95 % interval {row.hardness_ci95_low:+.2g} to {row.hardness_ci95_high:+.2g})."]


def _at_equal_hardness(row: Any, what: str) -> list[str]:
    if math.isnan(row.equal_hardness_ratio):
        return []
    return [
        f"At equal hardness, {what}: {row.equal_hardness_ratio:.2f} (95 % interval "
        f"{row.equal_hardness_ci95_low:.2f} to {row.equal_hardness_ci95_high:.2f})."
    ]


def _group_sentence(row: Any) -> str:
    verdict = {
        "differs": "they differ",
        "may differ": f"they may differ (p = {row.p_value:.2g} on its own, {row.p_holm:.2g} among all tests)",
    }.get(row.verdict, "no difference beyond scatter is shown")
    what = "ratio of the transverse ratios" if row.direction == BOTH else f"{row.direction} toughness, ratio"
    return (
        f"{row.group_b} against {row.group_a}: {what} {row.ratio:.2f} "
        f"(95 % interval {row.ci95_low:.2f} to {row.ci95_high:.2f}); {verdict}."
    )


def outlier_sentences(analysis: CouponAnalysis) -> list[str]:
    """Name the coupons that lie far from their group."""
    flagged = analysis.coupons[analysis.coupons["outlier"] != ""]
    return [
        f"{row.group}, {row.direction}: test bar {row.coupon or f'of line {row.line}'} ({number(row.toughness)} "
        f"{analysis.unit}) lies {row.outlier} (generalised extreme studentised deviate test on logarithms, 5 %); it is "
        "kept, look at its fracture surface and record."
        for row in _rows(flagged)
    ]
