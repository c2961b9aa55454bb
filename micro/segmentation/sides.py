"""Parts of what was found that may be no carbide, and a field without some of it.

Spots on either side of the matrix level, lines, and kinds whose edges are softer than the lens makes those of another.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from micro.geometry.regions import INSIDE
from micro.segmentation.edge_profile import LEAST_BLUR_PX, PIXEL_VARIANCE, WIDE, deep_ratio
from micro.segmentation.levels import numbered
from micro.segmentation.segmentation import UNNAMED, Segmentation, Verdict
from micro.segmentation.texture import line_like
from micro.statistics.robust import spread as robust_spread

FloatArray = NDArray[np.float64]
Flags = NDArray[np.bool_]

# Of the contrast of the strongest class on its side. Classes of carbide had 0.40 and more of it, retained austenite,
# patches and boundaries that passed for a class 0.20 to 0.40 (110 fields with several classes of two generators).
FAINT_CLASS = 0.42
# Of the matrix level, and of the grey of the middle carbide: holes are darker than both (0.05 to 0.17 of the matrix
# beside carbides of 0.22 to 0.49 in fields of a sixth generator). Carbides of all greys have more than half as many up
# to a third brighter; holes stand apart (the same fields).
BLACK, DARKER = 0.2, 0.6
NEXT, APART = 4 / 3, 0.5


@dataclass(frozen=True, eq=False)
class Sides:
    """Areas by integrated contrast on both sides of the matrix, px².

    Parameters
    ----------
    is_other
        (n,) True on the side that has less in compact features, or is a faint net; all of a net counts as lines.
    area, outlined, lines
        Of the main side: in all, within its outlines, and what of it lies in lines.
    other_area, other_lines
        Of the other side.
    """

    is_other: Flags
    area: float
    outlined: float
    lines: float
    other_area: float
    other_lines: float

    @property
    def line_share(self) -> float:
        """Share of the main side that lies in lines."""
        return self.lines / self.area if self.area else 0.0


def areas(s: Segmentation) -> FloatArray:
    """(n,) areas by integrated contrast, px²."""
    return s.basin_sums[1] / s.class_contrast


def two_sides(s: Segmentation, named: bool = False) -> Sides:
    """Part the features of a field, at least one, by side and by shape; what the user named is no net of boundaries."""
    area, thin = areas(s), line_like(s)
    side = np.sign(s.class_contrast)
    # A side that holds nothing is none, be the light of the other negative.
    plain = {k: float(area[(side == k) & ~thin].sum()) for k in (1, -1) if (side == k).any()}
    net = 0 if named else _net(s, area, side)
    thin = thin | (side == net)
    other = side == (net or -max(plain, key=lambda k: plain[k]))
    return Sides(
        is_other=other,
        area=float(area[~other].sum()),
        outlined=float(s.outline_px[~other].sum()),
        lines=float(area[~other & thin].sum()),
        other_area=float(area[other].sum()),
        other_lines=float(area[other & thin].sum()),
    )


NET = 0.5
"""Contrast of a net of boundaries over that of carbides on the other side, at most (chosen)."""


def _net(s: Segmentation, area: FloatArray, side: NDArray[np.float64]) -> int:
    """Side, 1 or -1, that winds in the mean over its area, beside a more contrasted one that does not; 0: neither."""
    contrast = np.abs(s.class_contrast)
    light, wound = np.maximum(area, 0), _winding(s)
    whole = {k: float(light[side == k].sum()) for k in (1, -1)}
    if not min(whole.values()) > 0:
        return 0
    level, winds = (
        {k: float(light[side == k] @ value[side == k]) / whole[k] for k in (1, -1)} for value in (contrast, wound)
    )
    net = min(level, key=lambda k: level[k])
    return net if level[net] < NET * level[-net] and winds[net] > WINDING >= winds[-net] else 0


def _winding(s: Segmentation) -> FloatArray:
    return np.asarray(s.perimeters[0] ** 2 / (4 * np.pi * np.maximum(s.outline_px, 1)))


FAINT, FAINTEST, WINDING, SOME_THIN = 0.3, 0.2, 1.5, 0.1
"""Of the contrast of another class; perimeter²/(4·π·area), 1 of a disc, 1.3 of rods 1 : 2; share of the area in lines.

Boundaries of a fifth of the contrast make classes of 1.9 to 5 and 0.17 to 0.6, carbides of 0.9 to 1.3 and 0 (fields of
a fourth generator). Boundaries of 0.3 to 0.8 of it, as etchants that darken carbides leave them: 3.3 and 0.25 to 0.5.
"""
FAINTER, NET_WINDS = 0.8, 2.0


def faint_lines(s: Segmentation) -> Flags:
    """(n,) True in classes fainter than another on their side that wind: partly thin lines, or far fainter still."""
    contrast = np.array([c.contrast for c in s.classes])
    beside = contrast[:, None] / contrast
    beside = np.where(beside > 0, beside, 1.0).min(axis=1, initial=1.0)
    if not (beside < FAINTER).any():
        return np.zeros(s.count, bool)
    light, thin = areas(s), line_like(s)
    total, lines, wound = (
        np.bincount(s.class_index, light * weight, len(contrast)) for weight in (np.ones(s.count), thin, _winding(s))
    )
    some_thin = lines > SOME_THIN * total
    left = (beside < FAINT) & (wound > WINDING * total) & (some_thin | (beside < FAINTEST))
    left |= (beside < FAINTER) & (wound > NET_WINDS * total) & some_thin
    return np.asarray(left[s.class_index])


def without(s: Segmentation, left: Flags) -> Segmentation:
    """Leave carbides `left` (n,) out, the others numbered anew: their place stays in the analysed area, as matrix."""
    number = np.append(0, np.where(left, 0, np.cumsum(~left))).astype(np.int32)
    gone = np.append(False, left)[s.basins]
    used = np.bincount(s.class_index[~left], minlength=len(s.classes)) > 0
    classes = tuple(c for c, has in zip(s.classes, used, strict=True) if has)
    return replace(
        s,
        labels=number[s.labels],
        basins=number[s.basins],
        contrast=filled(s, gone),
        class_index=(np.cumsum(used) - 1)[s.class_index[~left]],
        classes=classes if any(not c.name.startswith(UNNAMED) for c in classes) else numbered(classes),
        flags=s.flags[~left],
    )


def filled(s: Segmentation, where: Flags) -> NDArray[np.float32]:
    """Contrast (rows, columns) with values of the matrix, drawn with one seed, in place of what lies there.

    What looks at the noise of the matrix must see no less there.
    """
    contrast, places = s.contrast.copy(), int(np.count_nonzero(where))
    matrix = s.contrast[s.bare] if places else np.empty(0)
    contrast[where] = np.random.default_rng(0).choice(matrix, places) if matrix.size else 0
    return contrast


def unoutlined(s: Segmentation, verdict: Verdict) -> Segmentation:
    """Without a label: what cannot be told is not outlined, nor counted."""
    nothing = np.zeros(0, np.intp)
    return replace(
        s,
        labels=np.zeros_like(s.labels),
        basins=np.zeros_like(s.basins),
        class_index=nothing,
        flags=nothing.astype(np.uint32),
        verdict=verdict,
    )


def faint_classes(s: Segmentation) -> Flags:
    """(classes,) True for those of little contrast that all together have less area than the others."""
    contrast = np.array([c.contrast for c in s.classes])
    area = np.bincount(s.class_index, areas(s), len(contrast))
    faint = np.zeros(len(contrast), bool)
    for side in (contrast > 0, contrast < 0):
        if side.any():
            faint |= side & (np.abs(contrast) < FAINT_CLASS * np.abs(contrast[side]).max())
    return faint & (area[faint].sum() < area.sum() / 2)


def black(s: Segmentation) -> Flags:
    """(n,) True for dark features that are near black beside carbides that are not: holes look so.

    Of what shows its own grey deep inside.
    """
    holes = np.zeros(s.count, bool)
    if s.matrix_grey <= 0 or not (s.class_contrast < 0).any():
        return holes
    ratio, _ = deep_ratio(s)
    own = np.flatnonzero(np.isfinite(ratio) & (s.class_contrast < 0))
    if not len(own):
        return holes
    area = areas(s)
    grey = 1 + (ratio * s.class_contrast)[own] / s.matrix_grey
    order = np.argsort(grey)
    middle = grey[order][np.searchsorted(np.cumsum(area[own][order]), area[own].sum() / 2)]
    top = min(BLACK, DARKER * middle)
    darkest, up_to_next = (float(area[own][grey < most].sum()) for most in (top, NEXT * top))
    holes[own] = (grey < top) & (up_to_next - darkest < APART * darkest)
    return holes


# Rolling draws sulphides out and leaves hard carbides as they are. Length over width, how parallel (resultant of the
# doubled angles), how long the rest at most, how many (chosen); and share of the field: 0.1 % of sulphur, three times
# what tool steels hold, makes 0.5 % of manganese sulphide (from densities of 4.0 and 7.8 g/cm³, from memory).
STRINGER, PARALLEL, NOT_LONG, FEWEST_STRINGERS, MOST_SULPHIDE = 2.5, 0.9, 2.0, 5, 0.005


def sulphides(s: Segmentation) -> float:
    """Area, px², of dark features that may be sulphides: long and parallel beside carbides that are not long; or 0."""
    outlines, area = s.outline_moments, areas(s)
    aspect = np.nan_to_num(outlines.aspect, nan=1.0)
    long = (s.class_contrast < 0) & (aspect > STRINGER)
    if long.sum() < FEWEST_STRINGERS or long.all() or np.median(aspect[~long]) > NOT_LONG:
        return 0.0
    doubled = (outlines.xx - outlines.yy + 2j * outlines.xy)[long]
    if abs((doubled / np.maximum(np.abs(doubled), 1e-9)).mean()) < PARALLEL:
        return 0.0
    return float(min(np.maximum(area[long], 0).sum(), MOST_SULPHIDE * s.analysed_px))


DIFFERENCE_VARIANCE = 1 / 3  # of the slope from pixel to next but one: the mean over 2 px
FEWEST = 15  # carbides of a kind that tell its edges (chosen)
# Of the steepness of the strongest kind's edges, and of standard errors below 1. Of 67 fields of a sixth generator
# whose greys part into kinds 7 lie below: five with retained austenite (0.86 to 0.96), one with laths, one with two
# kinds under relief and bands. One with austenite lies above, at 0.91 ± 0.09.
SOFT, SURE = 0.96, 2.0


def soft_classes(s: Segmentation) -> NDArray[np.bool_]:
    """(classes,) True for those with softer edges than the strongest on their side of the matrix."""
    soft = np.zeros(len(s.classes), bool)
    if len(s.classes) < 2:
        return soft
    steep = steepness(s)
    for side in (1, -1):
        kinds = [k for k, c in enumerate(s.classes) if side * c.contrast > 0]
        told = [(abs(s.classes[k].contrast), k, steep[(s.class_index == k) & np.isfinite(steep)]) for k in kinds]
        told = sorted((one for one in told if len(one[2]) >= FEWEST), key=lambda one: one[0])
        for _, k, own in told[:-1]:
            soft[k] = _is_softer(own, told[-1][2])
    return soft


def _is_softer(own: FloatArray, strongest: FloatArray) -> bool:
    """Whether edges are softer than those of the strongest kind, by the medians."""
    ratio = float(np.median(own) / np.median(strongest))
    # Of a median of normal values: √(π/2) times that of the mean.
    relative = [robust_spread(e / np.median(e) - 1) * np.sqrt(np.pi / 2 / len(e)) for e in (own, strongest)]
    return ratio < SOFT and ratio * (1 + SURE * float(np.hypot(*relative))) < 1


# The upper quartile of the edges of what is round (ROUND and below, FEWEST_ROUND of them) is the measure. Of the area,
# in what winds, is SOFTER and wider than STRIP blurs: 0.13 to 0.45 where two phases of an etch are a third as far apart
# as carbides, 0 to 0.065 where they are less (hand-drawn outlines of carbides on real etched matrices). Of the area,
# softer for its own height than SOFT_FOR_HEIGHT: 0.11 to 0.28 beside soft patches (simulated), up to 0.1 in 49 of the
# other fields, 0.12 in one. Where more than MOST_UNLIKE would be unlike, only what is both counts (chosen).
ROUND, FEWEST_ROUND, SOFTER, STRIP, UNLIKE, MOST_UNLIKE, SOFT_FOR_HEIGHT = 1.4, 10, 0.8, 2.0, 0.1, 0.7, 0.7


def unlike_round(s: Segmentation) -> Flags:
    """(n,) True for what winds, or is softer for its height, where much of it has softer edges than round outlines."""
    wound, area = _winding(s), np.maximum(areas(s), 0)
    least, steep = UNLIKE * float(area.sum()), steepness(s)
    winds, round_ones = wound > WINDING, np.isfinite(steep) & (wound < ROUND)
    found = np.zeros(s.count, bool)
    if round_ones.sum() < FEWEST_ROUND:
        return found
    own = steep * np.abs(s.class_contrast) / np.maximum(s.highest, 1e-6)
    edges, own_edges = (np.nan_to_num(e / np.quantile(e[round_ones], 0.75), nan=1.0) for e in (steep, own))
    strip = 2 * s.outline_px > STRIP * max(s.blur_px or 1.0, LEAST_BLUR_PX) * s.perimeters[0]
    both = winds & strip & (edges < SOFTER)
    if area[both].sum() >= least:
        found |= winds
    if area[own_edges < SOFT_FOR_HEIGHT].sum() >= least:
        found |= own_edges < SOFTER
    return found if area[found].sum() <= MOST_UNLIKE * area.sum() else both


def steepness(s: Segmentation) -> FloatArray:
    """(n,) mean slope along each outline over that of a blurred disc of its area; NaN where it is narrow, or cut.

    A disc of radius r under a normal lens of spread σ has the slope r/σ²·e^(−r²/σ²)·I₁(r²/σ²) at its edge, for a
    contrast of 1 (derived: the convolution in polar coordinates).
    """
    from scipy.special import ive

    blur = max(s.blur_px or 1.0, LEAST_BLUR_PX)
    spread = float(np.sqrt(blur**2 + PIXEL_VARIANCE + DIFFERENCE_VARIANCE))
    inside = (s.labels > 0).view(np.uint8)
    rims = (inside > cv2.erode(inside, np.ones((3, 3), np.uint8))) & ~s.excluded
    rims[[0, -1]] = rims[:, [0, -1]] = False
    rim = np.flatnonzero(rims)[::2]  # every other pixel tells as much
    number = s.labels.ravel().take(rim)
    count = np.bincount(number, minlength=s.count + 1)[1:]
    slope = np.bincount(number, _slope(s.contrast, rim), s.count + 1)[1:] / np.maximum(count, 1)
    radius = np.sqrt(np.maximum(s.outline_px, 1) / np.pi) / spread
    disc = radius * ive(1, radius**2) / spread
    wide = (2 * radius > WIDE) & ~s.cut & (count > 0)
    return np.where(wide, slope / disc / np.abs(s.class_contrast), np.nan)


def _slope(picture: NDArray[np.float32], at: NDArray[np.intp]) -> NDArray[np.float32]:
    """(n,) slope a pixel by the Sobel kernel at places of the raveled picture, none of them on its frame."""
    flat, row = picture.ravel(), picture.shape[1]
    (a, b, c), (d, e), (f, g, h) = (
        [flat.take(at + step, mode=INSIDE) for step in steps]
        for steps in ((-row - 1, -row, -row + 1), (-1, 1), (row - 1, row, row + 1))
    )
    return np.asarray(np.hypot(c - a + 2 * (e - d) + h - f, f - a + 2 * (g - b) + h - c) / 8)
