"""Toughness coupons: longitudinal against transverse, and what that says."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from micro.comparison.coupon_file import USED_COLUMN, Coupons
from micro.comparison.equal_hardness import equal_hardness_cells, hardness_tells
from micro.statistics.censored import censored_fit
from micro.statistics.sampling import mean_of_fields, student_t
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
from micro.tables.columns import COUPONS, GROUP_RATIOS, TRANSVERSE_RATIOS, filled, names

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
        The coupons used: group, coupon, direction, toughness, censored, hardness, outlier (a text, empty where none).
    hardness_scale
        HRC, HV, ...; empty where not measured.
    unit
        Of toughness.
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
    unit: str = "J"

    @property
    def used(self) -> pd.DataFrame:
        """The coupons as they stand in a file: the unit in the name of the column, 1 where toughness is more."""
        return self.coupons.assign(censored=self.coupons["censored"].astype(int)).rename(
            columns={"toughness": USED_COLUMN[self.unit]}
        )


def analyse_coupons(coupons: Coupons, gap_pct: float = GAP_PCT, by: Sequence[str] = ()) -> CouponAnalysis:
    """Compare directions within each group, and groups with each other.

    Parameters
    ----------
    coupons
        From `read_coupons`.
    gap_pct
        Transverse toughness below longitudinal, in %, that further test bars should be able to show.
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
        _summary(table, coupons.unit, coupons.hardness_scale),
        filled(TRANSVERSE_RATIOS, ratios),
        _between(groups),
        gap_pct,
        coupons.unit,
    )


def _grouped(coupons: Coupons, by: Sequence[str]) -> pd.DataFrame:
    table = coupons.table.copy()
    table["group"] = table["specimen"]
    for factor in by:
        table["group"] += ", " + factor + " " + table[factor].replace("", "not given")
    table["outlier"] = ""
    for _, own in table.groupby(["group", "direction"], sort=False):
        # Among values that are only bounds none can be told to lie far out.
        logs = np.log(own["toughness"].to_numpy(float))
        for step in [] if own["censored"].any() else outliers(logs):
            text = f"{step.distance:.2f} standard deviations from the mean of its group, critical {step.critical:.2f}"
            table.loc[own.index[step.index], "outlier"] = text
    return table


def _summary(table: pd.DataFrame, unit: str, hardness_scale: str) -> pd.DataFrame:
    rows = []
    for (group, direction), own in table.groupby(["group", "direction"], sort=False):
        for quantity, shown in (("toughness", unit), ("hardness", hardness_scale)):
            count, beyond, found = mean_of(own, quantity)
            if count:
                rows.append((group, direction, quantity, shown, count, *found, beyond))
    return pd.DataFrame(rows, columns=names(COUPONS))


def mean_of(own: pd.DataFrame, quantity: str) -> tuple[int, int, tuple[float, float, float, float]]:
    """Values, how many of them are bounds, and mean, standard deviation and ends of the interval.

    Parameters
    ----------
    own
        Coupons of one group and direction.
    quantity
        "toughness" or "hardness"; toughness that is only known to be more enters as that.
    """
    known = own[quantity].notna()
    hidden = own.loc[known, "censored"].to_numpy(bool) if quantity == "toughness" else np.zeros(int(known.sum()), bool)
    values = own.loc[known, quantity].to_numpy(float)
    if not hidden.any():
        plain = mean_of_fields(values)
        return plain.fields, 0, (plain.value, plain.std, *plain.interval())
    fit = censored_fit(np.ones((len(values), 1)), values, hidden)
    mean, half = float(fit.coefficients[0]), math.nan
    if math.isfinite(mean):
        half = student_t(fit.degrees_of_freedom) * math.sqrt(float(fit.covariance[0, 0]))
    return len(values), int(hidden.sum()), (mean, fit.std, mean - half, mean + half)


@dataclass(frozen=True, eq=False)
class _Logs:
    """Logarithms of the toughness of one sample; `censored` ones are only known to be more."""

    logs: FloatArray
    censored: NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.logs)

    @property
    def bounded(self) -> bool:
        return bool(self.censored.any())

    @cached_property
    def moments(self) -> tuple[float, float, float, float]:
        """Mean, its variance, degrees of freedom, standard deviation; NaN where too few are known.

        By largest likelihood where values are only bounds.
        """
        if not self.bounded:
            n = len(self)
            variance = float(self.logs.var(ddof=1)) if n > 1 else math.nan
            return float(self.logs.mean()), variance / n, n - 1.0, math.sqrt(variance)
        fit = censored_fit(np.ones((len(self), 1)), self.logs, self.censored)
        return float(fit.coefficients[0]), float(fit.covariance[0, 0]), fit.degrees_of_freedom, fit.std


def _logs(own: pd.DataFrame, direction: str) -> _Logs:
    rows = own[own["direction"] == direction]
    return _Logs(np.log(rows["toughness"].to_numpy(float)), rows["censored"].to_numpy(bool))


def _difference(a: _Logs, b: _Logs) -> Contrast:
    """Mean of b less a, without assuming equal scatter (Welch)."""
    (first, *of_a), (second, *of_b) = a.moments, b.moments
    return contrast(second - first, [of_a[0], of_b[0]], [of_a[1], of_b[1]])


def _hardnesses(own: pd.DataFrame, direction: str) -> FloatArray:
    return own.loc[own["direction"] == direction, "hardness"].dropna().to_numpy(float)


def _ratio_row(group: str, own: pd.DataFrame, gap_pct: float, warnings: list[str]) -> dict[str, Any]:
    along, across = _logs(own, LONGITUDINAL), _logs(own, TRANSVERSE)
    row: dict[str, Any] = {
        "group": group,
        "coupons_longitudinal": len(along),
        "coupons_transverse": len(across),
        "gap_pct": gap_pct,
        "verdict": UNKNOWN,
    }
    if not (len(along) and len(across)):
        missing = TRANSVERSE if len(along) else LONGITUDINAL
        return row | {"warning": "; ".join([f"no {missing} test bars", *warnings])}
    warnings = [*_bounds_warning(along, across), *warnings]
    row["ratio"] = math.exp(across.moments[0] - along.moments[0])
    if min(len(along), len(across)) < 2:
        return row | {"warning": "; ".join(["one test bar in a direction: scatter unknown", *warnings])}
    if not math.isfinite(row["ratio"]):
        return row | {"warning": "; ".join(warnings)}
    row |= _interval_cells(along, across) | _further_coupons(along, across, gap_pct)
    row |= _hardness_cells(_hardnesses(own, LONGITUDINAL), _hardnesses(own, TRANSVERSE))
    row |= equal_hardness_cells(_both(own, LONGITUDINAL), _both(own, TRANSVERSE))
    if row["verdict"] in (LOWER, HIGHER) and hardness_tells(row):
        row["verdict"] = UNKNOWN
    warnings = _ratio_warnings(row) + [why for why in (row["_why"],) if why] + warnings
    return row | {"warning": "; ".join(warnings)}


def _bounds_warning(*samples: _Logs) -> list[str]:
    beyond = sum(int(sample.censored.sum()) for sample in samples)
    if not beyond:
        return []
    told = f"{beyond} of {sum(map(len, samples))} test bars are only known to be tougher than their value, and enter so"
    if any(sample.bounded and not math.isfinite(sample.moments[0]) for sample in samples):
        return [f"{told}; too few broke to tell a mean"]
    return [told]


def _interval_cells(along: _Logs, across: _Logs) -> dict[str, Any]:
    found = _difference(along, across)
    low, high = found.interval
    ends = (math.nan, math.nan)
    if not (along.bounded or across.bounded):
        ends = fieller(np.exp(along.logs), np.exp(across.logs))
    verdict = UNKNOWN if math.isnan(low) else LOWER if high < 0 else HIGHER if low > 0 else WITHIN
    return {
        "ci95_low": math.exp(low),
        "ci95_high": math.exp(high),
        "p_value": found.p_value,
        "fieller_low": ends[0],
        "fieller_high": ends[1],
        "detectable_gap_pct": 100 * (1 - math.exp(-found.detectable())),
        "verdict": verdict,
    }


def _further_coupons(along: _Logs, across: _Logs, gap_pct: float) -> dict[str, Any]:
    """Coupons still missing in each direction, if further ones scatter as these do."""
    needed = sample_size(math.log(1 - gap_pct / 100), along.moments[3], across.moments[3])
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
        warnings.append(f"only {fewest} test bars in a direction")
    if math.isnan(row["p_value"]):
        warnings.append("no scatter between test bars to judge by")
    elif math.isfinite(row["fieller_low"]) and (row["verdict"] == WITHIN) != (
        row["fieller_low"] <= 1 <= row["fieller_high"]
    ):
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
            warnings.append(f"test bars of several {factor} are pooled")
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
    return filled(GROUP_RATIOS, rows)


def _group_row(a: str, of_a: pd.DataFrame, b: str, of_b: pd.DataFrame, direction: str) -> dict[str, Any]:
    x, y = _logs(of_a, direction), _logs(of_b, direction)
    if min(len(x), len(y)) < 2 or not all(math.isfinite(sample.moments[0]) for sample in (x, y)):
        return {}
    row = _group_cells(a, b, direction, _difference(x, y)) | {"coupons_a": len(x), "coupons_b": len(y)}
    row |= _hardness_cells(_hardnesses(of_a, direction), _hardnesses(of_b, direction))
    row |= equal_hardness_cells(_both(of_a, direction), _both(of_b, direction))
    why = [row["_why"]] if row["_why"] else []
    return row | {"warning": "; ".join([*_hardness_warning(row, "the groups"), *why, *_bounds_warning(x, y)])}


def _both(own: pd.DataFrame, direction: str) -> tuple[FloatArray, FloatArray, NDArray[np.bool_]]:
    """Toughness, hardness and which toughness is only a bound, of the coupons of one direction."""
    rows = own[own["direction"] == direction]
    return rows["toughness"].to_numpy(float), rows["hardness"].to_numpy(float), rows["censored"].to_numpy(bool)


def _ratio_of_ratios(a: str, of_a: pd.DataFrame, b: str, of_b: pd.DataFrame) -> dict[str, Any]:
    """Transverse ratio of b over that of a, with the variances of all four samples."""
    samples = [_logs(own, d) for own in (of_a, of_b) for d in (LONGITUDINAL, TRANSVERSE)]
    if min(len(s) for s in samples) < 2 or not all(math.isfinite(s.moments[0]) for s in samples):
        return {}
    means, variances, freedoms, _ = zip(*(s.moments for s in samples), strict=True)
    found = contrast((means[3] - means[2]) - (means[1] - means[0]), variances, freedoms)
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
