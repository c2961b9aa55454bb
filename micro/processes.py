"""Processes that work beside this one: how they start, and how they use the machine."""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from concurrent.futures import Executor
    from multiprocessing.context import BaseContext

FOR_FIELDS, FOR_FIGURES = "micro.preload.fields", "micro.preload.figures"
"""What workers need that measure fields, or draw."""
QUIET = "ignore:resource_tracker"
FILES_OF_ITS_OWN, FILES_A_WORKER = 32, 8
"""Open files of this process, and of a worker and its pipes: twice what was seen; held by a test at the limit."""
MALLOPT_TRIM_THRESHOLD, MALLOPT_MMAP_MAX = -1, -4
GROUPS = (
    ("", "memory.max", "memory.current", "inactive_file"),
    ("memory", "memory.limit_in_bytes", "memory.usage_in_bytes", "total_inactive_file"),
)
"""Where Linux says what a group of processes may take and holds, in its second and first way of grouping them."""


def hold_threads() -> None:
    """Hold the linear algebra of this process and its children to one thread each, unless the user says otherwise.

    Its libraries look once, when they are loaded. Workers would fight over the cores, and sums in other orders would
    differ in their last digits.
    """
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")


def pool_of(workers: int, needed: str = "") -> Executor:
    """Start processes for work that is pickled; they ignore interrupts and end with this process.

    `needed` is a module that each loads before its first work.
    """
    from concurrent.futures import ProcessPoolExecutor

    allow_open_files(workers)
    load_early()
    return ProcessPoolExecutor(workers, mp_context=_context(), initializer=_start_worker, initargs=(needed,))


def allow_open_files(workers: int) -> None:
    """Raise the limit of open files as far as the system lets, and check that the workers' pipes fit under it.

    Raises
    ------
    OSError
        Where they do not: processes that run out of files while they start say nothing that helps.
    """
    if sys.platform == "win32":
        return
    import errno
    import resource

    needed = FILES_OF_ITS_OWN + FILES_A_WORKER * workers
    allowed, most = resource.getrlimit(resource.RLIMIT_NOFILE)
    if allowed >= needed or allowed == resource.RLIM_INFINITY:
        return
    if most == resource.RLIM_INFINITY or most >= needed:
        resource.setrlimit(resource.RLIMIT_NOFILE, (needed, most))
        return
    said = f"{most} open files are allowed, {workers} workers need {needed}"
    raise OSError(errno.EMFILE, said, "the system")


def free_memory() -> int | None:
    """Bytes that processes can have without pushing others out, or beyond what their group may have; None: unknown."""
    found = []
    with contextlib.suppress(OSError, ValueError):
        lines = Path("/proc/meminfo").read_text().splitlines()
        found += [1024 * int(line.split()[1]) for line in lines if line.startswith("MemAvailable:")]
    found += _left_to_group(Path("/sys/fs/cgroup"))
    return max(0, min(found)) if found else None


def _left_to_group(root: Path) -> list[int]:
    """Bytes that the group of this process may still take; nothing where it has no limit.

    Files that were read and may be forgotten count as held; the system lets go of them first.
    """
    found = []
    for folder, most, held, kept in GROUPS:
        with contextlib.suppress(OSError, ValueError):
            limit, used = (int((root / folder / name).read_text()) for name in (most, held))
            rows = (line.split() for line in (root / folder / "memory.stat").read_text().splitlines())
            found.append(limit - used + sum(int(value) for name, value in rows if name == kept))
    return found


def load_early(preload: str = FOR_FIELDS) -> None:
    """Let the process that workers are forked from load its libraries while this one goes on; the first call counts."""
    hold_threads()
    if _context(preload).get_start_method() == "forkserver":
        from multiprocessing import forkserver, resource_tracker

        with _deaf_to_hangups():
            # What sweeps up after a process that ended at once does so without a word.
            sys.warnoptions.append(QUIET)
            resource_tracker.ensure_running()
            sys.warnoptions.remove(QUIET)
            with _interrupts_held_back():
                forkserver.ensure_running()


@contextlib.contextmanager
def _interrupts_held_back() -> Iterator[None]:
    """Hold interrupts back until the block ends, and for good from what is started in it, where the system can.

    The process that workers are forked from would else tell of one that comes while it loads by a traceback.
    """
    import signal

    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, [signal.SIGINT])
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


@contextlib.contextmanager
def _deaf_to_hangups() -> Iterator[None]:
    """Let what is started meanwhile outlive its terminal, until this process ends and takes it along in order."""
    import signal
    import threading

    if not hasattr(signal, "SIGHUP") or threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGHUP, before)


def _context(preload: str = FOR_FIELDS) -> BaseContext:
    """How processes start: forked from a clean one where the system can."""
    import multiprocessing

    if "forkserver" not in multiprocessing.get_all_start_methods():
        return multiprocessing.get_context("spawn")
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload([preload])
    return context


def _start_worker(needed: str) -> None:
    import gc
    import importlib
    import signal
    import threading

    # An interrupt is the parent's to handle: the worker ends its field, so that nothing is half done.
    for name in ("SIGINT", "SIGHUP"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()
    if needed:
        importlib.import_module(needed)
    gc.enable()
    prepare_process()


def _end_with_parent() -> None:
    """End this worker when the process that gave it work is killed: nobody would take what it measures."""
    from multiprocessing import parent_process

    parent = parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def prepare_process() -> None:
    """Hold the picture library to one thread, so that workers do not fight over cores, and keep freed memory.

    A C library that hands large arrays back to the system fetches the next ones page by page: a third of the time of
    a field of 4096 × 4096 px.
    """
    import cv2

    cv2.setNumThreads(1)
    mallopt = _of_c_library("mallopt")
    if mallopt is not None:
        mallopt(MALLOPT_MMAP_MAX, 0)
        mallopt(MALLOPT_TRIM_THRESHOLD, 2**31 - 1)


def give_back_memory() -> None:
    """Hand freed memory back to the system: what lies free between small pieces in use stays with a process otherwise.

    Of the parts that a table of seven million rows was joined from that is 280 MB.
    """
    trim = _of_c_library("malloc_trim")
    if trim is not None:
        trim(0)


def _of_c_library(name: str) -> Any:
    """Return a call that only the C library of most Linux systems has; None elsewhere."""
    import ctypes

    return getattr(ctypes.CDLL(None), name, None) if sys.platform == "linux" else None
