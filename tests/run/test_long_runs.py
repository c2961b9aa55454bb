"""A long run takes no more memory or descriptors at its end than at its start, but for a line a field."""

import subprocess
import sys
from pathlib import Path

import many_fields
import pytest

FIELDS = 300


@pytest.mark.study
@pytest.mark.skipif(not Path("/proc/self/fd").exists(), reason="needs a system that tells of processes in /proc")
def test_memory_and_descriptors_stay_flat(tmp_path):
    """Parent 10 kB a field at most, largest worker 10 MB in all, descriptors the same; time a field without trend."""
    many_fields.draw_fields(tmp_path, FIELDS)
    command = [sys.executable, "-m", "micro", "run", "study.toml", "--out", "out", "--workers", "2"]
    with subprocess.Popen(command, cwd=tmp_path, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as process:
        rows = many_fields.watch(process, tmp_path / "out" / "parts", FIELDS)
    assert process.returncode == 0
    assert len(rows) >= 6
    (_, _, parent, worker, files), (_, _, last_parent, last_worker, last_files) = rows[1], rows[-1]
    assert last_parent - parent < FIELDS * 0.01
    assert last_worker - worker < 10
    assert abs(last_files - files) <= 4
    seconds = [row[1] for row in rows[1:]]
    assert min(seconds[-3:]) < 2 * max(seconds[:3])
    assert (tmp_path / "out" / "report.html").stat().st_size < 5e6
