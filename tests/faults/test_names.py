"""Names that nobody expects go through a run, its tables, its figures and back."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from small_pictures import png

from micro import results
from micro.errors import spelled

FILES = [
    b"'=x.png",
    b"'-y.png",
    b"a\rb.png",
    b"a\nb.png",
    b"caf\xe9.png",
    b"\\udce9\\r.png",
    b"$x_{$.png",
    b"$\\frac.png",
]


@pytest.mark.skipif(sys.platform != "linux", reason="other systems do not take such names")
@pytest.mark.parametrize("specimen", ["'=y", "$x_{$"])
def test_names_come_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, run_micro: Callable[..., tuple[int, str, str]], specimen: str
) -> None:
    """Status 0, no fault; every table names each field as its file is named; verify finds the same again."""
    monkeypatch.chdir(tmp_path)
    names = [os.fsdecode(name) for name in FILES]
    for number, name in enumerate(names):
        Path(name).write_bytes(png(number, (64, 72)))
    told = ("--um-per-px", "0.2", "--rolling-deg", "0", "--workers", "1", "--out", "out", f"--specimen={specimen}")
    status, _, said = run_micro("measure", *names, *told)
    assert status == 0, said
    fields = results.read_table(Path("out", results.FIELDS), ["specimen", "field"])
    assert list(dict.fromkeys(fields["field"])) == [spelled(Path(name).stem) for name in names]
    assert set(fields["specimen"]) == {specimen}
    particles = results.read_table(Path("out", results.PARTICLES), ["specimen", "field"])
    assert set(particles["field"]) <= set(fields["field"])
    assert set(results.read_table(Path("out", results.SPECIMENS), ["specimen"])["specimen"]) == {specimen}
    status, _, said = run_micro("verify", "out", "--workers", "1")
    assert (status, "differs" in said) == (0, False), said
