"""Figures drawn and written, several at a time where there are cores for it."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from concurrent.futures import Executor
from concurrent.futures.process import BrokenProcessPool
from functools import partial
from pathlib import Path

from micro.figures.style import FORMATS, Draw, draw_figure
from micro.owned import own
from micro.processes import FOR_FIGURES, pool_of
from micro.report.page import PageFigure

FIGURES_OF_ONE_BAR = 6  # more processes would load what draws and have nothing to do
Save = Callable[[str, int, float, Draw, str, str], PageFigure]
"""Draws and writes a figure: name, axes side by side, height in inches, how, caption, words for who cannot see it."""


@contextlib.contextmanager
def drawers(workers: int) -> Iterator[Executor | None]:
    """Give processes that draw, and load what they need from now on; None where this process draws as well.

    All that was begun is drawn when the block ends.
    """
    if workers <= 1:
        yield None
        return
    pool = pool_of(workers, FOR_FIGURES)
    try:
        for _ in range(min(workers, FIGURES_OF_ONE_BAR)):
            pool.submit(int)
        yield pool
    except BaseException:
        pool.shutdown(cancel_futures=True)
        raise
    pool.shutdown()


def drawing(folder: Path, pool: Executor | None) -> Save:
    """Return the function that draws figures into `folder`, in this process or in those of `pool`."""
    return partial(_save, folder, pool)


def _save(
    folder: Path, pool: Executor | None, name: str, columns: int, height_in: float, draw: Draw, caption: str,
    alternative: str,
) -> PageFigure:  # fmt: skip
    own(folder.parent, [f"{folder.name}/{name}.{kind}" for kind in FORMATS])
    task = partial(draw_figure, folder, name, columns, height_in, draw)
    return PageFigure(name, _begun(task, pool), caption, alternative)


def _begun(task: Callable[[], bytes], pool: Executor | None) -> Callable[[], bytes]:
    """Begin to draw; what it gives waits for the SVG, and draws here where the system ended the other process."""
    if pool is None:
        svg = task()
        return lambda: svg
    try:
        future = pool.submit(task)
    except BrokenProcessPool:
        return task

    def wait() -> bytes:
        try:
            return future.result()
        except BrokenProcessPool:
            return task()

    return wait
