"""The matrix of a field: its level under uneven light, and its noise."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from micro.segmentation.shading import Surface, block_means, block_modes, fit_surface

SMOOTHING_PX = 1.0
ADDED_SPREAD_PX = float(np.sqrt(SMOOTHING_PX**2 + 1 / 12))
"""What smoothing and the aperture of the pixels (variance 1/12) add to the blur of the lens."""
CLIP = 4.0
CLEARANCE_PX = 4.0
ROUNDS = 10
SETTLED = 0.01


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
    noise_area_px: float
    sensor_noise: float


def flatten(grey: NDArray[np.float32], surface: Surface) -> NDArray[np.float32]:
    """(rows, columns) grey level less the matrix level, in light as strong everywhere as it is on average."""
    level = np.float32(surface.mean())
    return grey * level / surface.evaluate() - level


def smoothed(contrast: NDArray[np.float32]) -> NDArray[np.float32]:
    """Contrast after a Gaussian blur of SMOOTHING_PX."""
    return cv2.GaussianBlur(contrast, (7, 7), SMOOTHING_PX)


def find_matrix(grey: NDArray[np.float32], left_out: NDArray[np.bool_], pinned_grey: float | None = None) -> Matrix:
    """Level and noise of the matrix of a picture (rows, columns), without what is `left_out`.

    The level starts from the modes of coarse blocks; then it is the mean of what lies clear of all that stands out.
    A pinned level moves the whole surface to that mean.
    """
    surface = fit_surface(block_modes(grey), grey.shape)
    for _ in range(ROUNDS):
        smooth = smoothed(flatten(grey, surface))
        spread = _spread(smooth)
        bare = _clear(smooth, CLIP * spread, left_out)
        before = surface.mean()
        surface = fit_surface(block_means(grey, bare), grey.shape, robust=False)
        if abs(surface.mean() - before) < SETTLED * spread:
            break
    if pinned_grey is not None:
        surface = Surface(surface.coefficients * (pinned_grey / surface.mean()), surface.shape)
    contrast = flatten(grey, surface)
    on_matrix = bare.astype(bool)
    noise = float(contrast[on_matrix].std())
    area = _noise_area(contrast, on_matrix, noise)
    uncertainty = noise * float(np.sqrt(area / max(1.0, float(on_matrix.sum()))))
    smooth_noise = float(smoothed(contrast)[on_matrix].std())
    return Matrix(surface, surface.mean(), uncertainty, noise, smooth_noise, area, _sensor_noise(contrast, on_matrix))


def _sensor_noise(contrast: NDArray[np.float32], on_matrix: NDArray[np.bool_]) -> float:
    """Return the white noise from second differences along rows, blind to slow changes (1, −2, 1: √6)."""
    bend = contrast[:, 2:] - 2 * contrast[:, 1:-1] + contrast[:, :-2]
    own = bend[on_matrix[:, 1:-1]]
    return float(own.std() / np.sqrt(6)) if own.size else 0.0


def _clear(smooth: NDArray[np.float32], threshold: float, left_out: NDArray[np.bool_]) -> NDArray[np.uint8]:
    """1 where all within CLEARANCE_PX stays within the threshold and is not left out."""
    stands_out = ((np.abs(smooth) > threshold) | left_out).astype(np.uint8)
    away = cv2.distanceTransform(1 - stands_out, cv2.DIST_L2, cv2.DIST_MASK_5)
    return (away > CLEARANCE_PX).astype(np.uint8)


def _spread(smooth: NDArray[np.float32]) -> float:
    """Return the standard deviation of the matrix from the narrower side of its peak at 0."""
    sample = smooth[::3, ::3]
    below, above = -sample[sample < 0], sample[sample > 0]
    sides = [float(np.median(side)) for side in (below, above) if len(side)]
    return 1.4826 * min(sides, default=0.0)


def _noise_area(contrast: NDArray[np.float32], on_matrix: NDArray[np.bool_], noise: float, side: int = 8) -> float:
    rows, cols = contrast.shape[0] // side * side, contrast.shape[1] // side * side
    if not (rows and cols and noise):
        return 1.0
    mask = on_matrix[:rows, :cols].reshape(rows // side, side, cols // side, side)
    pixels = mask.sum(axis=(1, 3))
    total = (contrast[:rows, :cols].reshape(mask.shape) * mask).sum(axis=(1, 3))
    enough = pixels >= side * side // 2
    if enough.sum() < 10:
        return 1.0
    return float(max(1.0, np.mean(total[enough] ** 2 / pixels[enough]) / noise**2))
