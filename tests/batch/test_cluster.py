"""A study on a cluster: a real scheduler and two real workers; one, then the scheduler, is killed in mid-run."""

import contextlib
import os
import re
import signal
import subprocess
import sys
import time

import cv2
import numpy as np
import pytest

from micro.batch.job import Job
from micro.batch.workers import Work
from micro.errors import InputError
from micro.phantom.picture import Optics
from micro.phantom.scenes import Population, Scene, make_field

pytest.importorskip("distributed", reason="needs the cluster extra")

FIELDS = 16
TEXT = """
title = "A study for a cluster"
um_per_px = 0.2
carbides = "bright"

[[specimen]]
name = "A"
plane = "longitudinal"
rolling_deg = 0
images = ["file://{folder}/*.png"]
"""
"""Its pictures lie at addresses: each worker fetches its own."""


@pytest.fixture
def study(tmp_path):
    scene = Scene((Population(0.1, 8.0),), optics=Optics(100, (200,), noise=4.0))
    for number in range(FIELDS):
        grey, _ = make_field(scene, (256, 320), np.random.default_rng(number))
        cv2.imwrite(str(tmp_path / f"f{number:02d}.png"), grey.astype(np.uint8))
    (tmp_path / "study.toml").write_text(TEXT.format(folder=tmp_path))
    return tmp_path


def start(*arguments, log):
    environment = {**os.environ, "PYTHONUNBUFFERED": "1"}
    with log.open("w") as stream:
        return subprocess.Popen(
            [sys.executable, *arguments], stdout=stream, stderr=stream, env=environment, start_new_session=True
        )


def wait_for(log, pattern, seconds=30):
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        found = re.search(pattern, log.read_text())
        if found:
            return found
        time.sleep(0.05)
    raise AssertionError(f"{pattern!r} does not come up in: {log.read_text()[-500:]}")


@contextlib.contextmanager
def started(folder):
    """Address of a scheduler, and it and its two workers as processes."""
    logs = folder / "logs"
    logs.mkdir(parents=True)
    ports = ["--host", "127.0.0.1", "--port", "0", "--no-dashboard"]
    processes = [start("-m", "distributed.cli.dask_scheduler", *ports, log=logs / "scheduler")]
    try:
        address = wait_for(logs / "scheduler", r"Scheduler at:\s+(tcp://\S+)", 60).group(1)
        options = ["--nthreads", "1", "--no-dashboard", "--no-nanny", "--local-directory", str(folder / "dask")]
        for number in range(2):
            log = logs / f"worker{number}"
            processes.append(start("-m", "distributed.cli.dask_worker", address, *options, log=log))
        for number in range(2):
            wait_for(logs / f"worker{number}", r"Registered to:", 60)
        yield address, processes
    finally:
        for process in processes:
            if process.poll() is None:
                os.killpg(process.pid, signal.SIGKILL)
            process.wait()


def run(study, out, *more):
    allowed = ["--allow", f"file://{study}"]
    command = [sys.executable, "-m", "micro", "run", "study.toml", "--out", str(out), *allowed, *more]
    return subprocess.Popen(command, cwd=study, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


def when_there(out, fields):
    """Wait for the files of so many fields; return how many are there."""
    end = time.monotonic() + 240
    while time.monotonic() < end and len(list((out / "labels").glob("*.tif"))) < fields:
        time.sleep(0.02)
    return len(list((out / "labels").glob("*.tif")))


@pytest.mark.study
def test_a_killed_worker_and_scheduler_cost_no_field_and_no_byte(study, tmp_path):
    """The other worker takes over; without the scheduler the same command goes on on another.

    The tables are those of a run on this machine's own cores.
    """
    out, far = tmp_path / "far", []
    with started(tmp_path / "first") as (address, (scheduler, worker, _)):
        process = run(study, out, "--scheduler", address)
        for fields, victim in ((3, worker), (7, scheduler)):
            far.append(when_there(out, fields))
            os.killpg(victim.pid, signal.SIGKILL)
        _, said = process.communicate(timeout=240)
    assert process.returncode == 1, said
    assert "the scheduler has ended; start it again, then run the same command again" in said
    with started(tmp_path / "second") as (address, _):
        process = run(study, out, "--scheduler", address)
        _, said = process.communicate(timeout=240)
    assert process.returncode == 0, said
    print(f"a worker killed after {far[0]}, the scheduler after {far[1]} of {FIELDS} fields")
    assert far[1] < FIELDS
    near = run(study, tmp_path / "near", "--workers", "1")
    near.communicate(timeout=240)
    for name in ("particles.csv", "fields.csv", "profiles.csv", "specimens.csv"):
        assert (out / name).read_bytes() == (tmp_path / "near" / name).read_bytes()


def test_a_scheduler_that_does_not_answer_is_said(monkeypatch):
    """No scheduler at that address."""
    from micro.batch import workers as room
    from micro.errors import UsageError

    monkeypatch.setattr(room, "SECONDS_TO_ANSWER", 1)
    with pytest.raises(UsageError, match="does not answer"):
        room._client("tcp://127.0.0.1:9")


@pytest.fixture
def alone(tmp_path, monkeypatch):
    """Give the address of a scheduler and a way to start a worker; both are processes, waits are short."""
    from micro.batch import workers as room

    monkeypatch.setattr(room, "SECONDS_WITHOUT_WORKER", 1.0)
    monkeypatch.setattr(room, "SECONDS_BETWEEN_LOOKS", 0.2)
    ports = ["--host", "127.0.0.1", "--port", "0", "--no-dashboard"]
    processes = {"scheduler": start("-m", "distributed.cli.dask_scheduler", *ports, log=tmp_path / "scheduler")}

    def work():
        options = ["--nthreads", "1", "--no-dashboard", "--no-nanny", "--local-directory", str(tmp_path / "dask")]
        processes["worker"] = start("-m", "distributed.cli.dask_worker", address, *options, log=tmp_path / "worker")
        wait_for(tmp_path / "worker", r"Registered to:")

    try:
        address = wait_for(tmp_path / "scheduler", r"Scheduler at:\s+(tcp://\S+)", 60).group(1)
        yield address, processes, work
    finally:
        for process in processes.values():
            if process.poll() is None:
                os.killpg(process.pid, signal.SIGKILL)
            process.wait()


def jobs(folder, count):
    from micro.segmentation.segmentation import SegmentationSettings
    from micro.study.model import Field

    fields = [Field(f"f{n}", folder / f"f{n}.png", f"f{n}.png", f"f{n}", SegmentationSettings()) for n in range(count)]
    return [Job("A", field, None, 1, None, folder) for field in fields]


def slow():
    """Work of a moment for the first job, of minutes for the others; found by value, as workers know no tests."""
    import time as clock

    def do(job):
        clock.sleep(0 if job.field.name == "f0" else 300)
        return job.field.name

    return Work(do, lambda job, *why: "lost", lambda job, fault: "fault")


def test_a_scheduler_without_workers_is_not_waited_for_without_end(alone, tmp_path, capfd):
    """One line at once, another after the wait; the status is 1, as the same command can go on."""
    from micro.batch.workers import on_cluster

    address, _, _ = alone
    with pytest.raises(InputError, match="no worker has been there for 1 s; start workers, then run the same command"):
        list(on_cluster(jobs(tmp_path, 2), slow(), address))
    assert f"{address}: nobody works there; waiting up to 1 s" in capfd.readouterr().err


@pytest.mark.parametrize(
    ("victim", "said"), [("worker", "no worker has been there"), ("scheduler", "the scheduler has ended")]
)
def test_who_is_killed_is_named(alone, tmp_path, capfd, victim, said):
    """All workers, or the scheduler, end in mid-run: what was measured is kept, one line tells what to start again."""
    from micro.batch.workers import on_cluster

    address, processes, work = alone
    work()
    ended = on_cluster(jobs(tmp_path, 3), slow(), address)
    assert next(ended) == (0, "f0")
    os.killpg(processes[victim].pid, signal.SIGKILL)
    with pytest.raises(InputError, match=f"{said}.*run the same command again: what is measured is kept"):
        list(ended)
    heard = capfd.readouterr().err
    assert "Traceback" not in heard
    assert "distributed" not in heard
