"""Fields on many cores, or on a cluster."""

from __future__ import annotations

import importlib
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, replace
from typing import Any, Generic, TypeVar

from micro.batch.job import Job
from micro.errors import UsageError
from micro.processes import pool_of, prepare_process

Result = TypeVar("Result")
RETRIES = 3
SECONDS_TO_ANSWER = 20


@dataclass(frozen=True)
class Work(Generic[Result]):
    """What is done with each job; what stands for it where its process is lost (problem and remedy), or at a fault."""

    do: Callable[[Job], Result]
    lost: Callable[[Job, str, str], Result]
    faulted: Callable[[Job, BaseException], Result]


def on_cluster(jobs: list[Job], work: Work[Result], scheduler: str) -> Iterator[tuple[int, Result]]:
    """Yield the number and result of every job as it ends; a lost worker's jobs go to the others.

    Parameters
    ----------
    jobs, work
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
                work.do, _anywhere(job), key=f"{job.field.stem}-{number}", retries=RETRIES, pure=False
            ): number
            for number, job in enumerate(jobs)
        }
        for future in as_completed(waiting):
            number = waiting[future]
            yield number, _ended(future, jobs[number], work)


def _anywhere(job: Job) -> Job:
    """Return the job with paths that do not depend on a worker's working folder."""
    return replace(job, out=job.out.resolve(), field=replace(job.field, image=job.field.image.resolve()))


def _client(scheduler: str) -> Any:
    try:
        from distributed import Client
    except ImportError:
        raise UsageError(
            "--scheduler", "needs the cluster extra", 'in the checkout: pip install ".[cluster]"'
        ) from None
    try:
        return Client(scheduler, timeout=SECONDS_TO_ANSWER)
    except (OSError, ValueError) as trouble:
        problem = f"{scheduler} does not answer ({str(trouble)[:80] or type(trouble).__name__})"
        raise UsageError("--scheduler", problem, "start a scheduler there, or leave the option out") from None


def _ended(future: Any, job: Job, work: Work[Result]) -> Result:
    from distributed.scheduler import KilledWorker

    try:
        return future.result()
    except KilledWorker:
        return work.lost(job, "ended every worker that measured it", "give workers more memory")
    except Exception as fault:
        return work.faulted(job, fault)


# Enough to keep every worker busy, few enough that little is lost with a process.
WAITING_PER_WORKER = 2
# What follows the fields takes a second to load, which this process has while others measure.
NEEDED_LATER = ("pandas", "scipy.spatial", "scipy.optimize", "jinja2", "PIL.ImageFont")
Numbered = tuple[int, Job]


def in_processes(jobs: list[Job], work: Work[Result], workers: int) -> Iterator[tuple[int, Result]]:
    """Yield the number and result of every job as it ends; in this process where one worker is enough."""
    if workers <= 1:
        prepare_process()
        for number, job in enumerate(jobs):
            yield number, work.do(job)
        return
    left = deque(enumerate(jobs))
    while left:
        suspects: list[Numbered] = []
        for (number, _), result in _pool_round(left, work, workers, suspects):
            yield number, result
        for number, job in suspects:
            yield number, _alone(job, work)


def _pool_round(
    left: deque[Numbered], work: Work[Result], workers: int, suspects: list[Numbered]
) -> Iterator[tuple[Numbered, Result]]:
    """Work `left` off; where a process is ended from outside, put what was under way into `suspects` and stop."""
    with pool_of(workers) as pool:
        under_way: dict[Future[Result], Numbered] = {}
        later: tuple[str, ...] = NEEDED_LATER
        try:
            while left or under_way:
                while left and len(under_way) < WAITING_PER_WORKER * workers:
                    number, job = left.popleft()
                    under_way[pool.submit(work.do, job)] = (number, job)
                for library in later:
                    importlib.import_module(library)
                later = ()
                for future in wait(under_way, return_when=FIRST_COMPLETED).done:
                    numbered = under_way.pop(future)
                    try:
                        yield numbered, future.result()
                    except BrokenProcessPool:
                        suspects.append(numbered)
                    except Exception as fault:  # what the worker answered cannot be read
                        yield numbered, work.faulted(numbered[1], fault)
                if suspects:
                    suspects.extend(under_way.values())
                    return
        except BrokenProcessPool:
            suspects.extend([*under_way.values(), (number, job)])
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            raise


def _alone(job: Job, work: Work[Result]) -> Result:
    with pool_of(1) as pool:
        try:
            return pool.submit(work.do, job).result()
        except BrokenProcessPool:
            return work.lost(job, "the system ended the process that measured it", "free memory, then run again")
