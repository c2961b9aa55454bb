"""Structure of the matrix that is no sensor noise, and whether features are lines."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from math import erf, exp, pi, sqrt

import cv2
import numpy as np
from numpy.typing import NDArray

from micro.geometry.runs import Runs, sums
from micro.segmentation.candidates import SIGNIFICANT
from micro.segmentation.matrix import SMOOTHED_NOISE, STEP
from micro.segmentation.segmentation import Segmentation

FloatArray = NDArray[np.float64]
SIDES = (8, 16, 32, 64)
LINE_ELONGATION, LINE_WIDTH_PX = 4.0, 5.0  # chosen: a row of 1 : 12; the thinnest eutectic plates are wider at 5 px


@dataclass(frozen=True, eq=False)
class Texture:
    """Structure of the matrix clear of carbides.

    Parameters
    ----------
    uneven
        Standard deviation of the smoothed matrix over what the noise of single pixels leaves of it; 1 without texture.
    hides
        Contrast below which nothing is found, grey levels: SIGNIFICANT standard deviations of the smoothed matrix.
    level_scatter
        (sides,) standard deviation of the mean level from block to block, for blocks of SIDES px; NaN: too few blocks.
    level_uncertainty
        Standard uncertainty of the mean level: the largest of scatter over root of the number of blocks.
    white
        Share of the noise that differs from pixel to pixel; 1 for a sensor's own.
    grey, bare
        (rows, columns) grey levels as in the file, and True on the matrix; None: nobody looks.
    """

    uneven: float
    hides: float
    level_scatter: FloatArray
    level_uncertainty: float
    white: float
    grey: NDArray[np.float32] | None = None
    bare: NDArray[np.bool_] | None = None

    @cached_property
    def repeats(self) -> float:
        """Share of the pixels that have the very grey level of the next one in their row; 1 where nobody looks."""
        return 1.0 if self.grey is None or self.bare is None else _repeats(self.grey, self.bare)


def find_texture(s: Segmentation, sensor_noise: float, grey: NDArray[np.float32] | None = None) -> Texture:
    """Scatter of the matrix at several sizes; `sensor_noise` of single pixels, `grey` as in the file, grey levels."""
    bare = s.bare.astype(np.float32)
    scatter, uncertainty = [], [s.matrix_uncertainty]
    mean, share, done = s.contrast * bare, bare, 1
    for side in SIDES:
        # Blocks are means of the blocks before.
        mean, share = _blocks(mean, side // done), _blocks(share, side // done)
        done = side
        enough = share > 0.5
        if enough.sum() < 6:
            scatter.append(np.nan)
            continue
        found = float((mean[enough] / share[enough]).std(ddof=1))
        scatter.append(found)
        uncertainty.append(found / float(np.sqrt(enough.sum())))
    uneven = s.smooth_noise / max(SMOOTHED_NOISE * sensor_noise, 1e-6)
    white = sensor_noise / max(s.noise, 1e-6)
    hides = SIGNIFICANT * s.smooth_noise
    return Texture(uneven, hides, np.array(scatter), max(uncertainty), white, grey, s.bare)


def _repeats(grey: NDArray[np.float32], bare: NDArray[np.bool_]) -> float:
    sample = grey[::STEP, ::STEP].ravel()
    if np.mean(np.trunc(sample) != sample) > 0.5:
        return 1.0  # means of channels do not repeat, whatever each of them does
    pairs = bare[:, 1:] & bare[:, :-1]
    alike = pairs & (grey[:, 1:] == grey[:, :-1])
    return int(np.count_nonzero(alike)) / max(1, int(np.count_nonzero(pairs)))


def _blocks(picture: NDArray[np.float32], side: int) -> NDArray[np.float32]:
    rows, columns = (n // side * side for n in picture.shape)
    if not (rows and columns):
        return np.empty((0, 0), np.float32)
    return cv2.resize(picture[:rows, :columns], (columns // side, rows // side), interpolation=cv2.INTER_AREA)


def line_like(s: Segmentation) -> NDArray[np.bool_]:
    """(n,) whether each outline is a line or a net of lines: long for its width, and thin.

    Thin is what its outline says, 2·area/perimeter, or what its light says whatever the level of its outline:
    (Σ grey)²/Σ grey² over the length is below that of a line of LINE_WIDTH_PX under the blur.
    """
    if not s.count:
        return np.zeros(0, bool)
    area, perimeter = s.outline_px, s.perimeters[0]
    with np.errstate(divide="ignore", invalid="ignore"):
        long = perimeter**2 / (4 * np.pi * area) > LINE_ELONGATION
        if not long.any():
            return long
        pixels, light = s.basin_sums
        squares = _squares(s.contrast, s.basin_runs.pick(long.take(s.basin_runs.label))) - s.noise**2 * pixels
        spread = light**2 / np.maximum(squares, 1e-9) / (perimeter / 2)
        thin = (2 * area / perimeter < LINE_WIDTH_PX) | (spread < line_spread(LINE_WIDTH_PX, s.blur_px or 1.0))
    return np.asarray(long & thin)


def _squares(picture: NDArray[np.float32], runs: Runs) -> NDArray[np.float64]:
    """(count,) sum of the squares of a picture over each label of runs that are few."""
    before = np.cumsum(runs.length) - runs.length
    first = runs.row * runs.shape[1] + runs.start
    at = np.repeat(first - before, runs.length) + np.arange(int(runs.length.sum()))
    return sums(np.add.reduceat(np.square(picture.ravel().take(at)), before), runs)


def line_spread(width: float, blur: float) -> float:
    """(∫h)²/∫h², px, across a line of that width and unit height under a Gaussian blur, px; closed form."""
    sigma = float(np.hypot(blur, np.sqrt(1 / 12)))
    squares = width * erf(width / (2 * sigma)) - 2 * sigma / sqrt(pi) * (1 - exp(-(width**2) / (4 * sigma**2)))
    return width**2 / squares
