"""What the edges of the carbides look like: how far from each other the outlines at several heights lie.

A lens makes a straight edge Φ(-d/σ): where the grey has the height h, the distance is -σ·Φ⁻¹(h). The area above a
height, over the length of all outlines, is that distance, averaged over thousands of edges. Curved edges, neighbours
and noise shift it; a drawing of the same outlines under the same blur has the same of each, and is taken off.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from micro.geometry.outlines import crofton_perimeter
from micro.geometry.regions import away_from
from micro.geometry.runs import find_runs
from micro.segmentation.blurred_shapes import disc_edge
from micro.segmentation.fine_grid import DRAWN, FineGrid
from micro.segmentation.matrix import ADDED_SPREAD_PX, smoothed
from micro.segmentation.segmentation import EdgeProfile, Segmentation
from micro.statistics.robust import spread as robust_spread

FloatArray = NDArray[np.float64]
Picture = NDArray[np.float32]
HEIGHTS = np.linspace(0.08, 0.92, 43)
# Bins of heights, from -1 to 2, their middles on 0 and 1: what a drawing has flat there would else fall to either side
# of a bound by the last digit of a sum.
STEP, BINS = 0.005, 600
LOWEST = -1 - STEP / 2
SMOOTHING_PX = 0.5  # enough for noise of a tenth of the contrast (chosen); every px of it hides skew
SMOOTHING_VARIANCE = float((cv2.getGaussianKernel(5, SMOOTHING_PX)[:, 0] * np.arange(-2, 3) ** 2).sum())  # of its taps
PIXEL_VARIANCE = 1 / 12
SMOOTHING_LEFT = float((cv2.getGaussianKernel(5, SMOOTHING_PX) ** 2).sum())  # of the standard deviation of white noise
STRIPS = 8  # left out one at a time for the uncertainty
FINER = 4
WHOLE = 60 * (FINER // DRAWN) ** 2  # the largest that a byte holds
DEEP = 2.5  # standard deviations of the blur: what lies so deep shows its level
PART_PX = 512  # a part of that side holds edges enough
FEWEST_EDGE_PX = 400
# Of what another noise inside changes (mottled carbides of a fifth generator, noise of light, simulated).
NOISE_ERROR = 0.4
FEWEST_DEEP = 200  # px that tell the noise inside carbides (chosen)
# At so many standard deviations of the blur inside, noise is that of the matrix where their squares differ by less than
# that squared, in shares of the contrast: by 0.0145 in 80 clean fields, by 0.03 in carbides mottled by 5 % or under
# noise of light of 5 % (a fifth generator). Less deep edges of small carbides show: 0.036 in clean fields.
NOISE_TOLD = ((4.0, 0.02), (2.5, 0.045))
# In standard deviations of the edge: narrower carbides, and those whose basins meet others' nearer than that to an
# outline, along more than a share of their own, show no edge of their own: clean fields of them passed for rims and
# domes (chosen on polygons of many shapes, drawn apart from the phantom; tests/etch/test_small_sound.py).
WIDE, BESIDE, CROWDED = 5.0, 2.0, 0.05
LEAST_BLUR_PX = 0.4
# Below that blur four pixels a side bend the outlines between them: sound edges have a kurtosis of 0.2 too much at
# 0.6 px and of 0.45 at 0.5 px, of 0.05 and 0.1 with eight (simulated: discs drawn eight times finer). They take 8 ms.
SHARP_PX = 0.9
WIDER = 1.5  # blur of a drawing over that of the field, beyond which the drawing is framed anew (chosen)
LEAST_VARIANCE = 1e-9  # of a level, in squares of the contrast: compression leaves no noise, and all are as sure
FEWEST_LIT, SURELY_LIT = 10, 5.0  # carbides, and standard errors, that tell light from one side (chosen)
ROUNDS = 3


@dataclass(frozen=True, eq=False)
class EdgeShape:
    """Shape of the mean edge of a field.

    Parameters
    ----------
    height
        (k,) heights over the matrix, in shares of the carbides' contrast.
    distance
        (k,) distance of the outline at that height from the one at half height, px; positive outwards.
    spread_px
        Standard deviation of the edge: lens, pixels, and a smoothing by SMOOTHING_PX.
    skew, skew_uncertainty
        Third cumulant of the edge over the cube of its spread, beyond what the same outlines under a symmetric lens
        show: positive where light lies outside the edge, negative where it lacks inside.
    kurtosis, kurtosis_uncertainty
        Fourth cumulant over the fourth power.
    outline_px, area_px
        Length of the outlines that were asked, and the area within them.
    per_area
        Length of all outlines over the area within them, 1/px.
    even_noise
        Whether the noise inside carbides is that of the matrix.
    part
        The part of the field that was looked at, with the carbides alone that were asked.
    solid
        (DRAWN·rows, DRAWN·columns) its outlines, drawn solid by coverage.
    """

    height: FloatArray
    distance: FloatArray
    spread_px: float
    skew: float
    skew_uncertainty: float
    kurtosis: float
    kurtosis_uncertainty: float
    outline_px: float
    area_px: float
    per_area: float
    even_noise: bool
    part: Segmentation = field(repr=False)
    solid: Picture = field(repr=False)

    @property
    def profile(self) -> EdgeProfile:
        """What a reader is shown of it."""
        return EdgeProfile(self.height, self.distance, self.spread_px * _normal_places())


def edge_shape(s: Segmentation) -> EdgeShape | None:
    """Measure the mean edge of the wide and free carbides in the middle of a field; None where too few show theirs."""
    part = middle(s)
    if s.blur_px is None:
        return None
    outlines = crofton_perimeter(find_runs(part.labels, part.count))
    asked = _wide_and_free(part, outlines, max(s.blur_px, LEAST_BLUR_PX))
    outline = float(outlines[asked].sum())
    if outline < FEWEST_EDGE_PX:
        return None
    per_area, part = _over_area(outlines, part), _alone(part, asked)
    use = (part.basins > 0) & ~part.excluded
    used = _Used.of(use)
    seen, level = _over_levels(part, used, carbide_levels(part))
    noise = _Noise(s.noise * SMOOTHING_LEFT / level)
    _, spread, _ = seen.against(noise, max(s.blur_px, LEAST_BLUR_PX), outline)
    # The drawing tells how much of its level a carbide shows so deep inside.
    drawn = seen.drawing.under_lens(_blur(spread))
    levels = carbide_levels(part, drawn)
    seen, level = _over_levels(part, used, levels)
    noise = noise.with_inside(part, drawn, levels)
    parts, spread, by_noise = seen.against(noise, _blur(spread), outline)
    return _shape(part, seen, parts, spread, by_noise, (outline, per_area))


def outline_per_area(s: Segmentation) -> float:
    """Length of all outlines over the area within them, 1/px."""
    return _over_area(crofton_perimeter(find_runs(s.labels, s.count)), s)


def _over_area(outlines: FloatArray, s: Segmentation) -> float:
    return float(outlines.sum() / max(1, int(np.count_nonzero(s.labels))))


def _wide_and_free(part: Segmentation, outlines: FloatArray, blur: float) -> NDArray[np.bool_]:
    """(n,) True for carbides whose edges show: wide against the blur, and no other close to them."""
    spread = float(np.sqrt(blur**2 + SMOOTHING_VARIANCE + PIXEL_VARIANCE))
    area = np.bincount(part.labels.ravel(), minlength=part.count + 1)[1:]
    away = cv2.distanceTransform((part.labels == 0).view(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_5)
    met = np.zeros(part.count + 1)
    for one, other in (((slice(None), slice(1, None)), (slice(None), slice(-1))), ((slice(1, None),), (slice(-1),))):
        first, second = part.basins[one], part.basins[other]
        near = (first != second) & (first > 0) & (second > 0)
        near &= np.minimum(away[one], away[other]) < BESIDE * spread
        met += np.bincount(np.append(first[near], second[near]), minlength=part.count + 1)
    wide = area > np.pi / 4 * (WIDE * spread) ** 2
    return wide & (met[1:] <= CROWDED * outlines)


def _alone(part: Segmentation, asked: NDArray[np.bool_]) -> Segmentation:
    """Return the part with these carbides only."""
    kept = np.append(False, asked)
    labels, basins = (np.where(kept[numbers], numbers, numbers.dtype.type(0)) for numbers in (part.labels, part.basins))
    return replace(part, labels=labels, basins=basins)


def _over_levels(part: Segmentation, used: _Used, levels: FloatArray) -> tuple[_Edges, float]:
    """Edges of heights over the carbides' own levels, and the commonest of these, without its sign."""
    level = levels.astype(np.float32).take(part.basins)
    return _Edges.of(part.contrast / level, part, used), float(np.abs(np.median(level.ravel().take(used.at))))


def _shape(
    part: Segmentation,
    seen: _Edges,
    parts: FloatArray,
    spread: float,
    by_noise: FloatArray,
    lengths: tuple[float, float],
) -> EdgeShape:
    """Shape from the parts (STRIPS, 4) beyond those of the drawing, each strip left out once.

    `by_noise` (4,): what of them is by another noise inside than in the matrix.
    `lengths`: of the outlines asked, px, and of all over the area within them, 1/px.
    """
    (outline, per_area), solid = lengths, seen.drawing.fine
    scale = np.array([1, 1, 6 / spread, 24 / spread])
    value = np.mean(parts, axis=0) * scale
    sure = np.hypot(np.sqrt((STRIPS - 1) * parts.var(axis=0)), NOISE_ERROR * by_noise) * scale
    above = seen.above.sum(axis=0)
    beyond = above - float(np.interp(0.5, HEIGHTS, above))
    # Moved outwards by d, n closed outlines of length P grow by P·d + n·π·d² (Steiner).
    turns = np.pi * seen.outlines
    root = np.sqrt(np.maximum(outline**2 + 4 * turns * beyond, 0))
    return EdgeShape(
        HEIGHTS, 2 * beyond / (outline + root), spread, value[2], sure[2], value[3], sure[3], outline,
        float(solid.sum(dtype=float)) / DRAWN**2, per_area, not by_noise.any(), part, solid,
    )  # fmt: skip


def looks_on_pixels(shape: EdgeShape) -> tuple[float, float]:
    """Skew and kurtosis, beyond those under a lens, of the same outlines blurred on the pixels, as software blurs."""
    part = shape.part
    used = _Used.of((part.basins > 0) & ~part.excluded)
    blur = _blur(shape.spread_px)
    cover = cv2.resize(shape.solid, part.labels.shape[::-1], interpolation=cv2.INTER_AREA)
    lens = _areas_above(_smooth(FineGrid.of(shape.solid, blur).under_lens(blur)), used).sum(axis=0)
    for _ in range(ROUNDS):
        above = _areas_above(_smooth(cv2.GaussianBlur(cover, (0, 0), blur)), used).sum(axis=0)
        _, wider, skew, kurtosis = hermite((above - lens) / shape.outline_px)
        blur = max(blur - wider, LEAST_BLUR_PX / 2)
    return 6 * skew / shape.spread_px, 24 * kurtosis / shape.spread_px


def _smooth(picture: Picture) -> Picture:
    return cv2.GaussianBlur(picture, (0, 0), SMOOTHING_PX)


def hermite(distance: FloatArray) -> FloatArray:
    """(..., 4) shift, spread, skew and kurtosis parts of distances (..., heights) at HEIGHTS (Cornish and Fisher 1938).

    Least squares, weighted by the density of the edge, which is what the noise goes by.
    """
    return np.asarray(distance @ _hermite_fit())


@lru_cache(maxsize=1)
def _hermite_fit() -> FloatArray:
    z = _normal_places()
    design = np.stack([np.ones_like(z), z, z**2 - 1, z**3 - 3 * z], axis=1)
    weight = np.exp(-(z**2) / 4)
    return np.asarray(weight[:, None] * np.linalg.pinv(design * weight[:, None]).T)


def _normal_places() -> FloatArray:
    from scipy.special import ndtri

    return np.asarray(-ndtri(HEIGHTS))


@dataclass(frozen=True, eq=False)
class _Used:
    """What is looked at: `mask` (rows, columns), its flat places `at` (m,), and the first `bin` of each one's strip."""

    mask: NDArray[np.bool_]
    at: NDArray[np.intp]
    bin: NDArray[np.intp]

    @classmethod
    def of(cls, mask: NDArray[np.bool_]) -> _Used:
        """Cut the rows into strips as `np.array_split` does."""
        at = np.flatnonzero(mask)
        of_row = np.repeat(np.arange(STRIPS), [len(part) for part in np.array_split(np.arange(len(mask)), STRIPS)])
        return cls(mask, at, BINS * of_row.take(at // mask.shape[1]))


@dataclass(frozen=True, eq=False)
class _Edges:
    """Areas above HEIGHTS in each strip (STRIPS, heights), the outlines drawn solid by coverage, and their number."""

    above: FloatArray
    drawing: FineGrid
    used: _Used
    outlines: int

    @classmethod
    def of(cls, height: Picture, part: Segmentation, used: _Used) -> _Edges:
        """Look at heights (rows, columns), 1 in the carbides, where they are used."""
        solid = solid_outlines(part, height, used.mask)
        number = int(np.count_nonzero(np.bincount(part.labels.ravel())[1:]))
        above = _areas_above(_smooth(height), used)
        drawing = FineGrid.of(solid, WIDER * max(part.blur_px or 0.0, LEAST_BLUR_PX))
        return cls(above, drawing, used, number)

    def against(self, noise: _Noise, blur: float, outline: float) -> tuple[FloatArray, float, FloatArray]:
        """Return (STRIPS, 4) parts beyond the drawing, each strip left out once, and the spread that fits.

        Then (4,) what it changed in them that the noise inside is another than in the matrix.

        `noise` blurs heights; the drawing has it by a convolution, so that none is drawn.
        """
        for _ in range(ROUNDS):
            spread = float(np.sqrt(blur**2 + SMOOTHING_VARIANCE + PIXEL_VARIANCE))
            drawing = _smooth(self.drawing.under_lens(blur))
            beyond = self.above - _areas_above(drawing, self.used, noise)
            parts = hermite((beyond.sum(axis=0) - beyond) * STRIPS / (STRIPS - 1) / outline)
            blur = _blur(spread + float(parts[:, 1].mean()))
        return parts, spread, self._by_noise(drawing, noise) / outline

    def _by_noise(self, drawing: Picture, noise: _Noise) -> FloatArray:
        """Return the parts (4,), px², that noise of its own inside adds to a drawing."""
        if noise.inside is None:
            return np.zeros(4)
        alike, own = (_areas_above(drawing, self.used, one).sum(axis=0) for one in (_Noise(noise.outside), noise))
        return hermite(own - alike)


def solid_outlines(part: Segmentation, height: Picture, used: NDArray[np.bool_]) -> Picture:
    """(DRAWN·rows, DRAWN·columns) cover of the outlines of heights (rows, columns), 1 in the carbides, where used."""
    smooth = np.where(used, smoothed(height), np.float32(0))
    at = np.append(0.5, edge_heights(part)).astype(np.float32).take(part.basins)
    sharp = (part.blur_px or 0.0) < SHARP_PX
    between = cv2.INTER_LANCZOS4 if sharp else cv2.INTER_CUBIC
    fine = cv2.resize(smooth - at, None, fx=FINER, fy=FINER, interpolation=between)
    grid = tuple(DRAWN * n for n in smooth.shape[::-1])
    # Means of whole numbers that their count divides come out whole: the share of fine points, exactly.
    covered = cv2.resize((fine > 0).view(np.uint8) * np.uint8(WHOLE), grid, interpolation=cv2.INTER_AREA)
    covered *= cv2.resize(used.view(np.uint8), grid, interpolation=cv2.INTER_NEAREST)
    return covered / np.float32(WHOLE)


def _blur(spread: float) -> float:
    """Blur of the lens from the spread of the edge, px."""
    return float(np.sqrt(max(spread**2 - SMOOTHING_VARIANCE - PIXEL_VARIANCE, LEAST_BLUR_PX**2)))


def _areas_above(height: Picture, used: _Used, noise: _Noise | None = None) -> FloatArray:
    """Return (STRIPS, heights) pixels of each strip that are used and lie above each of HEIGHTS, blurred by `noise`."""
    number = np.clip((height.ravel().take(used.at) - LOWEST) / STEP, 0, BINS - 1).astype(np.intp)
    number += used.bin
    found = []
    for count in np.bincount(number, minlength=STRIPS * BINS).reshape(STRIPS, BINS).astype(float):
        if noise is not None:
            count = noise.over(count)
        above = count.sum() - np.append(0, np.cumsum(count))
        found.append(np.interp(HEIGHTS, LOWEST + STEP * np.arange(BINS + 1), above))
    return np.array(found)


@dataclass(frozen=True)
class _Noise:
    """Standard deviation of smoothed heights in the matrix, and inside carbides where that is another."""

    outside: float
    inside: float | None = None

    def with_inside(self, part: Segmentation, drawn: Picture, levels: FloatArray) -> _Noise:
        """Return it with the noise deep inside carbides, unless that is the same or too few places tell it.

        `drawn` (rows, columns): what a carbide of unit contrast shows; `levels` (n + 1,): what heights are shares of.
        """
        smooth = _smooth(part.contrast)
        for spreads, alike in NOISE_TOLD:
            deep = deep_places(part, spreads)
            if len(deep) < FEWEST_DEEP:
                continue
            shown, level = drawn.ravel().take(deep), levels[part.labels.ravel().take(deep)]
            inside = float(np.sqrt(((smooth.ravel().take(deep) / level - shown) ** 2).mean()))
            return _Noise(self.outside, inside if abs(inside**2 - self.outside**2) > alike**2 else None)
        return self

    def over(self, count: FloatArray) -> FloatArray:
        """(BINS,) numbers of heights that the noise spreads: in between from one to the other."""
        if self.inside is None:
            return _blurred(count, self.outside / STEP)
        share = np.clip(LOWEST + STEP * (np.arange(BINS) + 0.5), 0, 1)
        return _blurred(count * (1 - share), self.outside / STEP) + _blurred(count * share, self.inside / STEP)


def _blurred(count: FloatArray, spread: float) -> FloatArray:
    """Convolve with a normal density, to four spreads; SciPy's, which loads for longer than it works, does the same."""
    if spread <= 1:
        return count
    reach = int(4 * spread + 0.5)
    kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) / spread) ** 2)
    return np.convolve(count, kernel / kernel.sum())[reach : reach + len(count)]


def middle(s: Segmentation) -> Segmentation:
    """Return the middle PART_PX of a field: edges enough; numbers of carbides stay as they are."""
    rows, columns = (slice(max(0, (n - PART_PX) // 2), (n + PART_PX) // 2) for n in s.labels.shape)
    part = s.cropped((rows, columns))
    return replace(
        part,
        labels=np.ascontiguousarray(part.labels),
        basins=np.ascontiguousarray(part.basins),
        contrast=np.ascontiguousarray(part.contrast),
        excluded=np.ascontiguousarray(part.excluded),
    )


def carbide_levels(s: Segmentation, drawn: Picture | None = None) -> FloatArray:
    """(n + 1,) contrast of each carbide; of the matrix the median.

    The level of its class, times the ratio that it shows deep inside as far as that differs beyond noise between
    carbides, times the commonest ratio otherwise (empirical Bayes). `drawn`: see `deep_ratio`.
    """
    ratio, variance = deep_ratio(s, drawn)
    of_class = s.class_contrast
    own = shrunk(ratio, variance) * of_class
    return np.append(np.median(own), own)


def shrunk(ratio: FloatArray, variance: FloatArray) -> FloatArray:
    """(n,) ratios drawn to the commonest as far as they differ by noise; that one where NaN, 1 where all are."""
    known = np.isfinite(ratio)
    if not known.any():
        return np.ones_like(ratio)
    by_noise = np.maximum(variance, LEAST_VARIANCE)
    told = ratio[known]
    common = float((told / by_noise[known]).sum() / (1 / by_noise[known]).sum())
    between = max(0.0, float(((told - common) ** 2 - by_noise[known]).mean()))
    return np.where(known, common + between / (between + by_noise) * (ratio - common), common)


def deep_ratio(s: Segmentation, drawn: Picture | None = None) -> tuple[FloatArray, FloatArray]:
    """(n,) contrast DEEP inside over that of the class, and its variance by noise; NaN, 1 where nothing lies so deep.

    `drawn` (rows, columns): what a carbide of unit contrast shows there; by default all of it.
    """
    of_class = s.class_contrast
    deep = deep_places(s)
    number = s.labels.ravel().take(deep)
    shown = None if drawn is None else drawn.ravel().take(deep)
    weight = np.bincount(number, shown, s.count + 1)[1:]
    mean = np.bincount(number, s.contrast.ravel().take(deep), s.count + 1)[1:] / np.maximum(weight, 1e-9)
    sound = (weight > 0.5) & (mean / of_class > 0.4) & (mean / of_class < 2)
    variance = (s.noise / of_class) ** 2 * s.noise_area_px / np.maximum(weight, 1e-9)
    return np.where(sound, mean / of_class, np.nan), np.where(sound, variance, 1.0)


def deep_places(s: Segmentation, spreads: float = DEEP) -> NDArray[np.intp]:
    """Flat places that lie so many standard deviations of the blur inside the outlines."""
    return np.flatnonzero(away_from((s.labels == 0).view(np.uint8), max(spreads * (s.blur_px or 1.0), 1e-6)))


def light_beside(s: Segmentation) -> float:
    """Return how far, px, the light of resolved carbides lies to one side of their outlines; 0 where that is chance.

    The median over the carbides, from the centroid of the outline to that of the contrast of the basin.
    """
    rows, columns = s.labels.shape
    light = s.basin_sums[1]
    own = np.flatnonzero(~s.cut & ~s.small & (s.outline_px > 0) & (light * s.class_contrast > 0))
    if len(own) < FEWEST_LIT:
        return 0.0
    outline = s.outline_moments
    across = s.basin_runs.integrate(s.contrast * (np.arange(columns, dtype=np.float32) + 0.5))
    down = s.basin_runs.integrate(s.contrast * (np.arange(rows, dtype=np.float32) + 0.5)[:, None])
    beside = np.stack([across[own] / light[own] - outline.x[own], down[own] / light[own] - outline.y[own]])
    shift = np.median(beside, axis=1)
    # Of a median of normal values: √(π/2) times that of the mean.
    error = np.sqrt(np.pi / 2 / len(own)) * np.array([robust_spread(b - m) for b, m in zip(beside, shift, strict=True)])
    return float(np.hypot(*shift)) if np.hypot(*(shift / np.maximum(error, 1e-9))) > SURELY_LIT else 0.0


def edge_heights(s: Segmentation) -> FloatArray:
    """(n,) height of a blurred disc of each outline's area at its true edge, after the smoothing."""
    spread = np.hypot(s.blur_px or 1.0, ADDED_SPREAD_PX)
    return disc_edge(np.maximum(s.outline_px, 1) / (2 * np.pi * spread**2))
