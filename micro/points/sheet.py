"""The sheet of one count: which fields, in which order, with which grid, and the pictures to count on."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from micro.errors import InputError
from micro.micrograph import Micrograph, read
from micro.micrograph.mosaic import SubField
from micro.pictures.outlines import display_range, to_display
from micro.points.grid import Grid, draw_fields, place_grid
from micro.points.plan import Plan, suggested_fields, suggested_points

OVERVIEW_PX = 1280
DETAIL_PX = 96
OVERVIEW_QUALITY = 82
DETAIL_QUALITY = 90


@dataclass(frozen=True)
class Picture:
    """A picture, or the part of a mosaic, that can be drawn for the count: where it lies and how it is read."""

    specimen: str
    field: str
    path: Path
    page: int | None = None
    crop_bottom_px: int | None = None
    sub_field: SubField | None = None


@dataclass(frozen=True)
class SheetSettings:
    """What the user asks of a count.

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
    """

    expected_fraction: float | None = None
    relative_accuracy_pct: float = 10.0
    points: int | None = None
    fields: int | None = None
    classes: tuple[str, ...] = ()
    seed: int = 1


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
    grid: Grid
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


def make_sheet(pictures: Iterable[Picture], settings: SheetSettings) -> Sheet:
    """Plan a count, draw its fields, place its grids.

    Fields are drawn per specimen, systematically from a random start; pictures that cannot be read are left out
    and returned as troubles.

    Raises
    ------
    InputError
        Where none of the drawn pictures can be read.
    """
    rng = np.random.default_rng(settings.seed)
    by_specimen: dict[str, list[Picture]] = {}
    for picture in pictures:
        by_specimen.setdefault(picture.specimen, []).append(picture)
    points = settings.points or suggested_points(settings.expected_fraction)
    wanted = suggested_fields(settings.expected_fraction, points, settings.relative_accuracy_pct)
    drawn: list[SheetField] = []
    plans, troubles = [], []
    for specimen, available in by_specimen.items():
        fields = []
        for index in draw_fields(len(available), settings.fields or wanted, rng):
            try:
                fields.append(_sheet_field(available[index], points, rng))
            except InputError as trouble:
                troubles.append(trouble)
        drawn += fields
        on_grid = round(np.mean([f.grid.points for f in fields])) if fields else points
        plans.append(
            Plan(
                specimen, on_grid, len(fields), len(available), wanted, settings.relative_accuracy_pct,
                settings.expected_fraction,
            )
        )  # fmt: skip
    if not drawn:
        raise troubles[0] if troubles else InputError("points sheet", "has no picture", "name the pictures to count on")
    shuffled = tuple(drawn[i] for i in rng.permutation(len(drawn)))
    return Sheet(_identity(shuffled, settings.classes), shuffled, settings.classes, tuple(plans), tuple(troubles))


def _identity(fields: tuple[SheetField, ...], classes: tuple[str, ...]) -> str:
    """Short name of a sheet: another one as soon as a picture, a point, a class or the order differs."""
    content = [(f.specimen, f.field, f.image_sha256, vars(f.grid)) for f in fields]
    return hashlib.sha256(json.dumps([content, classes]).encode(errors="surrogateescape")).hexdigest()[:12]


def _sheet_field(picture: Picture, points: int, rng: np.random.Generator) -> SheetField:
    micrograph = read(
        picture.path,
        page=picture.page,
        crop_bottom_px=picture.crop_bottom_px,
        name=picture.field,
        sub_field=picture.sub_field,
    ).core_of(picture.sub_field)
    shown = shown_grey(micrograph)
    grid = place_grid(shown.shape[1], shown.shape[0], points, rng)
    return SheetField(
        specimen=picture.specimen,
        field=picture.field,
        image_sha256=micrograph.sha256,
        width_px=shown.shape[1],
        height_px=shown.shape[0],
        grid=grid,
        overview=_jpeg(reduced(shown, OVERVIEW_PX), OVERVIEW_QUALITY),
        details=_jpeg(details(shown, grid), DETAIL_QUALITY),
    )


def shown_grey(micrograph: Micrograph) -> NDArray[np.uint8]:
    """(rows, columns) grey levels for the eye."""
    return to_display(micrograph.grey, *display_range(micrograph.grey))[..., 0]


def reduced(shown: NDArray[np.uint8], longest_px: int) -> NDArray[np.uint8]:
    """Copy whose longer side is at most `longest_px`; never enlarged."""
    import cv2

    rows, columns = shown.shape
    factor = longest_px / max(rows, columns)
    if factor >= 1:
        return shown
    size = (max(1, round(columns * factor)), max(1, round(rows * factor)))
    return cv2.resize(shown, size, interpolation=cv2.INTER_AREA)


def details(shown: NDArray[np.uint8], grid: Grid) -> NDArray[np.uint8]:
    """(rows·DETAIL_PX, columns·DETAIL_PX) squares about the points; black beyond the edge of the picture.

    The square of a point at x begins at the whole pixel floor(x) − DETAIL_PX/2.
    """
    half = DETAIL_PX // 2
    padded = np.pad(shown, half)
    rows = np.floor(grid.y_px).astype(int)[:, None] + np.arange(DETAIL_PX)
    columns = np.floor(grid.x_px).astype(int)[:, None] + np.arange(DETAIL_PX)
    squares = padded[rows[:, :, None], columns[:, None, :]]
    placed = squares.reshape(grid.rows, grid.columns, DETAIL_PX, DETAIL_PX).swapaxes(1, 2)
    return np.ascontiguousarray(placed).reshape(grid.rows * DETAIL_PX, grid.columns * DETAIL_PX)


def _jpeg(shown: NDArray[np.uint8], quality: int) -> bytes:
    import cv2

    return cv2.imencode(".jpg", shown, [cv2.IMWRITE_JPEG_QUALITY, quality])[1].tobytes()
