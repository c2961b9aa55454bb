"""A damaged or hostile picture costs one line, little time and memory, never a traceback, never its neighbours."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import cv2
import damaged_files
import numpy as np
import pytest

from micro.errors import one_line
from micro.phantom.picture import Optics
from micro.phantom.scenes import Population, Scene, make_field

SOUND = ("sound-1.png", "sound-2.png")
NO_FILES = ("", "missing.tif", "y" * 300 + ".tif")


class Measured(NamedTuple):
    """What the command made of the folder."""

    folder: Path
    files: list[str]
    status: int
    stdout: str
    stderr: str
    peak_mib: float

    @property
    def fields(self) -> dict[str, dict]:
        """Outcomes in run.json by the name that was given."""
        record = json.loads((self.folder / "out" / "run.json").read_text())
        return {outcome["image"]: outcome for outcome in record["outcomes"]}


@pytest.fixture(scope="module")
def measured(tmp_path_factory: pytest.TempPathFactory) -> Measured:
    """Give the whole corpus between two sound pictures, as arguments of one command."""
    folder = tmp_path_factory.mktemp("corpus")
    scene = Scene((Population(0.08, 8.0),), optics=Optics(100, (200,), noise=4.0))
    for number, name in enumerate(SOUND):
        grey, _ = make_field(scene, (160, 208), np.random.default_rng(number))
        cv2.imwrite(str(folder / name), grey.astype(np.uint8))
    damaged = [path.name for path in damaged_files.damaged(folder)]
    files = [SOUND[0], *damaged, *NO_FILES, SOUND[1]]
    command = [sys.executable, "-m", "micro", "measure", "--um-per-px", "0.2", "--rolling-deg", "0"]
    with (folder / "said.txt").open("w+") as said, (folder / "told.txt").open("w+") as told:
        process = subprocess.Popen(
            [*command, "--workers", "1", "--out", "out", "--", *files], cwd=folder, stdout=told, stderr=said
        )
        _, status, usage = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
        for stream in (said, told):
            stream.seek(0)
        return Measured(folder, files, process.returncode, told.read(), said.read(), usage.ru_maxrss / 1024)


def test_the_corpus_is_large(measured: Measured, record_property: Callable[[str, object], None]) -> None:
    """At least 300 files; how they ended is printed at the end of the test run."""
    fields = measured.fields
    refused = [field["trouble"] for field in fields.values() if field["trouble"]]
    seconds = [field["seconds"] for name, field in fields.items() if name not in SOUND]
    told = f"{len(refused)} refused, the rest and the neighbours measured; slowest {max(seconds):.2f} s"
    record_property(f"{len(seconds)} damaged or hostile files", f"{told}, peak {measured.peak_mib:.0f} MiB")
    assert len(measured.files) - len(SOUND) >= 300
    assert len(fields) == len(measured.files)


def test_every_refusal_is_one_line(measured: Measured) -> None:
    """Exit status 1, no traceback, and one line on stderr that names the file, what is wrong and what to do."""
    assert measured.status == 1
    assert "Traceback" not in measured.stderr
    lines = Counter(line.split(": ", 1)[0] for line in measured.stderr.splitlines() if "; " in line)
    for name, field in measured.fields.items():
        if field["trouble"]:
            assert lines[one_line(name).split(": ", 1)[0]] == 1, name
            assert field["trouble"] in measured.stderr
            assert field["trouble"].isprintable()


def test_the_neighbours_are_measured(measured: Measured) -> None:
    """The sound pictures at both ends of the line are in the tables, whatever lay between them."""
    assert not any(measured.fields[name]["trouble"] for name in SOUND)
    fields = (measured.folder / "out" / "fields.csv").read_text()
    assert all(f",{name}," in fields for name in SOUND)


def test_memory_is_bounded(measured: Measured) -> None:
    """The process never takes 1 GiB."""
    assert measured.peak_mib < 1024


def test_nothing_is_written_outside_the_chosen_folder(measured: Measured) -> None:
    """Names with slashes, dots and control characters lead to no file beside the results."""
    assert {p.name for p in measured.folder.iterdir()} == {*measured.files, "out", "said.txt", "told.txt"} - set(
        NO_FILES
    )


def test_no_name_becomes_markup(measured: Measured) -> None:
    """The report shows the names of files as text."""
    report = (measured.folder / "out" / "report.html").read_text()
    assert "&lt;script&gt;alert(1)&lt;" in report
    assert "<script" not in report
    assert "onload='x" not in report


@pytest.mark.parametrize(
    ("words", "least"),
    [
        ("longer than its pixels", 2),
        ("more than a micrograph can be packed", 4),
        ("refer to one another in a circle", 2),
        ("for printing (CMYK)", 2),
        ("not finite", 3),
        ("negative", 2),
        ("JPEG of", 1),
        ("stack of", 2),
        ("is a folder", 1),
        ("there is no such file", 1),
        ("cannot be opened", 1),
        ("is empty", 5),
        ("is text", 4),
    ],
)
def test_each_kind_of_damage_is_told_apart(measured: Measured, words: str, least: int) -> None:
    """The line says what is wrong with this file, not that something is."""
    assert sum(words in field["trouble"] for field in measured.fields.values()) >= least
