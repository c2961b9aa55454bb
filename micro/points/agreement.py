"""A count set against the automatic result: fractions, bias, limits of agreement, counters."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from micro.columns import SPECIMENS, empty, names
from micro.errors import InputError
from micro.points.estimate import fields_for_accuracy, independent_points_interval, point_fraction
from micro.points.kappa import UNKNOWN, Kappa, fleiss_kappa, weighted_kappa
from micro.points.measured import Key, MeasuredField, read_measured
from micro.points.own_count import judge_points
from micro.points.tally import SCORE, VERDICTS, Tally
from micro.specimens.sampling import Estimate, mean_of_fields

LIMITS_OF_AGREEMENT = 1.959964
# What a count planned for a wanted %RA can catch; up to here two fractions pass as the same.
TOLERANCE_OF_ACCURACY = 2.0


@dataclass(frozen=True)
class Bias:
    """Counted less measured fraction of one specimen and class, fields as pairs (J. M. Bland and D. G. Altman, 1986).

    Parameters
    ----------
    counted, measured, own
        Means over the fields: by people, A_A, and the program's outlines on the same points.
    difference, low, high
        Counted less measured, with its 95 % interval.
    limits_low, limits_high
        Where 95 % of the fields' differences are expected.
    p_value
        Of no difference, paired t test; NaN with one field, or where hits are too few for it.
    judged, judged_low, judged_high
        Counted less the program's own count on the same points: the difference without the counting noise.
    """

    specimen: str
    carbide_class: str
    fields: int
    counted: float
    counted_low: float
    counted_high: float
    relative_accuracy_pct: float
    more_fields: float
    measured: float
    measured_low: float
    measured_high: float
    own: float
    difference: float
    low: float
    high: float
    limits_low: float
    limits_high: float
    p_value: float
    judged: float
    judged_low: float
    judged_high: float
    tolerance: float

    @property
    def verdict(self) -> str:
        """'differs', 'agrees', or 'too small to tell'."""
        if self.low > 0 or self.high < 0:
            return "differs"
        if -self.tolerance <= self.low and self.high <= self.tolerance:
            return "agrees"
        return "too small to tell"


@dataclass(frozen=True)
class Pair:
    """Two counters on the points that both judged."""

    first: str
    second: str
    points: int
    kappa: Kappa


@dataclass(frozen=True, eq=False)
class Agreement:
    """A count compared with a result.

    Parameters
    ----------
    fields
        One row a field and class: specimen, field, carbide_class, points, inside, boundary (summed over the
        counters), counters, point_fraction, area_fraction, own_point_fraction, difference.
    points
        One row a point and counter: specimen, field, counter, point, x_px, y_px, verdict, own_verdict.
    bias
        One a specimen and class; several specimens are also joined, under the name "".
    pairs
        Every two counters; `fleiss` joins three or more, NaN otherwise.
    fraction_rows
        Rows of specimens.csv, quantity "point_fraction".
    """

    fields: pd.DataFrame
    points: pd.DataFrame
    bias: tuple[Bias, ...]
    pairs: tuple[Pair, ...]
    fleiss: float
    fraction_rows: pd.DataFrame
    relative_accuracy_pct: float
    messages: tuple[str, ...]


def compare(tally: Tally, results: Path, relative_accuracy_pct: float = 10.0) -> Agreement:
    """Set a count against a results folder, field by field.

    Parameters
    ----------
    tally
        From `read_tallies`.
    results
        Folder of a finished run on the same pictures.
    relative_accuracy_pct
        Wanted %RA.

    Raises
    ------
    InputError
        Where the folder is not the result of a run, or the tally was counted on other pictures.
    """
    usable, messages = _counted_fields(tally, results)
    points = _points_with_own(tally, usable)
    fields = _field_table(tally, points, usable)
    if fields.empty:
        raise InputError(tally.source, "shares no measured field with the result", f"measure them first ({results})")
    bias = tuple(_every_bias(fields, relative_accuracy_pct))
    pairs, fleiss = _between_counters(points)
    rows = fraction_rows(fields)
    return Agreement(fields, points, bias, pairs, fleiss, rows, relative_accuracy_pct, (*tally.messages, *messages))


def _counted_fields(tally: Tally, results: Path) -> tuple[dict[Key, MeasuredField], list[str]]:
    """Measured fields of the tally, each found in the results with the same picture; others are named."""
    held = read_measured(results)
    usable, messages = {}, []
    for specimen, field in dict.fromkeys(tally.counts[["specimen", "field"]].itertuples(index=False, name=None)):
        measured = held.get((specimen, field))
        if measured is None:
            problem = f"counts field {field!r} of {specimen}, which {results} does not hold"
            raise InputError(tally.source, problem, "give the results of the study that was counted")
        wanted = tally.pictures[specimen, field]
        if wanted and measured.image_sha256 and wanted != measured.image_sha256:
            problem = f"counts another picture of field {field!r} of {specimen} than {results} measured"
            raise InputError(tally.source, problem, "measure the pictures that were counted")
        if measured.measured:
            usable[specimen, field] = measured
        else:
            messages.append(f"field {field!r} of {specimen} was not measured; it is left out")
    return usable, messages


def _points_with_own(tally: Tally, measured: dict[Key, MeasuredField]) -> pd.DataFrame:
    blocks = []
    for key, own in measured.items():
        mine = tally.points[(tally.points["specimen"] == key[0]) & (tally.points["field"] == key[1])]
        try:
            verdicts, labels = judge_points(own.labels(), *mine[["x_px", "y_px"]].to_numpy(float).T)
        except ValueError as trouble:
            raise InputError(tally.source, f"field {key[1]!r}: {trouble}", "give the results of that picture") from None
        classes = own.class_of(labels)
        blocks.append(mine.assign(own_verdict=verdicts, own_class=classes))
    return pd.concat(blocks, ignore_index=True) if blocks else tally.points.assign(own_verdict="", own_class="")


def _field_table(tally: Tally, points: pd.DataFrame, measured: dict[Key, MeasuredField]) -> pd.DataFrame:
    """Means over the counters, beside A_A and the program's own count."""
    place = ["specimen", "field", "carbide_class"]
    counts = tally.counts
    share = (counts["inside"] + 0.5 * counts["boundary"]) / counts["points"]
    table = counts.assign(point_fraction=share, counters=1).groupby(place, sort=False, as_index=False).agg(
        points=("points", "first"), inside=("inside", "sum"), boundary=("boundary", "sum"),
        counters=("counters", "sum"), point_fraction=("point_fraction", "mean"),
    )  # fmt: skip
    known = [(specimen, field) in measured for specimen, field in table[place[:2]].itertuples(index=False)]
    table = table[known].reset_index(drop=True)
    once = points.drop_duplicates(["specimen", "field", "point"])
    own, area = [], []
    for specimen, field, carbide_class in table[place].itertuples(index=False):
        area.append(measured[specimen, field].area_fractions.get(carbide_class, math.nan))
        mine = once[(once["specimen"] == specimen) & (once["field"] == field)]
        score = mine["own_verdict"].map(SCORE)
        own.append(score.where(mine["own_class"].eq(carbide_class) | (carbide_class == "all"), 0.0).mean())
    table["area_fraction"], table["own_point_fraction"] = np.array(area, float), np.array(own, float)
    table["difference"] = table["point_fraction"] - table["area_fraction"]
    return table[np.isfinite(table["area_fraction"])].reset_index(drop=True)


def _every_bias(fields: pd.DataFrame, accuracy: float) -> Iterator[Bias]:
    specimens = list(dict.fromkeys(fields["specimen"]))
    for specimen in [*specimens, ""] if len(specimens) > 1 else specimens:
        own = fields if specimen == "" else fields[fields["specimen"] == specimen]
        for carbide_class in dict.fromkeys(own["carbide_class"]):
            yield bias_of(specimen, carbide_class, own[own["carbide_class"] == carbide_class], accuracy)


def bias_of(specimen: str, carbide_class: str, fields: pd.DataFrame, accuracy: float) -> Bias:
    """Bias over the rows of one class; `accuracy` is the wanted %RA.

    Where hits are few the interval also covers what independent points would leave open about the counted
    fraction, so that a handful of points never proves a difference.
    """
    counted = point_fraction(fields["point_fraction"], fields["points"])
    measured = mean_of_fields(fields["area_fraction"])
    difference, judged = mean_of_fields(fields["difference"]), _difference(fields, "own_point_fraction")
    low, high = difference.interval()
    p_value = _paired_t(difference.value, difference.standard_uncertainty, difference.degrees_of_freedom)
    expected_hits = measured.value * counted.points
    if counted.widened or min(expected_hits, counted.points - expected_hits) < 10:
        exact_low, exact_high = independent_points_interval(counted.hits, counted.points)
        low, high = min(low, exact_low - measured.value), max(high, exact_high - measured.value)
        p_value = math.nan
    needed = fields_for_accuracy(counted.mean, counted.std, accuracy)
    judged_low, judged_high = judged.interval()
    measured_low, measured_high = measured.interval()
    return Bias(
        specimen=specimen,
        carbide_class=carbide_class,
        fields=counted.fields,
        counted=counted.mean,
        counted_low=counted.low,
        counted_high=counted.high,
        relative_accuracy_pct=counted.relative_accuracy_pct,
        more_fields=math.nan if needed is None else max(0, needed - counted.fields),
        measured=measured.value,
        measured_low=max(0.0, measured_low) if math.isfinite(measured_low) else math.nan,
        measured_high=measured_high,
        own=float(fields["own_point_fraction"].mean()),
        difference=difference.value,
        low=low,
        high=high,
        limits_low=difference.value - LIMITS_OF_AGREEMENT * difference.std,
        limits_high=difference.value + LIMITS_OF_AGREEMENT * difference.std,
        p_value=p_value,
        judged=judged.value,
        judged_low=judged_low,
        judged_high=judged_high,
        tolerance=TOLERANCE_OF_ACCURACY * accuracy / 100 * measured.value,
    )


def _difference(fields: pd.DataFrame, other: str) -> Estimate:
    return mean_of_fields(fields["point_fraction"] - fields[other])


def _paired_t(difference: float, standard_uncertainty: float, degrees_of_freedom: float) -> float:
    from scipy import special

    if not (standard_uncertainty > 0 and degrees_of_freedom >= 1):
        return math.nan
    return float(2 * special.stdtr(degrees_of_freedom, -abs(difference) / standard_uncertainty))


def _between_counters(points: pd.DataFrame) -> tuple[tuple[Pair, ...], float]:
    """Kappa of every two counters, and of all where there are three or more, on the points that all judged."""
    judged = points[points["verdict"] != ""]
    if judged["counter"].nunique() < 2:
        return (), math.nan
    codes = judged.assign(code=judged["verdict"].map(VERDICTS.index))
    wide = codes.set_index(["specimen", "field", "point", "counter"])["code"].unstack()  # noqa: PD010
    pairs = []
    for first, second in itertools.combinations(wide.columns, 2):
        both = wide[[first, second]].dropna().to_numpy(int)
        table = np.bincount(both[:, 0] * 3 + both[:, 1], minlength=9).reshape(3, 3)
        pairs.append(Pair(first, second, len(both), weighted_kappa(table) if len(both) else UNKNOWN))
    every = wide.dropna().to_numpy(int)
    if wide.shape[1] < 3 or not len(every):
        return tuple(pairs), math.nan
    return tuple(pairs), fleiss_kappa((every[:, :, None] == np.arange(3)).sum(axis=1))


def fraction_rows(fields: pd.DataFrame) -> pd.DataFrame:
    """Rows of specimens.csv from the field table of an Agreement."""
    rows = []
    for (specimen, carbide_class), own in fields.groupby(["specimen", "carbide_class"], sort=False):
        p = point_fraction(own["point_fraction"], own["points"])
        ends = (p.mean, p.std, p.low, p.high, p.relative_accuracy_pct, p.fields)
        rows.append((specimen, carbide_class, "point_fraction", "", *ends))
    return pd.DataFrame(rows, columns=names(SPECIMENS)) if rows else empty(SPECIMENS)


def paired_scores(points: pd.DataFrame) -> pd.DataFrame:
    """One row a point: mean score of the counters, the program's score, and their distance, largest first."""
    judged = points[points["verdict"] != ""]
    scored = judged.assign(score=judged["verdict"].map(SCORE), own_score=judged["own_verdict"].map(SCORE))
    place = ["specimen", "field", "point"]
    mean = scored.groupby(place, sort=False, as_index=False).agg(
        x_px=("x_px", "first"), y_px=("y_px", "first"), score=("score", "mean"), own_score=("own_score", "first"),
        own_verdict=("own_verdict", "first"), verdict=("verdict", lambda v: "/".join(dict.fromkeys(v))),
    )  # fmt: skip
    mean["distance"] = (mean["score"] - mean["own_score"]).abs()
    return mean.sort_values("distance", ascending=False, kind="stable").reset_index(drop=True)
