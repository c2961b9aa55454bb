"""The files of one field: its tables, its labels, its outlines."""

from __future__ import annotations

import hashlib
import io
import uuid
from collections.abc import Mapping
from pathlib import Path

import cv2
import numpy as np
import pandas as pd
import tifffile
from numpy.typing import NDArray

from micro import results

# Noise of a camera is packed in half the time without a filter before, and into less.
PACKED = (cv2.IMWRITE_PNG_FILTER, cv2.IMWRITE_PNG_FILTER_NONE, cv2.IMWRITE_PNG_COMPRESSION, 2)
LABELS_PACKED = {"level": 3}  # in half the time of the next level


def write_field(
    out: Path, stem: str, tables: Mapping[str, pd.DataFrame], labels: bytes, picture: NDArray[np.uint8]
) -> dict[str, str]:
    """Write the files of one field, each whole; return the SHA-256 of each by its name in the results folder.

    Parameters
    ----------
    stem
        Name that the field's files share.
    tables
        By file name.
    labels
        As of `label_file`.
    picture
        (rows, columns, 3) RGB.
    """
    paths = {name: f"{results.PARTS}/{stem}/{name}" for name in tables}
    for name, table in tables.items():
        results.write_table(out / paths[name], table)
    _, outlines = cv2.imencode(".png", picture[..., ::-1], PACKED)
    pictures = {f"{results.LABELS}/{stem}.tif": labels, f"{results.OUTLINES}/{stem}.png": outlines.tobytes()}
    for name, content in pictures.items():
        with results.whole_file(out / name) as stream:
            stream.write(content)
    return {name: results.hash_of_file(out / name) for name in (*paths.values(), *pictures)}


def label_file(labels: NDArray[np.int32], name: str, um_per_px: float) -> bytes:
    """OME-TIFF of a label picture (rows, columns) with the size of a pixel: the same bytes each time."""
    size = {f"PhysicalSize{axis}": um_per_px for axis in "XY"} | {f"PhysicalSize{axis}Unit": "µm" for axis in "XY"}
    identity = str(uuid.uuid5(uuid.NAMESPACE_URL, f"{name} {hashlib.sha256(labels.tobytes()).hexdigest()}"))
    stream = io.BytesIO()
    tifffile.imwrite(
        stream,
        labels,
        compression="zlib",
        compressionargs=LABELS_PACKED,
        ome=True,
        software=False,
        metadata={"axes": "YX", "Name": name, "UUID": identity, "Creator": "micro", **size},
    )
    return stream.getvalue()
