"""The grey level of each carbide class, from resolved interiors first."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from micro.segmentation import disc
from micro.segmentation.candidates import Candidates
from micro.segmentation.matrix import ADDED_SPREAD_PX

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
    contrast = disc.contrast_from_peak(candidates.light, candidates.height, blur_area, candidates.aspect)
    # Light from neighbours makes a spot look large, and so resolved; its own area at half height does not lie.
    size = disc.radius_from_half(candidates.half, float(np.sqrt(blur_area / (2 * np.pi)))) ** 2 / 2
    share = np.clip(np.minimum(candidates.height / contrast, disc.peak(size, candidates.aspect)), 1e-3, 1.0)
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
