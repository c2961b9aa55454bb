"""Fields over the cores of this machine; a field that brings its process down does not take others with it."""

from __future__ import annotations

import importlib
from collections.abc import Iterator
from concurrent.futures import FIRST_COMPLETED, Future, wait
from concurrent.futures.process import BrokenProcessPool

from micro.batch.job import Job, Outcome, failed, measure_one
from micro.errors import InputError
from micro.processes import pool_of, prepare_process

# Enough to keep every worker busy, few enough that little is lost with a process.
WAITING_PER_WORKER = 2
# What follows the fields takes a second to load, which this process has while others measure: first what every study
# needs, then, as fields end, what larger ones do.
NEEDED_LATER = (("scipy.spatial", "scipy.optimize", "jinja2", "PIL.ImageFont"), ("scipy.stats",))
Numbered = tuple[int, Job]


def in_processes(jobs: list[Job], workers: int) -> Iterator[tuple[int, Outcome]]:
    """Yield the number and outcome of every job as it ends; in this process where one worker is enough."""
    if workers <= 1:
        prepare_process()
        for number, job in enumerate(jobs):
            yield number, measure_one(job)
        return
    left = list(enumerate(jobs))
    while left:
        suspects: list[Numbered] = []
        for (number, _), outcome in _pool_round(left, workers, suspects):
            yield number, outcome
        for number, job in suspects:
            yield number, _alone(job)


def _pool_round(left: list[Numbered], workers: int, suspects: list[Numbered]) -> Iterator[tuple[Numbered, Outcome]]:
    """Work `left` off; where a process is ended from outside, put what was under way into `suspects` and stop."""
    with pool_of(workers) as pool:
        under_way: dict[Future[Outcome], Numbered] = {}
        later = iter(NEEDED_LATER)
        try:
            while left or under_way:
                while left and len(under_way) < WAITING_PER_WORKER * workers:
                    number, job = left.pop(0)
                    under_way[pool.submit(measure_one, job)] = (number, job)
                for library in next(later, ()):
                    importlib.import_module(library)
                for future in wait(under_way, return_when=FIRST_COMPLETED).done:
                    numbered = under_way.pop(future)
                    try:
                        yield numbered, future.result()
                    except BrokenProcessPool:
                        suspects.append(numbered)
                if suspects:
                    suspects.extend(under_way.values())
                    return
        except BrokenProcessPool:
            suspects.extend([*under_way.values(), (number, job)])
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            raise


def _alone(job: Job) -> Outcome:
    with pool_of(1) as pool:
        try:
            return pool.submit(measure_one, job).result()
        except BrokenProcessPool:
            line = InputError(
                job.field.image, "the system ended the process that measured it", "free memory, then run again"
            )
            return failed(job, str(line), 0.0)
