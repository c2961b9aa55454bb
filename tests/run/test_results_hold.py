"""Results are whole, the same whoever measured them, and outlive a stop."""

import contextlib
import json
import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from micro import results
from micro.errors import UsageError
from micro.owned import claimed
from micro.run.study import origin_of, run_study
from micro.study.reader import read_study

ENVIRONMENT = {**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
DATED = {"run.json", "report.html", ".lock"}
PLACED = {"study.json"}


def run(folder, out, workers=1):
    return run_study(read_study(folder / "study.toml"), out, workers, lambda outcome: None)


def contents(out):
    """Bytes of every file, but for those that hold the date or the duration of the run, or where the study lies."""
    files = [p for p in sorted(out.rglob("*")) if p.is_file() and p.name not in DATED | PLACED]
    kept = {p.relative_to(out).as_posix(): p.read_bytes() for p in files}
    return {name: bare(text) if name.startswith("parts/") and name.endswith(".json") else text
            for name, text in kept.items()}  # fmt: skip


def bare(text):
    record = json.loads(text)
    record["outcome"]["seconds"] = 0
    return json.dumps(record)


def test_one_and_two_workers_leave_the_same_bytes(study_folder, finished, tmp_path):
    """The tables, labels and pictures do not depend on how many processes measured."""
    run(study_folder, tmp_path, 2)
    assert contents(tmp_path) == contents(finished)


def test_only_what_changed_is_measured_again(study_folder, results_folder):
    """A damaged label picture and a lost table are found by their hashes, not by their times."""
    before = contents(results_folder)
    (results_folder / "labels" / "a1.tif").write_bytes(b"damaged")
    (results_folder / "parts" / "b2" / "particles.csv").unlink()
    again = run(study_folder, results_folder)
    assert [o.field for o in again.outcomes if not o.reused] == ["a1", "b2"]
    assert contents(results_folder) == before


def test_a_folder_in_use_is_refused(study_folder, tmp_path):
    """Two runs never write into one folder at once."""
    study = read_study(study_folder / "study.toml")
    with claimed(tmp_path, origin_of(study)), pytest.raises(UsageError, match="another run is writing here"):
        run(study_folder, tmp_path)


def test_a_full_disk_loses_the_field_and_nothing_else(study_folder, finished, tmp_path, monkeypatch):
    """Where one field cannot be written, one line says so, and the others are whole; the next run mends it."""
    whole_file = results.whole_file

    def full(path, wait=True):
        if "a2" in path.parts:
            raise OSError(28, "No space left on device", str(path))
        return whole_file(path, wait)

    monkeypatch.setattr(results, "whole_file", full)
    ending = run(study_folder, tmp_path)
    (trouble,) = [o.trouble for o in ending.outcomes if o.trouble]
    assert "No space left on device" in trouble
    assert "free the disk" in trouble
    assert not (tmp_path / "parts" / "a2").exists()
    monkeypatch.undo()
    again = run(study_folder, tmp_path)
    assert [o.field for o in again.outcomes if not o.reused] == ["a2"]
    assert contents(tmp_path) == contents(finished)


def family(parent):
    """Process ids of all that a process started."""
    found = [parent]
    for pid in found:
        for task in Path(f"/proc/{pid}/task").glob("*/children"):
            found += map(int, task.read_text().split())
    return found[1:]


def ends(pid):
    """Whether a process is gone within ten seconds."""
    for _ in range(200):
        if not Path(f"/proc/{pid}").exists():
            return True
        time.sleep(0.05)
    return False


def hear_interrupts():
    """Undo what a shell does to its background jobs: they would pass on that Ctrl-C is not for them."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)


def stopped(command, folder, out, how, fields):
    """Start a run, stop it when so many fields are there, wait for its workers; return its status and what it said."""
    with subprocess.Popen(
        command, cwd=folder, env=ENVIRONMENT, stderr=subprocess.PIPE, stdout=subprocess.DEVNULL, text=True,
        start_new_session=True, preexec_fn=hear_interrupts,
    ) as process:  # fmt: skip
        while len(list(out.glob("parts/*/*.json"))) < fields or len(family(process.pid)) < 2:
            assert process.poll() is None
            time.sleep(0.02)
        workers = family(process.pid)
        how(process)
        _, said = process.communicate()
    assert len(workers) >= 2
    assert all(ends(pid) for pid in workers)
    return process.returncode, said


def interrupt(process):
    """Press Ctrl-C: every process of the terminal hears it."""
    os.killpg(process.pid, signal.SIGINT)


def command_for(out):
    return [sys.executable, "-m", "micro", "run", "study.toml", "--out", str(out), "--workers", "2"]


def undisturbed(command, folder):
    """Let a run end by itself, well; where it does not, show what it said."""
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, env=ENVIRONMENT, check=False)
    assert done.returncode == 0, done.stderr


NEEDS_PROC = pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="needs processes listed in /proc")


@NEEDS_PROC
def test_an_interrupted_run_says_how_to_go_on(study_folder, tmp_path):
    """Ctrl-C ends with status 130 and one line; no worker is left, nothing half written."""
    status, said = stopped(command_for(tmp_path), study_folder, tmp_path, interrupt, 1)
    assert status == 130
    assert said.splitlines()[-1] == "stopped; run the same command again to go on"
    assert "Traceback" not in said
    assert not list(tmp_path.rglob(results.TEMPORARY + "*"))


@NEEDS_PROC
def test_an_interrupt_while_libraries_load_ends_in_one_line(study_folder, tmp_path):
    """The process that workers are forked from hears Ctrl-C too; it has nothing to say of it."""

    def soon(process):
        time.sleep(0.15)
        interrupt(process)

    status, said = stopped(command_for(tmp_path), study_folder, tmp_path, soon, 0)
    assert status == 130
    assert said.count("stopped; run the same command again to go on") == 1
    assert "Traceback" not in said


@NEEDS_PROC
@pytest.mark.parametrize(
    ("signals", "status"),
    [("INT INT", 130), ("INT TERM HUP INT INT", 130), ("TERM INT", 143), ("HUP HUP", 129)],
)
def test_any_number_of_signals_ends_in_one_line(study_folder, tmp_path, signals, status):
    """Half a second of Ctrl-C, a request to end, a closed terminal: the line once, no worker."""
    if "HUP" in signals and signal.getsignal(signal.SIGHUP) is signal.SIG_IGN:
        pytest.skip("closed terminals are ignored here, as by nohup, and so by the program")

    def several(process):
        for number, name in enumerate(signals.split()):
            if process.poll() is None:
                os.killpg(process.pid, getattr(signal, f"SIG{name}"))
            # What comes before the first was taken is handed over by its number: a busy machine takes its time.
            time.sleep(0.1 if number else 0.3)
        process.wait(30)

    code, said = stopped(command_for(tmp_path), study_folder, tmp_path, several, 1)
    assert code == status
    assert said.count("stopped; run the same command again to go on") == 1
    assert "Traceback" not in said


@NEEDS_PROC
@pytest.mark.study
@pytest.mark.draws
def test_a_stopped_run_goes_on_to_the_same_bytes(study_folder, tmp_path):
    """Ctrl-C, a request to end, the death of the parent alone, then a whole run: as if nobody had stopped it."""
    for picture in study_folder.glob("*.png"):
        for copy in "xyz":
            (tmp_path / f"{picture.stem}{copy}.png").write_bytes(picture.read_bytes())
    (tmp_path / "study.toml").write_bytes((study_folder / "study.toml").read_bytes())
    out = tmp_path / "stopped"
    for fields, how, status in (
        (1, interrupt, 130),
        (8, subprocess.Popen.terminate, 143),
        (14, subprocess.Popen.kill, -signal.SIGKILL),
    ):
        assert stopped(command_for(out), tmp_path, out, how, fields)[0] == status
    undisturbed(command_for(out), tmp_path)
    run(tmp_path, tmp_path / "calm", 2)
    assert contents(out) == contents(tmp_path / "calm")


@pytest.mark.study
@pytest.mark.parametrize("seed", range(10))
def test_fifty_kills_end_in_the_same_bytes(study_folder, tmp_path, record_property, seed):
    """Killed at five random moments, going on each time, the folder ends as if nothing had happened; ten times."""
    command = command_for(tmp_path)
    start = time.perf_counter()
    undisturbed(command, study_folder)
    whole, calm = time.perf_counter() - start, contents(tmp_path)
    subprocess.run(["rm", "-rf", str(tmp_path)], check=True)
    rng = random.Random(50 + seed)
    landed = 0
    for _ in range(20):
        start = time.perf_counter()
        process = subprocess.Popen(
            command, cwd=study_folder, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env=ENVIRONMENT,
            start_new_session=True,
        )  # fmt: skip
        with contextlib.suppress(subprocess.TimeoutExpired):
            process.wait(rng.uniform(0.2, whole))
        if process.poll() is None:
            landed += 1
            os.killpg(process.pid, signal.SIGKILL)
            process.wait()
        else:  # a busy machine: the next one has less time
            whole = min(whole, time.perf_counter() - start)
        if landed == 5:
            break
    undisturbed(command, study_folder)
    record_property("kills", landed)
    assert landed == 5
    assert contents(tmp_path) == calm
