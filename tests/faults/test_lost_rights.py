"""What may not be read or written costs one line; nothing leaves the results folder; a later run makes it whole."""

from __future__ import annotations

import ctypes
import multiprocessing
import os
import resource
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import pytest

from micro import results
from micro.batch.job import Outcome
from micro.cli import main
from micro.errors import InputError
from micro.report.record import read_run, run_record, write_record
from micro.segmentation.segmentation import SegmentationSettings
from micro.study.model import Field, Specimen, Study

TABLES = (results.PARTICLES, results.FIELDS, results.SPECIMENS, results.PROFILES)
SETS_OF_64, EFFECTIVE, OVERRIDE_RIGHTS, READ_ANYTHING = 0x20080522, 0, 1, 2
ARGUMENTS = ("measure", "a1.png", "a2.png", "--um-per-px", "0.2", "--rolling-deg", "0", "--workers", "1", "--out")


pytestmark = pytest.mark.usefixtures("without_pages")


def tables(out: Path) -> dict[str, bytes]:
    return {name: (out / name).read_bytes() for name in TABLES}


def obey_rights() -> None:
    """Take from the administrator what others do not have: to read and write whatever the rights say (capset(2))."""
    if os.geteuid() == 0:
        system = ctypes.CDLL(None, use_errno=True)
        version, sets = (ctypes.c_uint32 * 2)(SETS_OF_64, 0), (ctypes.c_uint32 * 6)()
        given = system.capget(version, sets)
        sets[EFFECTIVE] &= ~sum(1 << right for right in (OVERRIDE_RIGHTS, READ_ANYTHING))
        if given or system.capset(version, sets):
            raise OSError(ctypes.get_errno(), "cannot drop a right")


def limit_files() -> None:
    """Let no file grow beyond 20 kB, as a disk does that is nearly full."""
    resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, 20_000))


class Ended(NamedTuple):
    """A command that ended: its status and what it said."""

    returncode: int
    stdout: str
    stderr: str


def run_apart(folder: Path, before: Callable[[], None] | None, *arguments: object) -> Ended:
    """Run the command line in a child of this process, which keeps its own rights and needs no second start."""
    with tempfile.TemporaryFile("w+") as told, tempfile.TemporaryFile("w+") as said:
        child = multiprocessing.get_context("fork").Process(
            target=begin, args=(folder, before, told.fileno(), said.fileno(), [*map(str, arguments)])
        )
        child.start()
        child.join()
        for stream in (told, said):
            stream.seek(0)
        return Ended(child.exitcode or 0, told.read(), said.read())


def begin(folder: Path, before: Callable[[], None] | None, told: int, said: int, arguments: list[str]) -> None:
    os.chdir(folder)
    os.dup2(told, 1)
    os.dup2(said, 2)
    sys.stdout, sys.stderr = os.fdopen(1, "w"), os.fdopen(2, "w")
    if before is not None:
        before()
    main(arguments)


def test_what_cannot_be_written_at_the_end_is_one_line(
    folder: Path, run_micro: Callable[..., tuple[int, str, str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A folder stands where a table, then the record belongs: status 1, its name, no traceback; then all is mended."""
    monkeypatch.chdir(folder)
    out = folder / "out"
    assert run_micro(*ARGUMENTS, "out")[0] == 0
    for name in (results.FIELDS, results.RECORD):
        (out / name).unlink(missing_ok=True)
        (out / name).mkdir()
        status, _, said = run_micro(*ARGUMENTS, "out")
        assert status == 1
        lines = [line for line in said.splitlines() if line and not line.startswith("measuring")]
        assert len([line for line in lines if name in line or results.TEMPORARY in line]) == 1
        assert "run the same command again" in lines[-1]
        (out / name).rmdir()
    assert run_micro(*ARGUMENTS, "out")[0] == 0
    assert run_micro(*ARGUMENTS, "calm")[0] == 0
    assert tables(out) == tables(folder / "calm")
    assert not list(out.rglob(results.TEMPORARY + "*"))


@pytest.mark.skipif(sys.platform != "linux", reason="rights are dropped by a call of Linux")
def test_rights_are_obeyed(folder: Path) -> None:
    """A picture that may not be read is named and the other measured; a folder that may not be written is refused."""
    (folder / "a2.png").chmod(0)
    done = run_apart(folder, obey_rights, *ARGUMENTS, "out")
    assert done.returncode == 1
    assert "a2.png: cannot be opened (permission denied)" in done.stderr
    assert "1 of 2 fields measured" in done.stdout
    (folder / "a2.png").chmod(0o644)
    (folder / "out" / "parts").chmod(0o555)
    (folder / "out" / "outlines").chmod(0o555)
    lost = run_apart(folder, obey_rights, *ARGUMENTS, "out")
    assert lost.returncode == 1
    assert "Permission denied" in lost.stderr
    assert "Traceback" not in lost.stderr + done.stderr
    (folder / "shut").mkdir(mode=0o555)
    shut = run_apart(folder, obey_rights, *ARGUMENTS, "shut")
    assert shut.returncode == 2
    assert "shut: cannot be written (Permission denied); choose another --out" in shut.stderr


@pytest.mark.study
@pytest.mark.skipif(sys.platform != "linux", reason="the size of files is limited by a call of Unix")
def test_a_full_disk_ends_in_one_line_a_field(folder: Path) -> None:
    """No file can grow beyond 20 kB: the lines say so; with room again, the tables are those of a calm run."""
    full = run_apart(folder, limit_files, *ARGUMENTS, "out")
    assert full.returncode == 1
    assert "File too large" in full.stderr
    assert "Traceback" not in full.stderr
    assert run_apart(folder, None, *ARGUMENTS, "out").returncode == 0
    assert run_apart(folder, None, *ARGUMENTS, "calm").returncode == 0
    assert tables(folder / "out") == tables(folder / "calm")


@pytest.mark.parametrize("stem", ["../../a1", "/tmp/a1", "..", "", "a/b", "a\\b", "a\0"])
def test_a_record_cannot_name_files_outside(tmp_path: Path, stem: str) -> None:
    """run.json of a folder from somebody else names the files of its fields: only names, no paths."""
    for name, sound in ((stem, False), ("a1", True)):
        field = Field("a1", Path("a1.png"), "a1.png", name, SegmentationSettings())
        study = Study("t", (Specimen("A", (field,)),), "s")
        write_record(run_record(study, (Outcome("A", "a1", name, "a1.png"),), tmp_path, "", 0.0), tmp_path)
        if sound:
            assert read_run(tmp_path).study.specimens[0].fields[0].stem == "a1"
        else:
            with pytest.raises(InputError, match="not a whole record"):
                read_run(tmp_path)
