"""A damaged picture costs one line and little time, and never a traceback."""

from __future__ import annotations

import importlib.util
import time
from pathlib import Path

import pytest

from micro.errors import InputError
from micro.micrograph import read

SPEC = importlib.util.spec_from_file_location("damaged_files", Path(__file__).with_name("damaged_files.py"))
assert SPEC is not None and SPEC.loader is not None
damaged_files = importlib.util.module_from_spec(SPEC)
SPEC.loader.exec_module(damaged_files)


def test_every_file_is_read_or_refused_in_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """At least 300 files; under 2 s each."""
    count = refused = 0
    slowest, wrong = 0.0, []
    for path in damaged_files.damaged(tmp_path):
        start = time.perf_counter()
        try:
            read(path)
        except InputError as refusal:
            refused += 1
            if "\n" in str(refusal):
                wrong.append(f"{path.name!r}: more than one line")
        except Exception as trouble:
            wrong.append(f"{path.name!r}: {type(trouble).__name__} {trouble}")
        slowest = max(slowest, time.perf_counter() - start)
        count += 1
    with capsys.disabled():
        print(f"\n{count} damaged files, {refused} refused, slowest {slowest:.2f} s")
    assert not wrong
    assert count >= 300
    assert slowest < 2
