"""Fields on many cores, or on a cluster."""

from __future__ import annotations

import importlib
from collections.abc import Iterator
from concurrent.futures import FIRST_COMPLETED, Future, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import replace
from typing import Any

from micro.batch.job import Job, Outcome, failed, measure_one
from micro.errors import InputError, UsageError
from micro.processes import pool_of, prepare_process

RETRIES = 3
SECONDS_TO_ANSWER = 20


def on_cluster(jobs: list[Job], scheduler: str) -> Iterator[tuple[int, Outcome]]:
    """Yield the number and outcome of every job as it ends; a lost worker's jobs go to the others.

    Parameters
    ----------
    jobs
        What to measure. Every worker must be able to read the pictures and write the results folder.
    scheduler
        Address of a dask scheduler, such as tcp://host:8786.

    Raises
    ------
    UsageError
        Where the extra is not installed, or the scheduler does not answer.
    """
    client = _client(scheduler)
    with client:
        from distributed import as_completed

        client.run(prepare_process)
        waiting = {
            client.submit(
                measure_one, _anywhere(job), key=f"{job.field.stem}-{number}", retries=RETRIES, pure=False
            ): number
            for number, job in enumerate(jobs)
        }
        for future in as_completed(waiting):
            number = waiting[future]
            yield number, _outcome(future, jobs[number])


def _anywhere(job: Job) -> Job:
    """Return the job with paths that do not depend on a worker's working folder."""
    return replace(job, out=job.out.resolve(), field=replace(job.field, image=job.field.image.resolve()))


def _client(scheduler: str) -> Any:
    try:
        from distributed import Client
    except ImportError:
        raise UsageError("--scheduler", "needs the cluster extra", 'install it: pip install "micro[cluster]"') from None
    try:
        return Client(scheduler, timeout=SECONDS_TO_ANSWER)
    except (OSError, ValueError) as trouble:
        problem = f"{scheduler} does not answer ({str(trouble)[:80] or type(trouble).__name__})"
        raise UsageError("--scheduler", problem, "start a scheduler there, or leave the option out") from None


def _outcome(future: Any, job: Job) -> Outcome:
    from distributed.scheduler import KilledWorker

    try:
        return future.result()
    except KilledWorker:
        line = InputError(job.field.image, "ended every worker that measured it", "give workers more memory")
        return failed(job, str(line), 0.0)


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
