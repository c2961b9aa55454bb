"""Shorter or fainter lines between those found: without them the pitch would be taken several times too long."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from micro.scale.detection import FoundLines, follow
from micro.scale.pitch import number_lines
from micro.scale.segments import SMALLEST_WINDOW, Segments, fit_segments

PARTS = (10, 5, 2)
LEAST_CONTRAST = 6.0  # of all lines together, in standard errors
LEAST_SHARE = 0.02  # of the contrast of the lines found
SHORT_RUN = 2  # strips, where the place is known beforehand
NARROWEST = 2.5  # spacing of lines that can be told apart, in half widths


def completed(grey: NDArray[np.float32], found: FoundLines) -> FoundLines:
    """Look for the shorter lines that an even ruling lacks, where its numbers say they must be."""
    number, fits = number_lines(found.lines.x)
    if fits.sum() < 2:
        return found
    pitch, start = np.polyfit(number[fits], found.lines.x[fits], 1)
    lacking = np.setdiff1d(np.arange(number[fits].max() + 1), number[fits])
    x = np.sort(np.concatenate([found.lines.x[fits], start + pitch * lacking]))
    half_window = min(found.lines.half_window, max(SMALLEST_WINDOW, 0.5 * pitch))
    return follow(grey, replace(found.lines, x=x, half_window=half_window), SHORT_RUN)


def finer_ruling(grey: NDArray[np.float32], found: FoundLines) -> tuple[FoundLines, int] | None:
    """Lines found with those that divide their spacing by ten, five or two, and how many there should be.

    None where nothing divides the spacing.

    Parameters
    ----------
    grey
        (rows, columns) picture the lines were found in.
    found
        At least five lines of an even ruling.
    """
    number, fits = number_lines(found.lines.x)
    pitch, start = np.polyfit(number[fits], found.lines.x[fits], 1)
    whole = np.unique(number[fits])[:-1]
    beside = _beside(found, number, fits, whole)
    for parts in PARTS:
        if pitch / parts < NARROWEST * found.lines.sigma:
            continue
        between = whole[:, None] + np.arange(1, parts) / parts
        half_window = min(found.lines.half_window, max(SMALLEST_WINDOW, 0.5 * pitch / parts))
        fine = replace(found.lines, x=start + pitch * between.ravel(), half_window=half_window)
        if _stand_out(fit_segments(grey, fine), found, beside, parts - 1):
            both = np.sort(np.concatenate([found.lines.x, fine.x]))
            return follow(grey, replace(fine, x=both), SHORT_RUN), parts * len(whole)
    return None


def _beside(
    found: FoundLines, number: NDArray[np.intp], fits: NDArray[np.bool_], whole: NDArray[np.intp]
) -> NDArray[np.bool_]:
    """(spacings, strips) where the line at either side of a spacing is seen."""
    seen = np.zeros((number.max() + 2, found.seen.shape[1]), bool)
    seen[number[fits]] = found.seen[fits]
    return seen[whole] | seen[whole + 1]


def _stand_out(segments: Segments, found: FoundLines, beside: NDArray[np.bool_], parts: int) -> bool:
    """Whether lines stand at every part of the spacing, all spacings laid over each other."""
    shape = (len(beside), parts, -1)
    height, error = segments.height.reshape(shape), segments.height_error.reshape(shape)
    counted = np.isfinite(height) & beside[:, None]
    count = np.maximum(counted.sum(axis=(0, 2)), 1)
    mean = np.where(counted, height, 0.0).sum(axis=(0, 2)) / count
    of_mean = np.sqrt(np.where(counted, error**2, 0.0).sum(axis=(0, 2))) / count
    usual = float(np.median(found.segments.height[found.seen]))
    return bool(((mean * np.sign(usual) > LEAST_CONTRAST * of_mean) & (mean / usual > LEAST_SHARE)).all())
