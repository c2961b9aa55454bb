"""What all tests share."""

import os

import pytest

# Two workers of the test runner on two cores: the numeric libraries keep to one thread each.
for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(name, "1")


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
