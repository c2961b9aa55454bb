"""Perimeter and Feret diameters of outlines."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from micro.geometry.runs import Runs, sums

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]
# (rows, columns) from point to point: the shortest steps of eight directions; the farthest reaches two.
STEPS = ((0, 1), (1, 2), (1, 1), (2, 1), (1, 0), (2, -1), (1, -1), (1, -2))
ALONG_GRID = ((0, 1), (1, 1), (1, 0), (1, -1))
REACH = 2


def crofton_perimeter(runs: Runs, steps: Sequence[tuple[int, int]] = STEPS, without_frame: bool = False) -> FloatArray:
    """(n,) length of each label's outline, px: one of `crofton_perimeters`."""
    return _lengths(runs, steps, (without_frame,))[0]


def crofton_perimeters(runs: Runs) -> tuple[FloatArray, FloatArray]:
    """Length (n,) of each label's outline, px, with the frame that cuts it and without.

    On parallel lines of lattice points in a direction, spaced 1/|step|, the pairs that leave the label are
    counted; times the spacing they are the label's total width. Directions are weighted by the angle they
    stand for. Without the frame only pairs that lie in it count, for all that there are room for, so that the sum over
    the labels estimates the outline in the frame's area.
    """
    with_frame, without = _lengths(runs, STEPS, (False, True))
    return with_frame, without


def _lengths(runs: Runs, steps: Sequence[tuple[int, int]], without_frame: Sequence[bool]) -> list[FloatArray]:
    """(n,) each, by steps (rows, columns) from point to point in each direction, without the frame or with it."""
    own = runs.by_label
    length = own.length
    # Every label on rows of its own, so far apart that no step leads from one label or row into another.
    rows, columns = runs.shape[0] + REACH, runs.shape[1] + 2 * REACH
    line = _Line.of((own.label * rows + own.row) * columns + own.start, length)
    widths = np.zeros((len(without_frame), len(length)))
    for (down, right), weight in zip(steps, _angle_weights(steps), strict=True):
        step = down * columns + right
        # Of a run along the row the last pixel alone leaves the label.
        left = length - line.met(step, down) if down else np.ones_like(length)
        for width, without in zip(widths, without_frame, strict=True):
            pairs, share = _within_frame(own, left, down, right) if without else (left, 1.0)
            width += weight / np.hypot(down, right) * pairs * share
    return [np.pi * sums(width, own) for width in widths]


def _within_frame(runs: Runs, left: IntArray, down: int, right: int) -> tuple[FloatArray, float]:
    """(m,) of the pairs that leave each run those within the frame, and all pairs over those it has room for."""
    # Every line that leaves a label has entered it: half of the pairs each way.
    within = left - (_out_of_frame(runs, down, right) + _out_of_frame(runs, -down, -right)) / 2
    room = (runs.shape[0] - abs(down)) * (runs.shape[1] - abs(right))
    return within, runs.shape[0] * runs.shape[1] / max(room, 1)


def _out_of_frame(runs: Runs, down: int, right: int) -> IntArray:
    """(m,) pixels of each run from which a step leads out of the frame."""
    rows, columns = runs.shape
    beside = np.maximum(runs.stop - (columns - right), 0) if right > 0 else np.maximum(-right - runs.start, 0)
    above_or_below = (runs.row + down < 0) | (runs.row + down >= rows)
    return np.where(above_or_below, runs.length, np.minimum(beside, runs.length))


@dataclass(frozen=True, eq=False)
class _Line:
    """Runs (m,) on one line: their lengths, the pixels of all before each, and (m + 1,) where they start and end.

    The last one's follower starts beyond all, the first one's forerunner ends at 0.
    """

    starts: IntArray
    stops: IntArray
    length: IntArray
    before: IntArray

    @classmethod
    def of(cls, start: IntArray, length: IntArray) -> _Line:
        """Take runs of these lengths."""
        starts, stops = np.append(start, np.iinfo(np.intp).max), np.concatenate([[0], start + length])
        return cls(starts, stops, length, np.cumsum(length) - length)

    def met(self, step: int, ahead: int) -> IntArray:
        """(m,) pixels of each run from which a step leads to a pixel, mostly of the run so far `ahead`."""
        runs = len(self.length)
        run = np.minimum(np.arange(runs) + ahead, runs - 1)
        first, last = (self._pixels_before(place + step, run) for place in (self.starts[:-1], self.stops[1:]))
        return last - first

    def _pixels_before(self, place: IntArray, run: IntArray) -> IntArray:
        """(m,) how many pixels of all runs come before each place, which mostly lies at `run`."""
        elsewhere = np.flatnonzero((self.stops.take(run) > place) | (self.starts[1:].take(run) < place))
        run = run.copy()
        run[elsewhere] = np.searchsorted(self.starts[:-1], place.take(elsewhere), side="right") - 1
        return self.before.take(run) + np.clip(place - self.starts.take(run), 0, self.length.take(run))


def _angle_weights(steps: Sequence[tuple[int, int]]) -> FloatArray:
    angle = np.sort(np.mod([np.arctan2(rows, columns) for rows, columns in steps], np.pi))
    gap = np.diff(np.append(angle, angle[0] + np.pi))
    return (gap + np.roll(gap, 1)) / 2 / np.pi


def extent(runs: Runs, angle_deg: float | NDArray) -> FloatArray:
    """(n,) or (directions, n) extent of pixel centres along a direction, px.

    Parameters
    ----------
    runs
        Runs of the labels.
    angle_deg
        Direction from the horizontal, counter-clockwise as seen.
    """
    runs, bounds = runs.by_label, runs.by_label.first
    left, right, y = (value.astype(float) for value in (runs.start, runs.stop - 1, runs.row))
    angles = np.radians(np.atleast_1d(angle_deg))
    result = np.zeros((len(angles), runs.count))
    if not len(bounds):
        return result if np.ndim(angle_deg) else result[0]
    for i, angle in enumerate(angles):
        ux, uy = np.cos(angle), -np.sin(angle)
        far, near = (right, left) if ux >= 0 else (left, right)
        down = uy * y
        high = np.maximum.reduceat(ux * far + down, bounds)
        low = np.minimum.reduceat(ux * near + down, bounds)
        result[i, runs.label[bounds]] = high - low
    return result if np.ndim(angle_deg) else result[0]


def short_of_outline(angle_deg: float | NDArray, radius: FloatArray) -> FloatArray:
    """How far pixel centres fall short of the outline, both ends of a direction together, px: a mean over places.

    Along rows the extreme pixel centre lies anywhere within the first px: 1/2 px an end; along diagonals the rows of
    centres are √2 times closer. In between it depends on how wide the outline is within a px of its end, thus on its
    curvature. Between all of these the shortfall is continuous. It is never taken for more than a row, so that along
    the grid a carbide meets as many lines as it has rows of pixels.

    Parameters
    ----------
    angle_deg
        () or (directions,) from the horizontal.
    radius
        (n,) or (directions, n) radius of curvature of the outlines at their ends in that direction, px; NaN, that of a
        label without a pixel, is taken for the smallest.
    """
    from_grid = np.abs((np.asarray(angle_deg, float)[..., None] + 45) % 90 - 45)
    column = np.interp(from_grid, GRID_ANGLES_DEG, np.arange(len(GRID_ANGLES_DEG)))
    radius = np.nan_to_num(radius, nan=END_RADII_PX[0])
    row = np.clip(np.log2(radius), 0, len(END_RADII_PX) - 1)
    j = np.minimum(column.astype(np.intp), len(GRID_ANGLES_DEG) - 2)
    i = np.minimum(row.astype(np.intp), len(END_RADII_PX) - 2)
    right, down = column - j, row - i
    table = _shortfalls()
    upper = table[i, j] * (1 - right) + table[i, j + 1] * right
    lower = table[i + 1, j] * (1 - right) + table[i + 1, j + 1] * right
    return np.asarray(np.minimum(2 * (upper * (1 - down) + lower * down), 1.0), float)


# Where the shortfall is tabulated (chosen): denser where it changes fastest, near rows and diagonals, and where rows of
# the slopes 1/2 and 1/3 lie. Ends flatter than the last radius are those of carbides so large that a tenth of a px is
# nothing to them. The tests hold the widths of shapes from 7 px on to 1 %.
GRID_ANGLES_DEG = np.union1d(22.5 * (1 - np.cos(np.linspace(0, np.pi, 25))), np.degrees(np.arctan([1 / 2, 1 / 3])))
END_RADII_PX = 2.0 ** np.arange(7)  # of 2, so that the logarithm tells the row
PLACES = 150


@lru_cache(maxsize=1)
def _shortfalls() -> FloatArray:
    """(radii, angles) shortfall of one end: depth of the first lattice point inside a parabola, a mean over places.

    Inside is t ≥ v²/2r at depth t and sideways v. The places in the cell of the lattice follow the plastic number, so
    that they are evenly spread seen along any row (M. Roberts' sequence, from memory).
    """
    plastic = 1.32471795724474602596  # x³ = x + 1
    place_x, place_y = ((0.5 + np.arange(PLACES)[:, None] / plastic**power) % 1 for power in (1, 2))
    deepest = 1.5  # a cap as deep holds a lattice point, from the smallest radius on
    table = np.zeros((len(END_RADII_PX), len(GRID_ANGLES_DEG)))
    for i, radius in enumerate(END_RADII_PX):
        half = np.sqrt(2 * radius * deepest)
        span = np.arange(-int(half) - 3, int(half) + 4)
        x, y = (part.ravel() for part in np.meshgrid(span, span))
        for j, angle in enumerate(np.radians(GRID_ANGLES_DEG)):
            c, s = np.cos(angle), np.sin(angle)
            lies = x * c + y * s  # at most c + s less deep than with its place in the cell
            near = (lies > -c - s) & (lies < deepest) & (np.abs(y * c - x * s) < half + 1.5)
            depth = (x[near] + place_x) * c + (y[near] + place_y) * s
            aside = (y[near] + place_y) * c - (x[near] + place_x) * s
            table[i, j] = np.where(aside**2 <= 2 * radius * depth, depth, deepest).min(axis=1).mean()
    table[:, 0] = 0.5  # along rows, exactly
    return table
