"""Workers are forked from a process that has drawn already: none may wait for threads that no fork takes along."""

import subprocess
import sys

PROGRAM = """
from micro.processes import pool_of
if __name__ == "__main__":
    with pool_of(2) as pool:
        print(sum(pool.map(abs, range(20))))
"""


def ended(path, program):
    path.write_text(program)
    return subprocess.run([sys.executable, path], capture_output=True, text=True, timeout=60, check=True)


def test_forked_workers_begin(tmp_path):
    """Two workers answer; one that hangs would hang every run with --workers 2."""
    done = ended(tmp_path / "work.py", PROGRAM)
    assert done.stdout == "190\n"


WATCHED = """
import gc
from micro.processes import pool_of
if __name__ == "__main__":
    with pool_of(1) as pool:
        print(pool.submit(gc.isenabled).result(), pool.submit(gc.get_freeze_count).result() > 0, gc.isenabled())
"""


def test_forked_workers_clear_away_what_they_leave(tmp_path):
    """The process that they are forked from does not while it loads: they would grow with every field."""
    done = ended(tmp_path / "work.py", WATCHED)
    assert done.stdout == "True True True\n"


ORPHANS = """
from micro.processes import _context

class Gone:
    def __init__(self, *how):
        self.how = how
    def __reduce__(self):
        return self.how

if __name__ == "__main__":
    for gone in (Gone(open, ("gone",)), Gone(float, ("none",))):
        process = _context().Process(target=abs, args=(gone,))
        process.start()
        process.join()
        print(process.exitcode)
"""


def test_a_worker_whose_run_ended_before_it_began_says_nothing(tmp_path):
    """What it was given is gone with the run that was stopped: no traceback after that one's last line; faults stay."""
    done = ended(tmp_path / "work.py", ORPHANS)
    assert done.stdout == "1\n1\n"
    assert done.stderr.count("Traceback") == 1
    assert "ValueError: could not convert string to float: 'none'" in done.stderr
