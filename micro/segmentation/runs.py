"""A label image as horizontal runs: some eight times fewer numbers than its pixels."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Runs:
    """m runs of equal labels, in reading order but for those of `by_label`.

    Those of `every_run` are of labels of 0 and below too, and have no `order`.

    Parameters
    ----------
    count
        Number of labels; they run from 1 to `count`.
    label
        (m,) label of the run less 1: an index into per-carbide arrays.
    row, start, stop
        (m,) row, first column and the column after the last.
    shape
        (rows, columns) of the image.
    """

    count: int
    label: NDArray[np.intp]
    row: NDArray[np.intp]
    start: NDArray[np.intp]
    stop: NDArray[np.intp]
    shape: tuple[int, int]

    @property
    def length(self) -> NDArray[np.intp]:
        """(m,) pixels of the run."""
        return self.stop - self.start

    def pick(self, chosen: NDArray) -> Runs:
        """Take some of the runs, by a mask or by their places."""
        label, row, start, stop = (value[chosen] for value in (self.label, self.row, self.start, self.stop))
        return Runs(self.count, label, row, start, stop, self.shape)

    @cached_property
    def order(self) -> NDArray[np.intp]:
        """(m,) places that sort the runs by label, within a label in reading order."""
        # Numbers of 16 bits and fewer are sorted by counting, not by comparing.
        return np.argsort(self.label.astype(np.min_scalar_type(self.count)), kind="stable")

    @cached_property
    def by_label(self) -> Runs:
        """The same runs label by label."""
        return self.pick(self.order)

    @cached_property
    def first(self) -> NDArray[np.intp]:
        """(labels with a pixel,) where the runs of each label begin; of runs that come label by label."""
        return np.flatnonzero(np.diff(self.label, prepend=-1))

    def integrate(self, image: NDArray) -> FloatArray:
        """(count,) sum of `image` (rows, columns) over each label, of runs in reading order."""
        first = self.row * self.shape[1] + self.start
        bounds = np.stack([first, first + self.length], axis=1).ravel()
        # The last sum reaches to the end of the picture by itself.
        return sums(np.add.reduceat(image.ravel(), bounds[bounds < image.size])[::2], self)


def sums(values: NDArray, runs: Runs) -> FloatArray:
    """(count,) sum over each label of one value (m,) a run."""
    return np.bincount(runs.label, values, runs.count).astype(float, copy=False)


def touches_edge(runs: Runs) -> NDArray[np.bool_]:
    """(n,) True where a label reaches the outermost pixels of the frame."""
    rows, columns = runs.shape
    at_edge = (runs.row == 0) | (runs.row == rows - 1) | (runs.start == 0) | (runs.stop == columns)
    return np.bincount(runs.label, at_edge, runs.count) > 0


def find_runs(labels: NDArray, count: int) -> Runs:
    """Cut the labels above 0 of an image (rows, columns) into runs."""
    runs = every_run(labels, count)
    return runs.pick(runs.label >= 0)


def every_run(labels: NDArray, count: int) -> Runs:
    """Cut the rows of a label image (rows, columns) into runs, of labels of 0 and below as well."""
    rows, columns = labels.shape
    flat = np.ascontiguousarray(labels).ravel()
    change = np.empty(flat.size, bool)
    np.not_equal(flat[1:], flat[:-1], out=change[1:])
    change[::columns] = True
    begin = np.flatnonzero(change)
    row = begin // columns
    start = begin - row * columns
    stop = start + np.diff(begin, append=flat.size)
    return Runs(count, flat[begin].astype(np.intp) - 1, row, start, stop, (rows, columns))
