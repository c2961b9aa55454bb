"""A field that brings its process down costs itself and no other."""

import multiprocessing
import os
import sys
from dataclasses import dataclass, replace
from importlib.metadata import PackageNotFoundError

import cv2
import numpy as np
import pytest

from micro.batch import job as job_module
from micro.batch import workers
from micro.batch.job import Job, faulted, library_versions, lost, measure_one
from micro.batch.workers import Work, in_processes, on_cluster, standing
from micro.errors import UsageError
from micro.phantom.picture import Optics
from micro.phantom.scenes import Population, Scene, make_field
from micro.scale.scale import Scale
from micro.segmentation.segmentation import SegmentationSettings
from micro.study.model import Field

FIELDS = Work(measure_one, lost, faulted)


@dataclass(frozen=True)
class Deadly:
    """What ends the process that unpacks it, by the signal that the system sends when memory runs out."""

    def __reduce__(self):
        return eval, ("(os := __import__('os')).kill(os.getpid(), 9)",)


@pytest.fixture
def jobs(tmp_path):
    """Four small fields, all sound."""
    scene = Scene((Population(0.1, 8.0),), optics=Optics(100, (200,), noise=4.0))
    scale, settings = Scale(0.2, None, "given by the user"), SegmentationSettings(carbides="bright")
    made = []
    for number in range(4):
        grey, _ = make_field(scene, (96, 128), np.random.default_rng(number))
        path = tmp_path / f"f{number}.png"
        cv2.imwrite(str(path), grey.astype(np.uint8))
        field = Field(path.stem, path, path.name, path.stem, settings)
        made.append(Job("A", field, scale, 1, 0.0, tmp_path / "out"))
    return made


def process_of(job):
    return os.getpid()


def ended(outcomes):
    return {number: outcome.trouble for number, outcome in outcomes}


def test_a_lost_process_costs_one_field(jobs):
    """Fields under way with the deadly one are measured again, each alone; it gets a line, they get their numbers."""
    jobs[1] = replace(jobs[1], scale=Deadly())
    troubles = ended(in_processes(jobs, FIELDS, 2))
    assert sorted(troubles) == [0, 1, 2, 3]
    assert [number for number, line in troubles.items() if line] == [1]
    assert "f1.png: the system ended the process that measured it; free memory" in troubles[1]
    assert (jobs[0].out / "labels" / "f3.tif").is_file()
    assert not (jobs[0].out / "labels" / "f1.tif").exists()


def test_the_only_worker_that_is_lost_is_told(jobs, monkeypatch):
    """A field that needs much memory is measured beside this process, which lives to tell which one was too much."""
    monkeypatch.setattr(workers, "MOST_BESIDE_THIS", 2**20)
    jobs[1] = replace(jobs[1], scale=Deadly())
    troubles = ended(in_processes(jobs, FIELDS, 1))
    assert [bool(troubles[number]) for number in range(4)] == [False, True, False, False]
    assert (
        "f1.png: the system ended the process that measured it (a picture of this size may take 0.3 GiB)"
        in (troubles[1])
    )


def test_processes_serve_one_step_after_the_other_until_one_is_lost(jobs):
    """The same process works for two steps; after one that ended, others do, and none is left behind."""
    ids = Work(process_of, lost, faulted)
    with standing(1) as pool:
        first, second = (dict(in_processes(jobs[:2], ids, 2, pool)) for _ in range(2))
        assert {*first.values()} == {*second.values()} != {os.getpid()}
        troubles = ended(in_processes([jobs[0], replace(jobs[1], scale=Deadly())], FIELDS, 2, pool))
        assert [bool(troubles[number]) for number in range(2)] == [False, True]
        third = dict(in_processes(jobs[:2], ids, 2, pool))
        assert not {*third.values()} & {*first.values()}
    assert not multiprocessing.active_children()


def test_what_a_worker_measures_is_what_this_process_measures(jobs):
    """Outcomes agree but for the time taken."""
    far = {n: replace(o, seconds=0.0) for n, o in in_processes(jobs[:2], FIELDS, 2)}
    near = {n: replace(measure_one(replace(j, out=j.out / "near")), seconds=0.0) for n, j in enumerate(jobs[:2])}
    assert far == near


def test_a_run_that_is_left_starts_no_further_field(jobs):
    """Whoever takes no more outcomes gets the processes back at once."""
    many = [replace(jobs[0], field=replace(jobs[0].field, stem=f"s{number}")) for number in range(40)]
    outcomes = in_processes(many, FIELDS, 2)
    next(outcomes)
    outcomes.close()
    assert 1 <= len(list((jobs[0].out / "labels").iterdir())) < 20


def test_a_picture_too_large_for_memory_is_one_line(jobs, monkeypatch):
    """The others can still be measured, so the run goes on."""

    def too_large(*_):
        raise MemoryError

    monkeypatch.setattr(job_module, "_measure", too_large)
    outcome = measure_one(jobs[0])
    assert "does not fit into memory" in outcome.trouble


def test_a_library_without_a_version_is_said(monkeypatch):
    """A record that cannot know a version says so in its place."""

    def none(name):
        raise PackageNotFoundError(name)

    monkeypatch.setattr(job_module, "version", none)
    found = library_versions.__wrapped__()
    assert {found[name] for name in ("scipy", "numpy", "tifffile")} == {"unknown"}


@pytest.fixture
def scheduler():
    """Address of a scheduler with one worker, all in this process."""
    distributed = pytest.importorskip("distributed", reason="needs the cluster extra")
    options = {"n_workers": 1, "threads_per_worker": 1, "processes": False, "dashboard_address": None}
    with distributed.LocalCluster(protocol="tcp", **options) as cluster:
        yield cluster.scheduler_address


def test_a_scheduler_measures_what_this_machine_measures(jobs, scheduler, monkeypatch):
    """Paths are made whole before they travel; outcomes agree but for the time taken."""
    monkeypatch.chdir(jobs[0].out.parent)
    relative = [replace(j, out=j.out.relative_to(j.out.parent)) for j in jobs[:2]]
    far = {n: replace(o, seconds=0.0) for n, o in on_cluster(relative, FIELDS, scheduler)}
    near = {n: replace(measure_one(replace(j, out=j.out / "near")), seconds=0.0) for n, j in enumerate(jobs[:2])}
    assert far == near


def test_a_field_that_ends_every_worker_is_one_line(jobs):
    """As the scheduler tells it, after the job has taken one worker after the other with it."""
    scheduler = pytest.importorskip("distributed.scheduler", reason="needs the cluster extra")
    from micro.batch.workers import _ended

    class Lost:
        def result(self):
            raise scheduler.KilledWorker("f0-0", None, 3)

    assert "ended every worker that measured it; give workers more memory" in _ended(Lost(), jobs[0], FIELDS).trouble


def test_without_the_extra_the_option_is_refused(jobs, monkeypatch):
    """The line says what to install."""
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(UsageError, match=r"needs the cluster extra; in the checkout"):
        next(on_cluster(jobs, FIELDS, "tcp://127.0.0.1:9"))
