"""Class levels and blur together: least squares of the height of all spots on their light."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from micro.segmentation.blurred_shapes import disc_peak, radius_from_half
from micro.segmentation.candidates import Candidates
from micro.segmentation.matrix import ADDED_SPREAD_PX, Matrix

FloatArray = NDArray[np.float64]
NARROWEST, WIDEST = 0.2, 4.0
GREY_SCATTER = 0.02
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
# Where grey differs from carbide to carbide, those of more light are higher by their grey, and the fit takes that for
# size: 12 % of scatter draws the level 6 to 13 % up, 20 % 16 to 28 %. Size by the area above half of a spot's height
# is blind to grey: the level by it lies less than ALIKE lower in fields of one grey (noise to 11 % of the contrast, but
# 6 % for elongated ones), and 4 to 9 and 8 to 17 % in those. Half of what goes beyond is followed, all of it is a
# standard uncertainty.
ALIKE = 0.05
ROUNDS = 25


@dataclass(frozen=True, eq=False)
class Fit:
    """Levels (classes,) with their standard uncertainties; blur; share of the level that blur hides of the spots."""

    contrast: FloatArray
    contrast_uncertainty: FloatArray
    blur: float
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
    # Of an all but singular fit rounding can turn a sign.
    sd_values = np.append(np.sqrt(np.abs(np.diag(covariance))), np.zeros(len(values) - free))
    spread = float(np.exp(values[-1]))
    found = float(np.sqrt(max(spread**2 - ADDED_SPREAD_PX**2, NARROWEST**2)))
    contrast = np.exp(values[:-1])
    unresolved = float(np.average(1 - share.share, weights=spots.light))
    relative = np.hypot(sd_values[:-1], LEVEL_ERROR + UNRESOLVED_ERROR * unresolved)
    return Fit(contrast, contrast * relative, found, unresolved)


def fit_compact(spots: Candidates, start: FloatArray, blur: float, matrix: Matrix, pinned_blur: bool = False) -> Fit:
    """Fit the levels, and again to compact spots alone, which are not several carbides that touch, and by their area.

    Parameters as of `fit_levels`.
    """
    fit = fit_levels(spots, start, blur, matrix, pinned_blur)
    if fit.unresolved < UNRESOLVED or len(spots) < ENOUGH_TO_PART:
        return fit
    compact = spots.take(spots.aspect <= np.quantile(spots.aspect, COMPACT))
    by_compact, by_lesser, by_lesser_compact = (
        fit_levels(some, fit.contrast, blur, matrix, pinned_blur)
        for some in (compact, _without_largest(spots), _without_largest(compact))
    )
    moved = by_compact.contrast - fit.contrast
    level = fit.contrast + moved * np.clip(moved / fit.contrast / FOLLOWED - 1, 0, 1)
    of_large = np.hypot(by_lesser_compact.contrast - by_compact.contrast, np.maximum(by_lesser.contrast - level, 0))
    of_grey = np.zeros_like(level)
    if len(level) == 1 and not spots.clipped.any():  # of clipped ones the greyest are here, not the rest
        of_grey = np.maximum(level * (1 - ALIKE) - _by_half_area(compact, by_compact.blur), 0)
    uncertainty = np.sqrt(fit.contrast_uncertainty**2 + of_large**2 + (MOVED * moved) ** 2 + of_grey**2)
    return replace(fit, contrast=level - of_grey / 2, contrast_uncertainty=uncertainty)


def _by_half_area(spots: Candidates, blur: float) -> float:
    """Median of the spots' own levels, each by its height and its area above half of that; sure ones weigh more."""
    spread = float(np.hypot(blur, ADDED_SPREAD_PX))
    share = disc_peak(radius_from_half(spots.half, spread) ** 2 / 2, spots.aspect)
    own = spots.height / share
    order = np.argsort(own)
    total = np.cumsum(share[order] ** 2)
    return float(own[order][np.searchsorted(total, total[-1] / 2)])


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
