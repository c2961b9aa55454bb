"""The light over a field, and the matrix: its level and its noise."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from micro.geometry.regions import close_to
from micro.statistics.robust import SPREAD_OF_NORMAL

DEGREE = 4
BLOCKS_ACROSS = 24
SMALLEST_BLOCK = 12
SAMPLES_PER_BLOCK = 400
CUT_OFF = 0.02  # of the pixels: fewer at an end of the scale do not make a mode (chosen)


@dataclass(frozen=True, eq=False)
class Surface:
    """A polynomial of the position over the frame; `coefficients` (degree + 1, degree + 1) for y and x."""

    coefficients: NDArray[np.float64]
    shape: tuple[int, int]

    def evaluate(self) -> NDArray[np.float32]:
        """(rows, columns) float32 value at every pixel centre."""
        return self._where(*(_at_centres(side, len(self.coefficients)) for side in self.shape))

    def at(self, y: NDArray[np.float64], x: NDArray[np.float64]) -> NDArray[np.float32]:
        """(rows, columns) float32 value where y (rows,) and x (columns,) meet, shares of height and width."""
        return self._where(*(_legendre(share, len(self.coefficients)) for share in (y, x)))

    def _where(self, y: NDArray[np.float64], x: NDArray[np.float64]) -> NDArray[np.float32]:
        """(rows, columns) float32 value where the terms of y (rows, degree + 1) and x (columns, degree + 1) meet."""
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


@lru_cache(maxsize=16)  # one field asks for those of its sides a hundred times
def _at_centres(side: int, terms: int) -> NDArray[np.float64]:
    """(side, terms) polynomials at the pixel centres of a side."""
    return _legendre((np.arange(side) + 0.5) / side, terms)


def block_size(shape: tuple[int, int]) -> int:
    """Side of a block in px, so that some two dozen span the longer side."""
    return max(SMALLEST_BLOCK, -(-max(shape) // BLOCKS_ACROSS))


@lru_cache(maxsize=16)
def _starts(length: int, size: int) -> NDArray[np.intp]:
    return np.linspace(0, length, max(1, round(length / size)) + 1).astype(np.intp)


def block_modes(grey: NDArray[np.float32], share: float = 0.3) -> Blocks:
    """Mode of each block: the middle of the shortest interval that holds `share` of a sample of its pixels.

    An interval that takes in an end of the scale at which the camera cut greys off is none, where another one is left.
    """
    rows, cols = _starts(grey.shape[0], block_size(grey.shape)), _starts(grey.shape[1], block_size(grey.shape))
    height, width = int(np.diff(rows).min()), int(np.diff(cols).min())
    step = max(1, int(np.sqrt(height * width / SAMPLES_PER_BLOCK)))
    dy, dx = np.arange(0, height, step), np.arange(0, width, step)
    sample = grey[(rows[:-1, None] + dy)[:, None, :, None], (cols[:-1, None] + dx)[None, :, None, :]]
    values = np.sort(sample.reshape(len(rows) - 1, len(cols) - 1, -1), axis=-1).astype(float)
    span = min(max(1, int(share * values.shape[-1])), values.shape[-1] - 1)
    spread = values[..., span:] - values[..., : values.shape[-1] - span]
    spread = _without_cut_off(values, spread, span)
    # Whole grey levels make ties: the middle of all the shortest intervals is meant.
    shortest = spread <= spread.min(axis=-1, keepdims=True)
    middle = (values[..., span:] + values[..., : values.shape[-1] - span]) / 2
    mode = (middle * shortest).sum(axis=-1) / shortest.sum(axis=-1)
    return _blocks(mode, np.full(mode.shape, float(values.shape[-1])), rows, cols, grey.shape)


def _without_cut_off(values: NDArray[np.float64], spread: NDArray[np.float64], span: int) -> NDArray[np.float64]:
    """Widths of intervals of sorted values, (blocks..., intervals): infinite for those with greys cut off at an end.

    A noisy matrix of which the camera cut off some percent has there more pixels of one grey than anywhere.
    """
    for end, at in ((values.max(), slice(span, None)), (values.min(), slice(None, values.shape[-1] - span))):
        cut_off = values == end
        if CUT_OFF < cut_off.mean() < 0.5:
            kept = ~cut_off[..., at]
            spread = np.where(kept | ~kept.any(axis=-1, keepdims=True), spread, np.inf)
    return spread


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
    i, j, design = _terms(blocks.y.tobytes(), blocks.x.tobytes(), degree)
    known = np.isfinite(blocks.value.ravel())
    design, value, pixels = design[known], blocks.value.ravel()[known], blocks.pixels.ravel()[known]
    weight = np.sqrt(pixels / pixels.max(initial=1.0))
    solution = _robust(design, value, weight, np.add(i, j)) if robust else _weighted(design, value, weight)
    coefficients = np.zeros((degree + 1, degree + 1))
    coefficients[i, j] = solution
    return Surface(coefficients, shape)


@lru_cache(maxsize=16)  # one field asks for those of its blocks a dozen times
def _terms(y: bytes, x: bytes, degree: int) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.float64]]:
    """(terms,) degrees in y and in x, and (blocks, terms) polynomials; of the centres of blocks the bytes."""
    i, j = np.nonzero(np.add.outer(np.arange(degree + 1), np.arange(degree + 1)) <= degree)
    down, across = (_legendre(np.frombuffer(centres), degree + 1) for centres in (y, x))
    return i, j, (down[:, None, i] * across[None, :, j]).reshape(-1, len(i))


def _robust(design: NDArray, value: NDArray, weight: NDArray, degree: NDArray[np.intp]) -> NDArray[np.float64]:
    """Start flat at the commonest value, then bend, one degree more at a time, through what lies close."""
    ordered = np.sort(value)
    span = max(1, len(ordered) // 3)
    shortest = int(np.argmin(ordered[span:] - ordered[:-span])) if len(ordered) > span else 0
    solution = np.where(degree == 0, np.median(ordered[shortest : shortest + span + 1]), 0.0)
    for step in (*range(1, int(degree.max(initial=0)) + 1), *[int(degree.max(initial=0))] * 4):
        residual = np.abs(value - design @ solution)
        scale = SPREAD_OF_NORMAL * np.quantile(residual, 0.4) + max(1e-6 * np.abs(value).max(), 1e-9)
        close = weight * np.clip(1 - (residual / (5 * scale)) ** 2, 0, 1)
        solution = np.zeros(len(degree))
        solution[degree <= step] = _weighted(design[:, degree <= step], value, close)
    return solution


def _weighted(design: NDArray, value: NDArray, weight: NDArray) -> NDArray[np.float64]:
    return np.linalg.lstsq(design * weight[:, None], value * weight, rcond=None)[0]


SMOOTHING_PX = 1.0
ADDED_SPREAD_PX = float(np.sqrt(SMOOTHING_PX**2 + 1 / 12))
"""What smoothing and the aperture of the pixels (variance 1/12) add to the blur of the lens."""
SMOOTHED_NOISE = 0.282
"""Of white noise after a Gaussian blur of 1 px: 1/(2·√π)."""
CLIP = 4.0
CLEARANCE_PX = 4.0
ROUNDS = 15
SETTLED = 0.003
RUNAWAY = 1.5
LEAST_NOISE = 1e-4
ROUNDED = float(np.sqrt(1 / 12))
"""Standard deviation of whole grey levels about what they round: compression leaves a matrix no other noise."""
BLOCK_NOISE, NOT_WHITE = 0.71, 2.0
"""Then blocks of 8 × 8 px are off by up to a step of their mean and one of their first wave, 1.6 and 2.3 grey levels at
quality 60 by the example table of ITU-T T.81 (1992), annex K: over the 5.5 standard deviations that stand out. Noise is
not a camera's own where smoothing leaves NOT_WHITE times as much of it as of white noise (chosen)."""
DARKEST = 0.05
ANCHOR = 3e-6  # holds the polynomial where nothing else does, and nowhere else
STEP = 2  # every second pixel of every second row: the smoothed picture holds nothing finer
NOISE_DEGREE = 2
SAMPLES_ACROSS, ENOUGH_PX = 256, 2**20


@dataclass(frozen=True, eq=False)
class Matrix:
    """Level and noise of the matrix; grey differences refer to the flattened picture.

    Parameters
    ----------
    surface
        Level over the frame, as in the file.
    grey
        Mean level.
    uncertainty
        Standard uncertainty of the level.
    noise, smooth_noise
        Standard deviation about the level, of single pixels and after smoothing by SMOOTHING_PX.
    smooth_variance
        Square of `smooth_noise` over the frame: flattening lifts the noise where the light is weak.
    noise_area_px
        Correlation area of the noise.
    sensor_noise
        Standard deviation of what differs from pixel to pixel.
    """

    surface: Surface
    grey: float
    uncertainty: float
    noise: float
    smooth_noise: float
    smooth_variance: Surface
    noise_area_px: float
    sensor_noise: float

    def local_noise(self) -> NDArray[np.float32]:
        """(rows, columns) standard deviation of the smoothed matrix."""
        variance = self.smooth_variance.evaluate()
        least = max(self.smooth_noise / 2, LEAST_NOISE * abs(self.grey), 1e-6)
        np.clip(variance, np.float32(least**2), ANY, out=variance)
        return np.sqrt(variance, out=variance)

    def sensor_smooth_noise(self) -> float:
        """Return the standard deviation that the noise of single pixels leaves after the smoothing."""
        return max(SMOOTHED_NOISE * self.sensor_noise, LEAST_NOISE * abs(self.grey), 1e-6)


# No upper bound: a picture is clipped in a third of the time that the greater of it and one number takes.
ANY = np.float32(np.inf)
IN_CACHE_PX = 2**15  # of some pictures together: what several passes go over piece by piece (chosen)


def rows_at_once(shape: tuple[int, ...]) -> Iterator[slice]:
    """Rows of a picture, so many at a time that several pictures of them stay in cache."""
    step = max(1, IN_CACHE_PX // max(1, shape[1]))
    return (slice(top, top + step) for top in range(0, shape[0], step))


def flatten(grey: NDArray[np.float32], light: NDArray[np.float32], level: float) -> NDArray[np.float32]:
    """(rows, columns) grey level less the matrix level, in light as strong everywhere as it is on average.

    Parameters
    ----------
    grey
        (rows, columns) as in the file, or smoothed.
    light
        (rows, columns) matrix level.
    level
        Its mean; light below DARKEST of it is not made up for.
    """
    flattened = np.empty(grey.shape, np.float32)
    for rows in rows_at_once(grey.shape):
        flat = flattened[rows]
        np.clip(light[rows], np.float32(max(DARKEST * level, 1e-6)), ANY, out=flat)
        np.divide(grey[rows], flat, out=flat)
        flat -= 1
        flat *= np.float32(level)
    return flattened


def smoothed(picture: NDArray[np.float32]) -> NDArray[np.float32]:
    """Picture after a Gaussian blur of SMOOTHING_PX."""
    return cv2.GaussianBlur(picture, (7, 7), SMOOTHING_PX)


LAGS_PX, PART_PX = (0, 1, 2, 3, 4, 6, 8, 12, 16), 640
"""Distances at which grain is compared, and side of the middle that tells it. Chosen."""


def covariance_at_lags(contrast: NDArray[np.float32], bare: NDArray[np.bool_]) -> NDArray[np.float64]:
    """(lags,) covariance of the smoothed contrast (rows, columns) at LAGS_PX where `bare`, along rows and columns."""
    part = tuple(slice(max(0, (side - PART_PX) // 2), (side + PART_PX) // 2) for side in bare.shape)
    seen = bare[part]
    smooth = smoothed(np.ascontiguousarray(contrast[part]))
    smooth = np.where(seen, smooth - smooth[seen].mean() if seen.any() else 0, 0)
    found = np.zeros((2, len(LAGS_PX)))
    for picture, where in ((smooth, seen), (np.ascontiguousarray(smooth.T), np.ascontiguousarray(seen.T))):
        for k, lag in enumerate(LAGS_PX):
            end = max(0, len(picture) - lag)
            found[0, k] += np.vdot(picture[:end], picture[lag:])
            found[1, k] += np.count_nonzero(where[:end] & where[lag:])
    return np.asarray(found[0] / np.maximum(found[1], 1))


@dataclass(frozen=True, eq=False)
class Level:
    """Level of the matrix of a picture; what noise there is about it is found where it is asked for.

    Parameters
    ----------
    picture
        (rows, columns) grey levels as in the file.
    surface
        Level over every STEP-th row and column of it.
    smooth, bare
        (rows / STEP, columns / STEP) smoothed picture, flattened; 1 on the matrix, 0 elsewhere.
    rounded
        Standard deviation of the rounding: 0 where the levels are not whole.
    grey
        Mean level.
    """

    picture: NDArray[np.float32]
    surface: Surface
    smooth: NDArray[np.float32]
    bare: NDArray[np.uint8]
    rounded: float
    grey: float

    @cached_property
    def whole(self) -> Surface:
        """Level over the frame; a pinned one moves the whole surface to that mean."""
        lift = self.grey / self.surface.mean() if self.surface.mean() else 1.0
        return Surface(self.surface.coefficients * lift, (self.picture.shape[0], self.picture.shape[1]))

    @cached_property
    def _bare_noise(self) -> float:
        return float(self.smooth[self.bare > 0].std()) if self.bare.any() else 0.0

    @cached_property
    def _single_pixels(self) -> tuple[float, float, float]:
        return _single_pixels(self.picture, self.surface, self.bare)

    @cached_property
    def _compressed(self) -> bool:
        """Whether compression left that noise: what was drawn without has none, a camera's own is smoothed away."""
        if not (self.rounded > 0 and BLOCK_NOISE > self._bare_noise > 0):
            return False
        return self._bare_noise > NOT_WHITE * SMOOTHED_NOISE * self._single_pixels[2]

    @property
    def smooth_noise(self) -> float:
        """Standard deviation of the matrix after smoothing by SMOOTHING_PX."""
        return max(self._bare_noise, BLOCK_NOISE * self._compressed)

    def matrix(self) -> Matrix:
        """Return the matrix with this level."""
        noise, area, sensor = self._single_pixels
        squares = np.clip(self.smooth * self.smooth, np.float32((BLOCK_NOISE * self._compressed) ** 2), ANY)
        variance = fit_surface(block_means(squares, self.bare), self.whole.shape, NOISE_DEGREE, robust=False)
        uncertainty = noise * float(np.sqrt(area / max(1.0, STEP**2 * float(np.count_nonzero(self.bare)))))
        return Matrix(self.whole, self.grey, uncertainty, noise, self.smooth_noise, variance, area, sensor)


def find_level(
    grey: NDArray[np.float32],
    smooth_grey: NDArray[np.float32],
    left_out: NDArray[np.bool_],
    pinned_grey: float | None = None,
    degree: int = DEGREE,
    start: Surface | None = None,
) -> Level:
    """Level of the matrix of a picture (rows, columns), without what is `left_out`.

    The level starts from the modes of coarse blocks; then it is the mean of what lies clear of all that stands out.
    Every second pixel of every second row is enough, as the smoothed picture holds nothing finer. A pinned level
    moves the whole surface to that mean. `start`: that of the modes, where it is known.
    """
    coarse = np.ascontiguousarray(smooth_grey[::STEP, ::STEP])
    coarse_left_out = left_out[::STEP, ::STEP]
    start = settled = surface = start or first_surface(grey, degree)
    narrowest, least = np.inf, ROUNDED if np.array_equal(grey[::STEP], np.rint(grey[::STEP])) else 0.0
    for _ in range(ROUNDS):
        smooth = flatten(coarse, surface.evaluate(), surface.mean())
        spread = max(_spread(smooth, coarse_left_out), least)
        if spread > RUNAWAY * narrowest:
            surface = settled
            break
        settled, narrowest = surface, min(narrowest, spread)
        bare = _clear(smooth, CLIP * spread, coarse_left_out)
        before = surface.mean()
        surface = fit_surface(_anchored(block_means(coarse, bare), start), coarse.shape, degree, robust=False)
        if abs(surface.mean() - before) < SETTLED * spread:
            break
    smooth = flatten(coarse, surface.evaluate(), surface.mean())
    return Level(grey, surface, smooth, bare, least, surface.mean() if pinned_grey is None else pinned_grey)


def first_surface(grey: NDArray[np.float32], degree: int) -> Surface:
    """Level from the modes of coarse blocks of a picture (rows, columns), over every STEP-th row and column."""
    return fit_surface(block_modes(grey), grey[::STEP, ::STEP].shape, degree)


def _anchored(blocks: Blocks, start: Surface) -> Blocks:
    """Blocks without any matrix take the level the search started from, at little weight.

    A polynomial held by a bare band alone would run away where carbides crowd.
    """
    empty = blocks.pixels == 0
    if not empty.any():
        return blocks
    value = np.where(empty, start.at(blocks.y, blocks.x), blocks.value)
    return replace(blocks, value=value, pixels=np.where(empty, ANCHOR * blocks.pixels.max(initial=1.0), blocks.pixels))


def _clear(smooth: NDArray[np.float32], threshold: float, left_out: NDArray[np.bool_]) -> NDArray[np.uint8]:
    """1 where all within CLEARANCE_PX stays within the threshold and is not left out."""
    stands_out = ((np.abs(smooth) > threshold) | left_out).view(np.uint8)
    return (~close_to(stands_out, CLEARANCE_PX / STEP)).view(np.uint8)


def _spread(smooth: NDArray[np.float32], left_out: NDArray[np.bool_]) -> float:
    """Return the standard deviation of the matrix from the narrower side of its peak at 0."""
    every = max(2, min(smooth.shape) // SAMPLES_ACROSS)
    ordered = np.sort(smooth[::every, ::every][~left_out[::every, ::every]])  # takes less time than two medians
    zero = np.float32(0)
    sides = ordered[: ordered.searchsorted(zero)], ordered[ordered.searchsorted(zero, "right") :]
    return SPREAD_OF_NORMAL * min((abs(_median(side)) for side in sides if len(side)), default=0.0)


def _median(ordered: NDArray[np.float32]) -> float:
    """Middle one of ordered values (n,), or mean of the two in the middle."""
    return float(ordered[(len(ordered) - 1) // 2 : len(ordered) // 2 + 1].mean())


def _strips(picture: NDArray, height: int, every: int) -> NDArray:
    """Every so many of the strips of that many rows, one below the other."""
    rows, columns = picture.shape
    return np.ascontiguousarray(picture.reshape(rows // height, height, columns)[::every]).reshape(-1, columns)


def _single_pixels(
    grey: NDArray[np.float32], surface: Surface, bare: NDArray[np.uint8], side: int = 8
) -> tuple[float, float, float]:
    """Noise, its correlation area and the part of it that differs from pixel to pixel.

    The area compares the scatter of block sums with that of pixels; what differs comes from second differences
    along rows, blind to slow changes (1, −2, 1: variance times 6). A million pixels tell all of it.
    """
    rows, cols = grey.shape[0] // side * side, grey.shape[1] // side * side
    if not (rows and cols):
        return float(grey.std()), 1.0, float(grey.std())
    every = max(1, rows * cols // ENOUGH_PX)
    strips = _strips(grey[:rows, :cols], side, every)
    light, on_matrix = (
        cv2.resize(
            _strips(coarse[: rows // STEP, : cols // STEP], side // STEP, every),
            strips.shape[::-1],
            interpolation=cv2.INTER_NEAREST,
        )
        for coarse in (surface.evaluate(), bare)
    )
    contrast = flatten(strips, light, surface.mean())
    if not on_matrix.any():
        return 0.0, 1.0, 0.0
    noise = float(cv2.meanStdDev(contrast, mask=on_matrix)[1][0, 0])
    bend = cv2.filter2D(contrast, cv2.CV_32F, np.array([[1.0, -2.0, 1.0]]))[:, 1:-1]
    sensor = float(cv2.meanStdDev(bend, mask=on_matrix[:, 1:-1])[1][0, 0] / np.sqrt(6))
    whole = (cols // side, len(strips) // side)
    count, total = (
        side**2 * cv2.resize(values, whole, interpolation=cv2.INTER_AREA).astype(float)
        for values in (on_matrix.astype(np.float32), contrast * on_matrix)
    )
    enough = count >= side * side // 2
    if enough.sum() < 10 or not noise:
        return noise, 1.0, sensor
    return noise, float(max(1.0, np.mean(total[enough] ** 2 / count[enough]) / noise**2)), sensor
