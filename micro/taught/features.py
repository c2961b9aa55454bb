"""What the surroundings of a pixel look like, at several scales: the words in which a map is taught.

At every scale σ (an octave apart): the smoothed grey, the length of its gradient, both eigenvalues of its Hessian, and
the standard deviation of the grey around; besides, the darkest and the lightest grey within two discs. Derivatives
carry σ and σ², so that one shape gives one value at every scale (T. Lindeberg, Scale-Space Theory in Computer Vision,
1994; from memory). Grey is taken from the field's own level in units of its own spread: fields of unlike exposure join.

Each octave is computed on a picture half as wide as the one before, and brought to the pixels where it is asked for:
the planes of a field take about 11 times the memory of the field in float32.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from micro.errors import InputError

FloatArray = NDArray[np.float64]
Plane = NDArray[np.float32]

# Scales in px; the finest is that of a well sampled edge, the widest about a fortieth of a field (chosen: finer or
# wider ones did not bring the maps of hand-labelled micrographs nearer to the labels).
SCALES_PX = (0.7, 1.4, 2.8, 5.6, 11.2, 22.4)
# Smoothing, in px, under which the level and the spread of a field are taken: noise does not enter (chosen).
LEVEL_SCALE_PX = 1.4
# A grey level of an 8 bit picture: a field with less spread shows nothing (derived).
LEAST_SPREAD_SHARE = 1e-6
NARROWEST_PX = 32
# Discs, in px across, whose darkest and lightest grey is taken from a picture of half and of a quarter of the size.
# They took a tenth off the residual scatter of the maps of hand-labelled dark precipitates with bright rims.
DISCS_PX = (10, 20)
DISC_IN_ITS_PIXELS = 5
EACH_SCALE = ("grey", "gradient", "curvature_high", "curvature_low", "spread")
EACH_DISC = ("darkest", "lightest")
NAMES = (
    *(f"{kind}_{scale:g}px" for scale in SCALES_PX for kind in EACH_SCALE),
    *(f"{kind}_{disc}px" for disc in DISCS_PX for kind in EACH_DISC),
)


@dataclass(frozen=True, eq=False)
class FeaturePlanes:
    """Features of one field, each plane at the pixel size of its octave.

    Parameters
    ----------
    planes
        Float32 planes in the order of NAMES.
    shape
        (rows, columns) of the field.
    """

    planes: tuple[Plane, ...]
    shape: tuple[int, int]

    def rows(self, first: int, last: int) -> Plane:
        """(features, (last − first)·columns) of every pixel of some rows, row by row."""
        columns = self.shape[1]
        out = np.empty((len(self.planes), last - first, columns), np.float32)
        for plane, where in zip(self.planes, out, strict=True):
            if plane.shape == self.shape:
                where[:] = plane[first:last]
            else:
                above, below, share = _between(np.arange(first, last), plane.shape[0] / self.shape[0], plane.shape[0])
                part = plane[above] + (plane[below] - plane[above]) * share[:, None]
                cv2.resize(part, (columns, last - first), dst=where, interpolation=cv2.INTER_LINEAR)
        return out.reshape(len(self.planes), -1)

    def at(self, x_px: FloatArray, y_px: FloatArray) -> Plane:
        """(points, features) of the pixels that hold the points; a pixel's centre lies at +0.5 px."""
        row, column = pixels_of(x_px, y_px, self.shape)
        return np.stack([_interpolated(plane, row, column, self.shape) for plane in self.planes], axis=1)


def pixels_of(x_px: FloatArray, y_px: FloatArray, shape: tuple[int, int]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Row and column of the pixels that hold some points.

    Raises
    ------
    InputError
        Where a point lies outside the field.
    """
    row, column = np.floor(np.asarray(y_px)).astype(np.intp), np.floor(np.asarray(x_px)).astype(np.intp)
    outside = (row < 0) | (row >= shape[0]) | (column < 0) | (column >= shape[1])
    if outside.any():
        problem = f"{int(outside.sum())} of {len(row)} points lie outside a field of {shape[1]} x {shape[0]} px"
        raise InputError("tally", problem, "give the picture that was counted")
    return row, column


def feature_planes(grey: NDArray[np.generic]) -> FeaturePlanes:
    """Features of one field at all scales.

    Parameters
    ----------
    grey
        (rows, columns) grey levels, any number type, finite.

    Raises
    ------
    InputError
        For a picture that is too small, or one grey all over.

    Examples
    --------
    >>> import numpy as np
    >>> step = np.zeros((64, 64)); step[:, 32:] = 1.0
    >>> found = feature_planes(step).at(np.array([8.5, 32.0]), np.array([32.0, 32.0]))
    >>> dict(zip(NAMES, (found[0] < found[1]).tolist()))["gradient_1.4px"]
    True

    """
    rows, columns = grey.shape
    if min(rows, columns) < NARROWEST_PX:
        raise InputError("field", f"is {columns} x {rows} px", f"give pictures of {NARROWEST_PX} px and more a side")
    level = own_level(grey)
    smooth = list(_octaves(level))
    planes: list[Plane] = []
    for (plane, _, sigma), (wide, wide_squares, _) in itertools.pairwise(smooth):
        planes += [plane, *_derivatives(plane, sigma)]
        planes.append(np.sqrt(np.maximum(wide_squares - wide * wide, 0)))
    planes += _extremes(smooth[SCALES_PX.index(LEVEL_SCALE_PX)][0])
    return FeaturePlanes(tuple(planes), (rows, columns))


def own_level(grey: NDArray[np.generic]) -> Plane:
    """Grey from the field's mean, in units of the standard deviation of the smoothed field.

    Raises
    ------
    InputError
        For a field of one grey all over.
    """
    plane = np.asarray(grey, np.float32)
    smooth = cv2.GaussianBlur(plane, (0, 0), LEVEL_SCALE_PX)
    mean, spread = float(smooth.mean(dtype=float)), float(smooth.std(dtype=float))
    if not spread > LEAST_SPREAD_SHARE * max(abs(mean), 1e-30):
        raise InputError("field", "is one grey all over", "give a picture that shows the structure")
    return (plane - np.float32(mean)) * np.float32(1 / spread)


def _octaves(level: Plane) -> Iterator[tuple[Plane, Plane, float]]:
    """Smoothed grey, smoothed squares, and σ in px of the plane: every scale of SCALES_PX, and the next octave.

    A plane is halved once its smoothing is 1.4 px, where less than 0.1 % of the light is finer than two new pixels.
    """
    pair, reached, size = [level, level * level], 0.0, 1.0
    for scale in (*SCALES_PX, 2 * SCALES_PX[-1]):
        sigma = scale / size
        more = math.sqrt(max(sigma**2 - reached**2, 0.0))
        if more > 0:
            pair = [cv2.GaussianBlur(plane, (0, 0), more) for plane in pair]
        yield pair[0], pair[1], sigma
        reached = sigma
        if sigma >= LEVEL_SCALE_PX:
            pair = [_halved(plane) for plane in pair]
            # Two pixels made one add the variance of a box of 2 px less that of 1 px, (4 − 1)/12, in old pixels.
            reached, size = math.sqrt(sigma**2 + 0.25) / 2, 2 * size


def _extremes(plane: Plane) -> Iterator[Plane]:
    """Darkest and lightest grey within each of DISCS_PX, from the field smoothed by LEVEL_SCALE_PX."""
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (DISC_IN_ITS_PIXELS, DISC_IN_ITS_PIXELS))
    for _ in DISCS_PX:
        plane = _halved(plane)
        yield from (cv2.erode(plane, disc), cv2.dilate(plane, disc))


def _halved(plane: Plane) -> Plane:
    """Picture of half the size, each pixel the mean of those that it covers."""
    half = (-(-plane.shape[1] // 2), -(-plane.shape[0] // 2))
    return np.asarray(cv2.resize(plane, half, interpolation=cv2.INTER_AREA))


def _derivatives(plane: Plane, sigma: float) -> tuple[Plane, Plane, Plane]:
    """Gradient length times σ, and the larger and the smaller eigenvalue of the Hessian times σ²."""

    def derived(x: int, y: int, gain: float) -> Plane:
        return np.asarray(cv2.Sobel(plane, cv2.CV_32F, x, y, ksize=3, scale=gain))

    # Sobel's kernels are 8 times the first, 4 times the second and 4 times the mixed derivative (derived).
    gradient = _length(derived(1, 0, sigma / 8), derived(0, 1, sigma / 8))
    xx, yy, xy = derived(2, 0, sigma**2 / 4), derived(0, 2, sigma**2 / 4), derived(1, 1, sigma**2 / 4)
    half = np.asarray((xx + yy) / 2, np.float32)
    apart = _length(np.asarray((xx - yy) / 2, np.float32), xy)
    return gradient, half + apart, half - apart


def _length(x: Plane, y: Plane) -> Plane:
    # Not OpenCV's magnitude: its last bit depends on where in memory the planes happen to lie.
    return np.asarray(np.sqrt(x * x + y * y), np.float32)


def _between(index: NDArray[np.intp], ratio: float, size: int) -> tuple[NDArray[np.intp], NDArray[np.intp], Plane]:
    """Neighbours of fine pixels in a coarse row, and the share of the second; pixel centres at +0.5 in both."""
    place = np.clip((index + 0.5) * ratio - 0.5, 0, size - 1)
    low = np.minimum(place.astype(np.intp), max(size - 2, 0))
    return low, np.minimum(low + 1, size - 1), (place - low).astype(np.float32)


def _interpolated(plane: Plane, row: NDArray[np.intp], column: NDArray[np.intp], shape: tuple[int, int]) -> Plane:
    if plane.shape == shape:
        return plane[row, column]
    above, below, down = _between(row, plane.shape[0] / shape[0], plane.shape[0])
    left, right, along = _between(column, plane.shape[1] / shape[1], plane.shape[1])
    upper = plane[above, left] + (plane[above, right] - plane[above, left]) * along
    lower = plane[below, left] + (plane[below, right] - plane[below, left]) * along
    return np.asarray(upper + (lower - upper) * down)
