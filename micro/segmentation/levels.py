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
from micro.segmentation.candidates import SIGNIFICANT, Candidates, find_candidates, upward
from micro.segmentation.matrix import ADDED_SPREAD_PX, STEP, Matrix
from micro.segmentation.segmentation import UNNAMED, CarbideClass, SegmentationSettings

NARROWEST, WIDEST = 0.2, 4.0
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
GREY_SCATTER = 0.02
TELLS = 0.15
FEWEST = 5
FAIR_SHARE = 0.03
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
    return Interiors(contrast, relative, candidates.light, candidates.deep > 0)


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
    of the light, or show resolved interiors.
    """
    kind = np.searchsorted(bounds, np.log(voters.contrast))
    count, resolved, light = (
        np.bincount(kind, weight, len(bounds) + 1) for weight in (None, voters.resolved, voters.light)
    )
    return (count >= FEWEST) & ((light >= FAIR_SHARE * light.sum()) | (resolved >= FEWEST))


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


FIT_SHAPE_ERROR = 0.15
TAIL = 2.0
EDGE_ERROR, SMALL_EDGE_ERROR = 0.03, 0.6
ENOUGH = 2000
# What the model leaves open: carbides are no ellipses, lenses no Gaussians. From invented fields of many shapes.
LEVEL_ERROR, UNRESOLVED_ERROR = 0.003, 0.08
# Where touching carbides are joined by the blur they look like one that is larger and greyer; but they are longer than
# the rest. The COMPACT share of spots shows the level without them: it is followed from FOLLOWED of the level on, and
# wholly from twice as much. By how much it, or that of all spots, still moves without the LARGEST share of them (a lens
# that is not normal does that too) is a standard uncertainty, as is MOVED of the way it came. Chosen on carbides of 2.5
# to 5 standard deviations of the blur, 2 to 20 % of the field, round or elongated, apart, touching by chance or in
# pairs, under a normal and a disc-like lens (tests/segmentation/test_touching_small.py). Spots that show their level
# need no such look.
COMPACT, FOLLOWED, LARGEST, MOVED = 0.5, 0.015, 0.1, 0.5
UNRESOLVED, ENOUGH_TO_PART = 0.1, 50
ROUNDS = 25


@dataclass(frozen=True, eq=False)
class Fit:
    """Levels (classes,) and blur with their standard uncertainties; share of the level that blur hides of the spots."""

    contrast: FloatArray
    contrast_uncertainty: FloatArray
    blur: float
    blur_uncertainty: float
    unresolved: float


def fit_levels(spots: Candidates, start: FloatArray, blur: float, matrix: Matrix, pinned_blur: bool = False) -> Fit:
    """Least squares of spot heights on height = c·peak(light/(c·2·π·(blur² + 1 + 1/12))).

    Large spots show c, small ones c over the blur's square. Each spot belongs to the class that fits it best; far ones
    lose their weight (Cauchy). The width of the edges, `blur`, enters as one more observation, the weaker the
    smaller the spots are.

    Parameters
    ----------
    spots
        Of one polarity.
    start
        (classes,) contrast to start from.
    blur
        From the edges, or pinned.
    """
    spots = spots.take(spots.light > 0)
    if len(spots) > ENOUGH:
        spots = spots.take(np.linspace(0, len(spots) - 1, ENOUGH).astype(np.intp))
    spread = float(np.hypot(blur, ADDED_SPREAD_PX))
    prior = spread
    free = len(start) + (not pinned_blur)
    values = np.append(np.log(start), np.log(spread))
    bounds = np.log(np.hypot([NARROWEST, WIDEST], ADDED_SPREAD_PX))
    for _ in range(ROUNDS):
        share, kind, sd, residual = _residuals(spots, values, matrix)
        slope = np.zeros((len(spots) + 1, len(values)))
        slope[np.arange(len(spots)), kind] = 1 - share.slope
        slope[:-1, -1] = -2 * share.slope
        slope[:-1] *= (share.height / sd)[:, None]
        weight = 1 / (1 + (residual / TAIL) ** 2)
        small = float(np.average(1 - share.share, weights=spots.band + 1e-9))
        slope[-1, -1] = 1 / (EDGE_ERROR + SMALL_EDGE_ERROR * small)
        target = np.append(residual, (np.log(prior) - values[-1]) * slope[-1, -1])
        weight = np.append(weight, 1.0)
        design = slope[:, :free] * np.sqrt(weight)[:, None]
        step, *_ = np.linalg.lstsq(design, target * np.sqrt(weight), rcond=None)
        values[:free] += np.clip(step, -0.2, 0.2)
        values[-1] = np.clip(values[-1], *bounds)
        if np.abs(step).max() < 1e-4:
            break
    scale = max(1.0, float((weight * target**2).sum() / max(weight.sum() - free, 1)))
    covariance = np.linalg.pinv(design.T @ design) * scale
    sd_values = np.append(np.sqrt(np.diag(covariance)), np.zeros(len(values) - free))
    spread = float(np.exp(values[-1]))
    found = float(np.sqrt(max(spread**2 - ADDED_SPREAD_PX**2, NARROWEST**2)))
    contrast = np.exp(values[:-1])
    unresolved = float(np.average(1 - share.share, weights=spots.light))
    relative = np.hypot(sd_values[:-1], LEVEL_ERROR + UNRESOLVED_ERROR * unresolved)
    return Fit(contrast, contrast * relative, found, float(spread**2 * sd_values[-1] / found), unresolved)


def fit_compact(spots: Candidates, start: FloatArray, blur: float, matrix: Matrix, pinned_blur: bool = False) -> Fit:
    """Fit the levels, and again to compact spots alone, which are not several carbides that touch.

    Parameters as of `fit_levels`.
    """
    fit = fit_levels(spots, start, blur, matrix, pinned_blur)
    if fit.unresolved < UNRESOLVED or len(spots) < ENOUGH_TO_PART:
        return fit
    compact = spots.take(spots.aspect <= np.quantile(spots.aspect, COMPACT))
    of_compact, of_lesser, of_lesser_compact = (
        fit_levels(some, fit.contrast, blur, matrix, pinned_blur).contrast
        for some in (compact, _without_largest(spots), _without_largest(compact))
    )
    moved = of_compact - fit.contrast
    level = fit.contrast + moved * np.clip(moved / fit.contrast / FOLLOWED - 1, 0, 1)
    of_large = np.hypot(of_lesser_compact - of_compact, np.maximum(of_lesser - level, 0))
    uncertainty = np.sqrt(fit.contrast_uncertainty**2 + of_large**2 + (MOVED * moved) ** 2)
    return replace(fit, contrast=level, contrast_uncertainty=uncertainty)


def _without_largest(spots: Candidates) -> Candidates:
    return spots.take(spots.light <= np.quantile(spots.light, 1 - LARGEST))


@dataclass(frozen=True, eq=False)
class _Share:
    """Predicted height, its share of the level, and d ln height/d ln light."""

    height: FloatArray
    share: FloatArray
    slope: FloatArray


def _residuals(
    spots: Candidates, values: FloatArray, matrix: Matrix
) -> tuple[_Share, NDArray[np.intp], FloatArray, FloatArray]:
    contrast, spread = np.exp(values[:-1]), np.exp(values[-1])
    size = spots.light[:, None] / (contrast * 2 * np.pi * spread**2)
    share = disc_peak(size, spots.aspect[:, None])
    step = 1.02
    slope = np.log(disc_peak(size * step, spots.aspect[:, None]) / share) / np.log(step)
    height = contrast * share
    noise = matrix.smooth_noise / np.sqrt(1 + spots.deep / (4 * np.pi))
    light_noise = matrix.noise * np.sqrt(matrix.noise_area_px * spots.zone) / spots.light
    sd = np.sqrt(
        noise[:, None] ** 2
        + (GREY_SCATTER * height) ** 2
        + (FIT_SHAPE_ERROR * (contrast - height)) ** 2
        + (height * slope * light_noise[:, None]) ** 2
    )
    residual = (spots.height[:, None] - height) / sd
    kind = np.abs(residual).argmin(axis=1)
    own = (np.arange(len(kind)), kind)
    return _Share(height[own], share[own], slope[own]), kind, sd[own], residual[own]


FIRST_BLUR = 1.0
MIDDLE_PX, ENOUGH_IN_MIDDLE = 640, 40
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
        spots, own_blur = _spots(upward(contrast, sign), upward(smooth, sign), noise, clipped, settings.blur_px)
        if not len(spots):
            continue
        wanted = len(settings.class_names) or None
        start = class_levels(interiors(spots, own_blur or FIRST_BLUR, matrix.smooth_noise), wanted)
        if not start:
            continue
        pinned = settings.blur_px is not None
        fit = fit_compact(spots, np.array([c for c, _ in start]), own_blur or FIRST_BLUR, matrix, pinned)
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
        if len(spots) < ENOUGH_IN_MIDDLE:
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
