"""A page of review or an atlas that was killed while it was written is whole after the next command."""

from __future__ import annotations

import contextlib
import os
import signal
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import IO

import pytest
from small_pictures import png

from micro import results

Run = Callable[..., tuple[int, str, str]]
ARGUMENTS = ("--um-per-px", "0.2", "--rolling-deg", "0", "--workers", "1", "--out", "out")

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="processes are copied by a call of Unix")


@pytest.fixture
def measured(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, run_micro: Run) -> None:
    """Give a finished run of two small pictures, out, in the working folder."""
    monkeypatch.chdir(tmp_path)
    for number in (1, 2):
        Path(f"a{number}.png").write_bytes(png(number, (80, 96), 0.1))
    assert run_micro("measure", "a1.png", "a2.png", *ARGUMENTS)[0] == 0


def killed_at(number: int, words: tuple[str, ...]) -> bool:
    """Run a command in a copy of this process that is killed in the middle of its so-manyth file; whether it was."""
    child = os.fork()
    if child == 0:
        write, begun = results.whole_file, [0]

        @contextlib.contextmanager
        def dying(path: Path, wait: bool = True) -> Iterator[IO[bytes]]:
            begun[0] += 1
            with write(path, wait) as stream:
                if begun[0] == number:
                    stream.write(b"half")
                    stream.flush()
                    os.kill(os.getpid(), signal.SIGKILL)
                yield stream

        results.whole_file = dying
        from micro.cli import main

        with contextlib.suppress(SystemExit):
            main([*words])
        os._exit(0)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == -signal.SIGKILL


def contents(folder: Path) -> dict[str, bytes]:
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in sorted(folder.rglob("*"))
            if path.is_file() and path.name != ".lock"}  # fmt: skip


@pytest.mark.parametrize(("words", "folder"), [(("review", "out"), "out"), (("atlas", "out", "--out", "a"), "a")])
@pytest.mark.skipif(sys.platform != "linux", reason="one system is enough")
def test_the_next_command_ends_in_the_same_bytes(
    measured: None, run_micro: Run, words: tuple[str, ...], folder: str
) -> None:
    """Killed in the middle of each of its files in turn; then the command again, and a run is still one."""
    landed = 0
    while killed_at(landed + 1, words):
        landed += 1
    assert landed >= 3
    status, _, said = run_micro(*words)
    assert status == 0, said
    found = contents(Path(folder))
    assert not any(results.TEMPORARY in name for name in found)
    again = tuple(word.replace("a", "calm") if word == "a" else word for word in words)
    assert run_micro(*again)[0] == 0
    calm = contents(Path("calm" if folder == "a" else folder))
    calm.pop("study.json")
    found.pop("study.json")
    assert found == calm
    if folder == "out":
        assert run_micro("verify", "out", "--workers", "1")[0] == 0
