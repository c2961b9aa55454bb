"""Grey levels of a field: matrix, noise, blur and the carbide classes."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from micro.segmentation import disc
from micro.segmentation.regions import Pixels, connected, grow
from micro.segmentation.segmentation import CarbideClass, SegmentationSettings
from micro.segmentation.shading import Surface, block_means, block_modes, fit_surface

SMOOTHING_PX = 1.0
SIGNIFICANT = 5.5
REACH = 2.7


@dataclass(frozen=True, eq=False)
class Levels:
    """What the grey levels of one field mean; grey differences refer to the flattened picture.

    Parameters
    ----------
    matrix
        Level of the matrix over the frame, as in the file.
    matrix_grey
        Mean level of the matrix.
    matrix_uncertainty
        Standard uncertainty of the matrix level.
    noise, smooth_noise
        Standard deviation of the matrix, of single pixels and after the smoothing by SMOOTHING_PX.
    noise_area_px
        Correlation area of the noise.
    blur_px
        Standard deviation of the edge spread; None where no edge could be measured.
    classes
        Carbide classes, darkest first.
    """

    matrix: Surface
    matrix_grey: float
    matrix_uncertainty: float
    noise: float
    smooth_noise: float
    noise_area_px: float
    blur_px: float | None
    classes: tuple[CarbideClass, ...]


def flatten(grey: NDArray[np.float32], matrix: Surface, matrix_grey: float) -> NDArray[np.float32]:
    """(rows, columns) grey level less the matrix level, in light as strong everywhere as it is on average."""
    light = matrix.evaluate()
    return grey * np.float32(matrix_grey) / light - np.float32(matrix_grey)


def smoothed(contrast: NDArray[np.float32]) -> NDArray[np.float32]:
    """Contrast after a Gaussian blur of SMOOTHING_PX."""
    return cv2.GaussianBlur(contrast, (7, 7), SMOOTHING_PX)


def find_levels(grey: NDArray[np.float32], settings: SegmentationSettings, grey_max: float) -> Levels:
    """Find the levels of a field from its pixels.

    Parameters
    ----------
    grey
        (rows, columns) float32.
    settings
        What the user pinned.
    grey_max
        Full scale of the sensor.
    """
    surface = fit_surface(block_modes(grey), grey.shape)
    for _ in range(3):
        level = surface.mean()
        contrast = flatten(grey, surface, level)
        smooth = smoothed(contrast)
        noise = _spread(smooth)
        carbide = (np.abs(smooth) > 4.0 * noise).astype(np.uint8)
        away = cv2.distanceTransform(1 - carbide, cv2.DIST_L2, cv2.DIST_MASK_5)
        bare = (away > 4.0).astype(np.uint8)
        surface = fit_surface(block_means(grey, bare), grey.shape, robust=False)
    level = surface.mean()
    contrast = flatten(grey, surface, level)
    smooth = smoothed(contrast)
    on_matrix = bare.astype(bool)
    single = float(contrast[on_matrix].std())
    smooth_noise = float(smooth[on_matrix].std())
    area = _noise_area(contrast, on_matrix, single)
    uncertainty = single * np.sqrt(area / max(1, on_matrix.sum()))
    levels = Levels(surface, level, float(uncertainty), single, smooth_noise, area, settings.blur_px, ())
    found = [_one_class(contrast, smooth, sign, levels) for sign in _polarities(smooth, settings, levels)]
    classes = [c for c, _ in found if c]
    blurs = [b for _, b in found if b]
    blur = settings.blur_px or (blurs[0] if blurs else None)
    return replace(levels, classes=tuple(sorted(classes, key=lambda c: c.contrast)), blur_px=blur)


def _spread(smooth: NDArray[np.float32]) -> float:
    """Return the standard deviation of the matrix from the narrower side of its peak at 0."""
    sample = smooth[::3, ::3]
    below, above = -sample[sample < 0], sample[sample > 0]
    return float(1.4826 * min(np.median(below), np.median(above)))


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


def _polarities(smooth: NDArray[np.float32], settings: SegmentationSettings, levels: Levels) -> list[int]:
    if settings.carbides != "auto":
        return [1 if settings.carbides == "bright" else -1]
    threshold = SIGNIFICANT * levels.smooth_noise
    bright, dark = smooth > threshold, smooth < -threshold
    light = {1: float(smooth[bright].sum()), -1: float(-smooth[dark].sum())}
    return [sign for sign in (1, -1) if light[sign] > 0.2 * max(light.values()) and light[sign] > 0]


def _one_class(
    contrast: NDArray[np.float32], smooth: NDArray[np.float32], sign: int, levels: Levels
) -> tuple[CarbideClass | None, float | None]:
    """One class of the given polarity, and the blur of its edges."""
    contrast, smooth = sign * contrast, sign * smooth
    count, labels = connected((smooth > SIGNIFICANT * levels.smooth_noise).astype(np.uint8))
    if not count:
        return None, None
    blur = levels.blur_px or 1.0
    level = float(np.quantile(smooth[labels > 0], 0.9)) * 1.2
    for _ in range(4):
        threshold = max(SIGNIFICANT * levels.smooth_noise, 0.3 * level)
        count, labels = connected((smooth > threshold).astype(np.uint8))
        spread = float(np.hypot(blur, SMOOTHING_PX))
        basins = Pixels.of(grow(labels, REACH * min(blur, 3.0) + 0.5), count)
        light = basins.sum(contrast)
        inside = Pixels.of(labels, count)
        height = inside.largest(smooth)
        estimates = disc.contrast_from_peak(light, height, 2 * np.pi * spread**2)
        good = np.isfinite(estimates) & (light > 0)
        if not good.any():
            return None, None
        weight = light[good]
        level = float(np.average(estimates[good], weights=weight))
        if levels.blur_px is None:
            blur = _edge_spread(smooth, level) or blur
    spread_of = np.sqrt(np.average((estimates[good] - level) ** 2, weights=weight))
    uncertainty = spread_of * np.sqrt((weight**2).sum()) / weight.sum()
    return CarbideClass("carbide", sign * level, float(uncertainty)), blur


def _edge_spread(smooth: NDArray[np.float32], level: float) -> float | None:
    """Blur from the width of the band between a quarter and three quarters of the height."""
    half = smooth > level / 2
    band = np.count_nonzero(smooth > level / 4) - np.count_nonzero(smooth > 3 * level / 4)
    straight = np.count_nonzero(half[:, 1:] != half[:, :-1]) + np.count_nonzero(half[1:] != half[:-1])
    diagonal = np.count_nonzero(half[1:, 1:] != half[:-1, :-1]) + np.count_nonzero(half[1:, :-1] != half[:-1, 1:])
    length = np.pi / 8 * (straight + diagonal / np.sqrt(2))
    if not length:
        return None
    total = band / (1.349 * length)
    return float(np.clip(np.sqrt(max(total**2 - SMOOTHING_PX**2, 0.0)), 0.3, 3.0))
