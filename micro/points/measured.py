"""What the program measured at the counted points."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from micro import results
from micro.errors import InputError
from micro.scale.scale import unlogged
from micro.tables.columns import FIELDS, names

Key = tuple[str, str]


@dataclass(frozen=True, eq=False)
class MeasuredField:
    """One field of a results folder.

    Parameters
    ----------
    image_sha256
        SHA-256 of the picture; empty where the picture could not be read.
    label_path
        labels/FIELD.tif.
    area_fractions
        A_A by carbide class, "all" among them; empty where the field was not measured.
    analysed_px
        Area that was analysed, px².
    class_names
        (carbides + 1,) class of each label; empty text for the matrix.
    """

    image_sha256: str
    label_path: Path
    area_fractions: dict[str, float]
    analysed_px: float
    class_names: NDArray[np.object_]

    @property
    def measured(self) -> bool:
        """False where the run could not measure the field."""
        return bool(self.area_fractions)

    def labels(self) -> NDArray[np.int32]:
        """(rows, columns) numbers of the carbides, 0 in the matrix; InputError where the file cannot be read."""
        import tifffile

        try:
            with unlogged():
                labels = tifffile.imread(self.label_path)
        except Exception:  # whatever a decoder raises on a damaged file
            raise InputError(self.label_path, "is missing or damaged", results.RUN_AGAIN) from None
        if labels.ndim != 2 or labels.dtype.kind not in "iu" or not labels.size or labels.min() < 0:
            raise InputError(self.label_path, "is not a label picture", results.RUN_AGAIN)
        return labels

    def class_of(self, labels: NDArray[np.int32]) -> NDArray[np.object_]:
        """Class of each label, in the shape of `labels`; empty for the matrix and for what the table lacks."""
        known = np.where(labels < len(self.class_names), labels, 0)
        return self.class_names[known]

    def left_out(self, labels: NDArray[np.int32]) -> float:
        """Share of the picture that was not analysed."""
        share = 1 - self.analysed_px / labels.size
        return max(0.0, share) if math.isfinite(share) else 0.0


def read_measured(folder: Path, pictures: Mapping[Key, str]) -> dict[Key, MeasuredField]:
    """Every field of a results folder by specimen and field, in the order of `pictures`.

    Raises
    ------
    InputError
        Where fields.csv or particles.csv cannot be used.
    """
    fields = results.read_table(folder / results.FIELDS, names(FIELDS))
    particles = results.read_table(folder / results.PARTICLES, ["specimen", "field", "particle", "carbide_class"])
    rows = dict(list(fields.groupby(["specimen", "field"], sort=False)))
    carbides = dict(list(particles.groupby(["specimen", "field"], sort=False)))
    return {key: _field(folder, sha256, rows.get(key), carbides.get(key)) for key, sha256 in pictures.items()}


def _field(folder: Path, sha256: str, rows: pd.DataFrame | None, carbides: pd.DataFrame | None) -> MeasuredField:
    class_names = np.array([""], object)
    if carbides is not None:
        class_names = np.full(int(carbides["particle"].max()) + 1, "", object)
        class_names[carbides["particle"].to_numpy(int)] = carbides["carbide_class"].to_numpy(object)
    fractions: dict[str, float] = {}
    analysed_px, file = math.nan, ""
    if rows is not None:
        # What a count put right is set beside a count no second time: the outlines' own value is.
        own = rows["area_fraction_by_outlines"].fillna(rows["area_fraction"])
        fractions = dict(zip(rows["carbide_class"], own.astype(float), strict=True))
        analysed_px = float(rows["analysed_area_um2"].iloc[0] / rows["um_per_px"].iloc[0] ** 2)
        file = str(rows["file"].iloc[0])
    path = folder / results.LABELS / f"{file}.tif"
    return MeasuredField(sha256, path, fractions, analysed_px, class_names)


def judge_points(
    carbide: NDArray[np.bool_], x_px: NDArray[np.float64], y_px: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Scores that the outlines give: 1 in, ½ on a boundary, 0 out.

    A point is on a boundary when the outline runs within half a pixel of it: the square of one pixel about the
    point touches both carbide and matrix.

    Parameters
    ----------
    carbide
        (rows, columns) True inside the outlines.
    x_px, y_px
        (n,) points on the picture; those beyond its edge raise ValueError.
    """
    rows, columns = carbide.shape
    if not (np.all((x_px >= 0) & (x_px <= columns)) and np.all((y_px >= 0) & (y_px <= rows))):
        raise ValueError(f"a point lies beyond the picture of {columns} × {rows} px")
    left, top = np.floor(x_px - 0.5).astype(int), np.floor(y_px - 0.5).astype(int)
    column = np.clip(left[:, None] + np.array([0, 1, 0, 1]), 0, columns - 1)
    row = np.clip(top[:, None] + np.array([0, 0, 1, 1]), 0, rows - 1)
    about = carbide[row, column]
    return (about.any(axis=1).astype(float) + about.all(axis=1)) / 2


def expected_score(carbide: NDArray[np.bool_]) -> float:
    """Mean of `judge_points` over every place of the picture: what the own count comes to without counting noise.

    The score is constant on squares of one pixel between pixel centres, so that a sum over them is exact; the
    squares are halved along the edges of the picture.
    """
    padded = np.pad(carbide, 1, mode="edge")
    corners = (padded[:-1, :-1], padded[:-1, 1:], padded[1:, :-1], padded[1:, 1:])
    touched = corners[0] | corners[1] | corners[2] | corners[3]
    filled = corners[0] & corners[1] & corners[2] & corners[3]
    across, down = (_halved_ends(length) for length in (carbide.shape[1], carbide.shape[0]))
    weighted = down @ touched @ across + down @ filled @ across
    return float(weighted / 2 / carbide.size)


def _halved_ends(length: int) -> NDArray[np.float64]:
    weight = np.ones(length + 1)
    weight[[0, -1]] = 0.5
    return weight
