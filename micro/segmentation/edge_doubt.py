"""What the edges say of the area by light: a factor, how far it may be off, and why."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from micro.issues import Issue, issue
from micro.segmentation.bright_edges import Crest, crest
from micro.segmentation.edge_models import SOUND_EDGES, RimLight, rim_light
from micro.segmentation.edge_profile import EdgeShape, deep_ratio, edge_shape, light_beside, middle, outline_per_area
from micro.segmentation.lens_tails import Tails, lens_tails
from micro.segmentation.matrix import ADDED_SPREAD_PX
from micro.segmentation.segmentation import EdgeProfile, Segmentation
from micro.segmentation.sound_twin import quiet_inside
from micro.segmentation.texture import SIDES, Texture
from micro.segmentation.tone import tone_shift_px
from micro.statistics.sampling import NORMAL_95

Beside = Callable[[Segmentation, EdgeShape], EdgeShape | None]
FEW = 5
UNEVEN = 2.0
CLIPPED = 0.1  # of the pixels of carbides or matrix: beyond it one end of the edges is made up (chosen)
# Of white noise the share that differs from pixel to pixel is 1; a median filter or JPEG leaves half (simulated).
WHITE = 0.9
# A deep etch leaves rims too thin to be told from blur, bright or dark: chosen, up to those of 10 %, 1 px wide. Nothing
# tells which: between these ends all are as likely (standard uncertainty over the root of three).
ETCHED_EDGE_PX = 0.1
# Of the carbides' contrast, what the matrix hides: 0.04 to 0.09 where filtered, 0.25 in mild texture, 0.38 at lath 10 %
# (simulated).
PROCESSED, MILD, STRONG = 0.15, 0.27, 0.37
# Skew and kurtosis of sound edges scatter by that in filtered and compressed pictures (33 fields of a fifth generator).
BY_FILTER = (0.06, 0.38)
PROCESSED_PX = 0.25  # a median filter of 5 × 5 takes as much from carbides of 10 px (simulated)
# Filters that take light hand grey levels on: under a median of 3 × 3 0.26 of the pixels repeat their neighbour, more
# where noise is of few levels. Where fewer do, the light is kept, and thin rims alone are left open: of 211 such fields
# of a fifth and a sixth generator 4 lay outside.
REPEATS = 0.2
# Fields of two generators (tests/accuracy/etched_fields.py): sharpened edges have a kurtosis below -1 and a skew above
# 0; dark rims and domes of 3 px one below -0.7 and a skew below -0.05; holes a skew below -0.2, a kurtosis above 0.
SHARPENED, SHARPENED_ERROR = -1.0, 0.15
# Texture alone makes a kurtosis of -1.4 (fields of two classes; laths under a disc-like lens).
SHARPENED_IN_TEXTURE = -2.0
# Dark rims of 40 %, 1 to 2 px wide, hidden by the blur of small carbides, look so too: px of outline (a fourth one).
SHARPENED_PX = 0.5
DARK, DARK_SKEW, DARK_PX = -0.7, -0.05, 0.4
HOLES_SKEW, HOLES_KURTOSIS, HOLES_ERROR = -0.2, 0.2, 0.03
COARSE_PX = 32  # blocks wider than basins (chosen)
STRANGE = 16.0  # least misfit of all models, 4 standard deviations
STRANGE_ERROR = 0.08
SURELY_SOUND = 0.96
"""Of 24 sound fields 23 are as surely sound: then nothing is widened."""
# How far the models may be off (the fields of two generators lie within it): a share of what they change, more by the
# square where carbides have more than MODEL_LENGTH px of outline a px² of area: rims fill what lies between.
MODEL_ERROR, MODEL_LENGTH = 0.25, 0.36
# Below that blur, px, wholly 0.2 px further down: clean fields whose lens was drawn on the pixels themselves
# are read up to so far off (blur 0.5 to 0.85 px, carbides of 6 to 16 px; tests/etch/test_edges.py).
SHARP_BLUR, SHARP_RANGE, SHARP_PX = 0.95, 0.2, 0.08
# There a dark rim is told all the same: of sharp lenses with a skew below 0 none has a kurtosis below 0 (the same
# fields), dark rims of 30 % and 1 px have one of -0.7 and a skew below -0.15 (fields of two generators).
NO_SHARP_LENS, NO_SHARP_LENS_SKEW = -0.5, -0.1
# Light lies to one side of the outlines by 0.15 px in relief of 20 % lit from there, 0.3 px at 40 %; in fields without
# relief by 0.03 px, in lath texture 0.06 px (fields of two generators). What such edges show may be no dome: relief
# alone leaves a chance of sound edges of 0.6 and more (one field in six, of 40 %, 0.02), with domes or dark rims 0 to
# 0.01 (tests/etch/other_generator.py).
LIT_PX, LIT_ERROR = 0.08, 0.03
UNRESOLVED = 0.5
# Rims of 30 % and 1 px skew the edge of carbides of 8 to 12 px by 0.02 to 0.05 (simulated): twice as unsure edges tell
# nothing.
UNTOLD = 0.01
# Px of outline times the contrast: where edges cannot tell them, rims of 20 % that are 1 px wide are left open. Of 52
# fields of a fifth generator whose edges were known to no better than 0.03, or told nothing, one in three with rims,
# domes or a second class, 21 missed the truth without.
UNSEEN_PX = 0.2
# Skew and kurtosis of sound edges under a round pupil, and how far they may be off: 0.04 to 0.065 and 0.55 to 0.7
# (discs of 9 to 20 px, simulated; rims of 20 % and 2 px have a skew of 0.14, domes of 2 px of -0.06 to -0.02; the
# kurtosis goes with how much of the pupil is dark: chosen). What rims of 30 % leave open then, over UNSEEN_PX.
SKEW_BY_TAILS, KURTOSIS_BY_TAILS, UNSEEN_BESIDE_TAILS = (0.055, 0.015), (0.6, 0.4), 1.5
SURELY_DARK = 0.05  # chance of sound edges below which dark rims are told in texture (chosen)
GREY_SPREAD, LEVEL_ERROR, EDGE_ERROR = 0.08, 0.05, 0.02
PITTED, BESIDE_ERROR = 0.01, 0.03
HIGHEST = 0.4  # of crests, in shares of the contrast: beyond those of the fields they were tried on (0.32)
TOLD = 0.01  # of the area: what leaves less of it open is not said (chosen)


@dataclass(frozen=True)
class AreaByEdges:
    """Factor on the area, half width of its 95 % interval as a share, why; `known`: whether the edges were measured.

    `profile`: what they look like; `lens`: whether light beside the carbides is that of a lens with tails.
    """

    factor: float = 1.0
    half: float = 0.0
    said: tuple[Issue, ...] = ()
    known: bool = False
    profile: EdgeProfile | None = None
    lens: bool = False


def by_edges(s: Segmentation, texture: Texture, disturbed: bool, beside: Beside) -> AreaByEdges:
    """Ask the edges of a field.

    Parameters
    ----------
    disturbed
        Whether pits or boundaries touch the carbides and take of their light.
    beside
        From a field, quiet inside, and its mean edge to that edge less what its uneven matrix makes of sound ones;
        None where that is not told.
    """
    whole = max(s.clipped_share, s.matrix_clipped_share) < CLIPPED
    # Relief that is lit from one side lacks light on the other, as tails do.
    tails = lens_tails(s) if s.count and whole and light_beside(middle(s)) <= LIT_PX else None
    textured = s.count > 0 and _is_uneven(texture) and _hides(s, texture) >= PROCESSED
    if textured:
        s = quiet_inside(s, texture.white * s.noise)
    # What blur hides the shape of has no edge to ask.
    resolved = s.contrast_area_px[~s.small].sum() > UNRESOLVED * s.contrast_area_px.sum()
    shape = edge_shape(s) if s.count and resolved and whole else None
    if shape is not None and tails is not None:
        shape = _without_tails(shape)
    if textured:
        found = _in_texture(s, texture, shape, beside)
    elif shape is not None:
        found = _by_shape(s, shape, texture, disturbed, tails is not None)
    elif s.count and _is_uneven(texture):
        found = _filtered(s, texture, outline_per_area(middle(s)), None)
    elif s.count < FEW:
        found = AreaByEdges()
    else:
        found = _unseen("rims_unseen", outline_per_area(middle(s)), AreaByEdges())
    bright = crest(s) if s.count else None
    if bright is not None:
        found = _with_crest(s, found, bright)
    elif tails is not None:
        found = _with_tails(tails, found)
    return replace(found, profile=shape.profile if shape else None)


def _without_tails(shape: EdgeShape) -> EdgeShape:
    """Return the edge less what the tails of a lens make of sound ones."""
    less_sure = _less_sure(shape, SKEW_BY_TAILS[1], KURTOSIS_BY_TAILS[1])
    return replace(less_sure, skew=shape.skew - SKEW_BY_TAILS[0], kurtosis=shape.kurtosis - KURTOSIS_BY_TAILS[0])


def _with_tails(tails: Tails, found: AreaByEdges) -> AreaByEdges:
    """Return what was found, put right for what the tails of the lens change."""
    half = float(np.hypot(found.half, tails.half / tails.factor))
    said = (*found.said, issue("lens_tails", change=tails.factor - 1, half_width=tails.half))
    return replace(found, factor=found.factor * tails.factor, half=half, said=said, lens=True)


def _with_crest(s: Segmentation, found: AreaByEdges, bright: Crest) -> AreaByEdges:
    """Return the middle between the edges by their crests and what was found; the interval holds both.

    Where relief may look so, or no level is seen between the crests, what was found stays.
    """
    seen = bright.height <= HIGHEST and light_beside(middle(s)) <= LIT_PX
    factor = (bright.factor + found.factor) / 2 if seen else found.factor
    open_ = max(bright.half, found.half) if seen else found.half
    half = float(np.hypot(open_, bright.factor - factor))
    half /= factor
    said = issue("bright_edges", height=bright.height, change=factor - 1, half_width=half)
    return AreaByEdges(factor, half, (said,), found.known)


def _unseen(kind: str, per_area: float, found: AreaByEdges, share: float = 1.0) -> AreaByEdges:
    """Leave open that share of what thin rims would do on top of what was found, where edges tell none."""
    half = UNSEEN_PX * share * per_area
    said = (*found.said, issue(kind, half_width=half))
    return replace(found, half=float(np.hypot(found.half, half)), said=said)


def _hides(s: Segmentation, texture: Texture) -> float:
    """Share of the carbides' contrast below which the texture of the matrix hides everything."""
    return texture.hides / _mean_contrast(s)


def _mean_contrast(s: Segmentation) -> float:
    return float(np.abs(s.class_contrast).mean())


def _is_uneven(texture: Texture) -> bool:
    """Whether the matrix is no white noise: etched unevenly, filtered or compressed."""
    return texture.uneven > UNEVEN or texture.white < WHITE


def _by_shape(s: Segmentation, shape: EdgeShape, texture: Texture, disturbed: bool, tails: bool) -> AreaByEdges:
    """Choose what explains the edges: filters, nothing known, rims and domes, greys that differ, a tone curve."""
    per_area, told = shape.per_area, rim_light(shape, shape.even_noise)
    if _is_uneven(texture):
        sharpened = _sharpened(shape, told, SHARPENED_IN_TEXTURE)
        return sharpened or _dark_in_texture(shape, told) or _filtered(s, texture, per_area, shape)
    strange = _lit_from_one_side(shape, told) or _dark_or_sharpened(shape, told) or _broken(shape, told)
    strange = strange or _like_none(shape, told, s.blur_px or 1.0)
    if strange is not None:
        return strange
    found = _levels(s, shape, told, disturbed)
    if told.sound >= SURELY_SOUND and told.skew_error > UNTOLD:
        share = UNSEEN_BESIDE_TAILS if tails else min(told.skew_error / UNTOLD - 1, 1.0)
        found = _unseen("rims_untold", per_area, found, share)
    if any(one.kind in ("greys_differ", "light_taken") for one in found.said):
        return found
    return _tone(s, found, per_area, told.sound < 0.5)


def _lit_from_one_side(shape: EdgeShape, told: RimLight) -> AreaByEdges | None:
    if told.sound >= SURELY_SOUND or light_beside(shape.part) <= LIT_PX:
        return None
    factor, half = 1.0, abs(told.factor - 1)
    if told.sound < 0.5:
        # Something else shaped these edges too, and it may be all: the value lies half way to rims and domes.
        factor = (1 + told.factor) / 2
        half = max(told.high - factor, factor - told.low)
    half += LIT_ERROR
    # Not known: so lit, edges tell no rims for sure, and what outline and light disagree about stays open.
    return AreaByEdges(factor, half, (issue("lit_from_one_side", change=factor - 1, half_width=half),))


def _model_error(shape: EdgeShape, factor: float) -> float:
    """Half width that the models of rims and domes leave open, as a share of the area."""
    return MODEL_ERROR * max(1.0, shape.per_area / MODEL_LENGTH) ** 2 * abs(1 - factor)


def _held_back(factor: float, half: float, shape: EdgeShape, blur: float) -> tuple[float, float]:
    """Factor and half width where few pixels tell rims and domes from the point spread function of a sharp lens.

    Then both readings stay open, and the value is that without them.
    """
    if shape.kurtosis < NO_SHARP_LENS and shape.skew < NO_SHARP_LENS_SKEW:
        return factor, half
    share = float(np.clip((SHARP_BLUR - blur) / SHARP_RANGE, 0, 1))
    left = share * (factor - 1)
    return factor - left, half + abs(left) + share * SHARP_PX * shape.per_area


def _sharpened(shape: EdgeShape, told: RimLight, kurtosis: float = SHARPENED) -> AreaByEdges | None:
    """Edges with less tail than any lens leaves; None where they are not."""
    if shape.kurtosis >= kurtosis or told.skew <= -DARK_SKEW:
        return None
    half = max(SHARPENED_ERROR, SHARPENED_PX * shape.per_area)
    return AreaByEdges(1.0, half, (issue("no_lens", half_width=half),), True)


def _dark_or_sharpened(shape: EdgeShape, told: RimLight) -> AreaByEdges | None:
    """Edges with too little tail for a lens, sharpened or beside rims darker than all models; None: they are not."""
    sharpened = _sharpened(shape, told)
    if sharpened is not None:
        return sharpened
    if shape.kurtosis < DARK and told.skew < DARK_SKEW and told.misfit > STRANGE / 2:
        half = DARK_PX * shape.per_area
        return AreaByEdges(1 + half, half, (issue("dark_edges", change=half, half_width=half),), True)
    return None


def _broken(shape: EdgeShape, told: RimLight) -> AreaByEdges | None:
    """Carbides with holes; None where they have none."""
    if told.sound >= SURELY_SOUND or told.skew >= HOLES_SKEW or shape.kurtosis <= HOLES_KURTOSIS * told.skew:
        return None
    # Domes and greys that differ lean inwards as holes do: what they would change stays open.
    half = max(told.high - 1, 1 - told.low) + HOLES_ERROR
    return AreaByEdges(1.0, half, (issue("broken_carbides", half_width=half),), True)


def _like_none(shape: EdgeShape, told: RimLight, blur: float) -> AreaByEdges | None:
    """Edges that are like none of the models; None where one fits."""
    if told.misfit <= STRANGE:
        return None
    half = 2 * _model_error(shape, told.factor) + STRANGE_ERROR
    factor, half = _held_back(told.factor, half, shape, blur)
    return AreaByEdges(factor, half, (issue("no_lens_no_rim", half_width=half),), True)


def _dark_in_texture(shape: EdgeShape, told: RimLight) -> AreaByEdges | None:
    """Rims that darken the matrix beside carbides; None where it is not plain that there are any.

    An uneven matrix alone never showed edges with so little tail that lean inwards so much (a fourth generator: laths
    of 4 and 10 %, compression, filters).
    """
    plain = shape.kurtosis < NO_SHARP_LENS and shape.skew < NO_SHARP_LENS_SKEW
    if not plain or told.factor < 1 or told.sound > SURELY_DARK:
        return None
    half = max(told.high - told.factor, told.factor - told.low) + 2 * _model_error(shape, told.factor)
    said = issue("domed", change=told.factor - 1, half_width=half)
    return AreaByEdges(told.factor, half, (said,))  # what outline and light disagree about stays open in texture


def _gathered_px(s: Segmentation, texture: Texture, contrast: float) -> float:
    """Return the light, px of outline in units of `contrast`, that basins gather from texture.

    Texture t moves an outline by t over the slope of the edge, contrast/(√(2π)·spread), and with it the border of the
    basin, which gains that times t: t²/slope in the mean, be t bright or dark (derived, first order; t alike at outline
    and border). Lath texture of 10 and 20 % adds 0.9 to 1.2 times as much (fields of two generators, 10 and 16 px).
    What is alike over COARSE_PX moves the level of whole basins, which is asked elsewhere: it is left out. Where basins
    meet, what one gains the other loses: only their free borders count.
    """
    spread = float(np.hypot(s.blur_px or 1.0, ADDED_SPREAD_PX))
    variance = s.smooth_noise**2 * (1 - 1 / max(texture.uneven, 1.0) ** 2)
    variance -= float(np.nan_to_num(texture.level_scatter[SIDES.index(COARSE_PX)])) ** 2
    return float(np.sqrt(2 * np.pi) * spread * max(variance, 0.0) / contrast**2) * _free_share(s.basins)


def _free_share(basins: NDArray[np.int32]) -> float:
    """Share of the borders of all basins (rows, columns) at which no other basin lies."""
    free, met = 0, 0
    for here, there in ((basins[1:], basins[:-1]), (basins[:, 1:], basins[:, :-1])):
        borders = int(np.count_nonzero(here != there))
        outer = int(np.count_nonzero((here == 0) != (there == 0)))
        free, met = free + outer, met + 2 * (borders - outer)
    return free / max(free + met, 1)


def _filtered(s: Segmentation, texture: Texture, per_area: float, shape: EdgeShape | None) -> AreaByEdges:
    """Rims and domes as far as edges tell them that a filter or compression changed."""
    by_filter = (PROCESSED_PX if texture.repeats > REPEATS else UNSEEN_PX) * per_area
    if shape is None:
        half = PROCESSED_PX * per_area
        return AreaByEdges(1.0, half, (issue("filtered", half_width=half),))
    told = rim_light(_less_sure(shape, *BY_FILTER), by_lens_alone=False)
    half = float(np.hypot(by_filter, max(told.high - told.factor, told.factor - told.low)))
    factor, half = _held_back(told.factor, half, shape, s.blur_px or 1.0)
    return AreaByEdges(factor, half, (issue("filtered", half_width=half),))


def _less_sure(shape: EdgeShape, skew_error: float, kurtosis_error: float) -> EdgeShape:
    return replace(
        shape,
        skew_uncertainty=float(np.hypot(shape.skew_uncertainty, skew_error)),
        kurtosis_uncertainty=float(np.hypot(shape.kurtosis_uncertainty, kurtosis_error)),
    )


def _in_texture(s: Segmentation, texture: Texture, shape: EdgeShape | None, beside: Beside) -> AreaByEdges:
    """Rims and domes beyond what sound edges look like in that matrix; where nothing tells, thin ones stay open."""
    if shape is None:
        return _uneven(s, texture, outline_per_area(middle(s)), SOUND_EDGES)
    seen = beside(s, shape)
    if seen is None:
        told = rim_light(shape)
        sharpened = _sharpened(shape, told, SHARPENED_IN_TEXTURE)
        return sharpened or _dark_in_texture(shape, told) or _uneven(s, texture, shape.per_area, told)
    told = rim_light(seen, by_lens_alone=False)
    strange = _lit_from_one_side(seen, told) or _sharpened(seen, told) or _dark_in_texture(seen, told)
    strange = strange or _like_none(seen, told, s.blur_px or 1.0)
    if strange is not None:
        return replace(strange, known=False)
    found = _both(_uneven(s, texture, seen.per_area, None), told, seen)
    domed = told.sound < 0.5 and told.factor > 1
    return _tone(s, found, seen.per_area, True) if domed and tone_shift_px(s) > 0 else found


def _both(uneven: AreaByEdges, told: RimLight, shape: EdgeShape) -> AreaByEdges:
    """Join what texture and what rims and domes leave open."""
    half = max(told.high - told.factor, told.factor - told.low)
    if told.sound < 0.5:
        half = float(np.hypot(half, _model_error(shape, told.factor)))
    both = float(np.hypot(half, uneven.half))
    factor = uneven.factor * told.factor
    kind = "texture_at_edges" if told.sound >= 0.5 else "bright_rims" if told.factor < 1 else "domed"
    return AreaByEdges(factor, both, (issue(kind, change=factor - 1, half_width=both),))


def _uneven(s: Segmentation, texture: Texture, per_area: float, told: RimLight | None) -> AreaByEdges:
    """Return what texture makes of basins, and of edges where those are `told` as if there were none."""
    contrast = _mean_contrast(s)
    strong = float(np.clip((texture.hides / contrast - MILD) / (STRONG - MILD), 0, 1))
    # Below MILD it is less than half a percent, which is left alone.
    gathered = strong * _gathered_px(s, texture, contrast) * per_area
    if told is None:
        return AreaByEdges(1 - gathered, gathered)
    half = float(np.hypot(NORMAL_95 / np.sqrt(3) * ETCHED_EDGE_PX * per_area, (told.factor - 1) / 4))
    half = float(np.hypot(strong * half, gathered))  # what is derived for laths may be wrong for other textures
    said = issue("texture_at_edges", change=-gathered, half_width=half)
    return _unseen("rims_in_texture", per_area, AreaByEdges(1 - gathered, half, (said,)))


def _levels(s: Segmentation, shape: EdgeShape, told: RimLight, disturbed: bool) -> AreaByEdges:
    """Rims and domes; then grey that differs from carbide to carbide, and what takes light at the outlines."""
    factor, half = 1.0, 0.0
    said: tuple[Issue, ...] = ()
    if told.sound < SURELY_SOUND:
        factor, half = told.factor, max(told.high - told.factor, told.factor - told.low)
        if told.sound < 0.5:
            half = float(np.hypot(half, _model_error(shape, factor)))
        factor, half = _held_back(factor, half, shape, s.blur_px or 1.0)
        said = (issue("bright_rims" if factor < 1 else "domed", change=factor - 1, half_width=half),)
    own = level_factor(s)
    if own != 1:
        # Greys that differ shape the mean edge too: rims or domes may be there or not.
        edges = np.array([_area_over_light(s, shape, edge_px) for edge_px in (told.edge_px, 0.0)])
        edge, open_ = edges.mean(), abs(edges[0] - edges[1]) / 2
        weight = 1 / np.square([LEVEL_ERROR, np.hypot(EDGE_ERROR, open_)])
        factor = float(weight @ [own, edge] / weight.sum())
        apart = np.hypot(abs(own - edge) / 2, open_)
        half = float(np.hypot(half, np.hypot(apart, NORMAL_95 / np.sqrt(weight.sum()))))
        said = (issue("greys_differ", change=factor - 1, half_width=half),)
    elif disturbed:
        edge = _area_over_light(s, shape, told.edge_px)
        half = float(np.hypot(half, BESIDE_ERROR + abs(edge - factor) / 2))
        factor = edge
        said = (issue("light_taken", change=factor - 1, half_width=half),)
    return AreaByEdges(factor, half, said, True)


def _area_over_light(s: Segmentation, shape: EdgeShape, edge_px: float) -> float:
    """Area within the true edges, `edge_px` inside the outlines, over that by light, of the carbides asked."""
    light = float((shape.part.basin_sums[1] / s.class_contrast).sum())
    return (shape.area_px - edge_px * shape.outline_px) / max(light, 1e-9)


def _tone(s: Segmentation, found: AreaByEdges, per_area: float, told_apart: bool) -> AreaByEdges:
    """Noise that differs between carbide and matrix tells of a tone curve, or of noise that grows with the light.

    A strong curve looks like domes: where they are told, both readings stay open.
    """
    shift = tone_shift_px(s) * per_area
    if not shift:
        return found
    other = (found.factor - 1) / 2 if told_apart else 0.0
    half = float(np.hypot(found.half, abs(shift))) + abs(other)
    said = (*found.said, issue("tone_curve", half_width=half if told_apart else abs(shift)))
    return replace(found, factor=found.factor - other - shift / 2, half=half, said=said)


def level_factor(s: Segmentation) -> float:
    """Factor on the area where resolved carbides differ in grey; 1 where they do not.

    Light over the class level is the area only where that level is the mean over the area; Σ area·level over Σ area of
    the resolved ones is.
    """
    ratio, _ = deep_ratio(s)
    resolved = np.isfinite(ratio)
    if resolved.sum() < FEW:
        return 1.0
    ratio, weight = ratio[resolved], s.outline_px[resolved]
    low, high = np.quantile(ratio, [0.16, 0.84])
    return float(weight.sum() / (weight @ ratio)) if (high - low) / 2 >= GREY_SPREAD else 1.0
