"""For those who count on paper: printable grid pictures and a form for the totals."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from micro.columns import names
from micro.points.sheet import Sheet, SheetField
from micro.points.tally import FORM

DPI = 200
A4_PX = (round(210 / 25.4 * DPI), round(297 / 25.4 * DPI))
MARGIN_PX = round(15 / 25.4 * DPI)
LABEL_PX = 36
ARM_PX, OPEN_PX = 13, 4


def form(sheet: Sheet) -> pd.DataFrame:
    """Empty tally form with the columns FORM: one row a field, or a field and class; three columns to fill in."""
    rows = []
    for page, f in enumerate(sheet.fields, 1):
        g = f.grid
        placed = (g.columns, g.rows, g.first_x_px, g.first_y_px, g.step_x_px, g.step_y_px)
        for carbide_class in sheet.classes if len(sheet.classes) > 1 else ("",):
            rows.append((sheet.identity, page, f.specimen, f.field, f.image_sha256, *placed, carbide_class, "", "", ""))
    return pd.DataFrame(rows, columns=names(FORM))


def printable_page(sheet: Sheet, number: int) -> bytes:
    """PNG file of field `number` (from 0) on an A4 page, upright or turned as the picture is, with its grid."""
    import cv2

    field = sheet.fields[number]
    page = _blank_page(field)
    box_width, box_height = page.shape[1] - 2 * MARGIN_PX - LABEL_PX, page.shape[0] - 2 * MARGIN_PX - 3 * LABEL_PX
    scale = min(box_width / field.width_px, box_height / field.height_px)
    left, top = MARGIN_PX + LABEL_PX, MARGIN_PX + 3 * LABEL_PX
    _place(page, field, left, top, scale)
    x, y = left + field.grid.x_px * scale, top + field.grid.y_px * scale
    _crosses(page, x, y)
    heading = f"Field {number + 1} of {len(sheet.fields)}   Sheet {sheet.identity}   {field.grid.points} points"
    _text(page, heading, MARGIN_PX, MARGIN_PX + LABEL_PX // 2, 0.9)
    _text(page, "in: ______   boundary: ______", MARGIN_PX, MARGIN_PX + LABEL_PX + LABEL_PX // 2, 0.9)
    for column in range(field.grid.columns):
        _text(page, str(column + 1), int(x[column]) - 8, top - 8, 0.6)
    for row in range(field.grid.rows):
        _text(page, str(row + 1), MARGIN_PX, int(y[row * field.grid.columns]) + 7, 0.6)
    return cv2.imencode(".png", page, [cv2.IMWRITE_PNG_COMPRESSION, 3])[1].tobytes()


def _blank_page(field: SheetField) -> NDArray[np.uint8]:
    long_side, short_side = max(A4_PX), min(A4_PX)
    turned = field.width_px > field.height_px
    rows, columns = (short_side, long_side) if turned else (long_side, short_side)
    return np.full((rows, columns), 255, np.uint8)


def _place(page: NDArray[np.uint8], field: SheetField, left: int, top: int, scale: float) -> None:
    import cv2

    overview = cv2.imdecode(np.frombuffer(field.overview, np.uint8), cv2.IMREAD_GRAYSCALE)
    size = (int(field.width_px * scale), int(field.height_px * scale))
    fitted = cv2.resize(overview, size, interpolation=cv2.INTER_CUBIC)
    page[top : top + size[1], left : left + size[0]] = fitted


def _crosses(page: NDArray[np.uint8], x: NDArray, y: NDArray) -> None:
    """Thin crosses, open at the centre, dark on a light rim so that they show on any grey."""
    import cv2

    for colour, thickness in ((255, 3), (0, 1)):
        for px, py in zip(np.rint(x).astype(int).tolist(), np.rint(y).astype(int).tolist(), strict=True):
            for dx, dy in ((1, 0), (-1, 0), (0, 1), (0, -1)):
                start = (px + dx * OPEN_PX, py + dy * OPEN_PX)
                end = (px + dx * ARM_PX, py + dy * ARM_PX)
                cv2.line(page, start, end, colour, thickness, cv2.LINE_AA)


def _text(page: NDArray[np.uint8], text: str, x: int, y: int, size: float) -> None:
    import cv2

    cv2.putText(page, text, (x, y), cv2.FONT_HERSHEY_SIMPLEX, size, 0, 1, cv2.LINE_AA)
