"""Fields on the page: micrographs beside their outlines, small enough for it, and what was measured on each."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import quote

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from micro import results
from micro.errors import InputError
from micro.image.micrograph import Micrograph
from micro.pictures.outlines import display_range, draw_scale_bar, greys_shown, with_strip
from micro.pictures.page import address_of, jpeg, no_wider
from micro.report.page import PagePicture, PageTable
from micro.report.wording import with_ends_of
from micro.study.model import Field, Specimen, Study

WIDEST_PX, ROW_WIDEST_PX = 1100, 560
LETTERS_IN_ROW = 1 / 22
ASPECT = 4 / 3
QUALITY = 82


@dataclass(frozen=True)
class FieldPictures:
    """One field bare and with outlines, as data addresses for a page, its troubles in words, where it is in full."""

    field: str
    bare: str
    outlined: str
    message: str
    full: str


def field_pictures(field: Field, um_per_px: float, message: str, out: Path, pixels: float) -> FieldPictures | None:
    """Pictures of a measured field, of so many pixels each at most; None where the file cannot be read any more."""
    outlined = cv2.imread(str(out / results.OUTLINES / f"{field.stem}.png"), cv2.IMREAD_COLOR)
    micrograph = _read(field)
    if outlined is None or micrograph is None:
        return None
    low, high = display_range(micrograph.grey)
    bare = greys_shown(micrograph.grey, low, high)
    if micrograph.data_bar.size:
        bare = np.vstack([bare, greys_shown(micrograph.data_bar, low, high)])
    widest = min(WIDEST_PX, int((pixels * outlined.shape[1] / outlined.shape[0]) ** 0.5))
    small = no_wider(bare, widest)
    small = with_strip(cv2.cvtColor(small, cv2.COLOR_GRAY2RGB), (), um_per_px * bare.shape[1] / small.shape[1])
    full = f"{results.OUTLINES}/{quote(field.stem + '.png', errors='replace')}"
    shown = data_address(small[..., 0]), data_address(no_wider(outlined, widest)[..., ::-1])
    return FieldPictures(field.name, *shown, message, full)


def same_scale_pictures(study: Study, fields: pd.DataFrame) -> list[PagePicture]:
    """Typical field of every specimen, cropped so that all show the same µm per cm; none for a single specimen."""
    if len(study.specimens) < 2:
        return []
    typical = []
    for specimen in study.specimens:
        found = typical_micrograph(specimen, fields[fields["specimen"] == specimen.name])
        if found is not None:
            field, grey, um_per_px = found
            typical.append((specimen.name, field, np.repeat(grey[..., None], 3, axis=2), um_per_px))
    if len(typical) < 2:
        return []
    crops = same_scale_crops([grey for _, _, grey, _ in typical], [um_per_px for *_, um_per_px in typical])
    pictures = []
    for (specimen_name, field_name, _, um_per_px), crop in zip(typical, crops, strict=True):
        part = np.ascontiguousarray(crop)
        draw_scale_bar(part, um_per_px, LETTERS_IN_ROW)
        words = f"{specimen_name}, field {field_name}, {part.shape[1] * um_per_px:.0f} µm wide"
        pictures.append(PagePicture(data_address(part, ROW_WIDEST_PX), words, f"Micrograph of {words}"))
    return pictures


def same_scale_crops(pictures: Sequence[NDArray[Any]], um_per_px: Sequence[float]) -> list[NDArray[Any]]:
    """Crop pictures (rows, columns, ...) to one size in µm, four wide and three high, from the middle.

    As large as all allow. Drawn at the same width on the page, all show the same µm per cm, to half a pixel.
    """
    sizes = zip(pictures, um_per_px, strict=True)
    width = min(um * min(picture.shape[1], picture.shape[0] * ASPECT) for picture, um in sizes)
    return [_middle(picture, width / um, width / ASPECT / um) for picture, um in zip(pictures, um_per_px, strict=True)]


def _middle(picture: NDArray[Any], width_px: float, height_px: float) -> NDArray[Any]:
    rows, columns = picture.shape[:2]
    width, height = min(max(round(width_px), 1), columns), min(max(round(height_px), 1), rows)
    left, top = (columns - width) // 2, (rows - height) // 2
    return picture[top : top + height, left : left + width]


def typical_field(fields: pd.DataFrame) -> str:
    """Name of the field whose area fraction lies nearest to the median of its specimen.

    Parameters
    ----------
    fields
        Rows of one specimen with the columns FIELDS; not empty.
    """
    every = fields[fields["carbide_class"] == "all"]
    distance = (every["area_fraction"] - every["area_fraction"].median()).abs().fillna(np.inf)
    return str(every["field"].iloc[int(np.argmin(distance.to_numpy()))])


def typical_micrograph(specimen: Specimen, own: pd.DataFrame) -> tuple[str, NDArray[np.uint8], float] | None:
    """Name, grey levels for the eye and size of a pixel of the field nearest the median; None where there is none.

    `own` are the specimen's rows of the fields table.
    """
    name = typical_field(own) if len(own) else ""
    field = next((f for f in specimen.fields if f.name == name), None)
    micrograph = None if field is None else _read(field)
    if micrograph is None:
        return None
    grey = greys_shown(micrograph.grey, *display_range(micrograph.grey))
    return name, grey, float(own.loc[own["field"] == name, "um_per_px"].iloc[0])


def _read(field: Field) -> Micrograph | None:
    """Micrograph of a field, of a mosaic its part; None where the file cannot be read any more."""
    try:
        return field.read().core
    except InputError:
        return None


def data_address(picture: NDArray[Any], widest_px: int = WIDEST_PX) -> str:
    """Grey (rows, columns) or RGB (rows, columns, 3) picture as a data address, at most `widest_px` wide."""
    picture = no_wider(picture, widest_px)
    bgr = picture if picture.ndim == 2 else np.ascontiguousarray(picture[..., ::-1])
    # As small and as good as WebP of that quality here, and ten times faster.
    return address_of("image/jpeg", jpeg(bgr, QUALITY, optimize=True))


COLUMNS = (
    "field, class", "area fraction, %", "carbides", "matrix grey", "class grey", "outline grey", "edge spread, px",
    "noise",
)  # fmt: skip
NOTE = (
    "Grey levels as in the file; matrix_grey, grey of a class, threshold_grey and blur_px in a study file pin them. "
    "Intervals hold what the segmentation of that field leaves open."
)


def field_table(rows: Sequence[Mapping[str, Any]]) -> PageTable:
    """Table from a specimen's rows of the fields table; of a field with one class only the row of all carbides."""
    classes: dict[str, int] = {}
    for row in rows:
        classes[row["field"]] = classes.get(row["field"], 0) + 1
    kept = [row for row in rows if row["carbide_class"] == "all" or classes[row["field"]] > 2]
    return PageTable("What was found, field by field", COLUMNS, [_cells(row) for row in kept], note=NOTE)


def _cells(row: Mapping[str, Any]) -> tuple[str, ...]:
    name = row["field"] if row["carbide_class"] == "all" else f"{row['field']}, {row['carbide_class']}"
    greys = (_number(row[key], 1) for key in ("matrix_grey", "class_grey", "threshold_grey"))
    fraction = with_ends_of(row, "area_fraction", "area_fraction_low", "area_fraction_high", factor=100)
    return (name, fraction, str(row["particles"]), *greys, _number(row["blur_px"], 2), _number(row["noise_grey"], 1))


def _number(value: Any, decimals: int) -> str:
    return f"{float(value):.{decimals}f}" if math.isfinite(float(value)) else ""
