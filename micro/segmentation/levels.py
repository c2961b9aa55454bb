"""What the grey levels of a field mean: matrix, blur and carbide classes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from micro.segmentation.blurred_shapes import (
    band_area,
    contrast_from_peak,
    disc_peak,
    radius_from_half,
    unblurred_aspect,
)
from micro.segmentation.candidates import DEEP, SIGNIFICANT, Candidates, find_candidates, upward
from micro.segmentation.level_fit import GREY_SCATTER, NARROWEST, WIDEST, fit_compact
from micro.segmentation.matrix import ADDED_SPREAD_PX, STEP, Matrix
from micro.segmentation.segmentation import UNNAMED, CarbideClass, SegmentationSettings

STEPS = 30


def edge_spread(candidates: Candidates) -> float | None:
    """Blur (standard deviation, px) before the smoothing; None where no spot tells it.

    The band between half and three quarters of the height covers as much as it would round discs of the same
    areas under that blur. Elongated spots count by the length of their outline.
    """
    usable = (candidates.half >= 5) & ~candidates.at_edge & (candidates.perimeter_ratio < 2.5)
    if not usable.any():
        return None
    spots = candidates.take(usable)
    ratio = np.maximum(spots.perimeter_ratio, 1.0)
    measured = float(spots.band.sum())
    low, high = np.hypot(NARROWEST, ADDED_SPREAD_PX), np.hypot(WIDEST, ADDED_SPREAD_PX)
    for _ in range(STEPS):
        spread = float((low + high) / 2)
        if (band_area(spots.half, spread) * ratio).sum() < measured:
            low = spread
        else:
            high = spread
    return float(np.sqrt(spread**2 - ADDED_SPREAD_PX**2))


FloatArray = NDArray[np.float64]
SHAPE_ERROR = 0.25
TELLS = 0.15
FEWEST = 5
FAIR_SHARE = 0.03
# Discs of 3 px under a blur of 1 to 2 px, beside some of 16 px, passed for a greyer class of which 0 to 0.12 of the
# light was resolved; their ln contrast scatters by 0.13 to 0.5, that of true classes by less than 0.15.
SHOWN, MANY_GREYS = 0.2, 0.35
LARGE_SHARE, ONE_SHARE, APART = 0.1, 0.5, 0.25  # of the light, of it for one alone, and of ln contrast (chosen)
# Of what lies deep in a disc: ellipses of aspect 4 have 0.4 of it and more (derived), of 222 px under a blur of 0.9 px
# rods that cross 0.07. Chosen.
IN_ONE = 0.2
VALLEY = 0.5
LEAST_EXCESS, MOST_EXCESS = 0.75, 1.75
MOST_ELONGATED = 6.0


@dataclass(frozen=True, eq=False)
class Interiors:
    """Spots (n,): contrast as it would be without blur, its relative standard uncertainty, light, whether resolved."""

    contrast: FloatArray
    relative: FloatArray
    light: FloatArray
    resolved: NDArray[np.bool_]


def interiors(candidates: Candidates, blur: float, smooth_noise: float) -> Interiors:
    """Undo what blur took from each spot's height, by the model of an ellipse of the same light."""
    blur_area = 2 * np.pi * (blur**2 + ADDED_SPREAD_PX**2)
    contrast = contrast_from_peak(candidates.light, candidates.height, blur_area, candidates.aspect)
    # Light from neighbours makes a spot look large, and so resolved; its own area at half height does not lie.
    size = radius_from_half(candidates.half, float(np.sqrt(blur_area / (2 * np.pi)))) ** 2 / 2
    share = np.clip(np.minimum(candidates.height / contrast, disc_peak(size, candidates.aspect)), 1e-3, 1.0)
    # The mean of m pixels deep inside is less noisy than one smoothed pixel, which averages over 4·π pixels.
    noise = smooth_noise / np.sqrt(1 + candidates.deep / (4 * np.pi)) / np.maximum(candidates.height, 1e-6)
    relative = np.sqrt((noise / share) ** 2 + (SHAPE_ERROR * (1 - share) / share) ** 2 + GREY_SCATTER**2)
    # Light over height and half-height area: 1 for large discs, 1/ln 2 for a point. What has far more is no spot.
    excess = candidates.light / np.maximum(candidates.height * candidates.half, 1e-6)
    spot = np.isfinite(contrast) & (excess > LEAST_EXCESS) & (excess < MOST_EXCESS)
    # Scratches and films between grains have no interior.
    spot &= (candidates.deep > 0) | (candidates.aspect < MOST_ELONGATED)
    relative = np.where(spot, relative, np.inf)
    # Rods that cross, and nets, have a little of what is deep for a disc of their area: between them, not in them.
    within = np.sqrt(candidates.half / np.pi) - DEEP * np.sqrt(blur_area / (2 * np.pi))
    resolved = (candidates.deep > 0) & (candidates.deep >= IN_ONE * np.pi * np.maximum(within, 0) ** 2)
    return Interiors(contrast, relative, candidates.light, resolved)


def class_levels(spots: Interiors, wanted: int | None = None) -> list[tuple[float, float]]:
    """Contrast and standard uncertainty of each class, lowest first; empty where no spot tells.

    Parameters
    ----------
    spots
        Contrast of the spots.
    wanted
        Number of classes; None: as many as the spots show.
    """
    known = np.isfinite(spots.contrast) & (spots.contrast > 0) & np.isfinite(spots.relative)
    if not known.any():
        return []
    contrast, relative = spots.contrast[known], spots.relative[known]
    best = max(TELLS, float(np.sort(relative)[min(FEWEST, len(relative)) - 1]))
    sure = relative <= best
    voters = Interiors(contrast[sure], relative[sure], spots.light[known][sure], spots.resolved[known][sure])
    bounds = _valleys(voters, wanted)
    kind = np.searchsorted(bounds, np.log(contrast))
    return [_level(contrast[own], relative[own]) for own in (kind == k for k in range(len(bounds) + 1)) if own.any()]


def _level(contrast: FloatArray, relative: FloatArray) -> tuple[float, float]:
    """Weighted mean and its standard uncertainty; spots far from the rest lose their weight (Tukey's biweight)."""
    weight = 1 / relative**2
    level = _weighted_median(contrast, weight)
    for _ in range(10):
        far = (contrast - level) / (level * relative)
        pull = weight * np.clip(1 - (far / 5) ** 2, 0, 1) ** 2
        level = float((pull * contrast).sum() / pull.sum())
    scatter = (pull**2 * (contrast - level) ** 2).sum() / pull.sum() ** 2
    return level, float(np.sqrt(scatter + level**2 / weight.sum()))


def _weighted_median(values: FloatArray, weight: FloatArray) -> float:
    order = np.argsort(values)
    total = np.cumsum(weight[order])
    return float(values[order][np.searchsorted(total, total[-1] / 2)])


def _support(voters: Interiors, bounds: FloatArray) -> NDArray[np.bool_]:
    """Tell for each class between `bounds` whether spots enough stand behind it.

    Clusters of carbides too small to be seen apart look like fewer and greyer ones: a class must hold a fair share
    of the light, or show resolved interiors. Below another class, whose small ones may be what is seen, SHOWN of its
    light must come from resolved ones, and most of it where it is of many greys, as such clusters are. Two large ones
    are enough where they hold LARGE_SHARE of the light and their grey lies APART, and one that holds ONE_SHARE.
    """
    value = np.log(voters.contrast)
    kind = np.searchsorted(bounds, value)
    count, resolved, light, shown, first, second = (
        np.bincount(kind, weight, len(bounds) + 1)
        for weight in (None, voters.resolved, voters.light, voters.light * voters.resolved, value, value**2)
    )
    mean = first / np.maximum(count, 1)
    many_greys = second / np.maximum(count, 1) - mean**2 > MANY_GREYS**2
    not_shown = shown < np.where(many_greys, 0.5, SHOWN) * light
    not_shown[-1] = False
    share = light / light.sum()
    many = (count >= FEWEST) & ((share >= FAIR_SHARE) | (resolved >= FEWEST)) & ~not_shown
    apart = np.diff(mean, prepend=-np.inf, append=np.inf)
    enough = ((resolved >= 2) & (share >= LARGE_SHARE)) | ((resolved >= 1) & (share >= ONE_SHARE))
    return many | ((shown >= 0.9 * light) & enough & (np.minimum(apart[1:], apart[:-1]) > APART))


def _valleys(voters: Interiors, wanted: int | None) -> FloatArray:
    """Bounds between the modes of the logarithm of contrast, each spot blurred by its own uncertainty."""
    value, width = np.log(voters.contrast), np.maximum(voters.relative, 0.04)
    grid = np.linspace(value.min() - 0.3, value.max() + 0.3, 400)
    density = np.zeros(len(grid))
    # A histogram for each step of width, so that the cost does not grow with the number of spots.
    steps = np.unique(np.round(np.log(width) / 0.2))
    for step in steps:
        own = np.round(np.log(width) / 0.2) == step
        s = float(np.exp(0.2 * step))
        counts = np.histogram(value[own], bins=len(grid), range=(grid[0], grid[-1]))[0]
        kernel = np.exp(-(((grid - grid.mean()) / s) ** 2) / 2)
        density += np.convolve(counts / s**2, kernel / kernel.sum(), mode="same")
    modes = [i for i in range(1, len(grid) - 1) if density[i - 1] < density[i] >= density[i + 1]]
    while len(modes) > 1:
        lows = [int(a + np.argmin(density[a : b + 1])) for a, b in pairwise(modes)]
        depth = [density[k] / min(density[a], density[b]) for k, (a, b) in zip(lows, pairwise(modes), strict=True)]
        supported = _support(voters, grid[lows])
        shallow = int(np.argmax(depth))
        too_many = wanted is not None and len(modes) > wanted
        if too_many or (wanted is None and depth[shallow] > VALLEY):
            lower = shallow if density[modes[shallow]] < density[modes[shallow + 1]] else shallow + 1
        elif not supported.all():
            lower = int(np.argmin(supported))
        else:
            return grid[lows]
        del modes[lower]
    return np.empty(0)


FIRST_BLUR = 1.0
MIDDLE_PX, ENOUGH_IN_MIDDLE = 640, 40
# Shares of the level, chosen: what spots cut off all over leave open (of those cut off on half of their pixels noise
# shows it, hence the square), and how far beyond full scale it may be.
CLIPPED_LEVEL, CLIPPED_PRIOR = 0.25, 1.0
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
        up = upward(contrast, sign)
        spots, own_blur, cut_off = _spots(up, upward(smooth, sign), noise, clipped, settings.blur_px)
        if not len(spots):
            continue
        wanted = len(settings.class_names) or None
        start = class_levels(interiors(spots, own_blur or FIRST_BLUR, matrix.smooth_noise), wanted)
        if not start:
            continue
        pinned = settings.blur_px is not None
        fit = fit_compact(spots, np.array([c for c, _ in start]), own_blur or FIRST_BLUR, matrix, pinned)
        blur = blur or fit.blur
        levels = fit.contrast
        uncertainty = np.hypot(fit.contrast_uncertainty, CLIPPED_LEVEL * _cut_off(spots) ** 2 * levels)
        if cut_off > CLIPPED_SPOT:
            top = float(np.median(up[clipped & (up > 0)]))
            levels, uncertainty = _of_full_scale(levels, uncertainty, top, cut_off)
        classes += [
            CarbideClass("", sign * level, unsure)
            for level, unsure in zip(levels.tolist(), uncertainty.tolist(), strict=True)
        ]
    return Levels(matrix, blur, _named(classes, settings, matrix.grey))


def _of_full_scale(
    levels: FloatArray, uncertainty: FloatArray, top: float, cut_off: float
) -> tuple[FloatArray, FloatArray]:
    """Levels (classes,) over the matrix and their uncertainty, where the brightest is cut off at full scale, `top`.

    What few carbides below it show may be far off, so full scale is heard too, as far as it may be off itself
    (CLIPPED_PRIOR); and what is cut off on more than half of its pixels is no greyer than that.
    """
    levels, uncertainty, brightest = levels.copy(), uncertainty.copy(), int(levels.argmax())
    own, prior = max(float(uncertainty[brightest]), 1e-9) ** -2, (CLIPPED_PRIOR * top) ** -2
    level = (own * float(levels[brightest]) + prior * top) / (own + prior)
    levels[brightest] = max(level, top) if cut_off > 0.5 else level
    uncertainty[brightest] = (own + prior) ** -0.5
    return levels, uncertainty


def _cut_off(spots: Candidates) -> float:
    """Share of the spots' pixels that are at full scale, by light."""
    return float(np.average(spots.clipped, weights=np.maximum(spots.light, 1e-9)))


def _spots(
    contrast: NDArray[np.float32],
    smooth: NDArray[np.float32],
    noise: NDArray[np.float32],
    clipped: NDArray[np.bool_],
    pinned: float | None,
) -> tuple[Candidates, float | None, float]:
    """Spots of one polarity that show their height, their blur, and how far all of them are cut off.

    What counts as deep inside depends on the blur, hence twice; the middle of a large picture tells the first time.
    """
    first = pinned
    if first is None:
        part = _middle(smooth.shape)
        spots = find_candidates(contrast[part], np.ascontiguousarray(smooth[part]), noise[part], clipped[part])
        if len(spots) < ENOUGH_IN_MIDDLE:
            spots = find_candidates(contrast, smooth, noise, clipped)
        first = edge_spread(_unclipped(spots))
    every = find_candidates(contrast, smooth, noise, clipped, first or FIRST_BLUR)
    spots = _unclipped(every)
    blur = pinned or edge_spread(spots)
    # Blur makes rods look stout, and stout ones of their height and light would have to be brighter.
    blur_area = 2 * np.pi * ((blur or FIRST_BLUR) ** 2 + ADDED_SPREAD_PX**2)
    cut_off = _cut_off(every) if len(every) else 0.0
    return replace(spots, aspect=unblurred_aspect(spots.half / blur_area, spots.aspect)), blur, cut_off


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
    smooth, threshold = smooth[::STEP, ::STEP].ravel(), SIGNIFICANT * noise[::STEP, ::STEP].ravel()
    light = {sign: float(abs(smooth[upward(smooth, sign) > threshold].sum())) for sign in (1, -1)}
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
