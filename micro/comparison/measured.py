"""Specimens as the comparison takes them, read back from results folders too; from which diameter on it does."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from micro import results
from micro.errors import InputError
from micro.scale.scale import shared_uncertainty
from micro.specimens.class_data import ClassData, class_data
from micro.tables.columns import FIELDS, PARTICLES, Column, flagged, names

SAME_RESOLUTION = 1.25
COUNTED_OUTLINE_PX = 2.8
"""Diameter of the smallest outline that is counted, 6 px in area."""


@dataclass(frozen=True, eq=False)
class MeasuredSpecimen:
    """All that the comparison needs of one specimen.

    Parameters
    ----------
    name
        As it will be printed.
    fields, particles
        Its rows of the tables FIELDS and PARTICLES of `micro.tables.columns`.
    plane
        longitudinal, transverse or planar; empty where unknown.
    scale_relative_uncertainty
        Standard uncertainty of the size of a pixel over its value; None where the scale states none.
    pictures
        SHA-256 of its pictures, where a record names them.
    """

    name: str
    fields: pd.DataFrame
    particles: pd.DataFrame
    plane: str = ""
    scale_relative_uncertainty: float | None = None
    pictures: frozenset[str] = frozenset()

    @property
    def um_per_px(self) -> float:
        """Size of a pixel; the largest where fields differ."""
        return float(self.fields["um_per_px"].max())

    @property
    def classes(self) -> list[str]:
        """Carbide classes, without the row of all together."""
        return [name for name in dict.fromkeys(self.fields["carbide_class"]) if name != "all"]

    @property
    def resolved_um(self) -> float:
        """Diameter below which carbides are unresolved or uncounted."""
        small = self.particles.loc[flagged(self.particles["flags"], "small"), "ecd_um"]
        counted = COUNTED_OUTLINE_PX * self.um_per_px
        return max(counted, float(small.max())) if len(small) else counted

    @property
    def softest_field(self) -> tuple[str, float]:
        """Field that alone sets `resolved_um`, and what the others resolve, µm; ("", NaN) where others come near."""
        small = self.particles[flagged(self.particles["flags"], "small")]
        rising = small.groupby("field")["ecd_um"].max().sort_values()
        if not len(rising) or self.fields["field"].nunique() < 2:
            return "", math.nan
        others = max(COUNTED_OUTLINE_PX * self.um_per_px, rising.iloc[-2] if len(rising) > 1 else 0.0)
        return (str(rising.index[-1]), float(others)) if rising.iloc[-1] > SAME_RESOLUTION * others else ("", math.nan)


def class_of(specimen: MeasuredSpecimen, carbide_class: str, above_um: float = 0.0) -> ClassData:
    """Carbides and fields of one class; with `above_um`, only the carbides of that diameter and more."""
    particles = specimen.particles
    if above_um:
        particles = particles[particles["ecd_um"] >= above_um]
    return class_data(particles, specimen.fields, carbide_class)


def common_diameter(a: MeasuredSpecimen, b: MeasuredSpecimen) -> float:
    """Diameter above which both specimens are resolved; 0 where they resolve alike."""
    finer, coarser = sorted((a.resolved_um, b.resolved_um))
    return coarser if coarser > SAME_RESOLUTION * finer else 0.0


POSITIVE = ("um_per_px", "analysed_area_um2")


def read_folders(folders: Sequence[Path]) -> tuple[list[MeasuredSpecimen], list[str]]:
    """Read the specimens of all folders, and one line for each trouble.

    A folder with a trouble gives no specimens. Where two folders hold a specimen of one name, the name gets its
    folder's.
    """
    found: list[tuple[Path, MeasuredSpecimen]] = []
    problems: list[str] = []
    for folder in dict.fromkeys(Path(f) for f in folders):
        try:
            specimens, said = read_folder(folder)
        except InputError as trouble:
            said, specimens = [str(trouble)], []
        problems += said
        found += [(folder, specimen) for specimen in specimens]
    count = pd.Series([specimen.name for _, specimen in found], dtype=str).value_counts()
    return [s if count[s.name] == 1 else replace(s, name=f"{s.name} ({folder})") for folder, s in found], problems


def read_folder(folder: Path) -> tuple[list[MeasuredSpecimen], list[str]]:
    """Read the specimens of one folder; none of them, with the troubles, where a table does not hold up.

    Raises
    ------
    InputError
        Where a file is missing or cannot be read.
    """
    record = results.read_record(folder)
    results.check_as_left(folder, record.get("outputs"), (results.FIELDS, results.PARTICLES))
    fields, problems = _table(folder / results.FIELDS, FIELDS)
    particles, more = _table(folder / results.PARTICLES, PARTICLES)
    problems += more
    if problems:
        return [], problems
    strangers = sorted(set(particles["specimen"]) - set(fields["specimen"]))
    if strangers:
        raise InputError(
            folder / results.PARTICLES, f"names a specimen without fields, {strangers[0]!r}", results.RUN_AGAIN
        )
    if fields.empty:
        raise InputError(folder / results.FIELDS, "holds no fields", results.RUN_AGAIN)
    told = _recorded(folder, record)
    specimens = []
    for key, own in fields.groupby("specimen", sort=False):
        name = str(key)
        carbides = particles[particles["specimen"] == name]
        specimens.append(MeasuredSpecimen(name, own, carbides, *told.get(name, ("", None, frozenset()))))
    return specimens, []


def _table(path: Path, columns: tuple[Column, ...]) -> tuple[pd.DataFrame, list[str]]:
    """Read a table with its types as in `columns`, and one line for each column that does not hold up."""
    table = results.read_table(path, names(columns))
    problems = []
    for column in columns:
        if column.dtype == "str":
            continue
        given = table[column.name]
        values = pd.to_numeric(given, errors="coerce")
        bad = values.isna() & given.notna() | np.isinf(values)
        if column.name in POSITIVE:
            bad |= ~(values > 0)
        if bad.any():
            row = int(np.argmax(bad.to_numpy()))
            told = f"{column.name} is {str(given.iloc[row])[:30]!r}, not a usable number"
            problems.append(str(InputError(f"{path} line {row + 2}", told, results.RUN_AGAIN)))
        table[column.name] = values.astype(float)
    return table, problems


def _recorded(folder: Path, record: dict[str, Any]) -> dict[str, tuple[str, float | None, frozenset[str]]]:
    """Plane, relative scale uncertainty and pictures of each specimen by its name, as run.json tells them.

    The uncertainty is the largest of its fields; None where a field states none.
    """
    try:
        planes = {str(s["name"]): str(s["plane"]) for s in record["study"]["specimens"]}
        stated = [(str(o["specimen"]), o["scale_relative_uncertainty"]) for o in record["outcomes"]]
        pictures = [(str(o["specimen"]), str(o.get("image_sha256", ""))) for o in record["outcomes"]]
    except (KeyError, TypeError, AttributeError):
        raise InputError(folder / results.RECORD, "does not list its specimens", results.RUN_AGAIN) from None
    told: dict[str, tuple[str, float | None, frozenset[str]]] = {}
    for name, plane in planes.items():
        own = [u for specimen, u in stated if specimen == name]
        shared = shared_uncertainty([u if isinstance(u, int | float) and u >= 0 else None for u in own])
        told[name] = plane, shared, frozenset(sha for specimen, sha in pictures if specimen == name and sha)
    return told
