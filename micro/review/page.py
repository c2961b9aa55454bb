"""The page of review: one file that opens from disk, and beside it one file a field that it loads when it is shown."""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from micro.pictures.page import address_of, content_policy, inert_json, jpeg, only, rendered, template_text
from micro.results import REVIEW_FOLDER
from micro.review.acts import FORMAT, VERSION
from micro.review.apply import outlines_sha256

QUALITY = 92
"""Of the JPEG of a field: block borders stay below the noise of a camera; chosen."""
ROW = {
    "ecd_um": ("diameter (ECD), µm", 4), "aspect_ratio": ("aspect ratio", 3), "angle_deg": ("angle, °", 3),
    "feret_max_um": ("longest extent, µm", 4), "perimeter_um": ("perimeter, µm", 4), "mean_grey": ("mean grey", 4),
    "flags": ("flags", 0),
}  # fmt: skip
"""Columns of a carbide's row that the page shows: words, and significant figures (0: text)."""


@dataclass(frozen=True, eq=False)
class ReviewField:
    """A measured field as the page shows it.

    Parameters
    ----------
    shown
        (rows, columns) uint8 grey levels for the eye.
    labels, left_out
        (rows, columns) number of the carbide, and True where nothing was analysed.
    classes, colours
        Its carbide classes, and the colour (RGB) of each.
    message, severity
        What is in doubt, and how gravely ("note", "doubt", "unknown").
    editable
        Whether its area is a sum over outlines, so that a hand can put it right.
    interval
        Ends of the 95 % interval of its area fraction as found; NaN where unknown.
    """

    specimen: str
    field: str
    stem: str
    image_sha256: str
    um_per_px: float
    shown: NDArray[np.uint8]
    labels: NDArray[np.int32]
    left_out: NDArray[np.bool_]
    particles: pd.DataFrame
    classes: tuple[str, ...]
    colours: tuple[tuple[int, int, int], ...]
    message: str
    severity: str
    editable: bool
    interval: tuple[float, float]


def entry_of(field: ReviewField) -> dict[str, str]:
    """Return what the page itself knows of a field."""
    known = {name: getattr(field, name) for name in ("specimen", "field", "stem", "image_sha256")}
    return known | {"outlines_sha256": outlines_sha256(field.labels), "severity": field.severity}


def page(title: str, entries: Sequence[dict[str, str]], missing: Sequence[str]) -> str:
    """HTML of the page.

    Parameters
    ----------
    title
        Of the study.
    entries
        Fields in the order they are shown.
    missing
        One line for each field that cannot be reviewed.
    """
    style, *scripts = (template_text("review", name) for name in ("review.css", "outlines.js", "review.js"))
    script = "\n".join([template_text("pictures", "kept.js"), *scripts])
    identity = hashlib.sha256(json.dumps(entries).encode()).hexdigest()[:16]
    manifest = {"format": FORMAT, "version": VERSION, "page": identity, "folder": REVIEW_FOLDER, "fields": entries}
    # Files beside a page on a disk have no origin to name; what this script loads is trusted instead.
    policy = content_policy("data: blob:", only(style), f"{only(script)} 'strict-dynamic'")
    return rendered(
        "review", "review.html", trim_blocks=True, title=title, fields=entries, missing=missing, style=style,
        script=script, manifest=inert_json(manifest), policy=policy,
    )  # fmt: skip


def field_file(field: ReviewField) -> bytes:
    """Script of one field: its picture, outlines and rows, handed to the page."""
    count = int(field.labels.max(initial=0))
    by_number = field.particles.set_index("particle")
    area = by_number["area_um2"].reindex(range(1, count + 1)) / field.um_per_px**2
    kind = by_number["carbide_class"].reindex(range(1, count + 1)).map({n: k for k, n in enumerate(field.classes)})
    data = {
        "width": field.labels.shape[1],
        "height": field.labels.shape[0],
        "um_per_px": field.um_per_px,
        "picture": address_of("image/jpeg", jpeg(field.shown, QUALITY)),
        "labels": _packed(field.labels),
        "left_out": _packed(field.left_out),
        "area_px2": area.fillna(0.0).tolist(),
        "class_index": kind.fillna(0).astype(int).tolist(),
        "classes": list(field.classes),
        "colours": [list(colour) for colour in field.colours],
        "row_names": [words for words, _ in ROW.values()],
        "rows": _rows(by_number, count),
        "message": field.message,
        "editable": field.editable,
        "interval": list(field.interval) if np.isfinite(field.interval).all() else None,
    }
    return f"microReview({inert_json(field.stem)},{inert_json(data)});\n".encode()


def _rows(by_number: pd.DataFrame, count: int) -> list[list[Any]]:
    """Row of each carbide from 1 on as it is shown; None where unknown."""
    shown: list[list[Any]] = []
    for name, (_, digits) in ROW.items():
        column = by_number[name].reindex(range(1, count + 1))
        if digits:
            shown.append([None if v != v else float(f"{v:.{digits}g}") for v in column.tolist()])
        else:
            shown.append([v if isinstance(v, str) else "" for v in column.tolist()])
    return [list(row) for row in zip(*shown, strict=True)]


def _packed(picture: NDArray[Any]) -> str:
    """Pack runs of equal values in reading order: value and length in turn, seven bits a byte, the lowest first."""
    flat = picture.ravel().astype(np.int64)
    first = np.flatnonzero(np.append(True, flat[1:] != flat[:-1]))
    numbers = np.stack([flat[first], np.diff(np.append(first, flat.size))], axis=1).ravel()
    pieces = [numbers]
    while (pieces[-1] >= 128).any():
        pieces.append(pieces[-1] >> 7)
    digits = np.stack(pieces, axis=1)
    more = digits >= 128
    used = np.concatenate([np.ones((len(digits), 1), bool), more[:, :-1]], axis=1)
    return base64.b64encode(((digits & 127) | (more << 7)).astype(np.uint8)[used].tobytes()).decode()
