"""How much light rims and domes add to carbides or take from them, by the shape of the mean edge.

The surface of a carbide steps from 1 to 0 at the true edge, d = 0. A rim moves a share r of the step to d = w outside;
a dome spreads a share a of it over the last v px inside. The light of a carbide then seems to end at the mean place of
the step: of a disc of radius R it is the mean of π·(R + place)². The lens, whose blur is free, only widens the edge.
What tells the models apart is the skew and the kurtosis of the edge. What each model would show is computed for discs
with the mean curvature of the outlines, by the way in which `edge_profile` looks at a picture.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from micro.segmentation.blurred_shapes import disc_edge
from micro.segmentation.edge_profile import DEEP, HEIGHTS, SMOOTHING_PX, EdgeShape, hermite
from micro.segmentation.matrix import SMOOTHING_PX as OUTLINE_SMOOTHING_PX

FloatArray = NDArray[np.float64]
RIM_PX, DOME_PX = (0.7, 1.0, 1.4, 2.0, 3.0), (1.0, 1.5, 2.0, 3.0, 4.5)
RIMS, DOMES = np.linspace(-0.45, 0.45, 13), np.linspace(0.075, 0.6, 8)
RIM_SPREAD, DOME_MEAN = 0.3, 0.3  # of their amplitudes, before looking (chosen)
SOUND = 0.85
"""Chance that edges are sound, before looking (chosen)."""
BLURS = np.linspace(0.5, 1.0, 5)  # of the spread seen
# Of 24 sound fields of two generators (carbides of 6 to 16 px, tests/accuracy/etched_fields.py, seeds 0 to 3) the skew
# is 0.04·(length/area)² ± 0.007 beyond what their strips tell, the kurtosis -0.03 ± 0.06; the models of rims and domes
# are within 0.15 of the kurtosis of the fields that have them.
CURVED, SKEW_ERROR, KURTOSIS, KURTOSIS_ERROR = 0.04, 0.01, -0.03, 0.15
POINTS = 7  # places that stand for a dome
STEP, FARTHEST, STRAIGHT = 0.1, 30.0, 20.0  # of the table of blurred discs in units of the blur; larger ones are alike
LEVEL_RADIUS = 1.25
"""Radius of the carbides whose inside tells the level, over the mean radius: the larger ones (diameters of lognormal
spread 0.3; weighted by what lies so deep)."""
SHIFTS = (-0.6, 0.0, 0.6)  # px, of the true edge from the outline


@dataclass(frozen=True)
class RimLight:
    """What rims and domes do to the light of the carbides, from all models by their weight.

    Parameters
    ----------
    factor, low, high
        On the area by light: mean, and ends of the 95 % interval.
    edge_px
        Mean distance of the half-height outline from the true edge, px; positive outside.
    sound
        Chance that there is neither rim nor dome.
    misfit
        Least sum of squared residuals over their uncertainties; two for a true model.
    skew
        Of the edge, beyond that of sound ones.
    """

    factor: float
    low: float
    high: float
    edge_px: float
    sound: float
    misfit: float
    skew: float


def rim_light(shape: EdgeShape) -> RimLight:
    """Weigh all models by the skew and kurtosis of the edge."""
    curvature = shape.outline_px / shape.area_px
    seen_radius = float(np.clip(2 / curvature, 1.5, 30.0))
    models = _models(round(shape.spread_px, 1), round(seen_radius, 1))
    beyond = shape.skew - CURVED * curvature**2
    chi2 = ((models.skew - beyond) / np.hypot(shape.skew_uncertainty, SKEW_ERROR)) ** 2
    uncertain = np.hypot(shape.kurtosis_uncertainty, KURTOSIS_ERROR)
    chi2 += ((models.kurtosis - shape.kurtosis + KURTOSIS) / uncertain) ** 2
    # Where no model fits, none is told as sharply from the others.
    weight = models.prior * np.exp(-(chi2 - chi2.min()) / 2 / float(np.clip(chi2.min() / 2, 1, 2)))
    weight /= weight.sum()
    order = np.argsort(models.factor)
    below = np.cumsum(weight[order])
    at = np.minimum(np.searchsorted(below, (0.025, 0.975)), len(below) - 1)
    low, high = models.factor[order][at].tolist()
    mean = float(weight @ models.factor)
    return RimLight(
        mean, low, high, float(weight @ models.edge_px), float(weight[0]), float(chi2.min()), beyond
    )  # fmt: skip


@dataclass(frozen=True, eq=False)
class Models:
    """What each of (models,) would show, and the factor on its area by light; the first is sound."""

    prior: FloatArray
    factor: FloatArray
    edge_px: FloatArray
    skew: FloatArray
    kurtosis: FloatArray


def _steps() -> tuple[FloatArray, FloatArray, FloatArray]:
    """(models,) prior, (models, POINTS) places of the step and the share of it there."""
    places, shares, prior = [np.zeros(POINTS)], [np.eye(POINTS)[0]], [SOUND]
    rim = np.exp(-((RIMS / RIM_SPREAD) ** 2) / 2) * (RIMS != 0)
    dome = np.exp(-DOMES / DOME_MEAN)
    for w in RIM_PX:
        places += [np.append(0, np.full(POINTS - 1, w))] * len(RIMS)
        shares += [np.append(1 - r, np.append(r, np.zeros(POINTS - 2))) for r in RIMS]
        prior += ((1 - SOUND) / 2 / len(RIM_PX) * rim / rim.sum()).tolist()
    for v in DOME_PX:
        places += [np.append(0, -(np.arange(POINTS - 1) + 0.5) / (POINTS - 1) * v)] * len(DOMES)
        shares += [np.append(1 - a, np.full(POINTS - 1, a / (POINTS - 1))) for a in DOMES]
        prior += ((1 - SOUND) / 2 / len(DOME_PX) * dome / dome.sum()).tolist()
    return np.array(prior), np.array(places), np.array(shares)


@lru_cache(maxsize=64)
def _models(spread: float, seen_radius: float) -> Models:
    """Models as they look at outlines of that radius and spread, px."""
    prior, at, share = _steps()
    shifts = np.array(SHIFTS) * min(1.0, seen_radius / 4)
    every = np.array([_fitting(seen_radius + shift, at, share, spread) for shift in shifts])  # shifts, models, 3
    # The true radius is less than the one seen by how far the outline lies outside.
    edge = every[1, :, 2]
    place = np.clip(np.interp(-edge, shifts, np.arange(len(shifts))), 0, len(shifts) - 1.001)
    i, models = place.astype(np.intp), np.arange(len(prior))
    part = (place - i)[:, None]
    skew, kurtosis, edge = (every[i, models] * (1 - part) + every[i + 1, models] * part).T
    radius = np.maximum(seen_radius - edge, 0.4 * seen_radius)
    beyond, square = (at * share).sum(axis=1) / radius, (at**2 * share).sum(axis=1) / radius**2
    factor = 1 / np.maximum(1 + 2 * beyond + square, 0.3)
    return Models(prior, factor, edge - edge[0], skew - skew[0], kurtosis - kurtosis[0])


def _fitting(radius: float, at: FloatArray, share: FloatArray, spread: float) -> FloatArray:
    """(models, 3) skew, kurtosis and place of the outline under the blur that makes each look as wide as `spread`."""
    looks = np.array([_looks(radius, at, share, blur * spread) for blur in BLURS]).swapaxes(0, 1)
    return np.array([[np.interp(spread, one[:, 0], one[:, k]) for k in (1, 2, 3)] for one in looks])


def _looks(radius: float, at: FloatArray, share: FloatArray, blur: float) -> FloatArray:
    """(models, 4) spread, skew, kurtosis and place of the outline of discs with such steps under a blur, px.

    `blur` is that of the picture in which heights are looked at; the outline is drawn in a smoother one, the level is
    taken from the picture as it is.
    """
    bare = float(np.sqrt(max(blur**2 - SMOOTHING_PX**2, 0.01)))
    outlined = float(np.hypot(bare, OUTLINE_SMOOTHING_PX))
    radius = min(radius, STRAIGHT * bare)
    r = np.arange(0, radius + 6 + 6 * outlined, STEP * bare)
    level = _level(min(LEVEL_RADIUS * radius, STRAIGHT * bare), at, share, bare)
    smooth = _profiles(radius, at, share, r, outlined) / level[:, None]
    outline = _outermost(smooth, r, disc_edge(np.array([radius**2 / (2 * outlined**2)])))
    outline = np.maximum(outline, 0.3 * radius)
    above = _outermost(_profiles(radius, at, share, r, blur) / level[:, None], r, HEIGHTS)
    spread = np.full(len(at), blur)
    for _ in range(3):
        drawn = _disc_radii(outline[:, 0], spread)
        parts = hermite((above**2 - drawn**2) / (2 * outline))
        spread = np.maximum(spread + parts[:, 1], 0.3 * blur)
    return np.column_stack([spread, 6 * parts[:, 2] / spread, 24 * parts[:, 3] / spread, outline[:, 0] - radius])


def _level(radius: float, at: FloatArray, share: FloatArray, blur: float) -> FloatArray:
    """(models,) what discs show deep inside, over what sound ones do."""
    r = np.arange(STEP * blur / 2, max(radius - DEEP * blur, 0.5), STEP * blur)
    sound = _blurred(np.array([radius]), r, blur)[0]
    return np.asarray(_profiles(radius, at, share, r, blur) @ r / (sound @ r))


def _profiles(radius: float, at: FloatArray, share: FloatArray, r: FloatArray, blur: float) -> FloatArray:
    """(models, r) heights of discs with steps `at` (models, places) under a blur."""
    places, which = np.unique(at, return_inverse=True)
    weight = np.zeros((len(at), len(places)))
    np.add.at(weight, (np.arange(len(at))[:, None], which.reshape(at.shape)), share)
    return np.asarray(weight @ _blurred(np.maximum(radius + places, 0), r, blur))


def _outermost(profile: FloatArray, r: FloatArray, heights: FloatArray) -> FloatArray:
    """(models, heights) radius beyond which profiles (models, r) stay below heights; of a ring the outer one."""
    falling = np.maximum.accumulate(profile[:, ::-1], axis=1)
    return np.array([np.interp(heights, one, r[::-1]) for one in falling])


def _blurred(edge: FloatArray, r: FloatArray, blur: float) -> FloatArray:
    """Height (..., r) at r of discs of radius `edge` under a Gaussian blur."""
    table = _disc_table()
    row = np.clip(edge / blur / STEP, 0, len(table) - 1.001)
    column = np.clip(r / blur / STEP, 0, table.shape[1] - 1.001)
    i, j = row.astype(np.intp), column.astype(np.intp)
    down, right = (row - i)[..., None], column - j
    i = i[..., None]
    upper = table[i, j] * (1 - right) + table[i, j + 1] * right
    lower = table[i + 1, j] * (1 - right) + table[i + 1, j + 1] * right
    return np.asarray(upper * (1 - down) + lower * down)


@lru_cache(maxsize=1)
def _disc_table() -> FloatArray:
    """Height of discs of radius t (rows) at the distance r (columns) from their centre under a unit blur.

    The share of a circular normal distribution about r within t (Rice 1945): ∫ t·exp(-(t² + r²)/2)·I0(t·r) dt.
    """
    from scipy.special import i0e

    t, r = np.arange(0, FARTHEST, STEP)[:, None], np.arange(0, FARTHEST, STEP)
    density = t * i0e(t * r) * np.exp(-((t - r) ** 2) / 2)
    return np.asarray(np.vstack([np.zeros(len(r)), np.cumsum((density[1:] + density[:-1]) / 2, axis=0) * STEP]))


def _disc_radii(radius: FloatArray, spread: FloatArray) -> FloatArray:
    """(models, heights) radius at HEIGHTS of blurred discs."""
    table = _radius_table()
    row = np.clip(radius / spread / STEP, 0, len(table) - 1.001)
    i = row.astype(np.intp)
    part = (row - i)[:, None]
    return np.asarray((table[i] * (1 - part) + table[i + 1] * part) * spread[:, None])


@lru_cache(maxsize=1)
def _radius_table() -> FloatArray:
    """Radius (radii, heights) at HEIGHTS of the rows of `_disc_table`, in units of the blur."""
    return _outermost(_disc_table(), np.arange(0, FARTHEST, STEP), HEIGHTS)
