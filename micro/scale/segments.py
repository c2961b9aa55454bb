"""Where each line lies in each strip of the picture, by least squares."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
STRIPS = 256
SMALLEST_STRIP = 4
SMALLEST_WINDOW = 2.5


@dataclass(frozen=True, eq=False)
class Lines:
    """Steep lines x = x_k + slope·(y - middle row); all of one width.

    Parameters
    ----------
    x
        (lines,) crossing with the middle row, px.
    slope
        Columns a row downwards.
    sigma
        Half width of a line, as the standard deviation of a Gaussian, px.
    half_window
        How far from a line its pixels are looked at, px.
    """

    x: FloatArray
    slope: float
    sigma: float
    half_window: float


@dataclass(frozen=True, eq=False)
class Segments:
    """Lines as seen strip by strip.

    Parameters
    ----------
    y
        (strips,) middle of each strip.
    x
        (lines, strips) position of the line at the middle of the strip, px; NaN where it cannot be told.
    offset
        (lines, strips) how far that is from where the line was expected, px.
    height, height_error
        (lines, strips) contrast of the line, negative where dark, and its standard error, grey levels.
    background
        (lines, strips) grey level beside the line.
    """

    y: FloatArray
    x: FloatArray
    offset: FloatArray
    height: FloatArray
    height_error: FloatArray
    background: FloatArray


def fit_segments(grey: NDArray[np.float32], lines: Lines) -> Segments:
    """Fit every line in every strip of rows.

    The pixels around a line are fitted by b + c·d + a·g(d) + a·δ·(-g'(d)), d the distance from the expected
    position and g a Gaussian: linear least squares, weighted by a cosine window; δ is the offset. Line and
    model are both symmetric, so the model need not have the line's shape to put δ right.
    """
    rows = len(grey)
    edges = np.linspace(0, rows, max(1, min(STRIPS, rows // SMALLEST_STRIP)) + 1).round().astype(int)
    fitted = [_fit_strip(grey, lines, top, bottom) for top, bottom in pairwise(edges)]
    background, height, slide, error = np.array(fitted).transpose(1, 2, 0)
    with np.errstate(divide="ignore", invalid="ignore"):
        offset = slide / height
    y = (edges[:-1] + edges[1:]) / 2
    expected = lines.x[:, None] + lines.slope * (y - rows / 2)
    return Segments(y, expected + offset, offset, height, error, background)


def _fit_strip(grey: NDArray[np.float32], lines: Lines, top: int, bottom: int) -> FloatArray:
    """(4, lines): background, height, height·offset and the error of the height; NaN where cut by the frame."""
    reach = int(np.ceil(lines.half_window))
    middle = np.arange(top, bottom) + 0.5
    expected = lines.x[:, None] + lines.slope * (middle - len(grey) / 2)
    column = np.floor(expected).astype(int)
    inside = (column >= reach) & (column < grey.shape[1] - reach)
    columns = np.where(inside, column, reach)[..., None] + np.arange(-reach, reach + 1)
    level = grey[np.arange(top, bottom)[:, None], columns].astype(float)
    d = columns + 0.5 - expected[..., None]
    weight = np.cos(np.pi / 2 * np.clip(d / lines.half_window, -1, 1)) ** 2 * inside[..., None]
    shape = np.exp(-0.5 * (d / lines.sigma) ** 2)
    basis = np.stack([np.ones_like(d), d, shape, shape * d / lines.sigma**2], axis=-1)
    basis, level, weight = (a.reshape(len(lines.x), -1, *a.shape[3:]) for a in (basis, level, weight))
    return _solve(basis, level, weight)


def _solve(basis: FloatArray, level: FloatArray, weight: FloatArray) -> FloatArray:
    weighted = basis * weight[..., None]
    normal = np.swapaxes(weighted, 1, 2) @ basis
    usable = weight.sum(axis=1) > weight.shape[1] / 8
    inverse = np.linalg.inv(np.where(usable[:, None, None], normal, np.eye(4)))
    coefficients = (inverse @ (np.swapaxes(weighted, 1, 2) @ level[..., None]))[..., 0]
    residual = level - (basis @ coefficients[..., None])[..., 0]
    variance = (weight * residual**2).sum(axis=1) / np.maximum(weight.sum(axis=1) - 4, 1)
    noise = inverse @ (np.swapaxes(weighted, 1, 2) @ weighted) @ inverse
    error = np.sqrt(np.maximum(variance * noise[:, 2, 2], 0))
    result = np.stack([coefficients[:, 0], coefficients[:, 2], coefficients[:, 3], error])
    return np.where(usable, result, np.nan)
