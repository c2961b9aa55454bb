"""Each trouble of the system is told from the others, names its file, and says what mends it."""

from __future__ import annotations

import os
import resource
import struct
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from micro.cli.terminal import harmless
from micro.errors import FREE, MORE_FILES, RIGHTS, UsageError, refused, writing
from micro.image.reading import read
from micro.processes import FILES_A_WORKER, FILES_OF_ITS_OWN

MEASURE = ("measure", "a1.png", "a2.png", "--um-per-px", "0.2", "--rolling-deg", "0")
UNIX = pytest.mark.skipif(sys.platform == "win32", reason="limits are set by a call of Unix")


def run_under(kind: int, limit: int, folder: Path, *arguments: str) -> subprocess.CompletedProcess:
    """Run the program as a process to which the system grants no more than a limit."""
    # What counts the branches taken could not write under the limit either, and would say so.
    uncounted = {name: value for name, value in os.environ.items() if not name.startswith("COVERAGE")}
    return subprocess.run(
        [sys.executable, "-m", "micro", *arguments], cwd=folder, capture_output=True, text=True, check=False,
        env=uncounted,
        preexec_fn=lambda: resource.setrlimit(kind, (limit, limit)),
    )  # fmt: skip


@UNIX
def test_a_full_disk_names_every_field_that_is_lost(folder: Path) -> None:
    """No file can grow beyond 8 kB: each field that is lost has its line, with the file; then what ended the run."""
    done = run_under(resource.RLIMIT_FSIZE, 8000, folder, *MEASURE, "--workers", "1", "--out", "out")
    assert done.returncode == 1
    lines = [line for line in done.stderr.splitlines() if "File too large" in line]
    for picture in ("a1", "a2"):
        assert [line for line in lines if line.startswith(f"{picture}.png: out/parts/{picture}/")], done.stderr
    assert all("free the disk" in line and ".unfinished" not in line for line in lines)
    assert "Traceback" not in done.stderr


@UNIX
def test_too_few_open_files_are_said(folder: Path) -> None:
    """Just enough open files for two workers do; fewer are refused with the number, not called a stop."""
    needed = FILES_OF_ITS_OWN + 2 * FILES_A_WORKER
    enough = run_under(resource.RLIMIT_NOFILE, needed, folder, *MEASURE, "--workers", "2", "--out", "out")
    assert enough.returncode == 0, enough.stderr
    few = run_under(resource.RLIMIT_NOFILE, needed - 1, folder, *MEASURE, "--workers", "2", "--out", "few")
    assert few.returncode == 1
    assert f"{needed - 1} open files are allowed, 2 workers need {needed}); {MORE_FILES}" in few.stderr
    assert "stopped" not in few.stderr
    assert "Traceback" not in few.stderr


@pytest.mark.parametrize(
    ("number", "remedy"), [(28, FREE), (122, FREE), (13, RIGHTS), (1, RIGHTS), (30, RIGHTS), (24, MORE_FILES)]
)
def test_each_refusal_has_its_own_remedy(number: int, remedy: str) -> None:
    """A full disk is freed, a right is given, open files are allowed: by the system's number (errno.h of Linux)."""
    assert remedy in str(refused("x", OSError(number, "refused")))


def test_another_folder_is_no_remedy_for_a_full_disk() -> None:
    """Rights that are missing in one folder may be there in another; space is not."""
    for number, remedy in ((28, FREE), (13, "choose another --out")):
        with pytest.raises(UsageError) as raised, writing("out"):
            raise OSError(number, "refused")
        assert raised.value.remedy == remedy


def tiff(path: Path, bits: int, compression: int, content: bytes) -> Path:
    """Write a TIFF of one strip, 64 × 64 px (TIFF 6.0, section 2)."""
    tags = [(256, 64), (257, 64), (258, bits), (259, compression), (262, 1), (273, 8), (277, 1), (278, 64),
            (279, len(content))]  # fmt: skip
    entries = b"".join(struct.pack("<HHII", tag, 4, 1, value) for tag, value in tags)
    head = b"II*\0" + struct.pack("<I", 8 + len(content)) + content
    path.write_bytes(head + struct.pack("<H", len(tags)) + entries + bytes(4))
    return path


@pytest.mark.parametrize(("bits", "compression"), [(10, 1), (12, 1), (14, 1), (8, 50000), (8, 50001), (8, 33003)])
def test_a_missing_decoder_is_no_damage(
    tmp_path: Path, bits: int, compression: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Packed 10, 12, 14 bits, zstd (50000), WebP, JPEG 2000 need an extra: it is named, the file not called damaged."""
    from micro.errors import InputError

    monkeypatch.setitem(sys.modules, "imagecodecs", None)
    path = tiff(tmp_path / "a.tif", bits, compression, np.random.default_rng(1).bytes(64 * 64 * 2))
    with pytest.raises(InputError) as raised:
        read(path)
    assert 'pip install ".[codecs]"' in str(raised.value)
    assert "damage" not in str(raised.value)


STUDY = """
title = "t"
um_per_px = 0.2
rolling_deg = 0
coupons = "coupons.csv"

[[specimen]]
name = "A"
images = ["a*.png"]
"""


@pytest.mark.parametrize(
    ("text", "status"),
    [
        ("specimen,direction\n1,2\n", 1),
        ("specimen,direction,toughness_J\nA,L,20\nA,sideways,10\n", 1),
        ("specimen,direction,toughness_J\nA,L,20\nA,T,10\n", 0),
    ],
)
def test_coupons_that_cannot_be_used_end_in_status_1(
    folder: Path, run_micro: Callable[..., tuple[int, str, str]], text: str, status: int
) -> None:
    """A study whose coupon file, or a row of it, cannot be used is not wholly answered: its status says so."""
    (folder / "study.toml").write_text(STUDY)
    (folder / "coupons.csv").write_text(text)
    assert run_micro("run", folder / "study.toml", "--out", folder / "out", "--workers", "1")[0] == status


@pytest.mark.parametrize("order", ["\x1b[2J", "\x1b]0;title\x07", "\x9b31m", "\r", "\x08", "‮", "\ud800", "\x7f"])
def test_no_order_reaches_the_terminal(order: str) -> None:
    """Escapes, controls of one byte (ECMA-48), turned writing and halves of characters are spelled out."""
    shown = harmless(f"a{order}b\n")
    assert shown.endswith("b\n")
    assert "\\" in shown
    assert all(c.isprintable() for c in shown[:-1])


def test_writing_of_the_trade_stays() -> None:
    """Signs, accents and spaces of print are no orders."""
    assert harmless("± 3 µm² ≤ Ω₁₂ é 12\u202f%\u00a0Cr\n") == "± 3 µm² ≤ Ω₁₂ é 12\u202f%\u00a0Cr\n"


def test_what_a_table_holds_cannot_order_the_terminal(
    folder: Path, run_micro: Callable[..., tuple[int, str, str]]
) -> None:
    """A coupon file with escapes in a specimen, a column and a direction: all that is printed is harmless."""
    coupons = folder / "c.csv"
    coupons.write_text("specimen,direction,toughness_J,\x1b[31mheat\nA\x1b[2J,L,20,x\nA\x1b[2J,T,10,x\nA,\x9b5n,1,y\n")
    _, out, err = run_micro("coupons", coupons, "--by", "\x1b[31mheat")
    assert "\x1b" not in out + err
    assert "\x9b" not in out + err
    _, out, err = run_micro("run", "\x1b[2J.toml")
    assert "\x1b" not in out + err
