"""What people answered at points, made ready to teach: one entry a picture, whoever counted it and on which sheet."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from micro.errors import InputError
from micro.points.tally import DENSITY, SCORE, Tally, read_tallies
from micro.taught.crossfit import Answers

# Picture (SHA-256) and name of the field: what a tally and a study know each other by.
Key = tuple[str, str]
# Two counters who contradict each other, carbide against matrix, at more than a quarter of the points that both judged
# speak of different things (chosen; slips of 2 % each make 4 %, a blurred boundary of a fine structure 10 %).
MOST_CONTRADICTED, FEWEST_SHARED = 0.25, 20
POINT = ["draw", "x_px", "y_px"]


@dataclass(frozen=True, eq=False)
class Counted:
    """Answers of all tallies together.

    Parameters
    ----------
    fields
        Answers by picture and field; the class numbers are places in `classes`, from 1.
    classes
        Names of the carbide classes that were told apart; empty where none were.
    messages
        What was left out, in words.
    source
        The files, for messages.
    """

    fields: dict[Key, Answers]
    classes: tuple[str, ...]
    messages: tuple[str, ...]
    source: str


def read_answers(paths: Sequence[Path]) -> Counted:
    """Read tallies of any number of sheets.

    Raises
    ------
    InputError
        With the file, where a tally is damaged, holds totals without points, or contradicts itself.
    """
    points = []
    messages: list[str] = []
    for path in paths:
        tally = read_tallies([path])
        points.append(_points(tally, path))
        messages += tally.messages
    source = ", ".join(str(path) for path in paths)
    table = pd.concat(points, ignore_index=True)
    # A sheet is one draw, whoever counted it: two people on one sheet judged the same points.
    table["draw"] = pd.factorize(table["sheet"])[0]
    twice = table.duplicated(["sha256", "field", "x_px", "y_px", "counter"])
    if twice.any():
        row = table[twice].iloc[0]
        problem = f"holds point {row['point']} of field {row['field']!r} twice by {row['counter']}"
        raise InputError(source, problem, "give each count once")
    classes = tuple(sorted(set(table["carbide_class"]) - {""}))
    counters = sorted(set(table["counter"]))
    own = {
        (str(sha256), str(field)): _answers(rows, classes, counters)
        for (sha256, field), rows in table.groupby(["sha256", "field"], sort=True)
    }
    _refuse_contradiction(own.values(), source)
    return Counted(own, classes, tuple(messages), source)


def _points(tally: Tally, path: Path) -> pd.DataFrame:
    """Judged points of one tally, each with its picture."""
    table = tally.points
    if (table["verdict"] == "").any():
        raise InputError(path, "holds totals of a form, not points", "count on the page, which notes every point")
    places = zip(table["specimen"], table["field"], strict=True)
    table = table.assign(sha256=[tally.pictures[place] for place in places])
    if (table["sha256"] == "").any():
        raise InputError(path, "does not say which pictures were counted", "give the file that the page saved")
    return table


def _answers(rows: pd.DataFrame, classes: tuple[str, ...], counters: list[str]) -> Answers:
    """Answers of one picture: a column a point, a row a counter of the whole count."""
    at = rows.assign(score=rows["verdict"].map(SCORE).astype(float)).sort_values(["draw", "point", "counter"])
    place = at.groupby(POINT, sort=False).ngroup().to_numpy()
    first = at.drop_duplicates(POINT)
    scores = np.full((len(counters), len(first)), np.nan)
    scores[pd.Index(counters).get_indexer(pd.Index(at["counter"])), place] = at["score"]
    number = {name: k for k, name in enumerate(classes, 1)}
    kind: NDArray[np.intp] | None = None
    if classes:
        hit = at[at["carbide_class"] != ""].drop_duplicates(POINT)
        where = pd.Series(np.arange(len(first)), pd.MultiIndex.from_frame(first[POINT]))
        kind = np.zeros(len(first), np.intp)
        kind[where[pd.MultiIndex.from_frame(hit[POINT])].to_numpy()] = hit["carbide_class"].map(number)
    weights = 1 / first[DENSITY.name].to_numpy(float)
    draw = first["draw"].to_numpy(np.intp)
    return Answers(first["x_px"].to_numpy(float), first["y_px"].to_numpy(float), scores, kind, weights, draw)


def _refuse_contradiction(fields: Iterable[Answers], source: str) -> None:
    """Refuse counters who do not see the same structure."""
    shared = against = 0
    for one in fields:
        table = np.atleast_2d(one.answers)
        judged = np.isfinite(table).sum(axis=0) > 1
        if judged.any():
            low, high = np.nanmin(table[:, judged], axis=0), np.nanmax(table[:, judged], axis=0)
            shared, against = shared + int(judged.sum()), against + int(((low == 0) & (high == 1)).sum())
    if shared >= FEWEST_SHARED and against > MOST_CONTRADICTED * shared:
        problem = f"contradicts itself: at {against} of {shared} points one counter saw carbide, another matrix"
        raise InputError(source, problem, "agree on what is carbide, and count again")
