"""Structures at one scale: the same piece of steel, in µm, from a field of each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd


@dataclass(frozen=True)
class Crop:
    """Part of a picture: edges in pixels, the right and bottom ones outside it; and its true size."""

    left: int
    top: int
    right: int
    bottom: int
    width_um: float
    height_um: float


@dataclass(frozen=True)
class FieldFrame:
    """Size of a field's picture in pixels, and of a pixel."""

    width_px: int
    height_px: int
    um_per_px: float


def same_scale_crops(frames: Sequence[FieldFrame], aspect: float = 4 / 3) -> list[Crop]:
    """Crop fields to one size in µm, from the middle, as large as all allow.

    Drawn at the same width on the page, all show the same µm per cm, to half a pixel.

    Parameters
    ----------
    frames
        The pictures.
    aspect
        Width over height of the crops.
    """
    width = min(f.um_per_px * min(f.width_px, f.height_px * aspect) for f in frames)
    return [_middle(frame, width, width / aspect) for frame in frames]


def _middle(frame: FieldFrame, width_um: float, height_um: float) -> Crop:
    width = min(max(round(width_um / frame.um_per_px), 1), frame.width_px)
    height = min(max(round(height_um / frame.um_per_px), 1), frame.height_px)
    left, top = (frame.width_px - width) // 2, (frame.height_px - height) // 2
    return Crop(left, top, left + width, top + height, width * frame.um_per_px, height * frame.um_per_px)


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
