"""A count set against the result of a run."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from micro.columns import SPECIMENS, empty, names
from micro.errors import InputError
from micro.points.bias import Bias, biases
from micro.points.counters import CounterKappa, between_counters, counter_table
from micro.points.estimate import point_fraction
from micro.points.field_table import tabulate
from micro.points.measured import Key, MeasuredField, read_measured
from micro.points.tally import Tally

POINT_FRACTION = "point_fraction"


@dataclass(frozen=True, eq=False)
class Agreement:
    """A count compared with a result.

    Parameters
    ----------
    fields
        One row a field and class, columns POINTS of `micro.columns`.
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
        """Columns COUNTERS of `micro.columns`; no rows where one person counted."""
        return counter_table(self.between)


def compare(tally: Tally, results: Path, pictures: Mapping[Key, str], wanted_accuracy_pct: float = 10.0) -> Agreement:
    """Set a count against a results folder, field by field.

    Parameters
    ----------
    tally
        From `read_tallies`.
    results
        Folder of a finished run on the same pictures.
    pictures
        SHA-256 of the picture of every field of the run, from `pictures_of`.
    wanted_accuracy_pct
        Wanted %RA.

    Raises
    ------
    InputError
        Where the folder is not the result of a run, or the tally was counted on other pictures.
    """
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
        rows.append((specimen, carbide_class, POINT_FRACTION, "", *ends))
    return pd.DataFrame(rows, columns=names(SPECIMENS)) if rows else empty(SPECIMENS)
