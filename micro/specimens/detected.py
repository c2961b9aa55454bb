"""What the pictures of a specimen can show, as a results folder keeps it, and the number of carbides put right."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from micro import results
from micro.errors import InputError
from micro.measures.totals import NONE_SEEN
from micro.statistics.detection import DetectionCurve
from micro.statistics.sampling import NORMAL_95, accuracy_pct
from micro.tables.columns import SPECIMENS, names

A90, FALSE, PUT_RIGHT = "detection_a90", "false_call_share", "number_per_mm2_put_right"
NUMBER = "number_per_mm2"


@dataclass(frozen=True)
class Detected:
    """What was found of carbides set into the fields of one specimen.

    Parameters
    ----------
    coefficients, covariance
        Of the curve; empty where all or none were found.
    false_calls, found
        Carbides found on matrices without any, a picture, and in the pictures as they are; over the fields tried.
    mark_calls
        Carbides found on pits, dust and the like in the turned pictures: among the carbides are none to as many.
    matrices
        Such matrices of each field.
    share, log_uncertainty
        Share of all carbides that is found, and the standard uncertainty of its logarithm; NaN where unknown.
    """

    specimen: str
    fields: int
    coefficients: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]
    table: tuple[dict[Any, Any], ...]
    false_calls: float
    mark_calls: float
    found: int
    matrices: int
    share: float
    log_uncertainty: float
    sentence: str

    @property
    def curve(self) -> DetectionCurve | None:
        """Probability of detection against the diameter in µm."""
        if not self.coefficients:
            return None
        return DetectionCurve(np.array(self.coefficients), np.array(self.covariance))

    @property
    def false_share(self) -> float:
        """Share of what is found that is not there, at worst."""
        return min((self.false_calls + self.mark_calls) / self.found, 1.0) if self.found else math.nan

    @property
    def false_share_on_matrix(self) -> float:
        """The same, if no mark of the carbides' polarity is among them."""
        return min(self.false_calls / self.found, 1.0) if self.found else math.nan

    @property
    def number_factor(self) -> float:
        """True number of carbides over the one measured, with half of what marks may feign."""
        return (1 - (self.false_share + self.false_share_on_matrix) / 2) / self.share

    @property
    def number_log_uncertainty(self) -> float:
        """Standard uncertainty of the logarithm of that factor."""
        # Anything from none to all of what marks may feign is as likely: a uniform law.
        marks = (self.false_share - self.false_share_on_matrix) / math.sqrt(12)
        of_false = math.hypot(self.false_share_uncertainty, marks) / max(1 - self.false_share, 0.1)
        return math.hypot(self.log_uncertainty, of_false)

    @property
    def false_share_uncertainty(self) -> float:
        """Standard uncertainty of the share of false calls, which come as rare events do, in a picture a field."""
        return math.sqrt(self.false_calls + self.mark_calls) / self.found if self.found else math.nan


def read_detected(out: Path) -> dict[str, Detected]:
    """Read what a results folder keeps, by specimen; nothing where detection was not asked for.

    Raises
    ------
    InputError
        Where the file is damaged.
    """
    path = out / results.DETECTION_RECORD
    if not path.is_file():
        return {}
    try:
        return {str(one["specimen"]): _read(one) for one in results.read_json(path)["specimens"]}
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        raise InputError(path, "is damaged", results.RUN_AGAIN) from None


def _read(kept: Mapping[str, Any]) -> Detected:
    table, covariance = tuple(map(dict, kept["table"])), tuple(map(tuple, kept["covariance"]))
    return Detected(**{**kept, "table": table, "covariance": covariance, "coefficients": tuple(kept["coefficients"])})


def with_detected(specimens: pd.DataFrame, detected: Mapping[str, Detected]) -> pd.DataFrame:
    """Table of the specimens (columns SPECIMENS) with the size found, false calls, and the number put right."""
    rows: list[dict[Any, Any]] = []
    for row in specimens.to_dict("records"):
        rows.append(row)
        found = detected.get(str(row["specimen"]))
        if found is not None and row["quantity"] == NUMBER and row["carbide_class"] == "all":
            rows += _rows(row, found)
    return pd.DataFrame(rows, columns=names(SPECIMENS)).astype(specimens.dtypes) if rows else specimens


def _rows(number: Mapping[Any, Any], found: Detected) -> list[dict[Any, Any]]:
    """Rows that stand after the number of carbides per area of a specimen."""
    origin = f"carbides set into {found.fields} field{'s' * (found.fields != 1)}"
    base = dict(number) | {"std": math.nan, "fields": found.fields, "origin": origin, "interval_of": "these fields"}
    curve = found.curve
    a90 = curve.a90_interval if curve is not None else (math.nan, math.nan, math.nan)
    share, half = found.false_share, NORMAL_95 * found.false_share_uncertainty
    # With none seen, up to three are expected at 95 % on all matrices together (Poisson).
    half = half or NONE_SEEN / found.matrices / found.found
    return [
        put_right(number, found) | {"origin": f"{origin}; sizes by a lognormal law"},
        base | {"quantity": A90, "unit": "µm"} | _ends(*a90),
        base
        | {"quantity": FALSE, "unit": ""}
        | _ends(share, max(found.false_share_on_matrix - half, 0.0), min(share + half, 1.0)),
    ]


def put_right(number: Mapping[Any, Any], found: Detected) -> dict[Any, Any]:
    """Row of the number of carbides per area, put right for those missed and those that are not there."""
    mean, low, high = (float(number[name]) for name in ("mean", "ci95_low", "ci95_high"))
    value, u = mean * found.number_factor, NORMAL_95 * found.number_log_uncertainty
    below, above = (math.log(mean / low) if low > 0 else math.nan), (math.log(high / mean) if mean > 0 else math.nan)
    ends = value * math.exp(-math.hypot(below, u)), value * math.exp(math.hypot(above, u))
    return dict(number) | {"quantity": PUT_RIGHT, "std": math.nan} | _ends(value, *ends)


def _ends(value: float, low: float, high: float) -> dict[str, Any]:
    told = {"mean": value, "ci95_low": low, "ci95_high": high}
    return told | {"relative_accuracy_pct": accuracy_pct(value, low, high)}
