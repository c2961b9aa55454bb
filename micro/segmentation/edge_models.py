"""How much light rims and domes add to carbides or take from them, by the shape of the mean edge.

The surface of a carbide steps from 1 to 0 at the true edge, d = 0. A rim moves a share r of the step to d = w outside;
a dome spreads a share a of it over the last v px inside. The lens, whose blur is free, widens the edge. What tells the
models apart is the skew and the kurtosis of the edge. Each model is drawn on the outlines that were found, moved so
that its own outlines come out there, and is looked at as `edge_profile` looks at the picture.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from micro.segmentation.edge_profile import (
    BINS,
    DRAWN,
    FINER,
    HEIGHTS,
    PIXEL_VARIANCE,
    SHARP_PX,
    SMOOTHING_VARIANCE,
    STEP,
    EdgeShape,
    Picture,
    deep_places,
    hermite,
    looks_on_pixels,
    shrunk,
)
from micro.segmentation.matrix import ADDED_SPREAD_PX

FloatArray = NDArray[np.float64]
RIM_PX, DOME_PX = (0.7, 1.0, 1.4, 2.0, 3.0), (1.0, 1.5, 2.0, 3.0, 4.5)
RIMS, DOMES = np.array([-0.45, -0.15, 0.2, 0.45]), np.array([0.15, 0.35, 0.6])  # that are drawn
BETWEEN = 0.05  # steps of the shares in between, which a polynomial through those drawn gives
SOUND = 0.85
"""Chance that edges are sound, before looking (chosen)."""
ON_PIXELS = 1 - SOUND
"""Chance, on top of it, that a sharp edge is sound but was blurred on the pixels (chosen: as of rims and domes)."""
CLEARLY = 4.0  # sum of two squared residuals up to which sound edges are not asked further (chosen)
# Of 60 sound fields (ellipses, rough carbides and facets of 4.5 to 18 px, drawn as polygons; blur 0.8 to 2 px, noise to
# 10 % of the contrast) the skew is 0.2·b⁴ ± 0.006 ± 0.35·b⁴ beyond what the strips tell, the kurtosis -0.03 - 0.7·b⁴
# ± 0.04 ± 0.7·b⁴, b the length of the outlines times the spread of the edge over their area.
BENT, SKEW_ERROR, BENT_ERROR = 0.2, 0.006, 0.35
KURTOSIS, BENT_KURTOSIS, KURTOSIS_ERROR, BENT_KURTOSIS_ERROR = -0.03, 0.7, 0.04, 0.7
# Models are within that of the skew and kurtosis of fields that have them (rims of -30 to 30 %, domes of 1.5 and 3 px).
MODEL_SKEW_ERROR, MODEL_BENT, MODEL_KURTOSIS_ERROR = 0.2, 0.5, 0.35
SPREAD_ERROR = 0.02
# Ends of the interval, in the models' weight: at 2.5 and 97.5 % those of bright rims and domes 1 to 1.5 px wide missed
# the truth by up to 3 % (fields of two generators, seeds 3 and 11).
ENDS = (0.01, 0.99)
# Beside texture and filters all models stay open. Of 50 fields of a fifth generator 1 or 2 lay beyond these ends; of 24
# of the second, with rims or domes of 1.5 px in laths of 6 and 10 %, 1, of 12 with rims of 1 px 6.
OPEN_ENDS = (0.015, 0.985)
DOME_POINTS = 4  # places that stand for a dome
LOWEST = -1.0  # of the bins: HEIGHTS lie on their bounds, and nothing lies flat near these
PART_PX = 160  # models are drawn on a part of that side
ROUNDS = 3
# From a pixel's centre to the outline, in pixels of a grid FINER times finer: the mean over all directions (simulated).
TO_OUTLINE = 0.33
LEAST_BLUR2 = 0.4**2 + SMOOTHING_VARIANCE + PIXEL_VARIANCE


@dataclass(frozen=True)
class RimLight:
    """What rims and domes do to the light of the carbides, from all models by their weight.

    Parameters
    ----------
    factor, low, high
        On the area by light: mean, and ends of the interval that stands for 95 %.
    edge_px
        Mean distance of the half-height outline from the true edge, px; positive outside.
    open
        Standard deviation of that factor.
    sound
        Chance that there is neither rim nor dome.
    misfit
        Least sum of squared residuals over their uncertainties; two for a true model.
    skew, skew_error
        Of the edge, beyond that of sound ones, and its standard uncertainty.
    """

    factor: float
    low: float
    high: float
    edge_px: float
    open: float
    sound: float
    misfit: float
    skew: float
    skew_error: float


SOUND_EDGES = RimLight(1.0, 1.0, 1.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0)


def sound_edges(shape: EdgeShape) -> tuple[float, float]:
    """Skew and kurtosis of sound edges of such outlines in an even matrix."""
    bent4 = _bent(shape)
    return BENT * bent4, KURTOSIS - BENT_KURTOSIS * bent4


def _bent(shape: EdgeShape) -> float:
    return (shape.outline_px * shape.spread_px / shape.area_px) ** 4


def rim_light(shape: EdgeShape, by_lens_alone: bool = True) -> RimLight:
    """Weigh all models by the skew and kurtosis of the edge; what they do goes by the length of all outlines.

    `by_lens_alone`: nothing but a lens, rims and domes shaped the edge. Then one that differs from sound ones by no
    more than CLEARLY is sound; else that it looks so says little.
    """
    bent4, (skew, kurtosis) = _bent(shape), sound_edges(shape)
    beyond, kurtosis = shape.skew - skew, shape.kurtosis - kurtosis
    plain = (
        np.linalg.norm([shape.skew_uncertainty, SKEW_ERROR, BENT_ERROR * bent4]),
        np.linalg.norm([shape.kurtosis_uncertainty, KURTOSIS_ERROR, BENT_KURTOSIS_ERROR * bent4]),
    )
    misfit = float((beyond / plain[0]) ** 2 + (kurtosis / plain[1]) ** 2)
    if by_lens_alone and misfit < CLEARLY:
        return replace(SOUND_EDGES, misfit=misfit, skew=beyond, skew_error=float(plain[0]))
    models = _models(shape)
    of_skew = np.hypot(plain[0], MODEL_SKEW_ERROR * np.abs(models.skew) + MODEL_BENT * bent4)
    of_skew[0] = plain[0]
    of_kurtosis = np.hypot(plain[1], MODEL_KURTOSIS_ERROR * models.kurtosis)
    chi2 = ((models.skew - beyond) / of_skew) ** 2 + ((models.kurtosis - kurtosis) / of_kurtosis) ** 2
    chi2 += (models.wider / SPREAD_ERROR) ** 2
    # Where no model fits, none is told as sharply from the others.
    weight = models.prior * np.exp(-(chi2 - chi2.min()) / 2 / float(np.clip(chi2.min() / 2, 1, 2)))
    weight /= of_skew * of_kurtosis
    weight /= weight.sum()
    order = np.argsort(models.factor)
    below = np.cumsum(weight[order])
    at = np.minimum(np.searchsorted(below, ENDS if by_lens_alone else OPEN_ENDS), len(below) - 1)
    # All carbides have more outline an area than those that are wide enough to be asked.
    more = shape.per_area * shape.area_px / shape.outline_px
    change = more * (models.factor - 1)
    mean, low, high = (1 + c for c in (float(weight @ change), *change[order][at].tolist()))
    left_open = float(np.sqrt(weight @ (1 + change - mean) ** 2))
    return RimLight(
        mean, low, high, float(weight @ models.edge_px), left_open, float(weight[: models.sound].sum()),
        float(chi2.min()), beyond, float(plain[0]),
    )  # fmt: skip


@dataclass(frozen=True, eq=False)
class Models:
    """What each of (models,) would show, and the factor on its area by light; the first `sound` ones are sound.

    `wider`: by how much it stays wider than what is seen under any blur, px.
    """

    sound: int

    prior: FloatArray
    factor: FloatArray
    edge_px: FloatArray
    skew: FloatArray
    kurtosis: FloatArray
    wider: FloatArray


DEGREE = 3  # of the polynomial: cumulants of a step in two places are of the third and fourth in its share
FIRMLY = np.array([10.0, 1, 1, 1, 1])  # it goes through the sound edge
SOUND_LOOKS = (1.0, 0.0, 0.0, 0.0, 0.0)


def _models(shape: EdgeShape) -> Models:
    """Draw rims and domes of a few strengths, and take those in between from them."""
    drawing = _Drawing.of(shape)
    looks, prior = [np.array([SOUND_LOOKS])], [np.array([SOUND])]
    if (shape.part.blur_px or 0.0) < SHARP_PX:
        looks.append(np.array([(1.0, 0.0, *looks_on_pixels(shape), 0.0)]))
        prior.append(np.array([ON_PIXELS]))
    sound = len(looks)
    for widths, drawn, step in ((RIM_PX, RIMS, _rim), (DOME_PX, DOMES, _dome)):
        shares = _between(drawn)
        for width in widths:
            seen = [SOUND_LOOKS, *(drawing.looks(*step(width, share)) for share in drawn)]
            through = np.polynomial.polynomial.polyfit(
                np.append(0, drawn), np.array(seen), DEGREE, w=FIRMLY[: len(seen)]
            )
            looks.append(np.polynomial.polynomial.polyval(shares, through).T)
            prior.append(np.full(len(shares), (1 - SOUND) / 2 / len(widths) / len(shares)))
    return Models(sound, np.concatenate(prior), *np.concatenate(looks).T)


def _between(drawn: FloatArray) -> FloatArray:
    """Shares from the least to the most that is drawn, without 0."""
    steps = np.arange(round(min(drawn.min(), 0) / BETWEEN), round(drawn.max() / BETWEEN) + 1)
    return steps[steps != 0] * BETWEEN


def _rim(width: float, share: float) -> tuple[FloatArray, FloatArray]:
    """Places of the step, and the share of it there."""
    return np.array([0, width]), np.array([1 - share, share])


def _dome(width: float, share: float) -> tuple[FloatArray, FloatArray]:
    inside = -(np.arange(DOME_POINTS) + 0.5) / DOME_POINTS * width
    return np.append(0, inside), np.append(1 - share, np.full(DOME_POINTS, share / DOME_POINTS))


@dataclass(frozen=True, eq=False)
class _Drawing:
    """Outlines to draw on, and how a lens alone shows them, on a grid DRAWN times finer than the picture.

    `away` (rows, columns): distance from the outlines, px, negative inside; `inwards`: that in points of the grid,
    positive inside. `used`, `basin`: flat places that are looked at, and the carbide that each belongs to, of those
    that are drawn; `deep`, `number`: those deep inside, which show `shown` px² of a lens. `above` (heights,): area
    above each, px², and `light`: the integral of the height. `inside`: area within the outlines, px².
    """

    away: Picture
    inwards: Picture
    used: NDArray[np.intp]
    basin: NDArray[np.intp]
    deep: NDArray[np.intp]
    number: NDArray[np.intp]
    shown: FloatArray
    variance: FloatArray
    spread: float
    above: FloatArray
    light: float
    inside: float
    outline_px: float

    @classmethod
    def of(cls, shape: EdgeShape) -> _Drawing:
        place = _drawn_part(shape.part.labels)
        part = shape.part.cropped((slice(*place[0]), slice(*place[1])))
        away = _away(shape.solid[tuple(slice(DRAWN * first, DRAWN * last) for first, last in place)])
        used = np.flatnonzero(_finer((part.basins > 0) & ~part.excluded))
        is_deep = np.zeros(part.labels.size, bool)
        is_deep[deep_places(part)] = True
        deep = np.flatnonzero(_finer(is_deep.reshape(part.labels.shape)))
        basin, number = _finer(part.basins).ravel().take(used), _finer(part.labels).ravel().take(deep)
        drawn = np.union1d(basin, number)
        basin, number = np.searchsorted(drawn, basin), np.searchsorted(drawn, number)
        lens = _seen(_covered(away, 0.0), shape.spread_px**2)
        shown = np.bincount(number, lens.ravel().take(deep), len(drawn)) / DRAWN**2
        contrast = part.class_contrast[drawn - 1]
        variance = (part.noise / contrast) ** 2 * part.noise_area_px / np.maximum(shown, 1e-9)
        length = 2 * (_within(away, 0.25) - _within(away, -0.25))
        heights = lens.ravel().take(used)
        return cls(away, np.float32(-DRAWN) * away, used, basin, deep, number, shown, variance,
                   shape.spread_px, _above(heights), float(heights.sum()), _within(away, 0), length)  # fmt: skip

    def looks(self, at: FloatArray, share: FloatArray) -> tuple[float, float, float, float, float]:
        """Factor, place of the outline, skew, kurtosis and excess of width of a step in several places.

        The true edge is moved, and the blur changed, until outline and spread are those that are seen.
        """
        mean = float(at @ share)
        seen2 = self.spread**2
        outlined2 = seen2 - SMOOTHING_VARIANCE - PIXEL_VARIANCE + ADDED_SPREAD_PX**2
        edge, blur2 = mean, seen2 - float((at - mean) ** 2 @ share)
        for _ in range(ROUNDS):
            blur2 = max(blur2, LEAST_BLUR2)
            looks = _seen(self._stepped(at - edge, share), blur2)
            heights = looks.ravel().take(self.used)
            above = _above(heights / self._levels(looks))
            shift, wider, skew, kurtosis = hermite((above - self.above) / self.outline_px)
            found = edge
            # Half height lies off the mean place by skew; more so in the picture in which outlines are drawn.
            edge = found + shift - skew * seen2 / outlined2
            blur2 -= 2 * self.spread * wider
        factor = _within(self.away, -found) / self.inside * self.light / float(heights.sum())
        return factor, found, 6 * skew / self.spread, 24 * kurtosis / self.spread, float(wider)

    def _stepped(self, at: FloatArray, share: FloatArray) -> Picture:
        """(rows, columns) surface that falls by each share at that distance from the outlines, px."""
        # Each share of `_covered`, but for the sum of what its clipping leaves out: half of the steps over the picture.
        beyond = 0.5 + DRAWN * at
        surface, covered = np.full_like(self.away, beyond @ share), np.empty_like(self.away)
        for least, part in zip((-beyond).tolist(), share.tolist(), strict=True):
            np.clip(self.inwards, np.float32(least), np.float32(least + 1), out=covered)
            cv2.scaleAdd(covered, part, surface, dst=surface)
        return surface

    def _levels(self, looks: Picture) -> Picture:
        """Return (used,) own level of the carbide that a place belongs to, as `carbide_levels` finds it."""
        seen = np.bincount(self.number, looks.ravel().take(self.deep), len(self.shown)) / DRAWN**2
        ratio = np.where(self.shown > 0.5, seen / np.maximum(self.shown, 1e-9), np.nan)
        return shrunk(ratio, self.variance).astype(np.float32).take(self.basin)


def _drawn_part(labels: NDArray[np.int32]) -> list[tuple[int, int]]:
    """First row and column of the part that is drawn, and those behind it: the middle, where that has its outlines.

    Where it has less than half as many as the rest, the part that has most.
    """
    solid = (labels > 0).view(np.uint8)
    outlines = cv2.integral(cv2.morphologyEx(solid, cv2.MORPH_GRADIENT, np.ones((3, 3), np.uint8)))
    rows, columns = (min(PART_PX, n) for n in labels.shape)
    number = outlines[rows:, columns:] - outlines[:-rows, columns:]
    number = number - outlines[rows:, :-columns] + outlines[:-rows, :-columns]
    top, left = ((n - 1) // 2 for n in number.shape)
    if number[top, left] < float(outlines[-1, -1]) * rows * columns / labels.size / 2:
        top, left = (int(k) for k in np.unravel_index(number.argmax(), number.shape))
    return [(top, top + rows), (left, left + columns)]


def _finer(values: NDArray) -> NDArray:
    return values.repeat(DRAWN, axis=0).repeat(DRAWN, axis=1)


def _away(solid: Picture) -> Picture:
    """(rows, columns) distance from the outlines, px, negative inside."""
    finer = FINER // DRAWN
    inside = cv2.resize(solid, None, fx=finer, fy=finer, interpolation=cv2.INTER_CUBIC) > 0.5
    out, deep = (cv2.distanceTransform(part.view(np.uint8), cv2.DIST_L2, 5) - TO_OUTLINE for part in (~inside, inside))
    return cv2.resize(np.where(inside, -deep, out) / FINER, solid.shape[::-1], interpolation=cv2.INTER_AREA)


def _covered(away: Picture, distance: float) -> Picture:
    """Share of each point of the grid within that distance from the outlines."""
    covered = np.float32(-DRAWN) * away
    covered += np.float32(0.5 + DRAWN * distance)
    # Three times as fast as the greater of it and 0, then the lesser of it and 1.
    return np.clip(covered, np.float32(0), np.float32(1), out=covered)


def _within(away: Picture, distance: float) -> float:
    """Area within that distance from the outlines, px²."""
    return float(_covered(away, distance).sum(dtype=float)) / DRAWN**2


def _seen(sharp: Picture, variance: float) -> Picture:
    """Heights under a blur of that variance, px²: of lens, pixels and smoothing together."""
    return cv2.GaussianBlur(sharp, (0, 0), DRAWN * float(np.sqrt(variance)))


def _above(heights: Picture) -> FloatArray:
    """(heights,) area above each of HEIGHTS, px²."""
    count = np.bincount(np.clip((heights - LOWEST) / STEP, 0, BINS - 1).astype(np.intp), minlength=BINS)
    above = len(heights) - np.append(0, np.cumsum(count))
    return np.interp(HEIGHTS, LOWEST + STEP * np.arange(BINS + 1), above) / DRAWN**2
