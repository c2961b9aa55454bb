"""Rim, dome and true edge from the stacked profile: what surface, blurred by the lens, gives the edges seen.

Models of the surface along the normal of the outline, the edge at distance d: 1 inside and 0 outside (clean); with a
rim, r up to v px outside; with a dome, 1 - a·(1 - depth/w) down to w px inside. Each is drawn with the outlines of the
field itself, so that their curvature and their neighbours are in it, blurred, and stacked as the picture was. All
models stand in the same posterior: linear in r, a, the level and the base, on a grid in d, blur, v and w.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from micro.segmentation.edge_profile import PART_PX, REACH_PX, Edges, FloatArray, edge_profile, find_edges
from micro.segmentation.segmentation import Segmentation

OFFSETS = np.arange(-5.0, 5.01, 0.5)
SHIFTS = np.arange(-1.0, 1.01, 0.05)
BLURS = np.array([0.5, 0.6, 0.7, 0.8, 0.9, 1.0, 1.12, 1.25, 1.4])
RIMS, DOMES = (1.0, 2.0, 3.0), (1.5, 3.0)
MODEL_ERROR = 0.004
PRIOR = np.array([0.05, 0.01, 0.3, 0.3])  # level, base, rim, dome: standard deviations before looking


@dataclass(frozen=True, eq=False)
class EdgeFit:
    """What the edges say; standard uncertainties from the posterior.

    Parameters
    ----------
    clean
        Probability that there is neither rim nor dome.
    shift_px, shift_uncertainty_px
        True edge from the half-height outline, outwards.
    rim, dome
        Mean amplitudes, shares of the contrast.
    misfit
        Root mean square of the best model's residuals over their uncertainties.
    area_px, area_uncertainty_px
        Pixels within the true edges.
    """

    clean: float
    shift_px: float
    shift_uncertainty_px: float
    rim: float
    dome: float
    misfit: float
    area_px: float
    area_uncertainty_px: float


def fit_edges(s: Segmentation) -> EdgeFit | None:
    """Fit the stacked profile of a field; None where too few edges show."""
    edges = find_edges(s)
    part = tuple(slice(max(0, (n - PART_PX) // 2), (n + PART_PX) // 2) for n in s.labels.shape)
    distance = np.ascontiguousarray(edges.distance[part])
    use = (np.abs(distance) < REACH_PX) & ~s.excluded[part]
    seen = edge_profile(s.contrast[part] / edges.level[part], distance, use)
    if len(seen.height) < 20:
        return None
    blurs = BLURS * max(s.blur_px or 1.0, 0.7)
    drawn = _drawn(distance, use, blurs)
    drawn = drawn + _of_stacking(s, edges, part, seen.distance, max(s.blur_px or 1.0, 0.7))
    sd = np.hypot(seen.uncertainty, MODEL_ERROR)
    names, log_weight, mean, chi2 = _posterior(drawn, seen.height, sd)
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    shift = names[:, 0]
    middle = float(weight @ shift)
    spread = float(np.sqrt(weight @ (shift - middle) ** 2 + 0.05**2 / 12))
    area = np.array([edges.area(d) for d in (middle - spread, middle, middle + spread)])
    return EdgeFit(
        clean=float(weight[(names[:, 2] == 0) & (names[:, 3] == 0)].sum()),
        shift_px=middle,
        shift_uncertainty_px=spread,
        rim=float(weight @ mean[:, 2]),
        dome=float(weight @ mean[:, 3]),
        misfit=float(np.sqrt(chi2[np.argmax(log_weight)] / len(sd))),
        area_px=float(area[1]),
        area_uncertainty_px=float(area[2] - area[0]) / 2,
    )


def _of_stacking(
    s: Segmentation, edges: Edges, part: tuple[slice, ...], bins: FloatArray, blur: float
) -> FloatArray:
    """(bins,) what stacking itself does to the profile of sound edges: seen on a drawing of them with its noise."""
    surface = np.clip(np.float32(0.5) - edges.distance[part], 0, 1)
    level = edges.level[part]
    soft = cv2.GaussianBlur(surface, (0, 0), blur)
    noise = np.random.default_rng(0).standard_normal(soft.shape).astype(np.float32) * np.float32(s.noise)
    drawn = replace(s.cropped(part), contrast=soft * level + noise)
    again = find_edges(drawn)
    use = (np.abs(again.distance) < REACH_PX) & ~s.excluded[part]
    seen = edge_profile(drawn.contrast / again.level, again.distance, use)
    there = (np.abs(edges.distance[part]) < REACH_PX) & ~s.excluded[part]
    ideal = edge_profile(soft, np.ascontiguousarray(edges.distance[part]), there)
    return np.interp(bins, seen.distance, seen.height) - np.interp(bins, ideal.distance, ideal.height)


def _drawn(distance: NDArray[np.float32], use: NDArray[np.bool_], blurs: FloatArray) -> FloatArray:
    """(blurs, offsets, bins) profiles of the outlines moved outwards by OFFSETS under each blur."""
    found = []
    for a in OFFSETS:
        surface = np.clip(np.float32(0.5 + a) - distance, 0, 1)
        before = 0.0
        for blur in blurs:
            surface = cv2.GaussianBlur(surface, (0, 0), float(np.sqrt(blur**2 - before**2)))
            before = blur
            found.append(edge_profile(surface, distance, use).height)
    return np.array(found).reshape(len(OFFSETS), len(blurs), -1).swapaxes(0, 1)


def _posterior(drawn: FloatArray, height: FloatArray, sd: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Rows of (shift, blur, rim width, dome width), their log evidence, mean amplitudes (rows, 4) and chi-square."""
    at = lambda a: _between(drawn, SHIFTS + a)  # noqa: E731
    body = at(0.0)  # blurs, shifts, bins
    nothing = np.zeros_like(body)
    rims = {0.0: nothing} | {v: at(v) - body for v in RIMS}
    domes = {0.0: nothing} | {w: np.mean([at(-x) for x in np.linspace(0, w, 7)], axis=0) - body for w in DOMES}
    rows, evidence, means, chis = [], [], [], []
    for v, rim in rims.items():
        for w, dome in domes.items():
            design = np.stack([body, np.ones_like(body), rim, dome], axis=-1) * (PRIOR / sd[:, None])
            target = (height - body) / sd
            matrix = np.swapaxes(design, -1, -2) @ design + np.eye(4)
            right = (np.swapaxes(design, -1, -2) @ target[..., None])[..., 0]
            solved = np.linalg.solve(matrix, right[..., None])[..., 0]
            chi2 = (target**2).sum(axis=-1) - (right * solved).sum(axis=-1)
            _, logdet = np.linalg.slogdet(matrix)
            family = np.log(0.5 if v == w == 0 else 0.5 / (len(RIMS) * len(DOMES) + len(RIMS) + len(DOMES)))
            evidence.append((-chi2 / 2 - logdet / 2 + family).ravel())
            means.append((solved * PRIOR).reshape(-1, 4))
            chis.append(chi2.ravel())
            b, d = np.meshgrid(np.arange(len(drawn)), SHIFTS, indexing="ij")
            rows.append(np.stack([d.ravel(), b.ravel(), np.full(b.size, v), np.full(b.size, w)], axis=1))
    return np.concatenate(rows), np.concatenate(evidence), np.concatenate(means), np.concatenate(chis)


def _between(drawn: FloatArray, offset: FloatArray) -> FloatArray:
    """(blurs, shifts, bins) profiles at offsets between those drawn."""
    place = np.clip((offset - OFFSETS[0]) / (OFFSETS[1] - OFFSETS[0]), 0, len(OFFSETS) - 1 - 1e-9)
    low = place.astype(int)
    share = (place - low)[:, None]
    return drawn[:, low] * (1 - share) + drawn[:, low + 1] * share
