"""Paths are resolved, then checked: nothing outside the study's folder, and ordinary files only."""

from __future__ import annotations

import os
import shutil
import signal
from collections.abc import Callable
from pathlib import Path

import pytest

from micro.errors import UsageError
from micro.study.reader import read_study

STUDY = 'um_per_px = 0.2\n[[specimen]]\nname = "A"\nimages = ["{}"]\n'


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Give a study's folder, a picture outside of it, and names that look like patterns."""
    study = tmp_path / "study"
    for place in ("x1", "x*", "x?", "[a]"):
        (study / place).mkdir(parents=True)
    (tmp_path / "secret.png").write_bytes(b"\x89PNG\r\n\x1a\n")
    (study / "a.png").write_bytes(b"\x89PNG\r\n\x1a\n")
    (study / "link.png").symlink_to(tmp_path / "secret.png")
    (study / "l*nk.png").symlink_to(tmp_path / "secret.png")
    (study / "door").symlink_to(tmp_path)
    return study


@pytest.mark.parametrize(
    "pattern",
    ["../secret.png", "x*/../../secret.png", "x?/../../secret.png", "[a]/../../secret.png", "x1/../../secret.*",
     "l*nk.png", "link.png", "link.*", "door/secret.png", "doo?/secret.png", "x*/../../*.png", "door/*.png",
     "./x*/.././../secret.png"],
)  # fmt: skip
def test_no_pattern_leaves_the_folder(folder: Path, pattern: str) -> None:
    """Also where it is the exact name of a file, or goes up behind its first star."""
    (folder / "study.toml").write_text(STUDY.format(pattern))
    with pytest.raises(UsageError, match=r"lies outside the study's folder|no picture matches"):
        read_study(folder / "study.toml")


def test_names_that_look_like_patterns_are_names(folder: Path) -> None:
    shutil.copy(folder / "a.png", folder / "x*" / "b[1].png")
    (folder / "study.toml").write_text(STUDY.format("x*/b[1].png"))
    (field,) = read_study(folder / "study.toml").specimens[0].fields
    assert field.image == folder / "x*" / "b[1].png"


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="needs named pipes")
@pytest.mark.parametrize(
    "arguments",
    [
        "run pipe",
        "run pipe.toml",
        "run devices.toml",
        "measure pipe --um-per-px 0.2",
        "measure a.png --calibration pipe",
        "measure a.png --calibration /dev/zero",
        "calibrate pipe --pitch-um 10",
        "coupons pipe",
        "coupons /dev/zero",
        "points compare pipe results",
        "points sheet pipe",
        "points sheet pipe.toml",
        "compare pipe a.png",
        "verify pipe",
    ],
)
def test_pipes_and_devices_are_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, run_micro: Callable[..., tuple[int, str, str]], arguments: str
) -> None:
    """A pipe that nobody writes into, a device without an end: one line, at once."""
    os.mkfifo(tmp_path / "pipe")
    os.mkfifo(tmp_path / "pipe.toml")
    (tmp_path / "devices.toml").write_text('coupons = "pipe"\n' + STUDY.format("pipe"))
    (tmp_path / "a.png").write_bytes(b"\x89PNG\r\n\x1a\n")
    (tmp_path / "results").mkdir()
    (tmp_path / "results" / "run.json").write_text("{}")
    monkeypatch.chdir(tmp_path)
    given = arguments.split()
    workers = ("--workers", "1") if given[0] in ("run", "measure", "verify") else ()

    def too_long(number: int, frame: object) -> None:
        raise AssertionError("the program waits for a pipe or reads a device")

    before = signal.signal(signal.SIGALRM, too_long)
    signal.alarm(40)
    try:
        status, _, said = run_micro(*given, *workers)
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)
    assert status in (1, 2)
    assert said.strip()
    assert "fault of the program" not in said
