"""The tallies kept in a results folder, so that a later run sets them against its own result again."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterable, Mapping
from pathlib import Path

import pandas as pd

from micro import results
from micro.columns import SPECIMENS
from micro.errors import InputError
from micro.points.agreement import POINT_FRACTION, Agreement, compare, fraction_rows
from micro.points.measured import Key
from micro.points.tally import read_tallies

ASKED = "asked.json"
ACCURACY = "relative_accuracy_pct"


def keep_tallies(tallies: Iterable[Path], folder: Path, wanted_accuracy_pct: float) -> None:
    """Copy tallies into a results folder in the place of those that an earlier count left."""
    place = folder / results.TALLIES
    contents = [path.read_bytes() for path in tallies]
    for number, content in enumerate(contents, 1):
        with results.whole_file(place / f"{number:02d}.csv") as stream:
            stream.write(content)
    results.write_json(place / ASKED, {ACCURACY: wanted_accuracy_pct})
    for left in _kept(folder)[len(contents) :]:
        left.unlink()


def copy_tallies(folder: Path, other: Path) -> None:
    """Copy what a results folder keeps of a count into another."""
    if (folder / results.TALLIES).is_dir():
        shutil.copytree(folder / results.TALLIES, other / results.TALLIES)


def kept_agreement(folder: Path, pictures: Mapping[Key, str]) -> Agreement | None:
    """Set the kept tallies against the tables and labels of the folder; None where nobody counted.

    Raises
    ------
    InputError
        Where the tallies cannot be used, or belong to other pictures.
    """
    tallies = _kept(folder)
    if not tallies:
        return None
    path = folder / results.TALLIES / ASKED
    try:
        wanted = float(json.loads(path.read_text(encoding="utf8"))[ACCURACY])
    except (OSError, ValueError, KeyError, TypeError):
        raise InputError(path, "is missing or damaged", "compare the tallies again") from None
    return compare(read_tallies(tallies), folder, pictures, wanted)


def with_count(specimens: pd.DataFrame, agreement: Agreement | None) -> pd.DataFrame:
    """Table of the specimens with the rows of the count at the end of each specimen's own; columns SPECIMENS."""
    if agreement is None:
        return specimens
    counted = fraction_rows(agreement.fields)
    blocks = [specimens[specimens["quantity"] != POINT_FRACTION], counted]
    order = {name: place for place, name in enumerate(dict.fromkeys(specimens["specimen"]))}
    joined = pd.concat(blocks, ignore_index=True).sort_values("specimen", key=lambda s: s.map(order), kind="stable")
    return joined[[column.name for column in SPECIMENS]].reset_index(drop=True)


def _kept(folder: Path) -> list[Path]:
    return sorted((folder / results.TALLIES).glob("[0-9][0-9].csv"))
