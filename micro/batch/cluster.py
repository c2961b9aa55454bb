"""Fields on a cluster: a dask scheduler hands them to workers; whoever is lost, the run ends and can go on."""

from __future__ import annotations

import contextlib
import functools
import logging
import queue
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from micro.batch.job import Job
from micro.errors import InputError, UsageError
from micro.processes import prepare_process

if TYPE_CHECKING:
    from micro.batch.workers import Result, Work

RETRIES = 3
SECONDS_TO_ANSWER = 20
SECONDS_WITHOUT_WORKER, SECONDS_BETWEEN_LOOKS, SECONDS_TO_CLOSE = 60.0, 2.0, 3.0
"""Chosen: a worker that is started by hand is there within a minute; a look costs the scheduler nothing."""
GO_ON = "then run the same command again: what is measured is kept"


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
    InputError
        Where the scheduler is lost on the way, or there is no worker for `SECONDS_WITHOUT_WORKER`.
    """
    with _silent(), _connected(scheduler) as client:
        ended: queue.SimpleQueue[Any] = queue.SimpleQueue()
        numbers: dict[Any, int] = {}
        for number, job in enumerate(jobs):
            key = f"{job.field.stem}-{number}"
            future = client.submit(_prepared, work.do, _anywhere(job), key=key, retries=RETRIES, pure=False)
            numbers[future] = number
            future.add_done_callback(ended.put)
        watch = _Watch(client, scheduler)
        left = len(numbers)
        while left:
            with contextlib.suppress(queue.Empty):
                future = ended.get(timeout=SECONDS_BETWEEN_LOOKS)
                if future.cancelled():
                    raise watch.lost()
                left -= 1
                watch.rest()
                yield numbers[future], _ended(future, jobs[numbers[future]], work)
                continue
            watch.look()


class _Watch:
    """Looks after scheduler and workers while no field ends."""

    def __init__(self, client: Any, address: str) -> None:
        self.client, self.address = client, address
        self.rest()

    def rest(self) -> None:
        """Start anew: something has ended, so that somebody works."""
        self.alone_since: float | None = None

    def look(self) -> None:
        """Raise InputError where nobody has been there to work for too long; say once that there is none."""
        if self.client.status == "closed":
            raise self.lost()
        if self._workers():
            self.rest()
            return
        now = time.monotonic()
        if self.alone_since is None:
            self.alone_since = now
            wait = f"waiting up to {SECONDS_WITHOUT_WORKER:g} s"
            print(f"{self.address}: nobody works there; {wait}", file=sys.stderr, flush=True)
        elif now - self.alone_since > SECONDS_WITHOUT_WORKER:
            if self.client.status != "running":
                raise self.lost()
            problem = f"no worker has been there for {SECONDS_WITHOUT_WORKER:g} s"
            raise InputError(self.address, problem, f"start workers, {GO_ON}")

    def _workers(self) -> bool:
        if self.client.status != "running":
            return False
        try:
            return bool(self.client.nthreads())
        except Exception:  # whatever a connection that breaks raises
            return False

    def lost(self) -> InputError:
        """Return the line for a scheduler that has ended."""
        return InputError(self.address, "the scheduler has ended", f"start it again, {GO_ON}")


@contextlib.contextmanager
def _silent() -> Iterator[None]:
    """Keep the logs of dask off the screen: what matters in them is said in one line of our own."""
    loggers = [logging.getLogger(name) for name in ("distributed", "tornado", "asyncio")]
    before = [(logger, logger.level, logger.propagate) for logger in loggers]
    for logger in loggers:
        logger.setLevel(logging.CRITICAL + 1)
    try:
        yield
    finally:
        for logger, level, propagate in before:
            logger.level, logger.propagate = level, propagate


@contextlib.contextmanager
def _connected(scheduler: str) -> Iterator[Any]:
    client = _client(scheduler)
    try:
        yield client
    finally:
        with contextlib.suppress(Exception):  # it may have gone before us
            client.close(timeout=SECONDS_TO_CLOSE)


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


def _anywhere(job: Job) -> Job:
    """Return the job with paths that do not depend on a worker's working folder."""
    return replace(job, out=job.out.resolve(), field=replace(job.field, image=job.field.image.resolve()))


def _prepared(do: Callable[[Job], Any], job: Job) -> Any:
    """Do the work in a process that was prepared for it, also where its worker came late."""
    _prepare_once()
    return do(job)


@functools.cache
def _prepare_once() -> None:
    prepare_process()


def _ended(future: Any, job: Job, work: Work[Result]) -> Result:
    from distributed.scheduler import KilledWorker

    try:
        return future.result()
    except KilledWorker:
        return work.lost(job, "ended every worker that measured it", "give workers more memory")
    except Exception as fault:
        return work.faulted(job, fault)
