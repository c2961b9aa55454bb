"""A finished count: from the page's CSV file or the form counted on paper to one checked table."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import NoReturn

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from micro.errors import InputError
from micro.points.plan import Grid
from micro.results import bytes_of, without_guard
from micro.tables.columns import Column, names

VERDICTS = ("out", "boundary", "in")
SCORE = {"out": 0.0, "boundary": 0.5, "in": 1.0}
KEY = ["specimen", "field", "counter"]

TALLY = (
    Column("sheet", "", "str", "sheet the point was counted on"),
    Column("specimen", "", "str", "specimen the field belongs to"),
    Column("field", "", "str", "name of the field"),
    Column("image_sha256", "", "str", "SHA-256 of the picture's file"),
    Column("grid_points", "", "int64", "points of the field's grid"),
    Column("point", "", "int64", "number of the point, from 1, along the rows"),
    Column("x_px", "px", "float64", "point from the left edge"),
    Column("y_px", "px", "float64", "point from the top edge, downwards"),
    Column("verdict", "", "str", "in, boundary or out"),
    Column("carbide_class", "", "str", "class of the carbide that was hit; empty where there is one class"),
    Column("counter", "", "str", "who counted"),
)
DENSITY = Column("density", "", "float64", "how many times as many points as evenly spread ones were drawn for there")
"""Further column of the tally of a sheet whose points are not spread evenly."""
FORM = (
    Column("sheet", "", "str", "sheet the grid belongs to"),
    Column("page", "", "int64", "number of the printed picture"),
    Column("specimen", "", "str", "specimen the field belongs to"),
    Column("field", "", "str", "name of the field"),
    Column("image_sha256", "", "str", "SHA-256 of the picture's file"),
    Column("columns", "", "int64", "columns of the grid"),
    Column("rows", "", "int64", "rows of the grid"),
    Column("first_x_px", "px", "float64", "first point from the left edge"),
    Column("first_y_px", "px", "float64", "first point from the top edge"),
    Column("step_x_px", "px", "float64", "distance of the columns"),
    Column("step_y_px", "px", "float64", "distance of the rows"),
    Column("carbide_class", "", "str", "class of the carbides to count; empty where there is one class"),
    Column("inside", "", "int64", "points inside a carbide: to fill in"),
    Column("boundary", "", "int64", "points on a boundary: to fill in"),
    Column("counter", "", "str", "who counted: to fill in"),
)
# A point drawn for less often would outweigh whole fields; the program's own draws keep to a share of 0.3 (chosen).
LEAST_DENSITY = 0.01
TO_FILL_IN = ("inside", "boundary", "counter")
"""The last columns of a form."""


@dataclass(frozen=True, eq=False)
class Tally:
    """One count by one or more people.

    Parameters
    ----------
    points
        One row a point: specimen, field, counter, point, x_px, y_px, verdict, carbide_class, sheet, density; the
        verdict is empty where only totals were noted on paper.
    counts
        One row a field, counter and class ("all", and each class where there are several): specimen, field,
        counter, carbide_class, points, inside, boundary.
    pictures
        SHA-256 of the picture of each (specimen, field).
    source
        File or files, for messages.
    messages
        What was left out, in words.
    """

    points: pd.DataFrame
    counts: pd.DataFrame
    pictures: dict[tuple[str, str], str]
    source: str
    messages: tuple[str, ...] = ()


def read_tallies(paths: Iterable[Path]) -> Tally:
    """Read the tallies of one sheet, one file a counter or several in one.

    Raises
    ------
    InputError
        With the file and its line where a tally cannot be used, or where they belong to different sheets.
    """
    tables = {path: _read(path) for path in paths}
    sheets = {sheet: path for path, table in tables.items() for sheet in table["sheet"]}
    if len(sheets) > 1:
        _fail(list(sheets.values())[-1], f"holds counts of different sheets ({', '.join(sorted(sheets))})", "give "
              "the tallies of one sheet")  # fmt: skip
    parts = [_from_points(path, t) if "verdict" in t else _from_form(path, t) for path, t in tables.items()]
    source = ", ".join(str(path) for path in tables)
    points = pd.concat([part.points for part in parts], ignore_index=True)
    twice = points.duplicated([*KEY, "point"])
    if twice.any():
        row = points[twice].iloc[0]
        _fail(source, f"holds {_place(row)} twice by {row['counter']}", "give each count once")
    counts = pd.concat([part.counts for part in parts], ignore_index=True)
    messages = tuple(message for part in parts for message in part.messages)
    if counts.empty:
        _fail(source, "holds no field that was counted to its end", "finish at least one field")
    pictures = {key: value for part in parts for key, value in part.pictures.items()}
    return Tally(points, counts, pictures, source, messages)


def _fail(where: object, problem: str, remedy: str) -> NoReturn:
    raise InputError(where, problem, remedy)


def _place(row: pd.Series) -> str:
    return f"point {row['point']} of field {row['field']!r}"


SAVED = "give the CSV file that the counting page or the form saved"


def _read(path: Path) -> pd.DataFrame:
    """Cells as text, with the line of each row as index; columns of TALLY or FORM."""
    (_, first), *rows = _lines(path)
    header = [cell.strip() for cell in first]
    if len(header) == 1 and ";" in header[0]:
        _fail(path, "has its columns separated by semicolons", "save it with commas")
    wanted = names(TALLY) if "verdict" in header else names(FORM)
    missing = [name for name in wanted if name not in header]
    if missing or len(set(header)) < len(header):
        problem = f"lacks the column {missing[0]!r}" if missing else "has a column twice"
        _fail(path, f"{problem}; it has {', '.join(header)!s:.80}", SAVED)
    for line, cells in rows:
        if len(cells) != len(header):
            _fail(f"{path} line {line}", f"has {len(cells)} cells, not {len(header)}", "correct the line")
    if not rows:
        _fail(path, "holds no counts", "count at least one field")
    table = pd.DataFrame([cells for _, cells in rows], columns=header, index=[line for line, _ in rows])
    if "verdict" in header and DENSITY.name in header:
        wanted = [*wanted, DENSITY.name]
    return table[wanted].apply(lambda column: column.map(_plain))


def _lines(path: Path) -> list[tuple[int, list[str]]]:
    """Cells of each line that has some, with its number."""
    try:
        text = bytes_of(path).decode("utf-8-sig")
        lines = csv.reader(io.StringIO(text, newline=""), strict=True)
        numbered = [(lines.line_num, cells) for cells in lines if any(cell.strip() for cell in cells)]
    except OSError as trouble:
        _fail(path, f"cannot be read ({trouble.strerror})", "give the path of a tally")
    except UnicodeDecodeError:
        _fail(path, "is not UTF-8 text", SAVED)
    except csv.Error as trouble:
        _fail(path, f"is not a CSV file ({trouble})", SAVED)
    if not numbered:
        _fail(path, "is empty", SAVED)
    return numbered


def _plain(cell: str) -> str:
    """Undo what keeps a spreadsheet from running a cell as a formula."""
    return without_guard(cell.strip(" \n"))


def _numbers(path: Path, column: pd.Series, *, whole: bool, lowest: float = 0.0) -> np.ndarray:
    """(rows,) numbers of a column; the first cell that is none, or too small, is reported with its line."""
    values = pd.to_numeric(column, errors="coerce").to_numpy(float)
    bad = ~(np.isfinite(values) & (values >= lowest) & (values < 1e9))
    if bad.any():
        line, cell = column.index[bad][0], column[bad].iloc[0]
        _fail(f"{path} line {line}", f"{column.name} must be a number, {lowest:g} or more, got {cell!r:.40}", "correct "
              "it")  # fmt: skip
    if whole and (values % 1 != 0).any():
        line, cell = column.index[values % 1 != 0][0], column[values % 1 != 0].iloc[0]
        remedy = "put points on a boundary under 'boundary', as whole points"
        if column.name not in ("inside", "boundary"):
            remedy = "correct it"
        _fail(f"{path} line {line}", f"{column.name} must be a whole number, got {cell!r:.40}", remedy)
    return values.astype(np.int64) if whole else values


def _require_text(path: Path, table: pd.DataFrame, column: str, remedy: str) -> None:
    empty = table[column] == ""
    if empty.any():
        _fail(f"{path} line {table.index[empty][0]}", f"has no {column}", remedy)


def _pictures(path: Path, table: pd.DataFrame) -> dict[tuple[str, str], str]:
    found: dict[tuple[str, str], str] = {}
    for line, specimen, field, sha256 in table[["specimen", "field", "image_sha256"]].itertuples():
        if found.setdefault((specimen, field), sha256) != sha256:
            _fail(f"{path} line {line}", f"field {field!r} has two pictures", "keep the counts of one sheet")
    return found


def _from_points(path: Path, table: pd.DataFrame) -> Tally:
    """Tally of the page's CSV file; fields that were not counted to their end are left out and named."""
    _require_text(path, table, "counter", "write who counted")
    unknown = ~table["verdict"].isin(VERDICTS)
    if unknown.any():
        cell = table["verdict"][unknown].iloc[0]
        _fail(f"{path} line {table.index[unknown][0]}", f"verdict {cell!r:.40} is unknown", "write in, boundary or out")
    for column, lowest in (("grid_points", 1), ("point", 1)):
        table[column] = _numbers(path, table[column], whole=True, lowest=lowest)
    for column in ("x_px", "y_px"):
        table[column] = _numbers(path, table[column], whole=False)
    table[DENSITY.name] = _densities(path, table)
    for what, wrong in (
        ("is given twice", table.duplicated([*KEY, "point"])),
        ("is not on its grid", table["point"] > table["grid_points"]),
    ):
        if wrong.any():
            row = table[wrong].iloc[0]
            _fail(f"{path} line {table.index[wrong][0]}", f"{_place(row)} {what}", "remove that line")
    table.loc[table["verdict"] == "out", "carbide_class"] = ""
    hit = table[table["verdict"] != "out"]
    if (hit["carbide_class"] != "").any():
        _require_text(path, hit, "carbide_class", "write which class was hit")
    pictures = _pictures(path, table)
    counted = table.groupby(KEY, sort=False)["point"].transform("size")
    short = table[counted < table["grid_points"]].drop_duplicates(KEY)
    messages = tuple(
        f"{path}: field {row['field']!r} of {row['specimen']} was counted to {number} of "
        f"{row['grid_points']} points by {row['counter']}; it is left out"
        for number, row in zip(counted[short.index], short.to_dict("records"), strict=True)
    )  # fmt: skip
    whole = table[counted == table["grid_points"]]
    points = whole[[*KEY, "point", "x_px", "y_px", "verdict", "carbide_class", "sheet", DENSITY.name]]
    return Tally(points, _count(points), pictures, str(path), messages)


def _densities(path: Path, table: pd.DataFrame) -> NDArray[np.float64]:
    """(rows,) density of the draw at each point; 1 where the points are spread evenly."""
    if DENSITY.name not in table:
        return np.ones(len(table))
    return np.asarray(_numbers(path, table[DENSITY.name], whole=False, lowest=LEAST_DENSITY))


def _count(points: pd.DataFrame) -> pd.DataFrame:
    """Totals of every field and counter: over all classes, and of each class where there are several."""
    classes = sorted(set(points["carbide_class"]) - {""})
    blocks = []
    for carbide_class in ["all", *classes]:
        own = points["carbide_class"].eq(carbide_class) | (carbide_class == "all")
        block = points[KEY].assign(
            points=1,
            inside=((points["verdict"] == "in") & own).astype(int),
            boundary=((points["verdict"] == "boundary") & own).astype(int),
        )
        blocks.append(block.groupby(KEY, sort=False, as_index=False).sum().assign(carbide_class=carbide_class))
    return pd.concat(blocks, ignore_index=True)


def _from_form(path: Path, table: pd.DataFrame) -> Tally:
    """Tally of the paper form; fields that were not filled in are left out and named."""
    blank = (table["inside"] == "") & (table["boundary"] == "")
    messages = tuple(
        f"{path} line {line}: field {row['field']!r} of {row['specimen']} was not counted; it is left out"
        for line, row in table[blank].iterrows()
    )
    pictures = _pictures(path, table)
    table = table[~blank].copy()
    _require_text(path, table, "counter", "write who counted")
    table["boundary"] = table["boundary"].replace("", "0")
    for column in ("columns", "rows"):
        table[column] = _numbers(path, table[column], whole=True, lowest=1)
    for column in ("inside", "boundary"):
        table[column] = _numbers(path, table[column], whole=True)
    for column in ("first_x_px", "first_y_px", "step_x_px", "step_y_px"):
        table[column] = _numbers(path, table[column], whole=False)
    twice = table.duplicated([*KEY, "carbide_class"])
    if twice.any():
        row = table[twice].iloc[0]
        _fail(f"{path} line {row.name}", f"field {row['field']!r} is given twice", "remove that line")
    table["points"] = table["columns"] * table["rows"]
    table["carbide_class"] = table["carbide_class"].replace("", "all")
    counts = table[[*KEY, "carbide_class", "points", "inside", "boundary"]]
    if len(counts) and (counts["carbide_class"] != "all").any():
        whole = counts.groupby(KEY, sort=False, as_index=False).agg(
            points=("points", "first"), inside=("inside", "sum"), boundary=("boundary", "sum")
        )
        counts = pd.concat([whole.assign(carbide_class="all"), counts[counts["carbide_class"] != "all"]])
    over = counts["inside"] + counts["boundary"] > counts["points"]
    if over.any():
        row = counts[over].iloc[0]
        problem = f"field {row['field']!r} has more hits ({row['inside'] + row['boundary']}) than points"
        _fail(path, f"{problem} ({row['points']})", "correct its counts")
    return Tally(_positions(table), counts.reset_index(drop=True), pictures, str(path), messages)


def _positions(form: pd.DataFrame) -> pd.DataFrame:
    """Points of the grids that a form states, without verdicts."""
    blocks = [pd.DataFrame(columns=[*KEY, "point", "x_px", "y_px", "verdict", "carbide_class", "sheet", DENSITY.name])]
    for _, row in form.drop_duplicates(KEY).iterrows():
        grid = Grid(*(row[c] for c in ("columns", "rows", "first_x_px", "first_y_px", "step_x_px", "step_y_px")))
        block = pd.DataFrame({"point": np.arange(1, grid.points + 1), "x_px": grid.x_px, "y_px": grid.y_px})
        known = {k: row[k] for k in (*KEY, "sheet")}
        blocks.append(block.assign(**known, verdict="", carbide_class="", **{DENSITY.name: 1.0}))
    return pd.concat(blocks[1:] or blocks, ignore_index=True)
