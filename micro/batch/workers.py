"""Fields on many cores, or on a cluster: whoever is lost, the run ends and can go on."""

from __future__ import annotations

import contextlib
import functools
import importlib
import logging
import queue
import sys
import time
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Executor, Future, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Generic, TypeVar

from micro.address import Address
from micro.batch.job import Job
from micro.errors import InputError, MicroError, UsageError
from micro.processes import pool_of, prepare_process
from micro.study.model import Field

Result = TypeVar("Result")
WholePool = Callable[[], Executor]


@dataclass(frozen=True)
class Work(Generic[Result]):
    """What is done with each job; what stands for it where its process is lost (problem and remedy), or at a fault."""

    do: Callable[[Job], Result]
    lost: Callable[[Job, str, str], Result]
    faulted: Callable[[Job, BaseException], Result]


# Enough to keep every worker busy, few enough that little is lost with a process.
WAITING_PER_WORKER = 2
# What follows the fields takes half a second to load, which this process has while the one that workers are forked from
# loads what they need.
NEEDED_LATER = (
    "scipy.optimize", "jinja2", "PIL.ImageFont", "tifffile", "micro.measures.study_checks", "micro.points.lessons",
    "micro.comparison.findings", "micro.comparison.matrix", "micro.specimens.in_space", "micro.report.build",
)  # fmt: skip
Numbered = tuple[int, Job]
BYTES_OF_A_WORKER, BYTES_A_PIXEL = 300 * 2**20, 90
"""Libraries, and the working memory of a field dense with carbides: 3.1 GiB for 36 million pixels (measured)."""
PROBED = 8
MOST_BESIDE_THIS = 2**30
"""Bytes that a field may need and still be measured in this process, where one worker is enough: where the system ends
the process of a larger one, this one is left to say so. Chosen."""


def fitting_workers(fields: Sequence[Field], cores: int, free: int | None) -> int:
    """Return how many workers fit into the free memory, at least one and at most a core each.

    Parameters
    ----------
    fields
        What they will measure.
    free
        Bytes; None where the system does not say.
    """
    if free is None or cores < 2:
        return cores
    return int(max(1, min(cores, free // memory_of(fields))))


def memory_of(fields: Sequence[Field]) -> int:
    """Bytes that a worker may need for any of the fields."""
    return BYTES_OF_A_WORKER + BYTES_A_PIXEL * largest_pixels(fields)


def largest_pixels(fields: Sequence[Field]) -> int:
    """Pixels of the largest picture, as the largest files and some parts of mosaics tell; 0 where none can be read."""
    sizes = {field.image: _bytes_on_disk(field) for field in fields if field.sub_field is None}
    largest = sorted(sizes, key=lambda image: -sizes[image])[:PROBED]
    pixels = [_pixels(image) for image in largest]
    parts = [field.sub_field for field in fields if field.sub_field is not None]
    pixels += [(p.frame[2] - p.frame[0]) * (p.frame[3] - p.frame[1]) for p in parts[:PROBED]]
    return max(pixels, default=0)


def _bytes_on_disk(field: Field) -> int:
    if isinstance(field.image, Address):
        return 0
    try:
        return field.image.stat().st_size
    except (OSError, ValueError):
        return 0  # measuring it says what is wrong


def _pixels(image: Path | Address) -> int:
    from micro.image.reading import probe

    try:
        return probe(image).pixels
    except MicroError:
        return 0


@contextlib.contextmanager
def standing(workers: int) -> Iterator[WholePool]:
    """Give what returns so many processes, started when first asked for, and anew where the system ended one.

    What a process has warmed up for one step serves the next.
    """
    pools: list[Executor] = []

    def whole() -> Executor:
        try:
            pools[-1].submit(int)
        except (IndexError, RuntimeError):
            pools.append(pool_of(workers))
        return pools[-1]

    try:
        yield whole
    finally:
        for pool in pools:
            pool.shutdown(cancel_futures=True)


def in_processes(
    jobs: list[Job], work: Work[Result], workers: int, pool: WholePool | None = None
) -> Iterator[tuple[int, Result]]:
    """Yield the number and result of every job as it ends; in this process where one worker and little memory do.

    Parameters
    ----------
    pool
        Of processes that outlast these jobs, from `standing`.
    """
    if workers <= 1 and memory_of([job.field for job in jobs]) <= MOST_BESIDE_THIS:
        prepare_process()
        for number, job in enumerate(jobs):
            yield number, work.do(job)
        return
    workers = max(1, workers)
    left = deque(enumerate(jobs))
    with standing(workers) if pool is None else contextlib.nullcontext(pool) as whole:
        while left:
            suspects: list[Numbered] = []
            for (number, _), result in _pool_round(left, work, workers, suspects, whole()):
                yield number, result
            for number, job in suspects:
                yield number, _alone(job, work)


def _pool_round(
    left: deque[Numbered], work: Work[Result], workers: int, suspects: list[Numbered], pool: Executor
) -> Iterator[tuple[Numbered, Result]]:
    """Work `left` off; where a process is ended from outside, put what was under way into `suspects` and stop."""
    under_way: dict[Future[Result], Numbered] = {}
    for library in NEEDED_LATER:
        importlib.import_module(library)
    try:
        while left or under_way:
            while left and len(under_way) < WAITING_PER_WORKER * workers:
                number, job = left.popleft()
                under_way[pool.submit(work.do, job)] = (number, job)
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


def _alone(job: Job, work: Work[Result]) -> Result:
    with pool_of(1) as pool:
        try:
            return pool.submit(work.do, job).result()
        except BrokenProcessPool:
            problem = "the system ended the process that measured it"
            needed = memory_of([job.field])
            if needed > MOST_BESIDE_THIS:
                problem += f" (a picture of this size may take {needed / 2**30:.1f} GiB)"
            return work.lost(job, problem, "free memory, or cut it into smaller fields, then run again")


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
