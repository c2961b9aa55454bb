"""How much light rims and domes add to carbides or take from them, by the shape of the mean edge.

The surface along the normal of an outline steps from 1 to 0 at the true edge, d = 0. A rim moves a share r of the step
to d = w outside; a dome spreads a share a of it over the last v px inside. The light of a carbide then seems to end at
the mean place of the step: of a disc of radius R it is the mean of π·(R + place)². The lens, whose blur is free,
only widens the edge. What tells the models apart is the skew and
the kurtosis of the edge.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from micro.segmentation.edge_profile import HEIGHTS, EdgeShape, hermite

FloatArray = NDArray[np.float64]
RIM_PX, DOME_PX = (0.7, 1.0, 1.4, 2.0, 3.0), (1.0, 1.5, 2.0, 3.0, 4.5)
RIMS, DOMES = np.linspace(-0.45, 0.45, 19), np.linspace(0.05, 0.6, 12)
RIM_SPREAD, DOME_MEAN = 0.3, 0.3  # of their amplitudes, before looking (chosen)
SOUND = 0.85
"""Chance that edges are sound, before looking (chosen)."""
BLURS = np.linspace(0.35, 1.0, 8)  # of the spread seen
# Of 24 sound fields of two generators the skew beyond their own drawing is 0.2·(length/area)² ± 0.015, and the kurtosis
# -0.1 ± 0.15 (simulated: tests/accuracy/etched_fields.py, seeds 0 and 1).
CURVED, SKEW_ERROR, KURTOSIS, KURTOSIS_ERROR = 0.2, 0.015, -0.1, 0.15
POINTS = 7  # places that stand for a dome


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
    prior, first, second, edge, skew, kurtosis = _models(round(shape.spread_px, 1))
    curvature = shape.outline_px / shape.area_px
    beyond = shape.skew - CURVED * curvature**2
    chi2 = ((skew - beyond) / np.hypot(shape.skew_uncertainty, SKEW_ERROR)) ** 2
    chi2 += ((kurtosis - shape.kurtosis + KURTOSIS) / np.hypot(shape.kurtosis_uncertainty, KURTOSIS_ERROR)) ** 2
    # Where no model fits, none is told as sharply from the others.
    weight = prior * np.exp(-(chi2 - chi2.min()) / 2 / float(np.clip(chi2.min() / 2, 1, 2)))
    weight /= weight.sum()
    radius = np.maximum(2 / curvature - edge, 0.4 / curvature)
    factor = 1 / np.maximum(1 + 2 * first / radius + second / radius**2, 0.3)
    order = np.argsort(factor)
    below = np.cumsum(weight[order])
    low, high = (float(factor[order][min(np.searchsorted(below, q), len(below) - 1)]) for q in (0.025, 0.975))
    return RimLight(
        float(weight @ factor), low, high, float(weight @ edge), float(weight[0]), float(chi2.min()), beyond
    )


@lru_cache(maxsize=64)
def _models(spread: float) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
    """(models,) prior, mean and mean square place of the step, half-height outline, skew, kurtosis; first is sound."""
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
    at, share = np.array(places), np.array(shares)
    parts = np.array([_seen(at, share, blur * spread) for blur in BLURS])  # blurs, models, 5
    fitting = np.array([[np.interp(spread, one[:, 1], one[:, k]) for k in range(5)] for one in parts.swapaxes(0, 1)])
    _, fitted, third, fourth, half = fitting.T
    return (
        np.array(prior),
        (at * share).sum(axis=1),
        (at**2 * share).sum(axis=1),
        half,
        6 * third / fitted,
        24 * fourth / fitted,
    )


def _seen(at: FloatArray, share: FloatArray, blur: float) -> FloatArray:
    """(models, 5) parts of `hermite`, and the half-height outline, of steps `at` (models, places) under a blur."""
    from scipy.special import ndtr

    x = np.linspace(-7, 7, 281)
    height = np.einsum("mp,mpx->mx", share, ndtr((at[..., None] - x) / blur))
    # Where a rim makes the edge rise again outwards, its outermost outline is meant.
    falling = np.maximum.accumulate(height[:, ::-1], axis=1)[:, ::-1]
    distance = np.array([np.interp(HEIGHTS, one[::-1], x[::-1]) for one in falling])
    half = [np.interp(0.5, one[::-1], x[::-1]) for one in falling]
    return np.column_stack([hermite(distance), half])
