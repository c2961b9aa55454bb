"""What a finished run says of the fields that were counted."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from micro import results
from micro.columns import FIELDS, PARTICLES, names
from micro.errors import InputError

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
            labels = tifffile.imread(self.label_path)
        except (OSError, ValueError, tifffile.TiffFileError):
            raise InputError(self.label_path, "is missing or damaged", REMEDY) from None
        if labels.ndim != 2 or labels.dtype.kind not in "iu":
            raise InputError(self.label_path, "is not a label picture", REMEDY)
        return labels

    def class_of(self, labels: NDArray[np.int32]) -> NDArray[np.object_]:
        """(n,) carbide class of labels."""
        if labels.size and labels.max() >= len(self.class_names):
            raise InputError(self.label_path, "holds a carbide that particles.csv lacks", REMEDY)
        return self.class_names[labels]

    def left_out(self, labels: NDArray[np.int32]) -> float:
        """Share of the picture that was not analysed."""
        share = 1 - self.analysed_px / labels.size
        return max(0.0, share) if math.isfinite(share) else 0.0


def read_measured(folder: Path) -> dict[Key, MeasuredField]:
    """Every field of a finished run by specimen and field.

    Raises
    ------
    InputError
        Where the folder does not hold a whole run.
    """
    record = results.read_record(folder)
    fields = results.read_table(folder / results.FIELDS, names(FIELDS))
    particles = results.read_table(folder / results.PARTICLES, names(PARTICLES))
    particles = particles[["specimen", "field", "particle", "carbide_class"]]
    rows = dict(list(fields.groupby(["specimen", "field"], sort=False)))
    carbides = dict(list(particles.groupby(["specimen", "field"], sort=False)))
    try:
        return {
            (specimen["name"], f["name"]): _field(
                folder, f, rows.get((specimen["name"], f["name"])), carbides.get((specimen["name"], f["name"]))
            )
            for specimen in record["specimens"]
            for f in specimen["fields"]
        }
    except (KeyError, TypeError, AttributeError):
        raise InputError(folder / results.RECORD, "is not a whole record of a run", REMEDY) from None


def _field(folder: Path, record: dict, rows: pd.DataFrame | None, carbides: pd.DataFrame | None) -> MeasuredField:
    class_names = np.array([""], object)
    if carbides is not None:
        class_names = np.full(int(carbides["particle"].max()) + 1, "", object)
        class_names[carbides["particle"].to_numpy(int)] = carbides["carbide_class"].to_numpy(object)
    fractions: dict[str, float] = {}
    analysed_px = math.nan
    if rows is not None:
        fractions = dict(zip(rows["carbide_class"], rows["area_fraction"].astype(float), strict=True))
        analysed_px = float(rows["analysed_area_um2"].iloc[0] / rows["um_per_px"].iloc[0] ** 2)
    path = folder / results.LABELS / f"{record['file']}.tif"
    return MeasuredField(record["image_sha256"] or "", path, fractions, analysed_px, class_names)
