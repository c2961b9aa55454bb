"""Loads what workers need, once, in the process that they are forked from."""

import gc
import pickle
import sys
from types import TracebackType

import cv2
import pandas as pd  # noqa: F401
import tifffile  # noqa: F401

import micro.image
import micro.measures
import micro.pictures
import micro.report.build
import micro.segmentation  # noqa: F401
from micro.figures.style import place, rendered, styled

# Threads of the picture library do not outlive a fork, and a worker that ends them would wait for ever.
cv2.setNumThreads(1)

# The first figure of a process loads what draws, its fonts and the shapes of their letters.
with styled() as (figure, axes):
    axes[0].set(xscale="log", xlabel="ECD, µm", ylabel="%")
    place(figure)
    rendered(figure, "svg")
    rendered(figure, "png")

# What is loaded here stays. To look through it for what can go costs each worker a tenth of a second.
gc.freeze()


def _told(kind: type[BaseException], fault: BaseException, trace: TracebackType | None) -> None:
    """Say what ended a worker before it began, but where the run that wanted it was stopped and took its locks along.

    Where the run goes on it misses the worker, and says so.
    """
    if not isinstance(fault, OSError | EOFError | pickle.UnpicklingError):
        sys.__excepthook__(kind, fault, trace)


sys.excepthook = _told
