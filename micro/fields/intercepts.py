"""Intercepts on all scan lines along and across the rolling direction (ASTM E1268), and the chords they cut."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from micro.particles.moments import moments
from micro.particles.outline import OutlineShapes, measure_outlines
from micro.particles.runs import Runs, find_runs

FloatArray = NDArray[np.float64]

UNRELATED = np.pi / 2 - 1
# Steps of a pixel outline make a line that grazes it leave and enter again over a few pixels.
GRAZING_PX = 4


@dataclass(frozen=True, eq=False)
class Intercepts:
    """What one set of parallel lines meets, one pixel apart.

    Parameters
    ----------
    per_carbide
        (n,) lines that each carbide meets: twice where a line meets it twice, half where a line ends inside it.
    carbide_chords, matrix_chords
        Lengths of the runs of carbide and of matrix that no end of a line cuts, px.
    """

    per_carbide: FloatArray
    carbide_chords: FloatArray
    matrix_chords: FloatArray


def scan(
    labels: NDArray[np.int32],
    excluded: NDArray[np.bool_],
    count: int,
    rolling_deg: float,
    blur_px: float | None = None,
) -> tuple[Intercepts, Intercepts]:
    """Count intercepts on lines along and across a direction.

    A convex carbide meets as many lines as it is wide across them, which its hull tells without the steps of its pixel
    outline; how often the same line meets it is counted on the picture, turned.

    Parameters
    ----------
    labels, excluded
        (rows, columns) number of each carbide from 1 to `count`, 0 in the matrix; True where not analysed.
    count
        Number of carbides.
    rolling_deg
        Degrees from the horizontal, counter-clockwise as seen.
    blur_px
        Edge spread that shortened and widened the outlines; None: they are taken as they are.

    Returns
    -------
    Lines along and lines across.
    """
    analysed = np.where(excluded, 0, labels) if excluded.any() else labels
    upright = find_runs(analysed, count)
    turned = rotate(np.where(excluded, -1, labels), rolling_deg)
    at_ends = line_ends(analysed, count, rolling_deg)
    outline = measure_outlines(upright, moments(upright), blur_px)
    return (
        _meet(turned, outline, rolling_deg + 90, at_ends[0]),
        _meet(cv2.transpose(turned), outline, rolling_deg, at_ends[1]),
    )


def rotate(field: NDArray[np.integer], angle_deg: float) -> NDArray[np.int32]:
    """Turn a label picture so that the direction runs along its rows; -1 outside."""
    if angle_deg == 0:
        return np.ascontiguousarray(field, np.int32)
    rows, columns = field.shape
    turn = np.radians(angle_deg)
    c, s = np.cos(turn), np.sin(turn)
    wide, high = (int(np.ceil(abs(a * c) + abs(b * s) - 1e-9)) for a, b in ((columns, rows), (rows, columns)))
    to_source = np.array([[c, s, 0.0], [-s, c, 0.0]])
    to_source[:, 2] = np.array([columns - 1, rows - 1]) / 2 - to_source[:, :2] @ np.array([wide - 1, high - 1]) / 2
    turned = cv2.warpAffine(
        field.astype(np.float32),  # whole numbers to 16 million are exact
        to_source,
        (wide, high),
        flags=cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=-1,
    )
    return turned.astype(np.int32)


def line_ends(labels: NDArray[np.int32], count: int, rolling_deg: float) -> tuple[FloatArray, FloatArray]:
    """(n,) lines along, and across, that end inside each carbide at the edge of the frame."""
    sin, cos = abs(np.sin(np.radians(rolling_deg))), abs(np.cos(np.radians(rolling_deg)))
    upright = np.bincount(np.concatenate([labels[:, 0], labels[:, -1]]), minlength=count + 1)[1:]
    level = np.bincount(np.concatenate([labels[0], labels[-1]]), minlength=count + 1)[1:]
    return cos * upright + sin * level, sin * upright + cos * level


def _meet(turned: NDArray[np.int32], outline: OutlineShapes, across_deg: float, ends: FloatArray) -> Intercepts:
    upright = outline.runs
    seen = np.bincount(upright.label, minlength=upright.count) > 0
    width = np.where(seen, outline.extent(across_deg), 0.0)
    runs = find_runs(turned, upright.count)
    met = healed(runs)
    return Intercepts(width * times_met(met) - ends / 2, carbide_chords(turned, met), matrix_chords(turned, runs))


def healed(runs: Runs) -> Runs:
    """Join runs of one carbide on one line that lie a few pixels apart; runs come in reading order."""
    order = np.argsort(runs.label, kind="stable")
    label, row, start, stop = (v[order] for v in (runs.label, runs.row, runs.start, runs.stop))
    gap = start - np.concatenate([[0], stop[:-1]])
    joined = (np.diff(label, prepend=-1) == 0) & (np.diff(row, prepend=-1) == 0) & (gap <= GRAZING_PX)
    first = np.flatnonzero(~joined)
    last = np.append(first[1:], len(label))[: len(first)] - 1
    return Runs(runs.count, label[first], row[first], start[first], stop[last], runs.shape)


def times_met(met: Runs) -> FloatArray:
    """(n,) how often a line that meets a carbide meets it, in the mean; 1 for convex ones. Runs by label and row."""
    again = (np.diff(met.label, prepend=-1) == 0) & (np.diff(met.row, prepend=-1) == 0)
    lines = np.bincount(met.label, ~again, met.count)
    every = np.bincount(met.label, minlength=met.count)
    return np.divide(every, lines, out=np.ones(met.count), where=lines > 0)


def carbide_chords(turned: NDArray[np.int32], met: Runs) -> FloatArray:
    """Lengths of the runs of carbide that no end of a line cuts."""
    columns = turned.shape[1]
    before, after = met.start - 1, met.stop
    whole = (before >= 0) & (after < columns)
    whole &= (turned[met.row, before] >= 0) & (turned[met.row, np.minimum(after, columns - 1)] >= 0)
    return met.length[whole].astype(float)


def matrix_chords(turned: NDArray[np.int32], runs: Runs) -> FloatArray:
    """Lengths of the runs of matrix that no end of a line cuts, without the gaps that `healed` closes.

    Parameters
    ----------
    turned
        (rows, columns) labels, -1 where not analysed.
    runs
        Its runs of carbide, in reading order.
    """
    gap = runs.start[1:] - runs.stop[:-1]
    between = (np.diff(runs.row) == 0) & (gap > GRAZING_PX)
    start, gap = (runs.row[1:] * turned.shape[1] + runs.stop[:-1])[between], gap[between]
    if not len(gap):
        return np.empty(0)
    bounds = np.stack([start, start + gap], axis=1).ravel()
    left_out = np.add.reduceat((turned < 0).ravel(), bounds, dtype=np.int32)[::2]
    return gap[left_out == 0].astype(float)
