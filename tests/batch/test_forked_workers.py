"""Workers are forked from a process that has drawn already: none may wait for threads that no fork takes along."""

import subprocess
import sys

PROGRAM = """
from micro.processes import pool_of
if __name__ == "__main__":
    with pool_of(2) as pool:
        print(sum(pool.map(abs, range(20))))
"""


def test_forked_workers_begin(tmp_path):
    """Two workers answer; one that hangs would hang every run with --workers 2."""
    (tmp_path / "work.py").write_text(PROGRAM)
    done = subprocess.run(
        [sys.executable, tmp_path / "work.py"], capture_output=True, text=True, timeout=60, check=True
    )
    assert done.stdout == "190\n"
