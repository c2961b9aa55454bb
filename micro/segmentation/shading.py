"""The light on the matrix: a smooth surface through coarse blocks."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

DEGREE = 4
BLOCKS_ACROSS = 24
SMALLEST_BLOCK = 12
SAMPLES_PER_BLOCK = 400


@dataclass(frozen=True, eq=False)
class Surface:
    """A polynomial of the position over the frame; `coefficients` (degree + 1, degree + 1) for y and x."""

    coefficients: NDArray[np.float64]
    shape: tuple[int, int]

    def evaluate(self) -> NDArray[np.float32]:
        """(rows, columns) float32 value at every pixel centre."""
        y, x = ((np.arange(side) + 0.5) / side for side in self.shape)
        return self.at(y, x)

    def at(self, y: NDArray[np.float64], x: NDArray[np.float64]) -> NDArray[np.float32]:
        """(rows, columns) float32 value where y (rows,) and x (columns,) meet, shares of height and width."""
        y, x = (_legendre(share, len(self.coefficients)) for share in (y, x))
        return (y @ self.coefficients).astype(np.float32) @ x.T.astype(np.float32)

    def mean(self) -> float:
        """Mean over the frame."""
        return float(self.coefficients[0, 0])


@dataclass(frozen=True, eq=False)
class Blocks:
    """Square blocks of the frame: `value` and number of pixels behind it, both (rows, columns) of blocks.

    `y` and `x` are the centres as shares of the frame's height and width.
    """

    value: NDArray[np.float64]
    pixels: NDArray[np.float64]
    y: NDArray[np.float64]
    x: NDArray[np.float64]


def _legendre(share: NDArray[np.float64], terms: int) -> NDArray[np.float64]:
    return np.asarray(np.polynomial.legendre.legvander(2 * share - 1, terms - 1), np.float64)


def block_size(shape: tuple[int, int]) -> int:
    """Side of a block in px, so that some two dozen span the longer side."""
    return max(SMALLEST_BLOCK, -(-max(shape) // BLOCKS_ACROSS))


def _starts(length: int, size: int) -> NDArray[np.intp]:
    return np.linspace(0, length, max(1, round(length / size)) + 1).astype(np.intp)


def block_modes(grey: NDArray[np.float32], share: float = 0.3) -> Blocks:
    """Mode of each block: the middle of the shortest interval that holds `share` of a sample of its pixels."""
    rows, cols = _starts(grey.shape[0], block_size(grey.shape)), _starts(grey.shape[1], block_size(grey.shape))
    height, width = int(np.diff(rows).min()), int(np.diff(cols).min())
    step = max(1, int(np.sqrt(height * width / SAMPLES_PER_BLOCK)))
    dy, dx = np.arange(0, height, step), np.arange(0, width, step)
    sample = grey[(rows[:-1, None] + dy)[:, None, :, None], (cols[:-1, None] + dx)[None, :, None, :]]
    values = np.sort(sample.reshape(len(rows) - 1, len(cols) - 1, -1), axis=-1).astype(float)
    span = min(max(1, int(share * values.shape[-1])), values.shape[-1] - 1)
    spread = values[..., span:] - values[..., : values.shape[-1] - span]
    # Whole grey levels make ties: the middle of all the shortest intervals is meant.
    shortest = spread <= spread.min(axis=-1, keepdims=True)
    middle = (values[..., span:] + values[..., : values.shape[-1] - span]) / 2
    mode = (middle * shortest).sum(axis=-1) / shortest.sum(axis=-1)
    return _blocks(mode, np.full(mode.shape, float(values.shape[-1])), rows, cols, grey.shape)


def block_means(grey: NDArray[np.float32], matrix: NDArray[np.uint8]) -> Blocks:
    """Mean over the matrix pixels of each block (NaN where it has none), `matrix` 1 on the matrix, 0 elsewhere."""
    rows, cols = _starts(grey.shape[0], block_size(grey.shape)), _starts(grey.shape[1], block_size(grey.shape))
    pixels = _block_sums(matrix, rows, cols)
    with np.errstate(invalid="ignore", divide="ignore"):
        value = _block_sums(grey * matrix, rows, cols) / pixels
    return _blocks(value, pixels, rows, cols, grey.shape)


def _block_sums(picture: NDArray, rows: NDArray[np.intp], cols: NDArray[np.intp]) -> NDArray[np.float64]:
    across = np.stack([cv2.reduce(picture[a:b], 0, cv2.REDUCE_SUM, dtype=cv2.CV_32F)[0] for a, b in pairwise(rows)])
    return np.add.reduceat(across, cols[:-1], axis=1, dtype=np.float64)


def _blocks(value: NDArray, pixels: NDArray, rows: NDArray, cols: NDArray, shape: tuple[int, ...]) -> Blocks:
    return Blocks(value, pixels, (rows[:-1] + rows[1:]) / 2 / shape[0], (cols[:-1] + cols[1:]) / 2 / shape[1])


def fit_surface(blocks: Blocks, shape: tuple[int, int], degree: int = DEGREE, robust: bool = True) -> Surface:
    """Least-squares polynomial through the blocks, weighted by their pixels.

    With `robust` blocks far from the surface lose their weight step by step (Tukey's biweight), so a block
    that a carbide fills does not pull the matrix.
    """
    degree = min(degree, max(0, min(blocks.value.shape) // 2))
    y, x = _legendre(blocks.y, degree + 1), _legendre(blocks.x, degree + 1)
    i, j = np.nonzero(np.add.outer(np.arange(degree + 1), np.arange(degree + 1)) <= degree)
    design = (y[:, None, i] * x[None, :, j]).reshape(-1, len(i))
    known = np.isfinite(blocks.value.ravel())
    design, value, pixels = design[known], blocks.value.ravel()[known], blocks.pixels.ravel()[known]
    weight = np.sqrt(pixels / pixels.max(initial=1.0))
    solution = _robust(design, value, weight, np.add(i, j)) if robust else _weighted(design, value, weight)
    coefficients = np.zeros((degree + 1, degree + 1))
    coefficients[i, j] = solution
    return Surface(coefficients, shape)


def _robust(design: NDArray, value: NDArray, weight: NDArray, degree: NDArray[np.intp]) -> NDArray[np.float64]:
    """Start flat at the commonest value, then bend, one degree more at a time, through what lies close."""
    ordered = np.sort(value)
    span = max(1, len(ordered) // 3)
    shortest = int(np.argmin(ordered[span:] - ordered[:-span])) if len(ordered) > span else 0
    solution = np.where(degree == 0, np.median(ordered[shortest : shortest + span + 1]), 0.0)
    for step in (*range(1, int(degree.max(initial=0)) + 1), *[int(degree.max(initial=0))] * 4):
        residual = np.abs(value - design @ solution)
        scale = 1.4826 * np.quantile(residual, 0.4) + max(1e-6 * np.abs(value).max(), 1e-9)
        close = weight * np.clip(1 - (residual / (5 * scale)) ** 2, 0, 1)
        solution = np.zeros(len(degree))
        solution[degree <= step] = _weighted(design[:, degree <= step], value, close)
    return solution


def _weighted(design: NDArray, value: NDArray, weight: NDArray) -> NDArray[np.float64]:
    return np.linalg.lstsq(design * weight[:, None], value * weight, rcond=None)[0]
