"""The command line as a whole: its list of commands, its exit statuses, one line for what goes wrong."""

import os
import signal
import subprocess
import sys
from pathlib import Path

import cv2
import numpy as np
import pytest

from micro.batch.job import Outcome
from micro.cli import COMMANDS
from micro.cli.options import available_cores, beside_the_bar, issue_lines
from micro.issues import issue
from micro.study.model import Specimen, Study


def test_help_lists_the_commands_in_the_order_of_the_work(run_micro):
    """Each with what it does."""
    status, said, _ = run_micro("--help")
    assert status == 0
    places = [said.index(f"  {name} ") for name in COMMANDS]
    assert places == sorted(places)
    assert all(words.split()[0] in said for words in COMMANDS.values())


@pytest.mark.parametrize("name", list(COMMANDS))
def test_every_command_has_help(name, run_micro):
    status, said, _ = run_micro(name, "--help")
    assert status == 0
    assert f"Usage: micro {name}" in said


def test_an_unknown_command_is_refused(run_micro):
    status, _, said = run_micro("count")
    assert status == 2
    assert "No such command 'count'" in said


@pytest.mark.parametrize(
    ("trouble", "status", "line"),
    [
        (KeyboardInterrupt(), 130, "stopped; run the same command again to go on"),
        (OSError(5, "Input/output error", "a.tif"), 1, "a.tif: cannot be read or written (Input/output error); "),
        (OSError("gone"), 1, "the system: cannot be read or written (gone); "),
        (MemoryError(), 1, "does not fit into memory; "),
    ],
)
def test_whatever_happens_is_one_line_and_a_status(monkeypatch, run_micro, trouble, status, line):
    """No traceback for a stop, a broken disk, or too little memory."""

    def fails(*_):
        raise trouble

    monkeypatch.setattr("micro.study.reader.read_study", fails)
    ended, _, said = run_micro("run", "study.toml")
    assert ended == status
    assert line in said
    assert len(said.strip().splitlines()) == 1


LOSES_ITS_WORKERS = """
import os, signal, threading
import micro.study.reader
from micro.cli import main

def fails(*_):
    if {signalled}:
        threading.Timer(0.05, os.kill, (os.getpid(), signal.SIGTERM)).start()
    raise EOFError

micro.study.reader.read_study = fails
main(["run", "study.toml"])
"""


@pytest.mark.parametrize(
    ("signalled", "status", "line"),
    [
        (True, 128 + signal.SIGTERM, "stopped; run the same command again to go on"),
        (False, 1, "micro: the processes it works with have ended; run the same command again"),
    ],
)
def test_a_signal_to_all_processes_is_told_from_workers_that_ended(signalled, status, line):
    """The workers of a group that is asked to end may be gone before the main process hears of it."""
    code = LOSES_ITS_WORKERS.format(signalled=signalled)
    ended = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60)
    assert (ended.returncode, ended.stderr.strip()) == (status, line)


def test_cores_are_those_that_this_process_may_use(monkeypatch):
    """As allotted where the system tells, all of the machine where it does not."""
    if hasattr(os, "sched_getaffinity"):
        assert available_cores() == len(os.sched_getaffinity(0))
    monkeypatch.delattr(os, "sched_getaffinity", raising=False)
    assert available_cores() == os.cpu_count()


@pytest.mark.parametrize(
    ("arguments", "place"),
    [
        (["coupons", "c.csv", "--out", "file/below"], "file/below"),
        (["points", "sheet", "f.png", "--out", "file/below"], "file/below"),
        (["run", "study.toml", "--out", "file/below"], "file/below"),
    ],
)
def test_a_folder_that_cannot_be_made_is_said(tmp_path, monkeypatch, run_micro, arguments, place):
    """What lies below a file is no place to write: status 2, the place named, and what to do."""
    grey = np.random.default_rng(1).normal(100, 4, (96, 96)).astype(np.uint8)
    cv2.imwrite(str(tmp_path / "f.png"), grey)
    (tmp_path / "file").touch()
    (tmp_path / "c.csv").write_text("specimen,direction,toughness_J\nP,longitudinal,30\nP,transverse,20\n")
    (tmp_path / "study.toml").write_text('um_per_px = 0.2\n[[specimen]]\nname = "A"\nimages = ["f.png"]\n')
    monkeypatch.chdir(tmp_path)
    status, _, said = run_micro(*arguments)
    assert status == 2
    (line,) = [line for line in said.splitlines() if "cannot be written" in line]
    assert line.startswith(place)
    assert "; choose another" in line


def test_messages_name_the_picture_and_the_part_where_it_has_several():
    """Parts of a mosaic are told from each other; a picture that is one field goes by its own name alone."""
    parts = [
        Outcome("A", f"m-r1c{k}", f"A-m-r1c{k}", "m.tif", issues=(issue("transparency_left_out"),)) for k in (1, 2)
    ]
    whole = Outcome("A", "w", "A-w", "w.tif", issues=(issue("transparency_left_out"),))
    assert issue_lines([*parts, whole]) == ["m.tif m-r1c1, m.tif m-r1c2, w.tif: the transparency was left out"]


@pytest.mark.parametrize(
    ("key", "words"), [("taught_by", "the count teaches the outlines"), ("detection", "24 more fields")]
)
def test_what_takes_long_beside_the_bar_is_said_before_it(key, words):
    """The bar counts fields: while it stands still nobody must think that the program does."""
    bar = Specimen("A", (), **{key: (Path("tally.csv"),) if key == "taught_by" else True})
    (line,) = beside_the_bar(Study("t", (bar, Specimen("B", ())), "t"))
    assert words in line
    assert list(beside_the_bar(Study("t", (Specimen("B", ()),), "t"))) == []
