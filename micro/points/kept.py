"""Tallies that a results folder keeps of a count, byte for byte, and what was asked of them."""

from __future__ import annotations

import shutil
from collections.abc import Iterable
from pathlib import Path

from micro import results
from micro.owned import listed

ASKED, ACCURACY = "asked.json", "relative_accuracy_pct"


def kept_names(count: int) -> tuple[str, ...]:
    """Names in a results folder of so many kept tallies, and of what was asked of them; none where nobody counted."""
    tallies = tuple(f"{results.TALLIES}/{number:02d}.csv" for number in range(1, count + 1))
    return (*tallies, f"{results.TALLIES}/{ASKED}") if tallies else ()


def store_tallies(tallies: Iterable[Path], folder: Path, wanted_accuracy_pct: float) -> None:
    """Copy tallies into a results folder in the place of those that an earlier count left."""
    contents = [path.read_bytes() for path in tallies]
    *names, asked = kept_names(len(contents))
    for name, content in zip(names, contents, strict=True):
        with results.whole_file(folder / name) as stream:
            stream.write(content)
    results.write_json(folder / asked, {ACCURACY: wanted_accuracy_pct})
    for left in stored_tallies(folder)[len(contents) :]:
        left.unlink()


def copy_tallies(folder: Path, other: Path) -> None:
    """Copy what a results folder keeps of a count into another."""
    for path in (*stored_tallies(folder), folder / results.TALLIES / ASKED):
        if path.is_file():
            (other / results.TALLIES).mkdir(parents=True, exist_ok=True)
            shutil.copyfile(path, other / results.TALLIES / path.name)


def stored_tallies(folder: Path) -> list[Path]:
    """Tallies that a results folder keeps; a file of somebody else's beside them is none."""
    known = listed(folder)
    found = sorted((folder / results.TALLIES).glob("[0-9][0-9].csv"))
    return [path for path in found if not known or path.relative_to(folder).as_posix() in known]
