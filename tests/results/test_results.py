"""The results folder: whole files or none, one study a folder, one run at a time, cells that stay text."""

import csv
import errno
import io
import json
import os
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from micro import results
from micro.errors import InputError
from micro.processes import give_back_memory


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
    assert not any(cell.startswith(("=", "+", "-", "@", "\t", "\r")) for cell in cells)
    assert sum(cell.startswith("'") for cell in cells) == 5
    assert b",-1\n" in results.table_bytes(table)


TEXT = st.text(st.characters(exclude_characters="\0", exclude_categories=["Cs"]), min_size=1)


@given(st.lists(TEXT, min_size=1, max_size=5))
@example(["'=x", "''=x", "'x", "-y", "\r=1", "'\r", "\\\r", "\\r", "\\\\r\r", "a\rb", "C:\\readme", "C:\\x"])
@settings(max_examples=100, deadline=None)
def test_any_name_comes_back(names):
    """Any text that a name can hold, and none is run as a formula."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "t.csv"
        results.write_table(path, pd.DataFrame({"specimen": names, "row": range(len(names))}))
        back = results.read_table(path, ["specimen", "row"])
    assert back["specimen"].tolist() == names
    assert not any(results.guarded(name).startswith(("=", "+", "-", "@", "\t", "\r")) for name in names)


@given(st.dictionaries(st.text(st.characters(exclude_categories=())), st.text(st.characters(exclude_categories=()))))
@settings(max_examples=50, deadline=None)
def test_json_comes_back(content):
    with tempfile.TemporaryDirectory() as folder:
        results.write_json(Path(folder) / "t.json", content)
        assert json.loads((Path(folder) / "t.json").read_bytes().decode()) == content


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


CELLS = st.tuples(st.text(st.characters(exclude_categories=["Cs"])), st.floats(), st.integers(-(2**60), 2**60))


@given(st.lists(CELLS, max_size=5))
@example([("", float("nan"), 0), ("%s", float("-inf"), -1), ('a,"b"\n', 1e-320, 5)])
@settings(max_examples=100, deadline=None)
def test_a_table_is_written_as_the_csv_module_writes_it(rows):
    """Character by character, with nine figures, nothing for unknown, and texts that no spreadsheet runs."""
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(["a,b", "%d", "count"])
    writer.writerows((results.guarded(text), "" if x != x else f"{x:.9g}", whole) for text, x, whole in rows)
    table = pd.DataFrame(rows, columns=["a,b", "%d", "count"]).astype({"%d": float})
    assert results.table_bytes(table).decode() == stream.getvalue()
    alone = io.StringIO()
    csv.writer(alone, lineterminator="\n").writerows([["a,b"], *([results.guarded(text)] for text, *_ in rows)])
    assert results.table_bytes(table[["a,b"]]).decode() == alone.getvalue()


@pytest.mark.parametrize("repetitive", [False, True])
def test_a_table_read_in_parts_is_the_table_read_whole(tmp_path, monkeypatch, repetitive):
    """Whatever a part alone looks like: no text in it, whole numbers only, nothing known; and some rows not kept."""
    table = pd.DataFrame({
        "specimen": ["b", "b", "=c", "a", "a", "a", "a"],
        "curve": ["", "", "", "x", "y", "", "x"],
        "value": [1, 2, 3, 0.5, np.nan, np.nan, np.nan],
        "count": range(7),
    })  # fmt: skip
    path, names = tmp_path / "t.csv", list(table.columns)
    results.write_table(path, table)
    whole = results.read_table(path, names, repetitive)
    some = results.read_table(path, names, repetitive, keep=lambda rows: rows["count"] != 1)
    monkeypatch.setattr(results, "ROWS_AT_ONCE", 2)
    pd.testing.assert_frame_equal(results.read_table(path, names, repetitive), whole)
    in_parts = results.read_table(path, names, repetitive, keep=lambda rows: rows["count"] != 1)
    pd.testing.assert_frame_equal(in_parts.astype({"count": int}), some.reset_index(drop=True))
    assert some["count"].tolist() == [0, 2, 3, 4, 5, 6]
    results.write_table(path, table[:0])
    assert results.read_table(path, names, repetitive).columns.tolist() == names


def test_a_long_table_keeps_what_is_only_summed_in_half_the_size(tmp_path, monkeypatch):
    """To half a unit in the last place of single precision (IEEE 754), 6e-8; all else, and short tables, in full."""
    table = pd.DataFrame({"a": np.linspace(1, 2, 50), "b": np.linspace(1, 2, 50) / 3, "n": range(50)})
    path, names = tmp_path / "t.csv", list(table.columns)
    results.write_table(path, table)
    whole = results.read_table(path, names, narrow=["a"])
    monkeypatch.setattr(results, "ROWS_AT_ONCE", 20)
    monkeypatch.setattr(results, "ROWS_IN_FULL", 30)
    long = results.read_table(path, names, narrow=["a"])
    assert whole["a"].dtype == float and long["a"].dtype == np.float32
    assert (abs(long["a"].astype(float) - whole["a"]) <= 2.0**-24 * whole["a"]).all()
    pd.testing.assert_frame_equal(long[["b", "n"]], whole[["b", "n"]])


@pytest.mark.skipif(not Path("/proc/self/statm").exists(), reason="needs a system that tells of processes in /proc")
def test_what_parts_took_is_given_back():
    """Of 120 MB in pieces with every hundredth still in use, most leaves the process when it is asked for."""

    def held_mb():
        return int(Path("/proc/self/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 1e6

    pieces = [np.ones(5000) for _ in range(3000)]
    before, kept = held_mb(), pieces[::100]
    del pieces
    give_back_memory()
    assert held_mb() < before - 80
    assert len(kept) == 30


def test_files_are_on_the_disk_when_the_block_ends(tmp_path, monkeypatch):
    """Each is handed to the system once, and what it refuses is told with the file's name."""
    put, fsync = [], os.fsync
    monkeypatch.setattr(os, "fsync", lambda handle: (put.append(os.fstat(handle).st_ino), fsync(handle)))
    paths = [tmp_path / name for name in "abc"]
    for path in paths:
        with results.whole_file(path, wait=False) as stream:
            stream.write(b"whole")
    assert not put
    with results.on_disk() as begin:
        begin(paths[:2])
        begin(paths[2:])
    assert sorted(put) == sorted(path.stat().st_ino for path in paths)
    with pytest.raises(OSError, match="gone"), results.on_disk() as begin:
        begin([tmp_path / "gone"])
