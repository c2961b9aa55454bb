"""Fields over the cores of this machine; a field that brings its process down does not take others with it."""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections.abc import Iterator
from concurrent.futures import FIRST_COMPLETED, Executor, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool

from micro.batch.job import Job, Outcome, failed, measure_one
from micro.errors import InputError

# Enough to keep every worker busy, few enough that little is lost with a process.
WAITING_PER_WORKER = 2
Numbered = tuple[int, Job]
MALLOPT_TRIM_THRESHOLD, MALLOPT_MMAP_MAX = -1, -4


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
    with _pool(workers) as pool:
        under_way: dict[Future[Outcome], Numbered] = {}
        try:
            while left or under_way:
                while left and len(under_way) < WAITING_PER_WORKER * workers:
                    number, job = left.pop(0)
                    under_way[pool.submit(measure_one, job)] = (number, job)
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
    with _pool(1) as pool:
        try:
            return pool.submit(measure_one, job).result()
        except BrokenProcessPool:
            line = InputError(
                job.field.image, "the system ended the process that measured it", "free memory, then run again"
            )
            return failed(job, str(line), 0.0)


def _pool(workers: int) -> Executor:
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    method = "forkserver" if "forkserver" in multiprocessing.get_all_start_methods() else "spawn"
    context = multiprocessing.get_context(method)
    if method == "forkserver":
        context.set_forkserver_preload(["micro.batch.preload"])
    return ProcessPoolExecutor(workers, mp_context=context, initializer=_start_worker)


def _start_worker() -> None:
    # An interrupt is the parent's to handle: the worker ends its field, so that nothing is half done.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()
    prepare_process()


def _end_with_parent() -> None:
    """End this worker when the process that gave it work is killed: nobody would take what it measures."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def prepare_process() -> None:
    """Hold the picture library to one thread, so that workers do not fight over cores, and keep freed memory.

    A C library that hands large arrays back to the system fetches the next ones page by page: a third of the time of
    a field of 4096 × 4096 px.
    """
    import ctypes
    import sys

    import cv2

    cv2.setNumThreads(1)
    # Only the C library of most Linux systems has this call.
    mallopt = getattr(ctypes.CDLL(None), "mallopt", None) if sys.platform == "linux" else None
    if mallopt is not None:
        mallopt(MALLOPT_MMAP_MAX, 0)
        mallopt(MALLOPT_TRIM_THRESHOLD, 2**31 - 1)
