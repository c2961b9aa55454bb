"""Intercepts on all scan lines along and across the rolling direction (ASTM E1268), and the chords they cut."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from micro.geometry.outlines import crofton_perimeter
from micro.geometry.runs import Runs, along_rows, every_run, moments
from micro.measures.lobes import Lobes
from micro.measures.particles import OutlineShapes, measure_outlines

FloatArray = NDArray[np.float64]

# Ω12 weighs lines along by it (ASTM E1268, from memory: 0.571).
UNRELATED = np.pi / 2 - 1
# Chosen: steps of a pixel outline make a line that grazes it leave and enter again over a few pixels.
GRAZING_PX = 4
# The labels of runs are one less than those of the picture.
MATRIX = -1


@dataclass(frozen=True, eq=False)
class Intercepts:
    """What one set of parallel lines meets, one pixel apart.

    Parameters
    ----------
    per_carbide
        (n,) lines that each carbide meets: twice where a line meets it twice, half where a line ends inside it.
    by_lobes
        (n,) of these, what lobes and corners add that blur and the steps of pixel outlines hide; below 0 takes away.
    carbide_chords, matrix_chords
        Lengths of the runs of carbide and of matrix that no end of a line cuts, px.
    """

    per_carbide: FloatArray
    by_lobes: FloatArray
    carbide_chords: FloatArray
    matrix_chords: FloatArray


def scan(
    labels: NDArray[np.int32],
    excluded: NDArray[np.bool_],
    runs: Runs,
    rolling_deg: float,
    outline: OutlineShapes | None = None,
    lobes: Lobes | None = None,
) -> tuple[Intercepts, Intercepts]:
    """Count intercepts on lines along and across a direction.

    A convex carbide meets as many lines as it is wide across them, which its hull tells without the steps of its pixel
    outline; how often the same line meets it is counted on the picture, turned, beyond what its lobes tell.

    Parameters
    ----------
    labels, excluded
        (rows, columns) number of each carbide, 0 in the matrix; True where not analysed, and there no carbide lies.
    rolling_deg
        Degrees from the horizontal, counter-clockwise as seen.
    outline
        Their outlines, whose blur is undone; None: they are taken as they are.
    lobes
        What blur and pixels hide of outlines that are no ellipses; None: they are taken for ellipses.

    Returns
    -------
    Lines along and lines across.
    """
    lobes = lobes or Lobes(*np.ones((2, 2, runs.count)))
    marked = np.where(excluded, -1, labels) if excluded.any() else labels
    turned = along_rows(marked.astype(np.float32), rolling_deg, -1)  # whole numbers to 16 million are exact
    at_ends = line_ends(labels, runs.count, rolling_deg)
    outline = outline or measure_outlines(runs, moments(runs), None)
    return (
        _meet(turned, outline, rolling_deg + 90, (lobes.more[0], lobes.times[0], at_ends[0])),
        _meet(cv2.transpose(turned), outline, rolling_deg, (lobes.more[1], lobes.times[1], at_ends[1])),
    )


def outline_length(outline: OutlineShapes, seen: FloatArray | None = None) -> FloatArray:
    """(n,) length of each carbide's outline in the frame, px, without the frame that cuts it.

    `seen` (n,) is that of the blurred outlines, where it is known.
    """
    seen = crofton_perimeter(outline.runs, without_frame=True) if seen is None else seen
    return seen * np.nan_to_num(outline.longer, nan=1.0)


def over(numerator: float, denominator: float) -> float:
    """Quotient; NaN where the denominator is not above 0."""
    return numerator / denominator if denominator > 0 else np.nan


def intercept_columns(area_fraction: float, along: float, across: float) -> dict[str, float]:
    """Columns of a field that follow from its area fraction and its intercepts per px on lines along and across."""
    return {
        "intercepts_along_per_px": along,
        "intercepts_across_per_px": across,
        "anisotropy_index": over(across, along),
        "degree_of_orientation": over(across - along, across + UNRELATED * along),
        "mean_free_path_px": over(1 - area_fraction, across),
        "mean_chord_along_px": over(area_fraction, along),
        "mean_chord_across_px": over(area_fraction, across),
    }


def surface_per_volume(outline_px: float, area_px: float) -> float:
    """S_V = (4/π)·L_A per px, of the length of all outlines in an area (Underwood 1970, from memory); NaN without."""
    return over(4 / np.pi * outline_px, area_px)


def line_ends(labels: NDArray[np.int32], count: int, rolling_deg: float) -> tuple[FloatArray, FloatArray]:
    """(n,) lines along, and across, that end inside each carbide at the edge of the frame."""
    sin, cos = abs(np.sin(np.radians(rolling_deg))), abs(np.cos(np.radians(rolling_deg)))
    upright = np.bincount(np.concatenate([labels[:, 0], labels[:, -1]]), minlength=count + 1)[1:]
    level = np.bincount(np.concatenate([labels[0], labels[-1]]), minlength=count + 1)[1:]
    return cos * upright + sin * level, sin * upright + cos * level


def _meet(
    turned: NDArray[np.float32],
    outline: OutlineShapes,
    across_deg: float,
    each: tuple[FloatArray, FloatArray, FloatArray],
) -> Intercepts:
    """Lines met; `each` has (n,) two factors of `Lobes` and the lines that end inside."""
    more, times, ends = each
    upright = outline.runs
    seen = np.bincount(upright.label, minlength=upright.count) > 0
    width = np.where(seen, outline.extent(across_deg), 0.0)
    runs = every_run(turned, upright.count)
    before, after = seen_beside(runs)
    first, last = merge_fragments(runs)
    met = replace(runs.pick(first), stop=runs.stop[last])
    # A gap that `merge_fragments` closes is no matrix.
    matrix = (runs.label == MATRIX) & (runs.length > GRAZING_PX) & before & after
    chords = met.length[before[first] & after[last]], runs.length[matrix]
    again = times_met(met)
    every = width * more * np.maximum(again / times, 1)
    return Intercepts(every - ends / 2, every - width * again, *(length.astype(float) for length in chords))


def seen_beside(runs: Runs) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """(m,) True where what lies before, and after, the run on its line is analysed; of every run of a picture."""
    analysed = runs.label >= MATRIX
    before = (runs.start > 0) & np.append(False, analysed[:-1])
    return before, (runs.stop < runs.shape[1]) & np.append(analysed[1:], False)


def merge_fragments(runs: Runs) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """First and last of the runs of one carbide on one line that lie a few pixels apart; by label and row."""
    carbide = np.flatnonzero(runs.label > MATRIX)
    carbide = carbide[runs.pick(carbide).order]
    own = runs.pick(carbide)
    gap = own.start - np.concatenate([[0], own.stop[:-1]])
    joined = (np.diff(own.label, prepend=-1) == 0) & (np.diff(own.row, prepend=-1) == 0) & (gap <= GRAZING_PX)
    first = np.flatnonzero(~joined)
    last = np.append(first[1:], len(carbide))[: len(first)] - 1
    return carbide[first], carbide[last]


def times_met(met: Runs) -> FloatArray:
    """(n,) how often a line that meets a carbide meets it, in the mean; 1 for convex ones. Runs by label and row."""
    again = (np.diff(met.label, prepend=-1) == 0) & (np.diff(met.row, prepend=-1) == 0)
    lines = np.bincount(met.label, ~again, met.count)
    every = np.bincount(met.label, minlength=met.count)
    return np.divide(every, lines, out=np.ones(met.count), where=lines > 0)
