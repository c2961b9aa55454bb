"""Whether the grey levels of a field tell its carbides: counted as they are, corrected, read otherwise, or unknown."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from micro.issues import Issue, bit, issue
from micro.segmentation.cut_off_matrix import on_cut_off_matrix
from micro.segmentation.doubtful import AT_LIMIT, LOWERED, UNEVEN, with_doubts
from micro.segmentation.edge_doubt import MILD, PITTED, TOLD, AreaByEdges, Beside, by_edges
from micro.segmentation.marks import MOST
from micro.segmentation.matrix import DARKEST, Matrix, smoothed
from micro.segmentation.rims_alone import rims_alone
from micro.segmentation.segmentation import Segmentation, SegmentationSettings, Verdict
from micro.segmentation.sides import (
    Sides,
    areas,
    black,
    faint_classes,
    faint_lines,
    soft_classes,
    sulphides,
    two_sides,
    unlike_round,
    unoutlined,
    without,
)
from micro.segmentation.sound_twin import beside_twin
from micro.segmentation.texture import Texture, find_texture
from micro.segmentation.two_levels import two_levels
from micro.statistics.sampling import NORMAL_95

# Of the pixels inside outlines, at the matrix's end of the scale (chosen: 0.6 to 0.8 where outlines are none, 0 to 0.02
# where a matrix is cut off and they are sound; simulated).
MATRIX_INSIDE = 0.05
MOST_BLACK, BLACK_GRID = 0.015, 64  # of the frame (chosen: the next fields of an eighth generator have 0.01)
NONE_SEEN_PX = 18.0  # three of the smallest carbides, 6 px each (Poisson, 95 %)
# Of a class contrast: beyond it carbides are lost (simulated: tests/accuracy/etched_fields.py, lath 20 and 30 %).
HIDDEN = 0.85
CRESTS = 0.6  # of a class contrast: 0.38 at lath 10 %, 0.8 at 20 % (simulated)
SURE_BY_WIDTH = 0.1  # half width: what outlines leave open at lath 20 % (simulated)
MANY = 40  # as high as crests, fewer are no evidence: 7 and 15 of 80 were found beside 30 % laths (simulated)
MOSTLY = 0.8  # of the area in carbides at the limit: beyond it the field is unknown (`micro.segmentation.doubtful`)
FAINT = 0.2  # of the matrix level: nothing fainter is asked for where nothing was found (chosen)
# Of the field: where no more was found it may be pores and sulphides beside carbides that are fainter (chosen: tool
# steels hold more carbide than that, and clean ones less of the others).
SLIGHT = 0.01
FEW = 5
SOME = 0.1  # of the outlines: fewer in a class off the scale are a dark corner alone (chosen)
COARSE = 0.1  # level scatter of blocks of 32 px, of the contrast: the matrix has no one level
COARSE_ERROR = 3.5  # blocks of unlike grey hold carbides unevenly (simulated: blocks 10 and 20 %, seeds 0 to 3 and 11)
TEXTURE_ERROR = 0.06  # of the area, standard uncertainty, where texture hides up to the contrast itself
OTHER_SHARE = 0.5
MOST_APART = 0.4  # of outline and light: dark rims 2 px wide make a tenth (simulated)
LINES_ERROR = 2.0  # what is line-like alone is half of a net that has run into carbides (simulated)
# Of the amount: then what tells the level of the carbides and the blur are the films themselves, whose width nobody
# knows (invented fields of films alone: 30 % too little to 91 % too much).
MOST_FILMS, FILMS_MAY_BE = 0.85, 2.0
# Of their own light: fields of films alone are read up to 30 % too low (the same).
LINES_MAY_BE = 1.43
# Of the area: light that boundaries give or take where carbides lie on them (simulated: 3 to 14 % at 10 px).
LINES_MEET = 0.15
SOME_LINES, FEW_LINES, MOST_LINES = 0.05, 0.2, 0.5


def judge(
    grey: NDArray[np.float32],
    settings: SegmentationSettings,
    s: Segmentation,
    matrix: Matrix,
    marked: float,
    by_width: Callable[[], Segmentation | None],
    islands: bool = False,
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
    by_width
        Reads the field otherwise: by what no crest of a strong texture is wide enough for; None where that tells none.
    islands
        Whether the matrix was told by islands of another grey in it: then they are no rims.
    """
    # A picture of one grey has nothing to set against its level, be that black.
    if not _pinned(settings) and (dark := _black_share(matrix)) > MOST_BLACK and np.ptp(grey):
        black = issue("matrix_black", most=_could_hide(s, settings.carbides), share=dark)
        return unoutlined(s, _beyond_the_end(grey, settings, s, black))
    if not _pinned(settings) and s.matrix_in_outlines > MATRIX_INSIDE:
        cut_off = issue("matrix_cut_off", most=_could_hide(s, settings.carbides), share=s.matrix_clipped_share)
        return unoutlined(s, _beyond_the_end(grey, settings, s, cut_off))
    texture = find_texture(s, matrix.sensor_noise, grey)
    beside = partial(beside_twin, matrix=matrix, settings=settings)
    told, reason = (None, None) if _pinned(settings) else _beside_crests(grey, settings, s, texture, by_width)
    if told is not None:
        return told
    if reason:
        return unoutlined(s, _unresolved(grey, settings, s, reason))
    if s.film_share > MOST_FILMS and settings.blur_px is None:
        return unoutlined(s, _unknown(_films_alone(s)))
    if not s.count:
        return s.with_verdict(_none(s, texture, marked))
    if not (islands or _named(settings)) and (rims := rims_alone(s)) is not None:
        return unoutlined(s, rims)
    faint = np.zeros(s.count, bool) if _named(settings) else faint_lines(s)
    if faint.any():
        return _without_faint(s, faint, texture, settings, beside)
    return _judged(s, texture, settings, marked > PITTED, beside)


def _black_share(matrix: Matrix) -> float:
    """Share of the frame where the fitted level of the matrix falls to black, and contrast cannot be set against it."""
    places = (np.arange(BLACK_GRID) + 0.5) / BLACK_GRID
    return float(np.mean(matrix.surface.at(places, places) <= DARKEST * matrix.surface.mean()))


def _pinned(settings: SegmentationSettings) -> bool:
    """Whether the user knows the levels of matrix and carbides."""
    return settings.matrix_grey is not None and bool(settings.class_greys)


def _named(settings: SegmentationSettings) -> bool:
    """Whether the user says what the features are: then a class or a line is no boundary for being faint."""
    return bool(settings.class_greys or settings.class_names or settings.films)


def _all_named(s: Segmentation, settings: SegmentationSettings) -> bool:
    """Whether the user names, or pins, as many classes as were found, on the two sides of the matrix."""
    return len(settings.class_names) >= len(s.classes) > 1


def _judged(
    s: Segmentation, texture: Texture, settings: SegmentationSettings, disturbed: bool, beside: Beside
) -> Segmentation:
    """Judge what is outlined; `disturbed`: pits or boundaries may touch it."""
    sides = two_sides(s, _named(settings))
    at_limit, blurred = (0.0, 0.0) if _pinned(settings) else _at_limit(s, texture)
    if not _pinned(settings):
        s = with_doubts(s, texture)
    reason = _no_outlines(sides, max(1, s.analysed_px))
    if not reason and at_limit > MOSTLY * sides.area:
        reason = issue("at_limit", most=_could_hide(s, settings.carbides))
    if reason:
        return unoutlined(s, _unknown(reason))
    found = _found(s, sides, texture, disturbed, beside, settings)
    if not _named(settings):
        found = _open_to_none(found)
    if blurred < TOLD * sides.area:
        return found
    more = blurred / max(1, s.analysed_px)
    said = (*found.verdict.said, issue("small_hidden", share=more, half_width=blurred / sides.area))
    return found.with_verdict(replace(found.verdict, more=found.verdict.more + more, said=said))


def _at_limit(s: Segmentation, texture: Texture) -> tuple[float, float]:
    """Area, px², of carbides that only just stand out of an uneven matrix, and of those that blur lowered so far."""
    if texture.uneven <= UNEVEN:
        return 0.0, 0.0
    light, at_limit = areas(s), s.highest < AT_LIMIT * texture.hides
    lowered = s.highest < LOWERED * np.abs(s.class_contrast)
    return float(light[at_limit].sum()), float(light[at_limit & lowered].sum())


def _without_faint(
    s: Segmentation,
    faint: NDArray[np.bool_],
    texture: Texture,
    settings: SegmentationSettings,
    beside: Beside,
) -> Segmentation:
    """Leave faint lines out; as a class of carbide of their own they come on top."""
    more = float(areas(s)[faint].sum()) / max(1, s.analysed_px)
    found = _judged(without(s, faint), texture, settings, disturbed=True, beside=beside)
    if found.verdict.instead is not None:
        return found.with_verdict(found.verdict.raised(LINES_MAY_BE * more))
    doubt = float(np.hypot(found.verdict.doubt, LINES_MEET))
    size = more * max(1, s.analysed_px) / max(float(areas(found).sum()), 1e-9)
    said = (issue("faint_lines_left_out", share=more, half_width=size), *found.verdict.said)
    return found.with_verdict(replace(found.verdict, doubt=doubt, more=found.verdict.more + more, said=said))


def _beside_crests(
    grey: NDArray[np.float32],
    settings: SegmentationSettings,
    s: Segmentation,
    texture: Texture,
    by_width: Callable[[], Segmentation | None],
) -> tuple[Segmentation | None, Issue | None]:
    """Ask the width where crests of the matrix come near the carbides; else say why the field is unknown, if it is."""
    reason = hidden(s, texture, settings.carbides) or _off_scale(grey, s, texture, settings.carbides)
    if not (reason or _strong(s, texture)):
        return None, None
    told = by_width()
    if told is None and s.count < MANY:
        return None, reason or _hidden_by_texture(s, settings.carbides)
    if told is not None and (reason or _sure(told) or _differ(s, told)):
        return told, None
    return None, reason


def hidden(s: Segmentation, texture: Texture, carbides: str) -> Issue | None:
    """Why texture of the matrix, or noise where nothing was found, could hide a second phase; None: it could not."""
    if texture.uneven <= UNEVEN and s.count:
        return None
    contrast = _contrast(s)
    few = s.count < FEW or areas(s).sum() < SLIGHT * s.analysed_px
    if few and texture.hides > FAINT * abs(s.matrix_grey):
        return issue("hidden_faint", most=_could_hide(s, carbides), least_contrast=texture.hides)
    if s.count < FEW:
        return None
    if texture.hides > HIDDEN * contrast:
        return _hidden_by_texture(s, carbides)
    scatter = texture.level_scatter[2]
    if scatter > COARSE * contrast:
        return issue("no_matrix_level", most=_could_hide(s, carbides), scatter=scatter)
    return None


def _hidden_by_texture(s: Segmentation, carbides: str) -> Issue:
    return issue("hidden_by_texture", most=_could_hide(s, carbides), contrast=_contrast(s))


def _sure(told: Segmentation) -> bool:
    """Whether width leaves less open than outlines do beside crests that do not hide carbides."""
    unfound = told.verdict.more * told.analysed_px / max(float(told.contrast_area_px.sum()), 1e-9)
    return told.verdict.doubt + unfound < SURE_BY_WIDTH


def _differ(s: Segmentation, told: Segmentation) -> bool:
    """Whether few were found at first, and not what width tells."""
    if s.count >= MANY:
        return False
    first, then = float(areas(s).sum()), float(told.contrast_area_px.sum())
    return abs(first - then) > told.verdict.doubt * then


def _off_scale(grey: NDArray[np.float32], s: Segmentation, texture: Texture, carbides: str) -> Issue | None:
    """Why the light over an uneven field is none: a class differs from the matrix by more than any two pixels do."""
    held = np.bincount(s.class_index, minlength=len(s.classes)) >= max(FEW, SOME * s.count)
    strongest = max((abs(c.contrast) for c, enough in zip(s.classes, held, strict=True) if enough), default=0.0)
    if texture.uneven <= UNEVEN or strongest < float(np.ptp(grey)):
        return None
    return issue("no_matrix_level", most=_could_hide(s, carbides), scatter=texture.level_scatter[2])


def _strong(s: Segmentation, texture: Texture) -> bool:
    """Whether crests of the matrix come near the carbides, so that outlines take them in."""
    return texture.uneven > UNEVEN and s.count >= FEW and texture.hides > CRESTS * _contrast(s)


def _contrast(s: Segmentation) -> float:
    """Contrast of the classes, weighted by their area; 0 without any."""
    if not s.count:
        return 0.0
    each = np.abs(s.class_contrast)
    return float(np.average(each, weights=np.maximum(areas(s), 1e-9)))


def _beyond_the_end(
    grey: NDArray[np.float32], settings: SegmentationSettings, s: Segmentation, reason: Issue
) -> Verdict:
    """Area on a matrix that is cut off, where most of the picture is and the user says which is carbide."""
    found = None
    if settings.carbides != "auto":
        found = on_cut_off_matrix(grey, s.excluded, 1 if settings.carbides == "bright" else -1)
    if found is None:
        return _unresolved(grey, settings, s, reason)
    return Verdict(instead=found, said=(issue("beyond_the_end", low=found[1], high=found[2]),))


def _unresolved(grey: NDArray[np.float32], settings: SegmentationSettings, s: Segmentation, reason: Issue) -> Verdict:
    """Two levels of a fine two-phase etch, where the picture shows them and the user says which is carbide."""
    if settings.carbides != "auto":
        found = two_levels(grey, s.excluded, 1 if settings.carbides == "bright" else -1)
        if found.apart:
            ends = (found.value, found.low, found.high)
            return Verdict(instead=ends, said=(issue("two_levels", low=found.low, high=found.high),))
    return _unknown(reason)


def _unknown(reason: Issue) -> Verdict:
    return Verdict(instead=(np.nan, 0.0, float(reason.values["most"])), said=(reason,))


def _could_hide(s: Segmentation, carbides: str) -> float:
    """Upper bound of the area fraction: all that is not clearly on the other side of the matrix level."""
    smooth = smoothed(s.contrast)[~s.excluded]
    polarity = {"dark": (-1,), "bright": (1,)}.get(carbides, (1, -1))
    return float(max(np.mean(sign * smooth >= -s.smooth_noise) for sign in polarity)) if smooth.size else 1.0


def _none(s: Segmentation, texture: Texture, marked: float) -> Verdict:
    """Nothing was found: light that nothing outlines may be lines or films too thin or too faint for an outline.

    Where much is `marked` on the other side, what was taken for the matrix may be the carbide.
    """
    outside = abs(s.light_outside) / max(1, s.analysed_px)
    if outside <= 4 * texture.level_uncertainty:
        return Verdict()
    most = 1.0 if marked > MOST else min(1.0, outside / max(FAINT * abs(s.matrix_grey), 1e-6))
    if most * s.analysed_px < NONE_SEEN_PX:
        return Verdict()
    return _unknown(issue("faint_alone", most=most, side="brighter" if s.light_outside > 0 else "darker"))


def _films_alone(s: Segmentation) -> Issue:
    """Films without carbides beside them: bounds of their area."""
    area = s.films.area_px if s.films is not None else 0.0
    most = FILMS_MAY_BE * (area + float(areas(s).sum())) / max(1, s.analysed_px)
    return issue("films_alone", most=min(1.0, most))


def _no_outlines(sides: Sides, frame: int) -> Issue | None:
    """Why what was outlined is no carbide for sure; None where it is."""
    if sides.line_share > MOST_LINES:
        most = min(1.0, LINES_MAY_BE * (sides.area + sides.other_area) / frame)
        return issue("lines_alone", most=most, share=sides.line_share)
    largest = max(sides.outlined, sides.area)
    if abs(sides.outlined - sides.area) > MOST_APART * largest:
        most = min(1.0, (largest + sides.other_area) / frame)
        return issue(
            "outlines_without_light",
            most=most,
            by_outline=sides.outlined / frame,
            by_contrast=max(sides.area, 0) / frame,
        )
    return None


def _found(
    s: Segmentation,
    sides: Sides,
    texture: Texture,
    disturbed: bool,
    beside: Beside,
    settings: SegmentationSettings,
) -> Segmentation:
    """Leave lines and spots on the other side of the matrix out, then ask the edges."""
    more, said = _other_side(sides, max(1, s.analysed_px), _all_named(s, settings))
    kept = without(s, sides.is_other) if said else s
    edges = AreaByEdges()
    if sides.line_share < FEW_LINES and s.film_share < FEW_LINES:
        aside = (kept.flags & np.uint32(bit("on_film")) > 0) | (sides.is_other if kept is s else False)
        of_main = without(kept, aside) if aside.any() else kept
        edges = by_edges(of_main, texture, bool(said) or disturbed, beside)
    by_lines = 0.0
    if sides.line_share > SOME_LINES:
        by_lines = LINES_ERROR * sides.line_share
        said = (*said, issue("lines_measured", share=sides.line_share, half_width=by_lines))
    if sides.other_lines > sides.area:
        by_lines = float(np.hypot(by_lines, LINES_MEET))
    doubt = float(np.hypot(np.hypot(edges.half, by_lines), NORMAL_95 * _uneven(kept, texture)))
    said = tuple(one for one in (*said, *edges.said) if one.half_width is None or one.half_width >= TOLD)
    verdict = Verdict(edges.factor, doubt, more, None, edges.known, said, edges.profile, lens=edges.lens)
    return kept.with_verdict(verdict)


def _open_to_none(s: Segmentation) -> Segmentation:
    """Return it with an interval that holds the area without what may be no carbide.

    Holes, faint and soft classes, sulphides.
    """
    area = s.contrast_area_px
    faint, soft = faint_classes(s), soft_classes(s)
    whole = max(float(area.sum()), 1e-9)
    names = " and ".join(c.name for c, is_faint in zip(s.classes, faint, strict=True) if is_faint)
    less, said, doubtful = s.verdict.less, s.verdict.said, np.zeros(s.count, bool)
    for kind, which, values in (
        ("fallen_out", black(s), {}),
        ("soft_class", (soft & ~faint)[s.class_index], {}),
        ("faint_class", faint[s.class_index], {"faint": names}),
        ("unlike_round", unlike_round(s), {}),
    ):
        which = which & ~doubtful
        share = float(area[which].sum()) / whole
        if share >= TOLD:
            less += share * whole / max(1, s.analysed_px)
            said = (*said, issue(kind, **values, half_width=share))
            doubtful |= which
    share = sulphides(s) / whole
    if share >= TOLD:
        less += share * whole / max(1, s.analysed_px)
        said = (*said, issue("sulphides", half_width=share))
    if doubtful.any():
        s = s.with_flags(s.flags | np.where(doubtful, bit("doubtful"), 0).astype(np.uint32))
    return s.with_verdict(replace(s.verdict, less=less, said=said)) if said != s.verdict.said else s


def _other_side(sides: Sides, frame: int, named: bool) -> tuple[float, tuple[Issue, ...]]:
    """Area fraction that may come on top, and what is left out: boundaries or pits; nothing where it is a class.

    What is `named` is no pit, and it may be few.
    """
    size = sides.other_area / max(sides.area, 1e-9)
    if sides.other_lines > OTHER_SHARE * sides.other_area > 0:
        said = issue("boundaries_left_out", share=sides.other_area / frame, half_width=size)
        return (sides.other_area - sides.other_lines) / frame, (said,)
    if 0 < sides.other_area < OTHER_SHARE * sides.area and not named:
        more = sides.other_area / frame
        return more, (issue("pits_left_out", share=more, half_width=size),)
    return 0.0, ()


def _uneven(s: Segmentation, texture: Texture) -> float:
    """Return the standard uncertainty, share of the area, by the matrix level at all scales and by its texture."""
    contrast = _contrast(s)
    area = max(float(areas(s).sum()), 1e-9)
    beyond = COARSE_ERROR * max(0.0, texture.level_uncertainty - 2 * s.matrix_uncertainty)
    level = beyond * float(s.basin_sums[0].sum()) / contrast / area
    uneven = max(0.0, texture.hides / contrast - MILD) * TEXTURE_ERROR if texture.uneven > UNEVEN else 0.0
    return float(np.hypot(level, uneven))
