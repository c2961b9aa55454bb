"""Processes that work beside this one: how they start, and how they use the machine."""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from concurrent.futures import Executor, ProcessPoolExecutor
from multiprocessing.context import BaseContext

MALLOPT_TRIM_THRESHOLD, MALLOPT_MMAP_MAX = -1, -4


def pool_of(workers: int) -> Executor:
    """Start processes for work that is pickled; they ignore interrupts and end with this process."""
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    return ProcessPoolExecutor(workers, mp_context=_context(), initializer=_start_worker)


def load_early() -> None:
    """Let the process that workers are forked from load its libraries while this one goes on."""
    if _context().get_start_method() == "forkserver":
        from multiprocessing.forkserver import ensure_running

        ensure_running()


def _context() -> BaseContext:
    """How processes start: forked from a clean one where the system can."""
    if "forkserver" not in multiprocessing.get_all_start_methods():
        return multiprocessing.get_context("spawn")
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["micro.preload"])
    return context


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
