"""What may not be read or written costs one line; nothing leaves the results folder; a later run makes it whole."""

from __future__ import annotations

import ctypes
import os
import resource
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pytest

from micro import results
from micro.errors import InputError, UsageError
from micro.phantom.picture import Optics
from micro.phantom.scenes import Population, Scene, make_field
from micro.report.record import study_from_record

TABLES = (results.PARTICLES, results.FIELDS, results.SPECIMENS, results.PROFILES)
DROP_FROM_BOUNDING_SET, OVERRIDE_RIGHTS, READ_ANYTHING = 24, 1, 2
ARGUMENTS = ("measure", "a1.png", "a2.png", "--um-per-px", "0.2", "--rolling-deg", "0", "--workers", "1", "--out")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Give a folder with two small invented pictures."""
    scene = Scene((Population(0.08, 6.0),), optics=Optics(100, (200,), noise=4.0))
    for number in (1, 2):
        grey, _ = make_field(scene, (96, 112), np.random.default_rng(number))
        cv2.imwrite(str(tmp_path / f"a{number}.png"), grey.astype(np.uint8))
    return tmp_path


def tables(out: Path) -> dict[str, bytes]:
    return {name: (out / name).read_bytes() for name in TABLES}


def obey_rights() -> None:
    """Take from the administrator what others do not have: to read and write whatever the rights say."""
    if os.geteuid() == 0:
        system = ctypes.CDLL(None)
        for right in (OVERRIDE_RIGHTS, READ_ANYTHING):
            if system.prctl(DROP_FROM_BOUNDING_SET, right, 0, 0, 0):
                raise OSError("cannot drop a right")


def limit_files() -> None:
    """Let no file grow beyond 20 kB, as a disk does that is nearly full."""
    resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, 20_000))


def run_apart(folder: Path, before: object, *arguments: object) -> subprocess.CompletedProcess:
    return subprocess.run(
        [sys.executable, "-m", "micro", *map(str, arguments)],
        cwd=folder, capture_output=True, text=True, check=False, preexec_fn=before,
    )  # type: ignore[call-overload] # fmt: skip


def test_what_cannot_be_written_at_the_end_is_one_line(
    folder: Path, run_micro: Callable[..., tuple[int, str, str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A folder stands where a table, then the record belongs: status 1, its name, no traceback; then all is mended."""
    monkeypatch.chdir(folder)
    out = folder / "out"
    results.write_json(out / results.OWNER, {"results_of": f"pictures in {folder.resolve()}"})
    for name in (results.FIELDS, results.RECORD):
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


@pytest.mark.parametrize("place", [results.LABELS, results.OUTLINES, results.PARTS, f"{results.PARTS}/a1"])
def test_a_link_out_of_the_results_folder_is_refused(tmp_path: Path, place: str) -> None:
    """A results folder from somebody else may hold links: nothing is written through them."""
    (tmp_path / "elsewhere").mkdir()
    link = tmp_path / "out" / place
    link.parent.mkdir(parents=True)
    link.symlink_to(tmp_path / "elsewhere", target_is_directory=True)
    with pytest.raises(UsageError, match="leads out of the results folder"), results.claimed(tmp_path / "out", "s"):
        pass
    assert not list((tmp_path / "elsewhere").iterdir())


@pytest.mark.parametrize("stem", ["../../a1", "/tmp/a1", "..", "", "a/b", "a\\b", "a\0"])
def test_a_record_cannot_name_files_outside(stem: str) -> None:
    """run.json of a folder from somebody else names the files of its fields: only names, no paths."""
    parameters = {name: {"value": None} for name in ("crop_bottom_px", "page")}
    field = {
        "name": "a1",
        "path": "a1.png",
        "image": "a1.png",
        "file": stem,
        "parameters": parameters,
        "sub_field": None,
    }
    specimen = dict.fromkeys(("route", "plane"), "") | dict.fromkeys(("rolling_deg", "calibration", "um_per_px"))
    specimen |= {"name": "A", "binning": 1, "composition_wt_pct": {}, "fields": [field]}
    study = {"title": "t", "identity": "s", "file": None, "coupons": None}
    record = {"study": study, "specimens": [specimen]}
    with pytest.raises(InputError, match="not a whole record"):
        study_from_record(record, Path())
    field["file"] = "a1"
    assert study_from_record(record, Path()).specimens[0].fields[0].stem == "a1"
