"""Toughness coupons: longitudinal against transverse, and what that says."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from micro.comparison.coupon_file import Coupons
from micro.comparison.equal_hardness import equal_hardness_cells, hardness_tells
from micro.comparison.findings import number
from micro.statistics.sampling import mean_of_fields
from micro.statistics.two_samples import (
    ALPHA,
    Contrast,
    FloatArray,
    contrast,
    fieller,
    holm,
    outliers,
    sample_size,
    welch,
)
from micro.tables.columns import COUPONS, GROUP_RATIOS, TRANSVERSE_RATIOS, Column, empty, names

LONGITUDINAL, TRANSVERSE = "longitudinal", "transverse"
BOTH = "transverse over longitudinal"
LOWER, HIGHER, WITHIN, UNKNOWN = "transverse lower", "transverse higher", "within scatter", "cannot tell"
FEW_COUPONS = 4
GAP_PCT = 10.0


@dataclass(frozen=True, eq=False)
class CouponAnalysis:
    """What a set of coupons says.

    Parameters
    ----------
    coupons
        The coupons used: group, coupon, direction, toughness_J, hardness, outlier (a text, empty where none).
    hardness_scale
        HRC, HV, ...; empty where not measured.
    summary, ratios, groups
        Columns COUPONS, TRANSVERSE_RATIOS and GROUP_RATIOS of `micro.tables.columns`.
    gap_pct
        Gap that the number of further coupons is for.
    """

    coupons: pd.DataFrame
    hardness_scale: str
    summary: pd.DataFrame
    ratios: pd.DataFrame
    groups: pd.DataFrame
    gap_pct: float


def analyse_coupons(coupons: Coupons, gap_pct: float = GAP_PCT, by: Sequence[str] = ()) -> CouponAnalysis:
    """Compare directions within each group, and groups with each other.

    Parameters
    ----------
    coupons
        From `read_coupons`.
    gap_pct
        Transverse toughness below longitudinal, in %, that further coupons should be able to show.
    by
        Heat-treatment factors that, with the specimen, make a group; without them all coupons of a specimen are one.
    """
    table = _grouped(coupons, by)
    groups = {str(name): own for name, own in table.groupby("group", sort=False)}
    pooled = [factor for factor in coupons.factors if factor not in by]
    ratios = [_ratio_row(name, own, gap_pct, _factor_warnings(own, pooled)) for name, own in groups.items()]
    return CouponAnalysis(
        table,
        coupons.hardness_scale,
        _summary(table, coupons.hardness_scale),
        _typed(ratios, TRANSVERSE_RATIOS),
        _between(groups),
        gap_pct,
    )


def _grouped(coupons: Coupons, by: Sequence[str]) -> pd.DataFrame:
    table = coupons.table.copy()
    table["group"] = table["specimen"]
    for factor in by:
        table["group"] += ", " + factor + " " + table[factor].replace("", "not given")
    table["outlier"] = ""
    for _, own in table.groupby(["group", "direction"], sort=False):
        for step in outliers(np.log(own["toughness_J"].to_numpy())):
            text = f"{step.distance:.2f} standard deviations from the mean of its group, critical {step.critical:.2f}"
            table.loc[own.index[step.index], "outlier"] = text
    return table


def _summary(table: pd.DataFrame, hardness_scale: str) -> pd.DataFrame:
    rows = []
    for (group, direction), own in table.groupby(["group", "direction"], sort=False):
        for column, unit in (("toughness_J", "J"), ("hardness", hardness_scale)):
            found = mean_of_fields(own[column])
            if found.fields:
                head = (group, direction, column.removesuffix("_J"), unit, found.fields)
                rows.append((*head, found.value, found.std, *found.interval()))
    return pd.DataFrame(rows, columns=names(COUPONS))


def _typed(rows: list[dict[str, Any]], spec: tuple[Column, ...]) -> pd.DataFrame:
    if not rows:
        return empty(spec)
    blank = {c.name: "" if c.dtype == "str" else math.nan for c in spec}
    return pd.DataFrame([blank | row for row in rows])[names(spec)].astype({c.name: c.dtype for c in spec})


def _of(own: pd.DataFrame, direction: str, column: str = "toughness_J") -> FloatArray:
    return own.loc[own["direction"] == direction, column].dropna().to_numpy(float)


def _ratio_row(group: str, own: pd.DataFrame, gap_pct: float, warnings: list[str]) -> dict[str, Any]:
    along, across = _of(own, LONGITUDINAL), _of(own, TRANSVERSE)
    row: dict[str, Any] = {
        "group": group,
        "coupons_longitudinal": len(along),
        "coupons_transverse": len(across),
        "gap_pct": gap_pct,
        "verdict": UNKNOWN,
    }
    if not (len(along) and len(across)):
        missing = TRANSVERSE if len(along) else LONGITUDINAL
        return row | {"warning": "; ".join([f"no {missing} coupons", *warnings])}
    row["ratio"] = math.exp(np.log(across).mean() - np.log(along).mean())
    if min(len(along), len(across)) < 2:
        return row | {"warning": "; ".join(["one coupon in a direction: scatter unknown", *warnings])}
    row |= _interval_cells(along, across) | _further_coupons(along, across, gap_pct)
    row |= _hardness_cells(_of(own, LONGITUDINAL, "hardness"), _of(own, TRANSVERSE, "hardness"))
    row |= equal_hardness_cells(_both(own, LONGITUDINAL), _both(own, TRANSVERSE))
    if row["verdict"] in (LOWER, HIGHER) and hardness_tells(row):
        row["verdict"] = UNKNOWN
    warnings = _ratio_warnings(row) + [why for why in (row["_why"],) if why] + warnings
    return row | {"warning": "; ".join(warnings)}


def _interval_cells(along: FloatArray, across: FloatArray) -> dict[str, Any]:
    found = welch(np.log(along), np.log(across))
    low, high = found.interval
    fieller_low, fieller_high = fieller(along, across)
    verdict = UNKNOWN if math.isnan(low) else LOWER if high < 0 else HIGHER if low > 0 else WITHIN
    return {
        "ci95_low": math.exp(low),
        "ci95_high": math.exp(high),
        "p_value": found.p_value,
        "fieller_low": fieller_low,
        "fieller_high": fieller_high,
        "detectable_gap_pct": 100 * (1 - math.exp(-found.detectable())),
        "verdict": verdict,
    }


def _further_coupons(along: FloatArray, across: FloatArray, gap_pct: float) -> dict[str, Any]:
    """Coupons still missing in each direction, if further ones scatter as these do."""
    needed = sample_size(math.log(1 - gap_pct / 100), np.log(along).std(ddof=1), np.log(across).std(ddof=1))
    if needed is None:
        return {}
    return {"more_longitudinal": max(0, needed - len(along)), "more_transverse": max(0, needed - len(across))}


def _hardness_cells(a: FloatArray, b: FloatArray) -> dict[str, Any]:
    if not (len(a) and len(b)):
        return {}
    cells: dict[str, Any] = {"hardness_difference": float(b.mean() - a.mean())}
    if min(len(a), len(b)) >= 2:
        cells["hardness_ci95_low"], cells["hardness_ci95_high"] = welch(a, b).interval
    return cells


def _ratio_warnings(row: dict[str, Any]) -> list[str]:
    warnings = []
    fewest = min(row["coupons_longitudinal"], row["coupons_transverse"])
    if fewest < FEW_COUPONS:
        warnings.append(f"only {fewest} coupons in a direction")
    if math.isnan(row["p_value"]):
        warnings.append("no scatter between coupons to judge by")
    elif (row["verdict"] == WITHIN) != (row["fieller_low"] <= 1 <= row["fieller_high"]):
        warnings.append(
            f"the ratio of plain means (Fieller) does not agree: {row['fieller_low']:.2f} to {row['fieller_high']:.2f}"
        )
    return warnings + _hardness_warning(row, "the directions")


def _hardness_warning(row: dict[str, Any], what: str) -> list[str]:
    low, high = row.get("hardness_ci95_low", math.nan), row.get("hardness_ci95_high", math.nan)
    if low > 0 or high < 0:
        return [f"{what} differ in hardness too, which changes toughness by itself"]
    if math.isnan(low) and row.get("hardness_difference"):
        return ["a difference in hardness cannot be ruled out"]
    return []


def _factor_warnings(own: pd.DataFrame, factors: Sequence[str]) -> list[str]:
    """Heat-treatment factors that vary within a group: mixed with the direction, or pooled over."""
    warnings = []
    for factor in factors:
        values = own[factor]
        each_its_own = values.nunique() == len(values)
        if values.nunique() < 2 or (each_its_own and len(values) > 2):
            continue
        shares = [values[own["direction"] == d].value_counts(normalize=True) for d in (LONGITUDINAL, TRANSVERSE)]
        if all(len(share) for share in shares) and not shares[0].sub(shares[1], fill_value=0).abs().lt(1e-9).all():
            warnings.append(f"{factor} is not the same in both directions, so its effect is mixed with theirs")
        else:
            warnings.append(f"coupons of several {factor} are pooled")
    return warnings


def _between(groups: dict[str, pd.DataFrame]) -> pd.DataFrame:
    rows = []
    for (a, of_a), (b, of_b) in itertools.combinations(groups.items(), 2):
        rows += [_group_row(a, of_a, b, of_b, direction) for direction in (LONGITUDINAL, TRANSVERSE)]
        rows.append(_ratio_of_ratios(a, of_a, b, of_b))
    rows = [row for row in rows if row]
    for row, adjusted in zip(rows, holm([row["p_value"] for row in rows]), strict=True):
        row["p_holm"] = adjusted
        if row["p_value"] < ALPHA:
            row["verdict"] = "differs" if adjusted < ALPHA else "may differ"
            if hardness_tells(row):
                row["verdict"] = UNKNOWN
    return _typed(rows, GROUP_RATIOS)


def _group_row(a: str, of_a: pd.DataFrame, b: str, of_b: pd.DataFrame, direction: str) -> dict[str, Any]:
    x, y = _of(of_a, direction), _of(of_b, direction)
    if min(len(x), len(y)) < 2:
        return {}
    row = _group_cells(a, b, direction, welch(np.log(x), np.log(y))) | {"coupons_a": len(x), "coupons_b": len(y)}
    row |= _hardness_cells(_of(of_a, direction, "hardness"), _of(of_b, direction, "hardness"))
    row |= equal_hardness_cells(_both(of_a, direction), _both(of_b, direction))
    why = [row["_why"]] if row["_why"] else []
    return row | {"warning": "; ".join([*_hardness_warning(row, "the groups"), *why])}


def _both(own: pd.DataFrame, direction: str) -> tuple[FloatArray, FloatArray]:
    """Toughness and hardness of the coupons of one direction."""
    rows = own[own["direction"] == direction]
    return rows["toughness_J"].to_numpy(float), rows["hardness"].to_numpy(float)


def _ratio_of_ratios(a: str, of_a: pd.DataFrame, b: str, of_b: pd.DataFrame) -> dict[str, Any]:
    """Transverse ratio of b over that of a, with the variances of all four samples."""
    samples = [np.log(_of(own, d)) for own in (of_a, of_b) for d in (LONGITUDINAL, TRANSVERSE)]
    if min(len(s) for s in samples) < 2:
        return {}
    means = [s.mean() for s in samples]
    found = contrast(
        float((means[3] - means[2]) - (means[1] - means[0])),
        [float(s.var(ddof=1)) / len(s) for s in samples],
        [len(s) - 1.0 for s in samples],
    )
    return _group_cells(a, b, BOTH, found) | {"coupons_a": len(of_a), "coupons_b": len(of_b)}


def _group_cells(a: str, b: str, direction: str, found: Contrast) -> dict[str, Any]:
    low, high = found.interval
    return {
        "group_a": a,
        "group_b": b,
        "direction": direction,
        "ratio": math.exp(found.estimate),
        "ci95_low": math.exp(low),
        "ci95_high": math.exp(high),
        "p_value": found.p_value,
        "verdict": UNKNOWN,
    }


CAUTIONS = (
    "These figures describe the coupons tested. They are not a certificate of the steel or of a part.",
    "Where a blade or tool can injure when it fails, a licensed engineer decides, by the codes that apply there.",
)


def coupon_sentences(analysis: CouponAnalysis) -> list[str]:
    """Say what the coupons show, what they do not, and how many more would."""
    return [
        *(_mean_sentence(row) for row in _rows(analysis.summary)),
        *gap_sentences(analysis),
        *group_sentences(analysis),
        *outlier_sentences(analysis),
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
    if row.coupons < 2:
        return f"{head} (1 coupon, no interval)."
    return (
        f"{head} (95 % interval {number(row.ci95_low)} to {number(row.ci95_high)}; s = {number(row.std)}, "
        f"{row.coupons} coupons)."
    )


def _gap_sentence(row: Any) -> str:
    if math.isnan(row.ratio):
        return f"{row.group}: no transverse ratio."
    head = f"{row.group}: transverse over longitudinal toughness {row.ratio:.2f}"
    if math.isnan(row.ci95_low):
        return f"{head}, without an interval."
    head += f" (95 % interval {row.ci95_low:.2f} to {row.ci95_high:.2f})"
    tail = {
        LOWER: "the gap is beyond scatter",
        HIGHER: "the transverse coupons are the tougher ones, beyond scatter",
        WITHIN: "no gap beyond scatter is shown, which does not prove that there is none",
        UNKNOWN: "whether the gap is one of hardness cannot be told from these coupons",
    }[row.verdict]
    return f"{head}; {tail}."


def _further(row: Any) -> list[str]:
    if math.isnan(row.detectable_gap_pct):
        return []
    told = (
        f"{row.group}: such coupons show a gap of {row.detectable_gap_pct:.0f} % or more with a power of 80 %; "
        f"for a gap of {row.gap_pct:g} %, "
    )
    if math.isnan(row.more_longitudinal):
        return [f"{told}no number of coupons that anyone would break suffices."]
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
        f"{row.group}, {row.direction}: coupon {row.coupon or f'of line {row.line}'} ({number(row.toughness_J)} J) "
        f"lies {row.outlier} (generalised extreme studentised deviate test on logarithms, 5 %); it is kept, look at "
        "its fracture surface and record."
        for row in _rows(flagged)
    ]
