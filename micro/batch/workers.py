"""Fields on many cores."""

from __future__ import annotations

import contextlib
import importlib
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Executor, Future, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from pathlib import Path
from typing import Generic, TypeVar

from micro.address import Address
from micro.batch.job import Job
from micro.errors import MicroError
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
