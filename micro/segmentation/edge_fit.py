"""Rim, dome and true edge from the stacked profile: what surface, blurred by the lens, gives the edges seen.

Models of the surface along the normal of the outline, the edge at distance d: 1 inside and 0 outside; with a rim, r up
to v px outside; with a dome, 1 - a·(1 - depth/w) down to w px inside. Each is drawn with the outlines of the field
itself, so that their curvature and their neighbours are in it, blurred, and stacked as the picture was. All models
stand in one posterior: linear in r, a, the level and the base, on a grid in d, blur, v and w.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from micro.segmentation.edge_profile import (
    Edges,
    FloatArray,
    Picture,
    Profile,
    Stack,
    find_edges,
)
from micro.segmentation.segmentation import Segmentation

OFFSETS = np.arange(-5.0, 4.01, 0.5)
SHIFTS = np.arange(-1.0, 1.01, 0.05)
BLURS = np.array([0.55, 0.7, 0.85, 1.0, 1.15, 1.35])
RIMS, DOMES = (1.0, 2.0, 3.0), (1.5, 3.0)
LEAST_BLUR_PX = 0.5
MODEL_ERROR = 0.0015
SYSTEMATIC = 2.5
"""What the models leave open, as a factor on the uncertainty of the profile when they are weighed."""
PRIOR = np.array([0.05, 0.01, 0.2, 0.3])  # level, base, rim, dome: standard deviations before looking (chosen)
DRAWINGS = 2


@dataclass(frozen=True, eq=False)
class EdgeFit:
    """What the edges say; standard uncertainties from the posterior.

    Parameters
    ----------
    seen
        The stacked profile.
    skew
        Third cumulant of the edge over the cube of its width, beyond what stacking does: positive for a bright rim
        outside, negative for a dome or a dark rim; 0 for a lens of any symmetric blur.
    misfit
        Root mean square of the residuals of sound edges, of the best blur and place, over their uncertainties.
    area_px, area_uncertainty_px
        Pixels within the true edges.
    rim, dome
        Mean amplitudes, shares of the contrast.
    left
        As `misfit`, of the best of all models: large where the edges are like none of them (sharpening, relief).
    perimeter_px
        Length of all outlines.
    """

    seen: Profile
    skew: float
    misfit: float
    area_px: float
    area_uncertainty_px: float
    rim: float
    dome: float
    left: float
    perimeter_px: float


def fit_edges(s: Segmentation) -> EdgeFit | None:
    """Fit the stacked profile of a field, or of its middle; None where too few edges show."""
    edges = find_edges(s)
    stack = Stack.of(edges.distance, ~s.excluded)
    seen = stack.profile(s.contrast / edges.level)
    if len(seen.height) < 20:
        return None
    blur = max(s.blur_px or 1.0, LEAST_BLUR_PX)
    drawn = _drawn(edges.distance, stack, BLURS * blur)
    drawn += _of_stacking(s, edges, stack, seen.distance, blur)
    sd = np.hypot(seen.uncertainty * np.sqrt(1 + 1 / DRAWINGS), MODEL_ERROR)
    skew, misfit = _beyond_sound(drawn, seen, sd, blur)
    shift, weight, mean, left = _posterior(drawn, seen.height, SYSTEMATIC * sd)
    middle = float(weight @ shift)
    spread = float(np.sqrt(weight @ (shift - middle) ** 2 + (SHIFTS[1] - SHIFTS[0]) ** 2 / 12))
    low, area, high = (edges.area(d) for d in (middle - spread, middle, middle + spread))
    rim, dome = (weight @ mean[:, 2:]).tolist()
    perimeter = edges.area(0.5) - edges.area(-0.5)
    return EdgeFit(seen, skew, misfit, area, (high - low) / 2, rim, dome, SYSTEMATIC * left, perimeter)


def _drawn(distance: Picture, stack: Stack, blurs: FloatArray) -> FloatArray:
    """(blurs, offsets, bins) profiles of the outlines moved outwards by OFFSETS under each blur."""
    found = []
    for a in OFFSETS:
        surface, before = np.clip(np.float32(0.5 + a) - distance, 0, 1), 0.0
        for blur in blurs:
            surface = cv2.GaussianBlur(surface, (0, 0), float(np.sqrt(blur**2 - before**2)))
            before = blur
            found.append(stack.mean(surface))
    return np.array(found).reshape(len(OFFSETS), len(blurs), -1).swapaxes(0, 1)


def _of_stacking(s: Segmentation, edges: Edges, stack: Stack, bins: FloatArray, blur: float) -> FloatArray:
    """(bins,) what stacking itself does to the profile of sound edges: seen on drawings of them with their noise."""
    soft = cv2.GaussianBlur(np.clip(np.float32(0.5) - edges.distance, 0, 1), (0, 0), blur)
    excess = []
    for seed in range(DRAWINGS):
        noise = np.random.default_rng(seed).standard_normal(soft.shape, np.float32) * np.float32(s.noise)
        drawn = replace(s, contrast=soft * edges.level + noise)
        again = find_edges(drawn)
        profile = Stack.of(again.distance, ~s.excluded).profile(drawn.contrast / again.level)
        excess.append(np.interp(bins, profile.distance, profile.height))
    return np.mean(excess, axis=0) - stack.mean(soft)


def _beyond_sound(drawn: FloatArray, seen: Profile, sd: FloatArray, blur: float) -> tuple[float, float]:
    """Skew, and misfit of sound edges, after the best blur, place, level and base (linear about the blur found)."""
    at = int(np.argmin(np.abs(BLURS - 1)))
    zero = int(np.argmin(np.abs(OFFSETS)))
    sound = drawn[at, zero]
    wider, further = drawn[at + 1, zero] - sound, drawn[at, zero + 1] - sound
    design = np.stack([wider, further, np.ones_like(sound), sound], axis=1) / sd[:, None]
    spread = seen.distance / np.hypot(blur, 0.6)
    skewed = (spread**2 - 1) * np.exp(-(spread**2) / 2) / np.sqrt(2 * np.pi) / 6 / sd
    left, third = (v - design @ np.linalg.lstsq(design, v, rcond=None)[0] for v in ((seen.height - sound) / sd, skewed))
    return float(third @ left / (third @ third)), float(np.sqrt(np.mean(left**2)))


def _posterior(
    drawn: FloatArray, height: FloatArray, sd: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray, float]:
    """(rows,) shift, (rows,) weight and (rows, 4) mean amplitudes of every model on the grid; misfit of the best."""
    body = _between(drawn, SHIFTS)  # blurs, shifts, bins
    nothing = np.zeros_like(body)
    rims = [_between(drawn, SHIFTS + v) - body for v in RIMS]
    domes = [np.mean([_between(drawn, SHIFTS - x) for x in np.linspace(0, w, 7)], axis=0) - body for w in DOMES]
    target = (height - body) / sd
    evidence, means, least = [], [], np.inf
    pairs = [*((rim, nothing) for rim in rims), *((nothing, dome) for dome in domes)]
    for rim, dome in pairs:
        design = np.stack([body, np.ones_like(body), rim, dome], axis=-1) * (PRIOR / sd[:, None])
        matrix = np.swapaxes(design, -1, -2) @ design + np.eye(4)
        right = np.swapaxes(design, -1, -2) @ target[..., None]
        solved = np.linalg.solve(matrix, right)
        chi2 = (target**2).sum(axis=-1) - (right * solved).sum(axis=(-1, -2))
        evidence.append((-chi2 / 2 - np.linalg.slogdet(matrix)[1] / 2).ravel())
        means.append((solved[..., 0] * PRIOR).reshape(-1, 4))
        least = min(least, float(chi2.min()))
    log = np.concatenate(evidence)
    weight = np.exp(log - log.max())
    shift = np.broadcast_to(SHIFTS, body.shape[:2]).ravel()
    left = float(np.sqrt(max(least, 0.0) / len(sd)))
    return np.tile(shift, len(pairs)), weight / weight.sum(), np.concatenate(means), left


def _between(drawn: FloatArray, offset: FloatArray) -> FloatArray:
    """(blurs, shifts, bins) profiles at offsets between those drawn."""
    place = np.clip((offset - OFFSETS[0]) / (OFFSETS[1] - OFFSETS[0]), 0, len(OFFSETS) - 1 - 1e-9)
    low = place.astype(int)
    share = (place - low)[:, None]
    return drawn[:, low] * (1 - share) + drawn[:, low + 1] * share
