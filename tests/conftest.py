"""What all tests share."""

import hashlib
import os
import pickle

import pytest

# Two workers of the test runner on two cores: the numeric libraries keep to one thread each.
for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(name, "1")


DRAWN = {}
"""Files of the figures that this process has drawn, by what was drawn."""


@pytest.fixture(autouse=True)
def figures_drawn_once(request, monkeypatch):
    """Write a figure that was drawn before, of the same data, from memory: half the time of a small run is drawing.

    Not in tests/report, which hold how figures are drawn, nor where other processes draw.
    """
    if "tests/report/" in request.node.nodeid:
        return
    from micro import results
    from micro.report import drawing

    begun = drawing._begun

    def begun_or_known(task, pool):
        if pool is not None:
            return begun(task, pool)
        folder, name, *_ = task.args
        key = hashlib.sha256(pickle.dumps(task.args[1:])).digest()
        if key not in DRAWN:
            task()
            DRAWN[key] = {kind: (folder / f"{name}.{kind}").read_bytes() for kind in drawing.FORMATS}
        else:
            for kind, content in DRAWN[key].items():
                with results.whole_file(folder / f"{name}.{kind}") as stream:
                    stream.write(content)
        return lambda: DRAWN[key]["svg"]

    monkeypatch.setattr(drawing, "_begun", begun_or_known)


@pytest.fixture
def run_micro(capsys):
    """Give the command line in this process: run_micro("measure", ...) returns its status, stdout and stderr."""
    from micro.cli import main

    def run(*arguments):
        with pytest.raises(SystemExit) as ended:
            main([*map(str, arguments)])
        return ended.value.code, *capsys.readouterr()

    return run


def pytest_terminal_summary(terminalreporter):
    """Print the counts that tests record, whichever process ran them."""
    for report in terminalreporter.stats.get("passed", []):
        for name, value in report.user_properties:
            terminalreporter.write_line(f"{name}: {value}")
