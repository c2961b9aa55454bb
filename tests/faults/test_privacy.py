"""Nothing leaves the machine, and what may be passed on names neither user, host nor folders."""

from __future__ import annotations

import os
import platform
import shutil
import subprocess
import sys
from pathlib import Path

import matplotlib as mpl
import pytest
from small_pictures import png

from micro import results

USER = "nobody_x7"
HEARING = """
import os, socket, sys
NETWORK = {int(getattr(socket, name)) for name in ("AF_INET", "AF_INET6") if hasattr(socket, name)}
def hear(event, arguments):
    if event in ("socket.getaddrinfo", "socket.gethostbyname", "socket.gethostbyaddr", "socket.getnameinfo"):
        pass
    elif event not in ("socket.connect", "socket.bind", "socket.sendto") or arguments[0].family not in NETWORK:
        return
    with open(os.environ["HEARD"], "a") as stream:
        stream.write(event + chr(10))
sys.addaudithook(hear)
"""
"""Loaded by every Python process that is started with it, so in workers too."""


@pytest.fixture(scope="module")
def environment(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """Give an environment in which sockets are heard, of a user with a name of its own."""
    folder = tmp_path_factory.mktemp("hearing")
    (folder / "sitecustomize.py").write_text(HEARING)
    home = folder / USER
    # The list of the system's fonts, which takes seconds to make.
    shutil.copytree(mpl.get_cachedir(), home / ".cache" / "matplotlib")
    path = os.pathsep.join([str(folder), os.environ.get("PYTHONPATH", str(Path.cwd()))])
    return {**os.environ, "PYTHONPATH": path, "HEARD": str(folder / "heard"), "USER": USER, "LOGNAME": USER,
            "HOME": str(home)}  # fmt: skip


def heard(environment: dict[str, str]) -> str:
    path = Path(environment["HEARD"])
    return path.read_text() if path.exists() else ""


@pytest.fixture(scope="module")
def out(environment: dict[str, str], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give the results of a study of two specimens, measured by two workers."""
    folder = tmp_path_factory.mktemp("private") / USER
    folder.mkdir()
    text = 'title = "t"\num_per_px = 0.2\nrolling_deg = 0\ncoupons = "coupons.csv"\n'
    for name in "AB":
        (folder / f"{name}.png").write_bytes(png(ord(name)))
        text += f'[[specimen]]\nname = "{name}"\nimages = ["{name}.png", "missing.png"]\n'
    (folder / "study.toml").write_text(text)
    (folder / "coupons.csv").write_text("specimen,direction,toughness_J\nA,L,20\nA,T,10\nA,sideways,1\n")
    command = [sys.executable, "-m", "micro", "run", str(folder / "study.toml"), "--workers", "2"]
    command += ["--out", str(folder / "out")]
    done = subprocess.run(command, env=environment, capture_output=True, text=True, check=False)
    assert "2 of 4 fields measured" in done.stdout, done.stderr
    return folder / "out"


def test_a_run_opens_no_socket(environment: dict[str, str], out: Path) -> None:
    """No connection, no port, no look-up of a name, in any of the processes; what would hear one does hear."""
    assert out.exists()
    assert heard(environment) == ""
    knock = "import socket; s = socket.socket(); s.connect_ex(('127.0.0.1', 9))"
    subprocess.run([sys.executable, "-c", knock], env=environment, check=True)
    assert heard(environment) == "socket.connect\n"


def test_only_the_record_knows_folders(out: Path) -> None:
    """Report, figures, tables and pictures name no user, host or absolute path; run.json and study.json do."""
    host = platform.node()
    for path in [path for path in out.rglob("*") if path.is_file()]:
        content = path.read_bytes()
        if path.name == results.OWNER or path == out / results.RECORD:
            assert str(out.parent).encode() in content
            continue
        assert USER.encode() not in content, path
        assert str(out.parents[1]).encode() not in content, path
        assert len(host) < 6 or host.encode() not in content, path


def test_a_quick_look_by_absolute_paths_has_a_report_without_them(environment: dict[str, str], out: Path) -> None:
    """`micro measure` with whole paths: fields.csv keeps what was typed, the report names the pictures only."""
    other = out.parent / "quick"
    shutil.rmtree(other, ignore_errors=True)
    command = [sys.executable, "-m", "micro", "measure", str(out.parent / "A.png"), str(out.parent / "gone.png")]
    command += ["--um-per-px", "0.2", "--workers", "1", "--out", str(other)]
    subprocess.run(command, env=environment, capture_output=True, check=False)
    report = (other / results.REPORT).read_text()
    assert USER not in report
    assert str(out.parents[1]) not in report
