"""A count beside the measured fields, field by field, and the agreement of counters with each other, by kappa."""

from __future__ import annotations

import itertools
import json
import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from micro import results
from micro.errors import InputError
from micro.points.estimate import Bias, biases, point_fraction
from micro.points.kept import ACCURACY, ASKED, stored_tallies
from micro.points.measured import Key, MeasuredField, expected_score, judge_points, read_measured
from micro.points.tally import DENSITY, SCORE, VERDICTS, Tally, read_tallies
from micro.statistics.sampling import FloatArray, binomial_interval, student_t
from micro.tables.columns import COUNTERS, POINTS, SPECIMENS, empty, names

JUDGED = ["specimen", "field", "point", "x_px", "y_px", "score", "own_score"]
NOTHING_JUDGED = pd.DataFrame({name: pd.Series(dtype="str" if name in JUDGED[:2] else "float64") for name in JUDGED})
MOST_LEFT_OUT = 0.01


def tabulate(tally: Tally, measured: Mapping[Key, MeasuredField]) -> tuple[pd.DataFrame, pd.DataFrame, list[str]]:
    """Set the fields of a tally beside the measured ones.

    Parameters
    ----------
    tally
        Every one of its fields is in `measured`, or is left out.
    measured
        Fields in the order of the rows to make.

    Returns
    -------
    Table with the columns POINTS; table of single points over all classes (JUDGED: mean score of
    the counters and of the program, 0 to 1; no rows where only totals were noted); what to know, in words.
    """
    counts = dict(list(tally.counts.groupby(["specimen", "field"], sort=False)))
    points = dict(list(tally.points.groupby(["specimen", "field"], sort=False)))
    rows: list[dict[str, object]] = []
    judged, messages = [], []
    unmeasured: dict[tuple[str, str], list[str]] = {}
    for key, field in measured.items():
        if key not in counts:
            continue
        labels = field.labels()
        for carbide_class, own in counts[key].groupby("carbide_class", sort=False):
            if carbide_class not in field.area_fractions:
                unmeasured.setdefault((key[0], str(carbide_class)), []).append(key[1])
                continue
            is_carbide = labels > 0 if carbide_class == "all" else field.class_of(labels) == carbide_class
            scored = _scored(points[key], str(carbide_class), is_carbide, tally.source)
            rows.append(_row(key, str(carbide_class), own, field, is_carbide, scored))
            if carbide_class == "all":
                judged.append(scored.dropna(subset="score"))
        if field.left_out(labels) > MOST_LEFT_OUT:
            share = f"{100 * field.left_out(labels):.0f} %"
            messages.append(f"field {key[1]!r} of {key[0]}: {share} was counted, yet left out of the measurement")
    for (specimen, carbide_class), without in unmeasured.items():
        more = f" and {len(without) - 5} more" if len(without) > 6 else ""
        fields = f"field{'s' * (len(without) > 1)} {', '.join(without[: 5 if more else 6])}{more}"
        messages.append(f"{specimen}: no {carbide_class} was measured in {fields}; that class is not compared there")
    table = pd.DataFrame(rows, columns=names(POINTS)) if rows else empty(POINTS)
    filled = [block for block in judged if len(block)]
    return table, pd.concat(filled, ignore_index=True) if filled else NOTHING_JUDGED.copy(), messages


def _scored(points: pd.DataFrame, carbide_class: str, is_carbide: NDArray[np.bool_], source: str) -> pd.DataFrame:
    """One row a point: mean score of the counters (NaN where only totals were noted), score of the program."""
    own_class = points["carbide_class"].eq(carbide_class) | (carbide_class == "all")
    score = points["verdict"].map(SCORE).astype(float)
    counted = points.assign(score=score.where(own_class | score.isna(), 0.0))
    mean = counted.groupby(["specimen", "field", "point"], as_index=False).agg(
        x_px=("x_px", "first"), y_px=("y_px", "first"), score=("score", "mean")
    )
    try:
        mean["own_score"] = judge_points(is_carbide, mean["x_px"].to_numpy(float), mean["y_px"].to_numpy(float))
    except ValueError as trouble:
        problem = f"field {mean['field'].iloc[0]!r}: {trouble}"
        raise InputError(source, problem, "give the results of the pictures that were counted") from None
    return mean[JUDGED]


def _row(
    key: Key, carbide_class: str, counts: pd.DataFrame, field: MeasuredField, is_carbide: NDArray[np.bool_],
    scored: pd.DataFrame,
) -> dict[str, object]:  # fmt: skip
    share = float(((counts["inside"] + 0.5 * counts["boundary"]) / counts["points"]).mean())
    area, own = field.area_fractions[carbide_class], float(scored["own_score"].mean())
    expected = expected_score(is_carbide)
    grid_points = int(counts["points"].iloc[0])
    apart = (scored["score"] - scored["own_score"]).to_numpy(float)
    if np.isnan(apart).any():
        # Only totals were noted: their difference is what is left of the points that differ.
        apart = np.array([(share - own) * grid_points])
    return {
        "specimen": key[0],
        "field": key[1],
        "carbide_class": carbide_class,
        "grid_points": grid_points,
        "counters": len(counts),
        "inside": int(counts["inside"].sum()),
        "boundary": int(counts["boundary"].sum()),
        "point_fraction": share,
        "area_fraction": area,
        "own_point_fraction": own,
        "own_expected_fraction": expected,
        "points_above": float(apart[apart > 0].sum()),
        "points_below": float(np.abs(apart[apart < 0]).sum()),
        "difference": share - area,
        "judged_difference": (share - own) - (area - expected),
    }


def most_apart(judged: pd.DataFrame, number: int) -> pd.DataFrame:
    """Up to `number` points at which counters and program differ by one half or more, the widest apart first."""
    apart = (judged["score"] - judged["own_score"]).abs()
    order = apart[apart >= 0.5].sort_values(ascending=False, kind="stable").index
    return judged.loc[order[:number]]


POINT_FRACTION = "point_fraction"


@dataclass(frozen=True, eq=False)
class Agreement:
    """A count compared with a result.

    Parameters
    ----------
    fields
        One row a field and class, columns POINTS of `micro.tables.columns`.
    judged
        One row a point: specimen, field, point, x_px, y_px, score (mean of the counters), own_score (the program's).
    bias
        One a specimen and class, then all specimens together.
    between
        Every two counters, then all together where there are three or more.
    wanted_accuracy_pct
        Wanted %RA.
    messages
        What was left out, and why.
    """

    fields: pd.DataFrame
    judged: pd.DataFrame
    bias: tuple[Bias, ...]
    between: tuple[CounterKappa, ...]
    wanted_accuracy_pct: float
    messages: tuple[str, ...]

    @property
    def counters(self) -> pd.DataFrame:
        """Columns COUNTERS of `micro.tables.columns`; no rows where one person counted."""
        return counter_table(self.between)


def compare_count(
    tally: Tally, results: Path, pictures: Mapping[Key, str], wanted_accuracy_pct: float = 10.0
) -> Agreement:
    """Set a count against a results folder, field by field.

    Parameters
    ----------
    tally
        From `read_tallies`.
    results
        Folder of a finished run on the same pictures.
    pictures
        SHA-256 of the picture of every field of the run.
    wanted_accuracy_pct
        Wanted %RA.

    Raises
    ------
    InputError
        Where the folder is not the result of a run, or the tally was counted on other pictures.
    """
    if DENSITY.name in tally.points and (tally.points[DENSITY.name] != 1).any():
        problem = "holds points drawn where the outlines were unsure, which cannot be counted alike"
        raise InputError(tally.source, problem, "give it to --taught-by, beside the tally of the first sheet")
    measured, unmeasured = _counted_fields(tally, results, pictures)
    fields, judged, messages = tabulate(tally, measured)
    if fields.empty:
        raise InputError(tally.source, "shares no measured field with the result", f"measure them first ({results})")
    return Agreement(
        fields=fields,
        judged=judged,
        bias=tuple(biases(fields, wanted_accuracy_pct)),
        between=between_counters(tally.points),
        wanted_accuracy_pct=wanted_accuracy_pct,
        messages=(*tally.messages, *unmeasured, *messages),
    )


def _counted_fields(
    tally: Tally, results: Path, pictures: Mapping[Key, str]
) -> tuple[dict[Key, MeasuredField], list[str]]:
    """Measured fields of the tally in the order of the run, each with the same picture; others are named."""
    held = read_measured(results, pictures)
    for (specimen, field), picture in tally.pictures.items():
        measured = held.get((specimen, field))
        if measured is None:
            problem = f"counts field {field!r} of {specimen}, which {results} does not hold"
            raise InputError(tally.source, problem, "give the results of the study that was counted")
        if picture and measured.image_sha256 and picture != measured.image_sha256:
            problem = f"counts another picture of field {field!r} of {specimen} than {results} measured"
            raise InputError(tally.source, problem, "measure the pictures that were counted")
    counted = set(tally.counts[["specimen", "field"]].itertuples(index=False, name=None))
    usable = {key: field for key, field in held.items() if key in counted and field.measured}
    unmeasured = [
        f"field {field!r} of {specimen} was not measured; it is left out"
        for specimen, field in sorted(counted - set(usable))
    ]
    return usable, unmeasured


def fraction_rows(fields: pd.DataFrame) -> pd.DataFrame:
    """Rows of specimens.csv, quantity POINT_FRACTION, from a table with the columns POINTS."""
    rows = []
    for (specimen, carbide_class), own in fields.groupby(["specimen", "carbide_class"], sort=False):
        p = point_fraction(own["point_fraction"], own["grid_points"])
        ends = (p.mean, p.std, p.low, p.high, p.relative_accuracy_pct, p.fields)
        known = "specimen" if p.fields > 1 and math.isfinite(p.low) else ""
        rows.append((specimen, carbide_class, POINT_FRACTION, "", *ends, f"{p.points} points alone", known))
    return pd.DataFrame(rows, columns=names(SPECIMENS)) if rows else empty(SPECIMENS)


def stored_agreement(folder: Path, pictures: Mapping[Key, str]) -> Agreement | None:
    """Set the kept tallies against the tables and labels of the folder; None where nobody counted.

    Raises
    ------
    InputError
        Where the tallies cannot be used, or belong to other pictures.
    """
    tallies = stored_tallies(folder)
    if not tallies:
        return None
    path = folder / results.TALLIES / ASKED
    try:
        wanted = float(json.loads(path.read_text(encoding="utf8"))[ACCURACY])
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        raise InputError(path, "is missing or damaged", "compare the tallies again") from None
    return compare_count(read_tallies(tallies), folder, pictures, wanted)


def with_count(specimens: pd.DataFrame, agreement: Agreement) -> pd.DataFrame:
    """Table of the specimens with the rows of the count at the end of each specimen's own; columns SPECIMENS."""
    counted = fraction_rows(agreement.fields)
    blocks = [specimens[specimens["quantity"] != POINT_FRACTION], counted]
    order = {name: place for place, name in enumerate(dict.fromkeys(specimens["specimen"]))}
    joined = pd.concat(blocks, ignore_index=True).sort_values("specimen", key=lambda s: s.map(order), kind="stable")
    return joined[[column.name for column in SPECIMENS]].reset_index(drop=True)


# From sums (..., m): share of disagreement seen, and expected by chance, both (...).
Disagreement = Callable[[FloatArray], tuple[FloatArray, FloatArray]]


@dataclass(frozen=True)
class Kappa:
    """Agreement beyond chance: 1 perfect, 0 as by chance; NaN where one verdict was given throughout.

    The ends of the 95 % interval are NaN where the fields do not tell: with one of them, or with all hits in one.
    """

    value: float
    low: float
    high: float


UNKNOWN = Kappa(math.nan, math.nan, math.nan)


def weighted_kappa(tables: ArrayLike) -> Kappa:
    """Cohen's kappa of two counters, linear weights, with its 95 % interval.

    J. Cohen, Psychological Bulletin 70 (1968); from memory. The interval is by leaving out one field at a time.

    Parameters
    ----------
    tables
        (fields, k, k) points of each field by the verdict of the first and of the second counter; verdicts in
        their order.
    """
    tables = np.asarray(tables, float)
    k = tables.shape[-1]
    apart = np.abs(np.subtract.outer(np.arange(k), np.arange(k))) / (k - 1)

    def disagreement(sums: FloatArray) -> tuple[FloatArray, FloatArray]:
        table = sums.reshape(*sums.shape[:-1], k, k)
        points = table.sum(axis=(-2, -1))
        first, second = table.sum(axis=-1), table.sum(axis=-2)
        by_chance = np.einsum("...i,ij,...j->...", first, apart, second) / points**2
        return (apart * table).sum(axis=(-2, -1)) / points, by_chance

    return _kappa(tables.reshape(len(tables), -1), disagreement, tables.sum())


def fleiss_kappa(counts: ArrayLike, field: ArrayLike) -> Kappa:
    """Kappa of three or more counters (J. L. Fleiss, Psychological Bulletin 76, 1971), with its 95 % interval.

    The interval is by leaving out one field at a time.

    Parameters
    ----------
    counts
        (points, verdicts) how many counters gave each verdict; every point by the same number of counters.
    field
        (points,) number of the field of each point, from 0; no number without a point.
    """
    counts, field = np.asarray(counts, float), np.asarray(field)
    counters = counts[0].sum()
    sums = np.zeros((int(field.max()) + 1, 1 + counts.shape[1]))
    np.add.at(sums, field, np.column_stack([np.square(counts).sum(axis=1), counts]))

    def disagreement(sums: FloatArray) -> tuple[FloatArray, FloatArray]:
        squares, verdicts = sums[..., 0], sums[..., 1:]
        total = verdicts.sum(axis=-1)
        observed = (counters * total - squares) / (total * (counters - 1))
        return observed, 1 - np.square(verdicts).sum(axis=-1) / total**2

    return _kappa(sums, disagreement, len(counts))


def _kappa(sums: FloatArray, disagreement: Disagreement, points: float) -> Kappa:
    """Kappa of fields with `sums` (fields, m): 1 less the ratio of the disagreement seen to that by chance.

    The ratio is above 0 and its scatter grows with it, so that its logarithm gets the interval, t·s/√n of the values
    without one field each. Where all disagreement lies in one field, or there is none, s says too little: the interval
    is of the ratio itself, and also covers that of independent points.
    """
    total = sums.sum(axis=0)
    # Without the only field with hits the rest has one verdict throughout: no ratio.
    with np.errstate(divide="ignore", invalid="ignore"):
        seen, by_chance = disagreement(total)
        ratio, without = seen / by_chance, np.divide(*disagreement(total - sums))
    if not by_chance > 0:
        return UNKNOWN
    if (without > 0).all():
        low, high = ratio * np.exp(_half_width(np.log(without)) * np.array([-1, 1]))
    else:
        half = _half_width(without)
        rare = np.array(binomial_interval(float(seen * points), points)) / by_chance
        low, high = np.minimum(ratio - half, rare[0]), np.maximum(ratio + half, rare[1])
    return Kappa(float(1 - ratio), float(np.clip(1 - high, -1, 1)), float(np.clip(1 - low, -1, 1)))


def _half_width(without: FloatArray) -> float:
    """Half of a 95 % interval from the values without one field each; NaN with one field."""
    fields = len(without)
    return student_t(fields - 1) * math.sqrt((fields - 1) * np.var(without))


def in_words(value: float) -> str:
    """Word for a kappa (J. R. Landis and G. G. Koch, Biometrics 33, 1977; from memory); NaN raises ValueError."""
    if math.isnan(value):
        raise ValueError("a kappa that is unknown has no word")
    for limit, word in ((0.0, "none"), (0.2, "slight"), (0.4, "fair"), (0.6, "moderate"), (0.8, "substantial")):
        if value <= limit:
            return word
    return "almost perfect"


PLACE = ["specimen", "field", "point"]


@dataclass(frozen=True)
class CounterKappa:
    """Agreement of two counters, or of all of them, on the `points` in `fields` that each of them judged."""

    counters: tuple[str, ...]
    fields: int
    points: int
    kappa: Kappa


def between_counters(points: pd.DataFrame) -> tuple[CounterKappa, ...]:
    """Kappa of every two counters, then of all together where there are three or more.

    Parameters
    ----------
    points
        As in `Tally`; rows without a verdict do not enter.
    """
    judged = points[points["verdict"] != ""]
    if judged["counter"].nunique() < 2:
        return ()
    codes = judged.assign(code=judged["verdict"].map(VERDICTS.index)).set_index([*PLACE, "counter"])["code"]
    wide = codes.unstack()  # noqa: PD010 (every point has one verdict a counter)
    return tuple(_agreement(wide[list(counters)].dropna()) for counters in _together(list(wide.columns)))


def _together(counters: list[str]) -> Iterator[tuple[str, ...]]:
    yield from itertools.combinations(counters, 2)
    if len(counters) > 2:
        yield tuple(counters)


def _agreement(codes: pd.DataFrame) -> CounterKappa:
    """Agreement on points that all judged: a row a point, a column a counter."""
    counters, fields = tuple(str(name) for name in codes.columns), codes.groupby(PLACE[:2]).ngroup().to_numpy()
    number = len(set(fields))
    if not number:
        return CounterKappa(counters, 0, 0, UNKNOWN)
    verdicts = codes.to_numpy(int)
    k = len(VERDICTS)
    if len(counters) == 2:
        cell = (fields * k + verdicts[:, 0]) * k + verdicts[:, 1]
        kappa = weighted_kappa(np.bincount(cell, minlength=number * k * k).reshape(number, k, k))
    else:
        kappa = fleiss_kappa((verdicts[:, :, None] == np.arange(k)).sum(axis=1), fields)
    return CounterKappa(counters, number, len(codes), kappa)


def counter_table(kappas: tuple[CounterKappa, ...]) -> pd.DataFrame:
    """Table with the columns COUNTERS of `micro.tables.columns`: a row a pair, then all together."""
    rows = []
    for k in kappas:
        pair = k.counters if len(k.counters) == 2 else ("", "")
        rows.append((*pair, len(k.counters), k.fields, k.points, k.kappa.value, k.kappa.low, k.kappa.high))
    return pd.DataFrame(rows, columns=names(COUNTERS)) if rows else empty(COUNTERS)
