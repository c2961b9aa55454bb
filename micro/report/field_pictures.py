"""Micrographs beside their outlines, small enough for a page."""

from __future__ import annotations

import base64
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from micro import results
from micro.errors import InputError
from micro.micrograph import read
from micro.pictures.outlines import display_range, to_display
from micro.pictures.scale_bar import draw_scale_bar
from micro.study import Field

WIDEST_PX = 1100
QUALITY = 82


@dataclass(frozen=True)
class FieldPictures:
    """One field bare and with outlines, as data addresses for a page, and its troubles in words."""

    field: str
    bare: str
    outlined: str
    message: str


def field_pictures(field: Field, um_per_px: float, message: str, out: Path) -> FieldPictures | None:
    """Pictures of a measured field; None where the file cannot be read any more."""
    import cv2

    outlined = cv2.imread(str(out / results.OUTLINES / f"{field.stem}.png"), cv2.IMREAD_COLOR)
    try:
        micrograph = read(field.image, page=field.page, crop_bottom_px=field.crop_bottom_px)
    except InputError:
        return None
    if outlined is None:
        return None
    low, high = display_range(micrograph.grey)
    bare = to_display(micrograph.grey, low, high)
    draw_scale_bar(bare, um_per_px)
    if micrograph.data_bar.size:
        bare = np.vstack([bare, to_display(micrograph.data_bar, low, high)])
    return FieldPictures(field.name, data_address(bare), data_address(outlined[..., ::-1]), message)


def data_address(picture: NDArray[Any]) -> str:
    """RGB picture (rows, columns, 3) as a data address, at most `WIDEST_PX` wide."""
    import cv2

    rows, columns = picture.shape[:2]
    if columns > WIDEST_PX:
        size = (WIDEST_PX, max(1, round(rows * WIDEST_PX / columns)))
        picture = cv2.resize(picture, size, interpolation=cv2.INTER_AREA)
    _, encoded = cv2.imencode(".webp", np.ascontiguousarray(picture[..., ::-1]), [cv2.IMWRITE_WEBP_QUALITY, QUALITY])
    return "data:image/webp;base64," + base64.b64encode(encoded.tobytes()).decode()
