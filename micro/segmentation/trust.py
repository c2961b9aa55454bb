"""Whether the grey levels of a field tell its carbides: counted as they are, corrected, read otherwise, or unknown."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from micro.segmentation.edge_doubt import MILD, PITTED, EdgeWords, by_edges
from micro.segmentation.levels import numbered
from micro.segmentation.matrix import Matrix, smoothed
from micro.segmentation.segmentation import UNNAMED, Segmentation, SegmentationSettings, Verdict
from micro.segmentation.texture import Texture, find_texture, line_like
from micro.segmentation.two_levels import two_levels
from micro.statistics.sampling import NORMAL_95

NONE_SEEN_PX = 18.0  # three of the smallest carbides, 6 px each (Poisson, 95 %)
UNEVEN = 2.0
# Of a class contrast: beyond it carbides are lost (simulated: tests/accuracy/etched_fields.py, lath 20 and 30 %).
HIDDEN = 0.85
FAINT = 0.2  # of the matrix level: nothing fainter is asked for where nothing was found (chosen)
FEW = 5
COARSE = 0.1  # level scatter of blocks of 32 px, of the contrast: the matrix has no one level
COARSE_ERROR = 3.0  # blocks of unlike grey hold carbides unevenly (simulated: blocks 10 and 20 %)
TEXTURE_ERROR = 0.06  # of the area, standard uncertainty, where texture hides up to the contrast itself
OTHER_SHARE = 0.5
MOST_APART = 0.4  # of outline and light: dark rims 2 px wide make a tenth (simulated)
LINES_ERROR = 2.0  # what is line-like alone is half of a net that has run into carbides (simulated)
SOME_LINES, FEW_LINES, MOST_LINES = 0.05, 0.2, 0.5

FloatArray = NDArray[np.float64]
Flags = NDArray[np.bool_]


def judge(
    grey: NDArray[np.float32], settings: SegmentationSettings, s: Segmentation, matrix: Matrix, marked: float
) -> Segmentation:
    """Return a segmented field with its verdict, less what is no carbide.

    Parameters
    ----------
    grey
        (rows, columns) grey levels as in the file.
    s
        As the outlines stand.
    matrix
        Its matrix.
    marked
        Share of the frame in marks on the other side of the matrix.
    """
    texture = find_texture(s, matrix.sensor_noise)
    pinned = settings.matrix_grey is not None and bool(settings.class_greys)
    reason = "" if pinned else hidden(s, texture)
    if reason:
        return _unoutlined(s, _unresolved(grey, settings, s, reason))
    if not s.count:
        return replace(s, verdict=_none(s, texture))
    return _found(s, texture, marked > PITTED)


def areas(s: Segmentation) -> FloatArray:
    """(n,) areas by integrated contrast, px²."""
    return s.basin_sums[1] / np.array([c.contrast for c in s.classes])[s.class_index]


def hidden(s: Segmentation, texture: Texture) -> str:
    """Why the texture of the matrix could hide a second phase; empty: it could not."""
    if texture.uneven <= UNEVEN:
        return ""
    contrast = _contrast(s)
    if s.count < FEW:
        if texture.hides < FAINT * abs(s.matrix_grey):
            return ""
        return f"the matrix is uneven: what differs from it by less than {texture.hides:.0f} grey levels is not seen"
    if texture.hides > HIDDEN * contrast:
        return f"the matrix is uneven by as much as carbides differ from it ({contrast:.0f} grey levels)"
    scatter = texture.level_scatter[2]
    if scatter > COARSE * contrast:
        return f"the matrix has no one level: it differs by {scatter:.0f} grey levels from block to block"
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
            words = f"{reason}; read as two levels of a fine two-phase etch: nothing is outlined or counted"
            return Verdict(instead=(found.value, found.low, found.high), reasons=(words,))
    return _unknown(_could_hide(s, settings), reason)


def _unknown(high: float, *reasons: str) -> Verdict:
    high = min(high, 1.0)
    said = (f"area fraction unknown, at most {100 * high:.3g} %: {reasons[0]}", *reasons[1:])
    return Verdict(instead=(np.nan, 0.0, high), reasons=said)


def _could_hide(s: Segmentation, settings: SegmentationSettings) -> float:
    """Upper bound of the area fraction: all that is not clearly on the other side of the matrix level."""
    smooth = smoothed(s.contrast)[~s.excluded]
    polarity = {"dark": (-1,), "bright": (1,)}.get(settings.carbides, (1, -1))
    return float(max(np.mean(sign * smooth > -s.smooth_noise) for sign in polarity)) if smooth.size else 1.0


def _none(s: Segmentation, texture: Texture) -> Verdict:
    """Nothing was found: light that nothing outlines may be lines or films too thin or too faint for an outline."""
    outside = abs(s.light_outside) / max(1, s.analysed_px)
    if outside <= 4 * texture.level_uncertainty:
        return Verdict()
    most = outside / max(FAINT * abs(s.matrix_grey), 1e-6)
    if most * s.analysed_px < NONE_SEEN_PX:
        return Verdict()
    side = "brighter" if s.light_outside > 0 else "darker"
    return _unknown(most, f"something {side} than the matrix is too thin or too faint for outlines")


def _found(s: Segmentation, texture: Texture, pitted: bool) -> Segmentation:
    """Tell carbides from lines and from spots of the other polarity, then ask the edges."""
    area, frame = areas(s), max(1, s.analysed_px)
    side = np.sign([c.contrast for c in s.classes])[s.class_index]
    thin = line_like(s)
    total = {k: float(area[side == k].sum()) for k in (1, -1)}
    plain = {k: float(area[(side == k) & ~thin].sum()) for k in (1, -1)}
    main = max(plain, key=lambda k: plain[k])
    other = side == -main
    if plain[main] < (1 - MOST_LINES) * total[main]:
        words = "most of what stands out lies in thin lines: films of carbide, or etched boundaries"
        return _unoutlined(s, _unknown((total[main] + total[-main]) / frame, words))
    outlined, light = float(s.outline_px[side == main].sum()), total[main]
    if abs(outlined - light) > MOST_APART * max(outlined, light):
        words = (
            f"outlines cover {100 * outlined / frame:.2g} % of the field, their integrated grey level "
            f"{100 * light / frame:.2g} %: lines too thin for the lens, or no one level"
        )
        return _unoutlined(s, _unknown((max(outlined, light) + total[-main]) / frame, words))
    lines = float(area[other & thin].sum())
    reasons, more = [], 0.0
    if lines > OTHER_SHARE * total[-main] > 0:
        reasons.append(
            f"lines on the other side of the matrix, {100 * total[-main] / frame:.2g} % of the field, are taken for "
            "grain boundaries and left out"
        )
        more = (total[-main] - lines) / frame
    elif 0 < total[-main] < OTHER_SHARE * total[main]:
        more = total[-main] / frame
        reasons.append(
            f"small spots on the other side of the matrix are taken for pits; as carbide they add {100 * more:.2g} % "
            "of the field"
        )
    kept = without(s, other) if reasons else s
    edges = EdgeWords()
    if plain[main] > (1 - FEW_LINES) * total[main]:
        edges = by_edges(without(s, other) if other.any() and not reasons else kept, texture, bool(reasons) or pitted)
    own_lines = 1 - plain[main] / total[main]
    if own_lines > SOME_LINES:
        reasons.append(
            f"{100 * own_lines:.2g} % of the area lies in thin lines: films of carbide, or etched boundaries; as "
            "boundaries they do not belong to it"
        )
        edges = replace(edges, half=float(np.hypot(edges.half, LINES_ERROR * own_lines)))
    doubt = float(np.hypot(edges.half, NORMAL_95 * _uneven(kept, texture)))
    return replace(kept, verdict=Verdict(edges.factor, doubt, more, None, edges.known, (*reasons, *edges.words)))


def _uneven(s: Segmentation, texture: Texture) -> float:
    """Return the standard uncertainty, share of the area, by the matrix level at all scales and by its texture."""
    contrast = _contrast(s)
    area = max(float(areas(s).sum()), 1e-9)
    beyond = COARSE_ERROR * max(0.0, texture.level_uncertainty - 2 * s.matrix_uncertainty)
    level = beyond * float(s.basin_sums[0].sum()) / contrast / area
    uneven = max(0.0, texture.hides / contrast - MILD) * TEXTURE_ERROR if texture.uneven > UNEVEN else 0.0
    return float(np.hypot(level, uneven))


def without(s: Segmentation, left: Flags) -> Segmentation:
    """Leave carbides `left` (n,) out, the others numbered anew: their place stays in the analysed area, level."""
    number = np.append(0, np.where(left, 0, np.cumsum(~left))).astype(np.int32)
    gone = np.append(False, left)[s.basins]
    used = np.bincount(s.class_index[~left], minlength=len(s.classes)) > 0
    classes = tuple(c for c, has in zip(s.classes, used, strict=True) if has)
    return replace(
        s,
        labels=number[s.labels],
        basins=number[s.basins],
        contrast=np.where(gone, np.float32(0), s.contrast),
        class_index=(np.cumsum(used) - 1)[s.class_index[~left]],
        classes=classes if any(not c.name.startswith(UNNAMED) for c in classes) else numbered(classes),
        flags=s.flags[~left],
    )


def _unoutlined(s: Segmentation, verdict: Verdict) -> Segmentation:
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
