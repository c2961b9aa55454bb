"""What a finished run says of the fields that were counted."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from micro import results
from micro.columns import FIELDS, names
from micro.errors import InputError
from micro.scale.tags import unlogged

Key = tuple[str, str]
REMEDY = "run the study again"


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
            raise InputError(self.label_path, "is missing or damaged", REMEDY) from None
        if labels.ndim != 2 or labels.dtype.kind not in "iu" or not labels.size or labels.min() < 0:
            raise InputError(self.label_path, "is not a label picture", REMEDY)
        return labels

    def class_of(self, labels: NDArray[np.int32]) -> NDArray[np.object_]:
        """Class of each label, in the shape of `labels`; empty for the matrix and for what the table lacks."""
        known = np.where(labels < len(self.class_names), labels, 0)
        return self.class_names[known]

    def left_out(self, labels: NDArray[np.int32]) -> float:
        """Share of the picture that was not analysed."""
        share = 1 - self.analysed_px / labels.size
        return max(0.0, share) if math.isfinite(share) else 0.0


def pictures_of(record: dict[str, Any], folder: Path) -> dict[Key, str]:
    """SHA-256 of the picture of every field of a run, in its order; empty where the picture could not be read.

    Parameters
    ----------
    record
        Content of run.json in `folder`.

    Raises
    ------
    InputError
        Where the record is not whole.
    """
    try:
        return {(s["name"], f["name"]): f["image_sha256"] or "" for s in record["specimens"] for f in s["fields"]}
    except (KeyError, TypeError):
        raise InputError(folder / results.RECORD, "is not a whole record of a run", REMEDY) from None


def read_measured(folder: Path, pictures: Mapping[Key, str]) -> dict[Key, MeasuredField]:
    """Every field of a results folder by specimen and field, in the order of `pictures` (from `pictures_of`).

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
        fractions = dict(zip(rows["carbide_class"], rows["area_fraction"].astype(float), strict=True))
        analysed_px = float(rows["analysed_area_um2"].iloc[0] / rows["um_per_px"].iloc[0] ** 2)
        file = str(rows["file"].iloc[0])
    path = folder / results.LABELS / f"{file}.tif"
    return MeasuredField(sha256, path, fractions, analysed_px, class_names)
