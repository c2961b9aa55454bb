"""The results folder: whole files or none, one study a folder, one run at a time, cells that stay text."""

import errno
import json
import subprocess
import sys

import numpy as np
import pandas as pd
import pytest

from micro import results
from micro.errors import InputError, UsageError


def test_a_file_appears_whole_or_not_at_all(tmp_path):
    """A writer that dies leaves the old file as it was, and no rubbish beside it."""
    path = tmp_path / "a.csv"
    path.write_text("old")
    with pytest.raises(OSError, match="No space"), results.whole_file(path) as stream:
        stream.write(b"half")
        raise OSError(errno.ENOSPC, "No space left on device")
    assert path.read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["a.csv"]


def test_a_table_comes_back_as_it_went(tmp_path):
    """Text, numbers, unknowns and formula-like names survive the way through a CSV file."""
    table = pd.DataFrame({
        "name": ["plain", "=SUM(A1)", "+1", "-x", "@a", 'quo"te,', "new\nline", "ü", ""],
        "value": [1.5, np.nan, -2.0, 1e-9, 123456789.0, 0, 1, 2, 3],
        "count": range(9),
    })  # fmt: skip
    results.write_table(tmp_path / "t.csv", table)
    back = results.read_table(tmp_path / "t.csv", ["name", "value", "count"])
    pd.testing.assert_frame_equal(back, table, check_dtype=False)


def test_no_cell_starts_like_a_formula(tmp_path):
    """A spreadsheet runs cells that start with =, +, - or @; text never does here, numbers may be negative."""
    table = pd.DataFrame({"name": ["=cmd|' /C calc'!A0", "+1", "-1", "@x", "\t=1", "\r=1"], "value": [-1.0] * 6})
    cells = [line.split(",")[0].strip('"') for line in results.table_bytes(table).decode().split("\n")[1:-1]]
    assert all(cell.startswith("'") for cell in cells)
    assert b",-1\n" in results.table_bytes(table)


@pytest.mark.parametrize(
    ("content", "words"),
    [(None, "is missing"), (b"", "cannot be read as a table"), (b"x,y\n1,2\n", "lacks the column name"),
     (b"\x00\xff\xfe", "cannot be read as a table|lacks the column")],
)  # fmt: skip
def test_damaged_tables_are_one_line(tmp_path, content, words):
    path = tmp_path / "t.csv"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(InputError, match=words) as trouble:
        results.read_table(path, ["name"])
    assert "\n" not in str(trouble.value)


def test_two_studies_do_not_share_a_folder(tmp_path):
    with results.claimed(tmp_path, "study file a.toml"):
        pass
    words = r"holds the results of another study \(study file a.toml\)"
    with pytest.raises(UsageError, match=words), results.claimed(tmp_path, "study file b.toml"):
        pass
    with results.claimed(tmp_path, "study file a.toml"):
        pass


def test_results_of_unknown_origin_are_not_overwritten(tmp_path):
    (tmp_path / "particles.csv").write_text("precious")
    with pytest.raises(UsageError, match="cannot tell the origin of"), results.claimed(tmp_path, "s"):
        pass
    assert (tmp_path / "particles.csv").read_text() == "precious"


def test_two_runs_at_once_are_refused(tmp_path):
    """The second process is told so in one line; the lock goes with the process that held it."""
    code = f"""
from pathlib import Path
from micro import results
from micro.errors import UsageError
try:
    with results.claimed(Path({str(tmp_path)!r}), "s"):
        print("in")
except UsageError as trouble:
    print(trouble)
"""
    run = [sys.executable, "-c", code]
    with results.claimed(tmp_path, "s"):
        second = subprocess.run(run, capture_output=True, text=True, check=True)
    assert "another run is writing here" in second.stdout
    assert subprocess.run(run, capture_output=True, text=True, check=True).stdout == "in\n"


def test_unfinished_files_of_a_killed_run_are_swept(tmp_path):
    with results.claimed(tmp_path, "s"):
        pass
    for folder in ("", "labels", "outlines", "parts/x"):
        (tmp_path / folder).mkdir(parents=True, exist_ok=True)
        (tmp_path / folder / (results.TEMPORARY + "abc")).write_text("half")
    with results.claimed(tmp_path, "s"):
        assert list(tmp_path.rglob(results.TEMPORARY + "*")) == []


@pytest.mark.parametrize("content", ["", "[1]", "{", json.dumps({"results": 1})])
def test_a_damaged_owner_file_is_one_line(tmp_path, content):
    (tmp_path / results.OWNER).write_text(content)
    with pytest.raises(UsageError, match="is damaged"), results.claimed(tmp_path, "s"):
        pass
