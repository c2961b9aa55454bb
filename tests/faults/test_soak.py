"""Any order of runs, stops, edits, moves and lost files ends in the folder that one calm run would have left.

An hour of it: `pytest -m study tests/faults/test_soak.py`; MICRO_SOAK_MINUTES gives another time, MICRO_SOAK_SEED other
scripts. What a script does next depends on what it did, never on the clock or on how far a stopped run came: the same
seed writes the same script, and a difference can be played again.
"""

from __future__ import annotations

import itertools
import json
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import traceback
from pathlib import Path

import pytest
from hypothesis import HealthCheck, Phase, seed, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, precondition, rule, run_state_machine_as_test
from small_pictures import png

from micro import results
from micro.errors import InputError
from micro.owned import MANIFEST
from micro.report.record import read_run, untouched_run
from micro.run.study import run_study
from micro.study.reader import read_study

MINUTES = float(os.environ.get("MICRO_SOAK_MINUTES", "60"))
FIRST_SEED = int(os.environ.get("MICRO_SOAK_SEED", "0"))
STEPS, SCRIPTS = 12, 5
"""Steps of a script, and scripts of a seed: a minute or so, after which the clock is looked at."""
PICTURES = ("a1", "a2", "b1")
VARIANTS = 3
DATED = {results.RECORD, results.LOCK, results.OWNER, MANIFEST}
"""Files that hold dates, places or what was written when; their content is held by other tests."""
SIGNALS = (signal.SIGKILL, signal.SIGINT, signal.SIGTERM)
OWN = {"notes.txt": b"mine", "figures/drawing.svg": b"<svg/>", "labels/a9.tif": b"II*\0"}


def contents(out: Path) -> dict[str, bytes]:
    """Bytes of every file that must be the same; of the records of fields, without how long it took."""
    found = {}
    for path in (p for p in out.rglob("*") if p.is_file() and p.relative_to(out).as_posix() not in DATED):
        content = path.read_bytes()
        if path.name == results.RECORD:
            record = json.loads(content)
            record["outcome"]["seconds"] = 0
            content = json.dumps(record).encode()
        found[path.relative_to(out).as_posix()] = content
    return found


class Soak(RuleBasedStateMachine):
    """A study and its results folder, and what must stand in it."""

    calm: dict[tuple[object, ...], dict[str, bytes]] = {}  # noqa: RUF012 - shared by all scripts on purpose
    done: dict[str, int] = {}  # noqa: RUF012

    @initialize()
    def start(self) -> None:
        self.place = Path(tempfile.mkdtemp())
        self.moves = 0
        self.home = self.place / "study0"
        self.home.mkdir()
        self.shown = dict.fromkeys(PICTURES, 0)
        self.um_per_px, self.carbides, self.own = 0.2, "auto", {}
        self.harmed = False
        self.write()

    def teardown(self) -> None:
        # A difference that chance made does not come again when the script is played again, and would not be told.
        if isinstance(sys.exc_info()[1], Exception):
            print(traceback.format_exc())
        if hasattr(self, "place"):
            shutil.rmtree(self.place, ignore_errors=True)

    @property
    def out(self) -> Path:
        return self.home / "results"

    def write(self, home: Path | None = None) -> Path:
        home = home or self.home
        text = f'title = "s"\num_per_px = {self.um_per_px}\ncarbides = "{self.carbides}"\nrolling_deg = 0\n'
        text += '[[specimen]]\nname = "A"\nimages = ["a*.png"]\n[[specimen]]\nname = "B"\nimages = ["b1.png"]\n'
        (home / "study.toml").write_text(text)
        for number, name in enumerate(PICTURES):
            path = home / f"{name}.png"
            if name in self.shown:
                path.write_bytes(png(number * VARIANTS + self.shown[name], (80, 96)))
            else:
                path.unlink(missing_ok=True)
        return home / "study.toml"

    def count(self, what: str) -> None:
        Soak.done[what] = Soak.done.get(what, 0) + 1

    def begun(self) -> bool:
        """Whether the folder is marked; before that, a file in it is somebody else's and the run is refused."""
        return (self.out / results.OWNER).exists()

    def expected(self) -> dict[str, bytes]:
        state = (self.um_per_px, self.carbides, tuple(sorted(self.shown.items())))
        if state not in Soak.calm:
            with tempfile.TemporaryDirectory() as folder:
                study = read_study(self.write(Path(folder)))
                run_study(study, Path(folder) / "out", 1, lambda outcome: None)
                Soak.calm[state] = contents(Path(folder) / "out")
        return Soak.calm[state]

    @rule()
    def run(self) -> None:
        self.count("runs")
        run_study(read_study(self.write()), self.out, 1, lambda outcome: None)
        assert contents(self.out) == self.expected() | self.own
        untouched_run(self.out)
        self.harmed = False

    # Before that Python itself begins, and ends in its own way.
    @rule(seconds=st.floats(0.2, 5.0), number=st.sampled_from(SIGNALS), workers=st.sampled_from([1, 2]))
    def stop(self, seconds: float, number: signal.Signals, workers: int) -> None:
        self.count("stops")
        command = [sys.executable, "-m", "micro", "run", str(self.write()), "--out", str(self.out)]
        with subprocess.Popen(
            [*command, "--workers", str(workers)], stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True
        ) as process:
            try:
                process.wait(seconds)
            except subprocess.TimeoutExpired:
                process.send_signal(number)
            _, said = process.communicate(timeout=60)
        assert "Traceback" not in said
        if process.returncode == 0:
            assert contents(self.out) == self.expected() | self.own
            self.harmed = False
        elif self.begun():
            self.refused()

    def refused(self) -> None:
        """No reader takes a folder whose last run did not end."""
        try:
            read_run(self.out)
        except InputError:
            return
        # It was stopped before it began: what stands there is whole, if it was.
        if not self.harmed:
            untouched_run(self.out)

    @rule(um_per_px=st.sampled_from([0.2, 0.25]), carbides=st.sampled_from(["auto", "bright"]))
    def edit_study(self, um_per_px: float, carbides: str) -> None:
        self.count("edits of the study")
        self.um_per_px, self.carbides = um_per_px, carbides

    @rule(name=st.sampled_from(PICTURES), variant=st.integers(0, VARIANTS - 1))
    def edit_picture(self, name: str, variant: int) -> None:
        self.count("other pictures")
        self.shown[name] = variant

    @precondition(lambda self: "a2" in self.shown)
    @rule()
    def remove_picture(self) -> None:
        self.count("pictures removed")
        del self.shown["a2"]

    @rule(copy=st.booleans())
    def move(self, copy: bool) -> None:
        """Move or copy the study with its results; it goes on there if nothing was changed on the way."""
        self.count("moves and copies")
        self.run()
        self.moves += 1
        there = self.place / f"study{self.moves}"
        if copy:
            shutil.copytree(self.home, there)
        else:
            self.home.rename(there)
        self.home = there
        self.run()

    @rule(name=st.sampled_from(sorted(OWN)))
    def put_own_file(self, name: str) -> None:
        if self.begun():
            self.count("own files")
            (self.out / name).parent.mkdir(exist_ok=True)
            (self.out / name).write_bytes(OWN[name])
            self.own[name] = OWN[name]

    @rule(number=st.integers(0, 10**6), lost=st.booleans())
    def damage(self, number: int, lost: bool) -> None:
        """Take away or change a file of the program's; the next run makes it again."""
        names = sorted(set(contents(self.out)) - set(self.own))
        if self.begun() and names:
            self.count("files damaged")
            self.harmed = True
            path = self.out / names[number % len(names)]
            if lost:
                path.unlink()
            else:
                path.write_bytes(path.read_bytes()[:-1] + b"?")


@pytest.mark.study
@pytest.mark.draws
@pytest.mark.skipif(sys.platform == "win32", reason="stops by signals of Unix")
def test_any_script_ends_as_a_calm_run(record_property) -> None:
    """Five scripts of twelve steps a seed, seed after seed until the time is over: 0 differences."""
    end = time.monotonic() + 60 * MINUTES
    Soak.done.clear()
    held = settings(
        max_examples=SCRIPTS, stateful_step_count=STEPS, deadline=None, database=None, phases=(Phase.generate,),
        suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    for number in itertools.count(FIRST_SEED):
        run_state_machine_as_test(seed(number)(Soak), settings=held)
        if time.monotonic() > end:
            break
    record_property("soak", ", ".join(f"{number} {what}" for what, number in Soak.done.items()))
    assert Soak.done["runs"] > 0
