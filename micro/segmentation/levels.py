"""What the grey levels of a field mean: matrix, blur and carbide classes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from micro.segmentation.blur import edge_spread
from micro.segmentation.blurred_ellipse import unblurred_aspect
from micro.segmentation.candidates import SIGNIFICANT, Candidates, find_candidates, turned
from micro.segmentation.classes import class_levels, interiors
from micro.segmentation.fit import fit_levels
from micro.segmentation.matrix import ADDED_SPREAD_PX, STEP, Matrix
from micro.segmentation.segmentation import UNNAMED, CarbideClass, SegmentationSettings

FIRST_BLUR = 1.0
MIDDLE_PX, ENOUGH = 640, 40
CLIPPED_LEVEL = 0.25
CLIPPED_SPOT, FEWEST_UNCLIPPED = 0.1, 6


@dataclass(frozen=True, eq=False)
class Levels:
    """What the grey levels of one field mean.

    Parameters
    ----------
    matrix
        Level and noise of the matrix.
    blur_px
        Standard deviation of the edge spread; None where no edge could be measured.
    classes
        Carbide classes, darkest first.
    """

    matrix: Matrix
    blur_px: float | None
    classes: tuple[CarbideClass, ...]


def find_levels(
    contrast: NDArray[np.float32],
    smooth: NDArray[np.float32],
    noise: NDArray[np.float32],
    clipped: NDArray[np.bool_],
    matrix: Matrix,
    settings: SegmentationSettings,
) -> Levels:
    """Find blur and classes of a flattened field.

    Parameters
    ----------
    contrast, smooth
        (rows, columns) flattened contrast, as it is and smoothed.
    noise
        (rows, columns) standard deviation of `smooth` on the matrix.
    clipped
        (rows, columns) True where the grey level is full scale.
    matrix
        Its matrix.
    settings
        What the user pinned.
    """
    classes: list[CarbideClass] = []
    blur = settings.blur_px
    for sign in _polarities(smooth, settings, noise):
        spots, own_blur = _spots(turned(contrast, sign), turned(smooth, sign), noise, clipped, settings.blur_px)
        if not len(spots):
            continue
        wanted = len(settings.class_names) or None
        start = class_levels(interiors(spots, own_blur or FIRST_BLUR, matrix.smooth_noise), wanted)
        if not start:
            continue
        pinned = settings.blur_px is not None
        fit = fit_levels(spots, np.array([c for c, _ in start]), own_blur or FIRST_BLUR, matrix, pinned)
        blur = blur or fit.blur
        unknown = CLIPPED_LEVEL * float(np.average(spots.clipped, weights=np.maximum(spots.light, 1e-9)))
        classes += [
            CarbideClass("", sign * level, float(np.hypot(uncertainty, unknown * level)))
            for level, uncertainty in zip(fit.contrast.tolist(), fit.contrast_uncertainty.tolist(), strict=True)
        ]
    return Levels(matrix, blur, _named(classes, settings, matrix.grey))


def _spots(
    contrast: NDArray[np.float32],
    smooth: NDArray[np.float32],
    noise: NDArray[np.float32],
    clipped: NDArray[np.bool_],
    pinned: float | None,
) -> tuple[Candidates, float | None]:
    """Spots of one polarity and their blur.

    What counts as deep inside depends on the blur, hence twice; the middle of a large picture tells the first time.
    """
    first = pinned
    if first is None:
        part = _middle(smooth.shape)
        spots = find_candidates(contrast[part], np.ascontiguousarray(smooth[part]), noise[part], clipped[part])
        if len(spots) < ENOUGH:
            spots = find_candidates(contrast, smooth, noise, clipped)
        first = edge_spread(_unclipped(spots))
    spots = _unclipped(find_candidates(contrast, smooth, noise, clipped, first or FIRST_BLUR))
    blur = pinned or edge_spread(spots)
    # Blur makes rods look stout, and stout ones of their height and light would have to be brighter.
    blur_area = 2 * np.pi * ((blur or FIRST_BLUR) ** 2 + ADDED_SPREAD_PX**2)
    return replace(spots, aspect=unblurred_aspect(spots.half / blur_area, spots.aspect)), blur


def _unclipped(spots: Candidates) -> Candidates:
    """Return the spots that show their height, where they are enough; else all."""
    whole = spots.clipped < CLIPPED_SPOT
    return spots.take(whole) if whole.sum() >= FEWEST_UNCLIPPED else spots


def _middle(shape: tuple[int, ...]) -> tuple[slice, slice]:
    row, column = (max(0, (side - MIDDLE_PX) // 2) for side in shape)
    return slice(row, row + MIDDLE_PX), slice(column, column + MIDDLE_PX)


def _polarities(smooth: NDArray[np.float32], settings: SegmentationSettings, noise: NDArray[np.float32]) -> list[int]:
    if settings.carbides != "auto":
        return [1 if settings.carbides == "bright" else -1]
    smooth, threshold = smooth[::STEP, ::STEP], SIGNIFICANT * noise[::STEP, ::STEP]
    light = {sign: float(abs(smooth[turned(smooth, sign) > threshold].sum())) for sign in (1, -1)}
    return [sign for sign in (1, -1) if light[sign] > 0.2 * max(light.values()) and light[sign] > 0]


def _named(classes: list[CarbideClass], settings: SegmentationSettings, matrix_grey: float) -> tuple[CarbideClass, ...]:
    if settings.class_greys:
        return _pinned(settings, matrix_grey)
    classes = sorted(classes, key=lambda c: c.contrast)
    if len(settings.class_names) < len(classes):
        return numbered(classes)
    return tuple(replace(c, name=name) for name, c in zip(settings.class_names, classes, strict=False))


def numbered(classes: Sequence[CarbideClass]) -> tuple[CarbideClass, ...]:
    """Classes that nobody named, numbered from the darkest; one alone is `UNNAMED`."""
    names = [UNNAMED] if len(classes) == 1 else [f"{UNNAMED} {number}" for number in range(1, len(classes) + 1)]
    return tuple(replace(c, name=name) for name, c in zip(names, classes, strict=True))


def _pinned(settings: SegmentationSettings, matrix_grey: float) -> tuple[CarbideClass, ...]:
    """Classes at the pinned greys, as far as they lie on the side of the matrix where carbides are looked for."""
    wanted = {"bright": {1}, "dark": {-1}}.get(settings.carbides, {1, -1})
    found = sorted(zip(settings.class_greys, settings.class_names, strict=True))
    return tuple(CarbideClass(name, g - matrix_grey, 0.0) for g, name in found if np.sign(g - matrix_grey) in wanted)
