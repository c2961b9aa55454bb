"""Whether the grey levels of a field tell its area fraction: a value with its interval, or unknown with a bound."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from micro.segmentation.edge_fit import fit_edges
from micro.segmentation.edge_profile import carbide_levels, find_edges, middle
from micro.segmentation.matrix import find_matrix, smoothed
from micro.segmentation.segmentation import Segmentation, SegmentationSettings
from micro.segmentation.texture import Texture, find_texture, line_like
from micro.segmentation.tone import tone_shift_px
from micro.segmentation.two_levels import two_levels
from micro.segmentation.uncertainty import area_fraction_uncertainty

NORMAL_95 = 1.96
NONE_SEEN_PX = 18.0  # three of the smallest carbides, 6 px each (Poisson, 95 %)
UNEVEN = 2.0
# Of a class contrast: beyond it carbides are lost (simulated: tests/accuracy/etched_fields.py, lath 20 and 30 %).
HIDDEN = 0.85
FAINT = 0.2  # of the matrix level: nothing fainter is asked for where nothing was found (chosen)
FEW = 5
COARSE = 0.1  # level scatter of blocks of 32 px, of the contrast: the matrix has no one level
TEXTURE_ERROR = 0.03  # of the area, standard uncertainty, where texture hides up to the contrast itself
OTHER_SHARE = 0.5
FEW_LINES = 0.2
# Of 20 sound fields of two generators |skew| stays below 0.07 and the misfit below 2.3 (simulated).
SOUND_SKEW, SOUND_MISFIT = 0.15, 2.5
UNLIKE = 2.5
ETCHED_EDGE_PX, PIT_ERROR, EVEN, GREY_SPREAD, LEVEL_ERROR = 0.1, 0.2, 1.3, 0.08, 0.05
MISFIT_ERROR = 0.02


@dataclass(frozen=True)
class Verdict:
    """Area fraction of a field with its 95 % interval; `value` None: unknown, and `high` bounds it.

    `reasons` says in words what widened or emptied it.
    """

    value: float | None
    low: float
    high: float
    reasons: tuple[str, ...] = ()


def reading(s: Segmentation) -> tuple[float, float, float]:
    """Area fraction and interval of a segmentation as it stands."""
    frame = max(1, s.analysed_px)
    if not s.count:
        return 0.0, 0.0, NONE_SEEN_PX / frame
    value = float(areas(s).sum() / frame)
    half = NORMAL_95 * area_fraction_uncertainty(s).of_all
    return value, max(0.0, value - half), min(1.0, value + half)


def areas(s: Segmentation) -> NDArray[np.float64]:
    """(n,) areas by integrated contrast, px²."""
    return s.basin_sums[1] / np.array([c.contrast for c in s.classes])[s.class_index]


def assess(grey: NDArray[np.float32], settings: SegmentationSettings, s: Segmentation) -> Verdict:
    """Judge a segmented field by its grey levels."""
    matrix = find_matrix(grey, smoothed(grey), s.excluded, settings.matrix_grey)
    texture = find_texture(s, matrix.sensor_noise)
    reason = hidden(s, texture)
    if reason:
        return _unresolved(grey, settings, s, reason)
    if not s.count:
        return _none(s, texture)
    return _found(s, texture)


def hidden(s: Segmentation, texture: Texture) -> str:
    """Why the texture of the matrix could hide a second phase; empty: it could not."""
    if texture.uneven <= UNEVEN:
        return ""
    contrast = _contrast(s)
    if s.count < FEW:
        faintest = FAINT * abs(s.matrix_grey)
        return (
            ""
            if texture.hides < faintest
            else f"the matrix is uneven: what differs by less than {texture.hides:.0f} grey levels is not seen"
        )
    if texture.hides > HIDDEN * contrast:
        return f"the matrix is uneven by as much as carbides differ from it ({contrast:.0f} grey levels)"
    if texture.level_scatter[2] > COARSE * contrast:
        return (
            f"the matrix has no one level: it differs by {texture.level_scatter[2]:.0f} grey levels from block to block"
        )
    return ""


def _contrast(s: Segmentation) -> float:
    """Contrast of the classes, weighted by their area; 0 without any."""
    if not s.count:
        return 0.0
    each = np.abs([c.contrast for c in s.classes])[s.class_index]
    return float(np.average(each, weights=np.maximum(areas(s), 1e-9)))


def _unresolved(grey: NDArray[np.float32], settings: SegmentationSettings, s: Segmentation, reason: str) -> Verdict:
    """Two levels of a fine two-phase etch, where the picture shows them and the user says which is carbide."""
    if settings.carbides != "auto":
        found = two_levels(grey, s.excluded, 1 if settings.carbides == "bright" else -1)
        if found.apart:
            return Verdict(
                found.value, found.low, found.high, (reason + "; read as two levels of a fine two-phase etch",)
            )
    return Verdict(None, 0.0, _could_hide(s, settings), (reason,))


def _could_hide(s: Segmentation, settings: SegmentationSettings) -> float:
    """Upper bound of the area fraction: all that is not clearly on the other side of the matrix level."""
    smooth = smoothed(s.contrast)[~s.excluded]
    shares = [
        np.mean(sign * smooth > -s.smooth_noise)
        for sign in (1, -1)
        if settings.carbides != ("dark", "", "bright")[sign + 1]
    ]
    return float(max(shares))


def _none(s: Segmentation, texture: Texture) -> Verdict:
    value, low, high = reading(s)
    outside = abs(s.light_outside) / max(1, s.analysed_px)
    lines = outside / max(FAINT * abs(s.matrix_grey), 1e-6)
    sure = outside > 4 * texture.level_uncertainty
    return Verdict(value, low, max(high, lines if sure else 0.0))


def _found(s: Segmentation, texture: Texture) -> Verdict:
    frame = max(1, s.excluded.size - _left_out_px(s))
    area, reasons = areas(s), []
    side = np.sign([c.contrast for c in s.classes])[s.class_index]
    per_side = {k: float(area[side == k].sum()) for k in (1, -1)}
    thin = line_like(s)
    share = {k: float(area[(side == k) & thin].sum() / max(per_side[k], 1e-9)) for k in (1, -1)}
    main = max(per_side, key=lambda k: per_side[k] * (1 - share[k]))
    lines = thin & (side == -main)
    other = per_side[-main] / frame
    value = per_side[main] / frame
    half = NORMAL_95 * _uncertainty(s, texture, value * frame)
    if share[main] < FEW_LINES:
        if lines.any():
            half = NORMAL_95 * _uncertainty(_only(s, side == main), texture, value * frame)
        factor, doubt, words = by_edges(s, main, texture, bool(lines.any()))
        reasons += words
        half = float(np.hypot(half, doubt * value)) if doubt else half
        value *= factor
    low, high = value - half, value + half
    if other:
        if lines.any() and area[lines].sum() > OTHER_SHARE * per_side[-main]:
            reasons.append("lines on the other side of the matrix are taken for grain boundaries and left out")
            high += float(area[(side == -main) & ~lines].sum()) / frame
        elif other < OTHER_SHARE * value:
            reasons.append(
                "small spots on the other side of the matrix are taken for pits; if they are carbide they add to it"
            )
            high += other
        else:
            value, high = value + other, high + other + half
            low += other - half
    if share[main] > 0.5:
        reasons.append("most of it lies in thin lines: films of carbide, or etched boundaries")
        return Verdict(None, 0.0, min(high, 1.0), tuple(reasons))
    return Verdict(value, max(low, 0.0), min(high, 1.0), tuple(reasons))


def by_edges(s: Segmentation, main: int, texture: Texture, beside_lines: bool) -> tuple[float, float, list[str]]:
    """Factor on the area by what the edges show, its 95 % half width as a share, and why; 1 and 0 for sound edges."""
    own = np.sign([c.contrast for c in s.classes])[s.class_index] == main
    of_main = middle(s if own.all() else _only(s, own))
    area_px = float(areas(of_main).sum())
    fit = fit_edges(of_main) if area_px > 0 else None
    if fit is None:
        return 1.0, 0.0, []
    factor, half, words = 1.0, 0.0, []
    by_edge = fit.area_px / area_px
    apart, sure = abs(by_edge - 1), NORMAL_95 * fit.area_uncertainty_px / area_px
    unlike = fit.left > UNLIKE * max(1.0, abs(fit.skew) / SOUND_SKEW)
    own_level = level_factor(of_main)
    if fit.misfit > SOUND_MISFIT and unlike:
        half = MISFIT_ERROR * fit.misfit
        words.append("the edges are like those of no lens: sharpened, filtered, or lit from a side")
    elif fit.skew > SOUND_SKEW:
        factor, half = by_edge, 0.25 * apart + sure + 0.02
        words.append(f"bright rims around the carbides: their light is left out, {100 * (by_edge - 1):+.0f} %")
    elif fit.skew < -SOUND_SKEW:
        factor, half = by_edge + 0.3 * max(by_edge - 1, 0), apart + sure + 0.03 + min(abs(fit.skew) / 2, 0.1)
        words.append(f"domed carbides or dark rims: area by the edges, {100 * (factor - 1):+.0f} %")
    elif fit.misfit > SOUND_MISFIT:
        half = MISFIT_ERROR * fit.misfit
        words.append("the edges are wider or narrower than one lens makes them")
    elif beside_lines:
        factor, half = by_edge, max(sure, 0.03)
        words.append("boundaries take light from the carbides they touch: area by the edges")
    elif own_level != 1:
        weight = 1 / np.square([LEVEL_ERROR, max(sure, 0.02)])
        factor = float(weight @ [own_level, by_edge] / weight.sum())
        half = float(1 / np.sqrt(weight.sum())) + abs(own_level - by_edge) / 2
        words.append(f"carbides differ in grey: by their own levels and by their edges, {100 * (factor - 1):+.1f} %")
    if texture.uneven > UNEVEN:
        if abs(fit.skew) > SOUND_SKEW and factor != 1:
            # Where the matrix itself is uneven, what looks like a rim may be carbide: both readings stay open.
            factor, half = 1.0, apart + half
        # A deep etch leaves rims too thin to be told from blur: chosen, from 10 % rims 1 px wide.
        half = float(np.hypot(half, ETCHED_EDGE_PX * fit.perimeter_px / area_px))
    shift = 0.0
    if texture.uneven < EVEN:
        shift = tone_shift_px(of_main, np.abs(find_edges(of_main).distance)) * fit.perimeter_px / area_px
    if shift:
        factor -= shift / 2
        half = float(np.hypot(half, abs(shift)))
        words.append(
            f"noise differs between carbide and matrix: a tone curve may change the area by {-100 * shift:+.1f} %"
        )
    left_out = float(np.count_nonzero(s.excluded)) / s.excluded.size
    half = float(np.hypot(half, PIT_ERROR * left_out)) if left_out > 0.02 else half
    return factor, half, words


def level_factor(s: Segmentation) -> float:
    """Factor on the area where resolved carbides differ in grey; 1 where they do not.

    Light over the class level is the area only where that level is the mean over the area; Σ area·level over Σ area of
    the resolved ones is.
    """
    edges = find_edges(s)
    level = carbide_levels(s, np.abs(edges.distance))[1:]
    of_class = np.array([c.contrast for c in s.classes])[s.class_index]
    resolved = level != of_class
    if resolved.sum() < FEW:
        return 1.0
    ratio, weight = (level / of_class)[resolved], s.outline_px[resolved]
    low, high = np.quantile(ratio, [0.16, 0.84])
    if (high - low) / 2 < GREY_SPREAD:
        return 1.0
    return float(weight.sum() / (weight @ ratio))


def _only(s: Segmentation, own: NDArray[np.bool_]) -> Segmentation:
    """Carbides `own` (n,) alone, numbered anew; the others' pixels are left out."""
    number = np.append(0, np.where(own, np.cumsum(own), 0)).astype(np.int32)
    others = (s.basins > 0) & (number[s.basins] == 0)
    return replace(
        s, labels=number[s.labels], basins=number[s.basins], class_index=s.class_index[own], flags=s.flags[own],
        excluded=s.excluded | others,
    )  # fmt: skip


def _left_out_px(s: Segmentation) -> int:
    """Pixels left out that cover the structure; pits and other small marks are part of the matrix."""
    count, _, stats, _ = cv2.connectedComponentsWithStats(s.excluded.view(np.uint8))
    size = stats[1:, cv2.CC_STAT_AREA]
    filled = size / np.maximum(stats[1:, cv2.CC_STAT_WIDTH] * stats[1:, cv2.CC_STAT_HEIGHT], 1)
    small = (size < 400) | ((size < 0.02 * s.excluded.size) & (filled < 0.6))
    return int(size[~small].sum()) if count > 1 else 0


def _uncertainty(s: Segmentation, texture: Texture, area_px: float) -> float:
    """Return the standard uncertainty of the area fraction: noise and levels, matrix level at all scales, texture."""
    frame = max(1, s.analysed_px)
    known = area_fraction_uncertainty(s).of_all
    contrast = _contrast(s)
    level = (
        max(0.0, texture.level_uncertainty - 2 * s.matrix_uncertainty) * float(s.basin_sums[0].sum()) / contrast / frame
    )
    uneven = texture.hides / contrast * TEXTURE_ERROR * area_px / frame if texture.uneven > UNEVEN else 0.0
    return float(np.sqrt(known**2 + level**2 + uneven**2))
