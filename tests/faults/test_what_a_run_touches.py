"""A run opens no connection, starts no program, and writes into the chosen folder only."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import matplotlib as mpl
from small_pictures import png

# Every call of these kinds is told by Python itself (PEP 578), whichever library makes it.
WATCHED = """
import json, os, sys
calls = []
outside = ("socket.connect", "socket.bind", "socket.getaddrinfo", "urllib.Request", "subprocess.Popen", "os.system",
           "os.exec", "os.posix_spawn")
changing = ("os.rename", "os.remove", "os.mkdir", "os.symlink", "os.link")
def hear(event, given):
    if event in outside:
        calls.append([event, repr(given)])
    elif event == "open" and isinstance(given[0], str) and (given[2] or 0) & (os.O_WRONLY | os.O_RDWR | os.O_CREAT):
        calls.append(["write", os.path.realpath(given[0])])
    elif event in changing and isinstance(given[0], (str, os.PathLike)):
        calls.append(["write", os.path.realpath(os.fspath(given[0]))])
sys.addaudithook(hear)
from micro.cli import main
try:
    main(sys.argv[1:])
except SystemExit as ended:
    status = ended.code
print(json.dumps([status, calls]))
"""


def test_a_run_writes_into_its_folder_and_calls_nobody(tmp_path: Path) -> None:
    """Watched from the first import to the report, with names that would lead elsewhere."""
    for number, name in enumerate(("..png", "%2e%2e%2fa.png", "http:a.png")):
        (tmp_path / name).write_bytes(png(number))
    # With a list of the system's fonts, which takes seconds to make.
    shutil.copytree(mpl.get_cachedir(), tmp_path / "cache")
    environment = {**os.environ, "MPLCONFIGDIR": str(tmp_path / "cache"), "PYTHONDONTWRITEBYTECODE": "1"}
    pictures = sorted(path.name for path in tmp_path.glob("*png"))
    arguments = ["measure", "--um-per-px", "0.2", "--workers", "1", "--out", "out", *pictures]
    done = subprocess.run(
        [sys.executable, "-c", WATCHED, *arguments],
        cwd=tmp_path, env=environment, capture_output=True, text=True, check=True,
    )  # fmt: skip
    status, calls = json.loads(done.stdout.splitlines()[-1])
    assert status == 0, done.stderr
    # The library of figures asks the system for its fonts, once, when it has no list of them yet.
    assert [call for call in calls if call[0] != "write" and "'fc-list'" not in call[1]] == []
    allowed = tuple(f"{(tmp_path / name).resolve()}{os.sep}" for name in ("out", "cache"))
    written = {place for kind, place in calls if kind == "write"}
    assert any("report.html" in path.name for path in (tmp_path / "out").iterdir())
    assert {place for place in written if not f"{place}{os.sep}".startswith(allowed) and place != os.devnull} == set()
