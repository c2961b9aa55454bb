"""Runs of a label picture, and the moments of its regions from them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TypeVar

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]
Picture = TypeVar("Picture", NDArray[np.uint8], NDArray[np.float32])


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
    begin, label = _begins(labels)
    return _runs(begin, label, np.flatnonzero(label > 0), count, labels.shape)


def every_run(labels: NDArray, count: int) -> Runs:
    """Cut the rows of a label image (rows, columns) into runs, of labels of 0 and below as well."""
    begin, label = _begins(labels)
    return _runs(begin, label, None, count, labels.shape)


def along_rows(picture: Picture, angle_deg: float, beyond: float, smooth: bool = False) -> Picture:
    """Turn a picture (rows, columns), numbers as they are or `smooth`, so that a direction runs along its rows.

    Parameters
    ----------
    angle_deg
        Direction from the horizontal, counter-clockwise as seen.
    beyond
        What stands outside the picture.
    """
    if angle_deg == 0:
        return picture
    rows, columns = picture.shape
    turn = np.radians(angle_deg)
    c, s = np.cos(turn), np.sin(turn)
    wide, high = (int(np.ceil(abs(a * c) + abs(b * s) - 1e-9)) for a, b in ((columns, rows), (rows, columns)))
    to_source = np.array([[c, s, 0.0], [-s, c, 0.0]])
    to_source[:, 2] = np.array([columns - 1, rows - 1]) / 2 - to_source[:, :2] @ np.array([wide - 1, high - 1]) / 2
    flags = (cv2.INTER_LINEAR if smooth else cv2.INTER_NEAREST) | cv2.WARP_INVERSE_MAP
    return cv2.warpAffine(picture, to_source, (wide, high), flags=flags, borderValue=beyond)


def _begins(labels: NDArray) -> tuple[NDArray[np.intp], NDArray]:
    """Flat places at which the runs of a label image begin, and their labels."""
    flat = np.ascontiguousarray(labels).ravel()
    change = np.empty(flat.size, bool)
    np.not_equal(flat[1:], flat[:-1], out=change[1:])
    change[:: labels.shape[1]] = True
    begin = np.flatnonzero(change)
    return begin, flat.take(begin)


def _runs(
    begin: NDArray[np.intp], label: NDArray, own: NDArray[np.intp] | None, count: int, shape: tuple[int, ...]
) -> Runs:
    """Take the runs, or those at `own`, of all that begin at flat places of an image."""
    rows, columns = shape
    length = np.diff(begin, append=rows * columns)
    if own is not None:
        begin, label, length = (values.take(own) for values in (begin, label, length))
    row = begin // columns
    start = begin - row * columns
    return Runs(count, label.astype(np.intp) - 1, row, start, start + length, (rows, columns))


PIXEL_VARIANCE = 1 / 12
ANY_DIRECTION_DEG = 180 / np.sqrt(12)


@dataclass(frozen=True, eq=False)
class Moments:
    """Zeroth to second moments of n carbides, px.

    Parameters
    ----------
    area, x, y
        (n,) area and centroid; a pixel's centre at +0.5, y down.
    xx, yy, xy
        (n,) central second moments over the area.
    """

    area: FloatArray
    x: FloatArray
    y: FloatArray
    xx: FloatArray
    yy: FloatArray
    xy: FloatArray

    @property
    def aspect(self) -> FloatArray:
        """(n,) axis ratio of the ellipse of the same second moments; NaN without pixels."""
        major, minor, _ = ellipse(self.xx, self.yy, self.xy)
        return major / minor


def moments(runs: Runs) -> Moments:
    """Moments of the pixels of each label, every pixel a unit square (its own variance is 1/12)."""
    length = runs.length.astype(float)
    middle = (runs.start + runs.stop) / 2
    height = runs.row + 0.5
    with np.errstate(invalid="ignore", divide="ignore"):
        area = sums(length, runs)
        x = sums(length * middle, runs) / area
        y = sums(length * height, runs) / area
        dx, dy = middle - x[runs.label], height - y[runs.label]
        xx = sums(length * (dx**2 + length**2 / 12), runs) / area
        yy = sums(length * (dy**2 + PIXEL_VARIANCE), runs) / area
        xy = sums(length * dx * dy, runs) / area
    return Moments(area, x, y, xx, yy, xy)


def ellipse(
    xx: FloatArray, yy: FloatArray, xy: FloatArray, by_chance: FloatArray | float = 0.0
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Full major and minor axis and the major axis' angle of ellipses with these second moments.

    Parameters
    ----------
    xx, yy, xy
        (n,) central second moments over the area.
    by_chance
        (n,) mean square of half the difference of the principal moments that chance lends to a circle, px⁴: taken off.

    Returns
    -------
    major, minor
        (n,) 4·√eigenvalue, px.
    angle_deg
        (n,) from the horizontal, counter-clockwise as seen, (-90, 90].
    """
    mean = (xx + yy) / 2
    half = np.sqrt(np.maximum(((xx - yy) / 2) ** 2 + xy**2 - by_chance, 0))
    major, minor = 4 * np.sqrt(np.maximum(mean + half, 0)), 4 * np.sqrt(np.maximum(mean - half, 0))
    return major, minor, np.degrees(np.arctan2(-2 * xy, xx - yy)) / 2


def angle_uncertainty_deg(xx: FloatArray, yy: FloatArray, xy: FloatArray, by_chance: ArrayLike) -> FloatArray:
    """Return the standard uncertainty of the major axis' angle, at most that of an unknown angle.

    Parameters
    ----------
    xx, yy, xy, by_chance
        As in `ellipse`. Half of the mean square by chance lies across the difference seen, and turns it by twice the
        angle (derived, first order).
    """
    seen = ((xx - yy) / 2) ** 2 + xy**2
    with np.errstate(divide="ignore", invalid="ignore"):
        turn = np.degrees(np.sqrt(np.asarray(by_chance, float) / 2 / seen)) / 2
    return np.fmin(turn, ANY_DIRECTION_DEG)
