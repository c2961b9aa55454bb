"""The counting sheet: browser page and paper form."""

from __future__ import annotations

import base64
import csv
import hashlib
import io
import json
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from micro import results
from micro.errors import InputError
from micro.owned import own
from micro.pictures.outlines import display_range, greys_shown
from micro.pictures.page import content_policy, inert_json, jpeg, no_wider, only, rendered, template_text
from micro.points.plan import Grid, Plan, Scattered, draw_fields, place_grid, suggested_fields, suggested_points
from micro.points.tally import DENSITY, FORM, TALLY, TO_FILL_IN
from micro.study.model import Field
from micro.tables.columns import names

PAGE, FORM_FILE, PRINT = "sheet.html", "form.csv", "print"


def write_sheet(sheet: Sheet, out: Path) -> None:
    """Write the page; of grids also the form for paper, and a printable picture a field, numbered as the form is.

    Raises
    ------
    UsageError
        Where files of somebody else are in the way.
    """
    prints = [f"{PRINT}/{number + 1:03d}.png" for number in range(len(sheet.fields) if sheet.on_grids else 0)]
    own(out, prints)
    with results.whole_file(out / PAGE) as stream:
        stream.write(counting_page(sheet).encode(errors="backslashreplace"))
    if sheet.on_grids:
        results.write_table(out / FORM_FILE, form(sheet))
    for number, name in enumerate(prints):
        with results.whole_file(out / name) as stream:
            stream.write(printable_page(sheet, number))


def filled_in(form_file: Path) -> bool:
    """Whether somebody wrote into a form, or saved it otherwise: what a new form would take away."""
    try:
        header, *rows = csv.reader(io.StringIO(form_file.read_bytes().decode(), newline=""))
    except FileNotFoundError:
        return False
    except (ValueError, csv.Error):
        return True
    return header != names(FORM) or any(any(row[-len(TO_FILL_IN) :]) for row in rows)


DPI = 200
A4_PX = (round(210 / 25.4 * DPI), round(297 / 25.4 * DPI))
MARGIN_PX = round(15 / 25.4 * DPI)
LABEL_PX = 36
ARM_PX, OPEN_PX = 13, 4


def form(sheet: Sheet) -> pd.DataFrame:
    """Empty tally form with the columns FORM: one row a field, or a field and class; three columns to fill in."""
    rows = []
    grids = [(field, field.grid) for field in sheet.fields if isinstance(field.grid, Grid)]
    for page, (f, g) in enumerate(grids, 1):
        placed = (g.columns, g.rows, g.first_x_px, g.first_y_px, g.step_x_px, g.step_y_px)
        for carbide_class in sheet.classes if len(sheet.classes) > 1 else ("",):
            rows.append((sheet.identity, page, f.specimen, f.field, f.image_sha256, *placed, carbide_class, "", "", ""))
    return pd.DataFrame(rows, columns=names(FORM))


def printable_page(sheet: Sheet, number: int) -> bytes:
    """PNG file of field `number` (from 0) on an A4 page, upright or turned as the picture is, with its grid."""
    from micro.pictures.png import png

    field = sheet.fields[number]
    page = _blank_page(field)
    box_width, box_height = page.shape[1] - 2 * MARGIN_PX - LABEL_PX, page.shape[0] - 2 * MARGIN_PX - 3 * LABEL_PX
    scale = min(box_width / field.width_px, box_height / field.height_px)
    left, top = MARGIN_PX + LABEL_PX, MARGIN_PX + 3 * LABEL_PX
    _place(page, field, left, top, scale)
    x, y = left + field.grid.x_px * scale, top + field.grid.y_px * scale
    _crosses(page, x, y)
    place = f"Field {number + 1} of {len(sheet.fields)}   Sheet {sheet.identity}"
    heading = f"{place}   {field.grid.points} points: judge the spot at the centre"
    _text(page, heading, MARGIN_PX, MARGIN_PX + LABEL_PX // 2, 0.9)
    blanks = "in: ______   boundary: ______"
    to_fill_in = [f"{name}   {blanks}" for name in sheet.classes] if len(sheet.classes) > 1 else [blanks]
    _text(page, "      ".join(to_fill_in), MARGIN_PX, MARGIN_PX + LABEL_PX + LABEL_PX // 2, 0.9)
    for column in range(field.grid.columns):
        _text(page, str(column + 1), int(x[column]) - 8, top - 8, 0.6)
    for row in range(field.grid.rows):
        _text(page, str(row + 1), MARGIN_PX, int(y[row * field.grid.columns]) + 7, 0.6)
    return png(page)


def _blank_page(field: SheetField) -> NDArray[np.uint8]:
    long_side, short_side = max(A4_PX), min(A4_PX)
    turned = field.width_px > field.height_px
    rows, columns = (short_side, long_side) if turned else (long_side, short_side)
    return np.full((rows, columns), 255, np.uint8)


def _place(page: NDArray[np.uint8], field: SheetField, left: int, top: int, scale: float) -> None:
    overview = cv2.imdecode(np.frombuffer(field.overview, np.uint8), cv2.IMREAD_GRAYSCALE)
    size = (int(field.width_px * scale), int(field.height_px * scale))
    fitted = cv2.resize(overview, size, interpolation=cv2.INTER_CUBIC)
    page[top : top + size[1], left : left + size[0]] = fitted


def _crosses(page: NDArray[np.uint8], x: NDArray, y: NDArray) -> None:
    """Thin crosses, open at the centre, dark on a light rim so that they show on any grey."""
    for colour, thickness in ((255, 3), (0, 1)):
        for px, py in zip(np.rint(x).astype(int).tolist(), np.rint(y).astype(int).tolist(), strict=True):
            for dx, dy in ((1, 0), (-1, 0), (0, 1), (0, -1)):
                start = (px + dx * OPEN_PX, py + dy * OPEN_PX)
                end = (px + dx * ARM_PX, py + dy * ARM_PX)
                cv2.line(page, start, end, colour, thickness, cv2.LINE_AA)


def _text(page: NDArray[np.uint8], text: str, x: int, y: int, size: float) -> None:
    cv2.putText(page, text, (x, y), cv2.FONT_HERSHEY_SIMPLEX, size, 0, 1, cv2.LINE_AA)


def counting_page(sheet: Sheet) -> str:
    """HTML of the sheet: fields in the order of the sheet, nothing of the automatic result."""
    style = template_text("points", "sheet.css")
    script = template_text("pictures", "kept.js") + template_text("points", "sheet.js")
    return rendered(
        "points", "sheet.html", trim_blocks=True, sheet=sheet, style=style, script=script,
        policy=content_policy("data: blob:", only(style), only(script)), manifest=inert_json(manifest(sheet)),
        pictures=[(_base64(f.overview), _base64(f.details)) for f in sheet.fields],
    )  # fmt: skip


def manifest(sheet: Sheet) -> dict[str, Any]:
    """Everything the page's script knows, pictures apart."""
    return {
        "sheet": sheet.identity,
        "classes": list(sheet.classes),
        "columns": names(TALLY) if sheet.on_grids else [*names(TALLY), DENSITY.name],
        "detail_px": DETAIL_PX,
        "fields": [
            {
                "specimen": f.specimen,
                "field": f.field,
                "image_sha256": f.image_sha256,
                "width_px": f.width_px,
                "height_px": f.height_px,
                "grid_columns": f.grid.columns,
                "x_px": [round(float(x), 2) for x in f.grid.x_px],
                "y_px": [round(float(y), 2) for y in f.grid.y_px],
                # Low where carbide or matrix is sure, without a word of which of them it is.
                **({} if isinstance(f.grid, Grid) else {DENSITY.name: list(f.grid.density)}),
            }
            for f in sheet.fields
        ],
    }


def _base64(content: bytes) -> str:
    return base64.b64encode(content).decode()


OVERVIEW_PX = 1280
DETAIL_PX = 96
OVERVIEW_QUALITY = 82
DETAIL_QUALITY = 90


Picture = tuple[str, Field]
"""Name of the specimen, and the field."""


@dataclass(frozen=True)
class SheetField:
    """One field of a sheet; `overview` and `details` are JPEG files.

    `details` holds a square of DETAIL_PX picture pixels about every point, side by side in the columns and rows of
    the grid, so that the page shows true pixels without the whole picture.
    """

    specimen: str
    field: str
    image_sha256: str
    width_px: int
    height_px: int
    grid: Grid | Scattered
    overview: bytes
    details: bytes


@dataclass(frozen=True)
class Sheet:
    """A count ready to be made, its fields in random order."""

    identity: str
    fields: tuple[SheetField, ...]
    classes: tuple[str, ...]
    plans: tuple[Plan, ...]
    troubles: tuple[InputError, ...]

    @property
    def on_grids(self) -> bool:
        """Whether the points are spread evenly, so that their totals tell the fraction and paper will do."""
        return all(isinstance(field.grid, Grid) for field in self.fields)


def make_sheet(
    pictures: Iterable[Picture],
    *,
    expected_fraction: float | None = None,
    relative_accuracy_pct: float = 10.0,
    points: int | None = None,
    fields: int | None = None,
    classes: tuple[str, ...] = (),
    seed: int = 1,
) -> Sheet:
    """Plan a count, draw its fields, place its grids.

    Fields are drawn per specimen, systematically from a random start; pictures that cannot be read are left out
    and returned as troubles.

    Parameters
    ----------
    expected_fraction
        V_V, 0 to 1; None: nothing is expected.
    relative_accuracy_pct
        Wanted %RA.
    points, fields
        Points of a grid and fields of a specimen; None: as the plan suggests.
    classes
        Carbide classes to tell apart; empty: one.
    seed
        Of the draw of the fields, the shift of the grids and the order.

    Raises
    ------
    InputError
        Where none of the drawn pictures can be read.
    """
    rng = np.random.default_rng(seed)
    by_specimen: dict[str, list[Picture]] = {}
    for specimen, field in pictures:
        by_specimen.setdefault(specimen, []).append((specimen, field))
    points = points or suggested_points(expected_fraction)
    wanted = suggested_fields(expected_fraction, points, relative_accuracy_pct)

    def grid(width_px: int, height_px: int) -> Grid:
        return place_grid(width_px, height_px, points, rng)

    drawn: list[SheetField] = []
    plans, troubles = [], []
    for specimen, available in by_specimen.items():
        placed = []
        for index in draw_fields(len(available), fields or wanted, rng):
            try:
                placed.append(_sheet_field(available[index], grid))
            except InputError as trouble:
                troubles.append(trouble)
        drawn += placed
        on_grid = round(np.mean([f.grid.points for f in placed])) if placed else points
        told = (on_grid, len(placed), len(available), wanted, relative_accuracy_pct, expected_fraction)
        plans.append(Plan(specimen, *told))
    if not drawn:
        raise troubles[0] if troubles else InputError("points sheet", "has no picture", "name the pictures to count on")
    shuffled = tuple(drawn[i] for i in rng.permutation(len(drawn)))
    return Sheet(_identity(shuffled, classes), shuffled, classes, tuple(plans), tuple(troubles))


def further_sheet(drawn: Sequence[tuple[Picture, Scattered]], classes: tuple[str, ...], seed: int) -> Sheet:
    """Sheet of points that were drawn one by one, its fields in random order.

    Raises
    ------
    InputError
        Where a picture cannot be read.
    """
    order = np.random.default_rng(seed).permutation(len(drawn))
    fields = tuple(_sheet_field(drawn[i][0], lambda *_, points=drawn[i][1]: points) for i in order)
    return Sheet(_identity(fields, classes), fields, classes, (), ())


def _identity(fields: tuple[SheetField, ...], classes: tuple[str, ...]) -> str:
    """Short name of a sheet: another one as soon as a picture, a point, a class or the order differs."""
    content = [(f.specimen, f.field, f.image_sha256, vars(f.grid)) for f in fields]
    return hashlib.sha256(json.dumps([content, classes]).encode(errors="surrogateescape")).hexdigest()[:12]


def _sheet_field(picture: Picture, placed: Callable[[int, int], Grid | Scattered]) -> SheetField:
    """Field of a sheet, its points `placed` on a picture of so many columns and rows."""
    specimen, field = picture
    micrograph = field.read().core
    shown = greys_shown(micrograph.grey, *display_range(micrograph.grey))
    grid = placed(shown.shape[1], shown.shape[0])
    return SheetField(
        specimen=specimen,
        field=field.name,
        image_sha256=micrograph.sha256,
        width_px=shown.shape[1],
        height_px=shown.shape[0],
        grid=grid,
        overview=jpeg(reduced(shown, OVERVIEW_PX), OVERVIEW_QUALITY),
        details=jpeg(details(shown, grid), DETAIL_QUALITY),
    )


def reduced(shown: NDArray[np.uint8], longest_px: int) -> NDArray[np.uint8]:
    """Copy whose longer side is at most `longest_px`; never enlarged."""
    return no_wider(shown, min(longest_px, round(longest_px * shown.shape[1] / max(shown.shape))))


def details(shown: NDArray[np.uint8], grid: Grid | Scattered) -> NDArray[np.uint8]:
    """(rows·DETAIL_PX, columns·DETAIL_PX) squares about the points; black beyond the edge of the picture.

    The square of a point at x begins at the whole pixel floor(x) − DETAIL_PX/2.
    """
    half = DETAIL_PX // 2
    padded = np.pad(shown, half)
    rows = np.floor(grid.y_px).astype(int)[:, None] + np.arange(DETAIL_PX)
    columns = np.floor(grid.x_px).astype(int)[:, None] + np.arange(DETAIL_PX)
    squares = np.zeros((grid.rows * grid.columns, DETAIL_PX, DETAIL_PX), np.uint8)
    squares[: grid.points] = padded[rows[:, :, None], columns[:, None, :]]
    placed = squares.reshape(grid.rows, grid.columns, DETAIL_PX, DETAIL_PX).swapaxes(1, 2)
    return np.ascontiguousarray(placed).reshape(grid.rows * DETAIL_PX, grid.columns * DETAIL_PX)
