"""What the process that workers are forked from loads, once for all of them."""

import gc
import pickle
import sys
from types import TracebackType


def _told(kind: type[BaseException], fault: BaseException, trace: TracebackType | None) -> None:
    """Say what ended a worker before it began, but where the run that wanted it was stopped and took its locks along.

    Where the run goes on it misses the worker, and says so.
    """
    if not isinstance(fault, OSError | EOFError | pickle.UnpicklingError):
        sys.__excepthook__(kind, fault, trace)


sys.excepthook = _told

# What is loaded stays; to look through it for what can go takes a seventh of the time of loading. A worker looks again.
gc.disable()
