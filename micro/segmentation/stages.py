"""From the grey levels of one field to its carbides: calls the stages in order."""

from __future__ import annotations

from dataclasses import replace
from functools import cache, partial
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from micro.issues import Issue, bit, issue
from micro.segmentation.edge_doubt import TOLD
from micro.segmentation.films import films_apart
from micro.segmentation.islands import matrix_elsewhere, open_to_either
from micro.segmentation.levels import FIRST_BLUR, Levels, find_levels, numbered
from micro.segmentation.marks import Marks, burnt_in, covering, other_polarity, scratches
from micro.segmentation.matrix import DEGREE, Matrix, Surface, find_level, first_surface, flatten, smoothed
from micro.segmentation.no_field import burnt_boxes, round_view
from micro.segmentation.outline import Outlines, outline
from micro.segmentation.patches import find_patches
from micro.segmentation.segmentation import Segmentation, SegmentationSettings
from micro.segmentation.textured import carbides_in_texture
from micro.segmentation.troubles import both_polarities, field_issues
from micro.segmentation.trust import judge

# Of the area: carbides that fell out leave holes of one grey too, of up to 0.2 (fields of two generators).
MUCH = 0.25


def unclipped(
    contrast: NDArray[np.float32], smooth: NDArray[np.float32], clipped: NDArray[np.bool_], levels: Levels
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Contrast and smoothed contrast, both (rows, columns), with the tops of the edges put back.

    Blur makes a straight edge a normal distribution function of the distance. Where the clipped part begins the
    height is that of full scale; from there on inwards it rises to the level of the brightest class, or falls to
    that of the darkest. Nothing changes where that level lies within the scale.
    """
    from scipy.special import ndtr, ndtri

    whole = contrast.copy()
    spread = np.hypot(levels.blur_px or FIRST_BLUR, np.sqrt(1 / 12))
    for sign in (1, -1):
        level = max((sign * c.contrast for c in levels.classes), default=0.0)
        at = clipped & (sign * contrast > 0) & (sign * contrast < level)
        if at.any():
            inwards = cv2.distanceTransform(clipped.astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_5)[at] - 0.5
            whole[at] = sign * level * ndtr(ndtri(sign * contrast[at] / level) + inwards / spread)
    return whole, smooth + smoothed(whole - contrast)


Picture = NDArray[np.float32]


def segment(
    grey: Picture,
    settings: SegmentationSettings | None = None,
    grey_max: float = 255.0,
    left_out: NDArray[np.bool_] | None = None,
) -> Segmentation:
    """Find the carbides of one field.

    Parameters
    ----------
    grey
        (rows, columns) float32, grey levels as in the file.
    settings
        What the user pinned; everything is found from the picture where None.
    grey_max
        Full scale of the sensor in the same levels.
    left_out
        (rows, columns) True on what the user leaves out.
    """
    settings = settings or SegmentationSettings()
    grey = np.ascontiguousarray(grey, np.float32)
    no_field, told = _no_field(grey, grey_max, left_out)
    grey = _filled(grey, no_field)
    found = _segmented(grey, settings, grey_max, no_field)
    elsewhere = matrix_elsewhere(found, settings)
    if elsewhere is not None:
        found = _with_matrix(grey, settings, grey_max, no_field, elsewhere)
        return found.with_issues((*told, issue("matrix_by_islands"), *found.issues))
    found = open_to_either(found, settings)
    both = both_polarities(found, no_field, settings, lambda other: _segmented(grey, other, grey_max, no_field))
    return found.with_issues((*told, *both, *found.issues))


def _no_field(
    grey: Picture, grey_max: float, left_out: NDArray[np.bool_] | None
) -> tuple[NDArray[np.bool_], list[Issue]]:
    """(rows, columns) True where the picture shows no field, or none that is to be measured; and what to say of it."""
    excluded = burnt_in(grey, grey_max) | burnt_boxes(grey, grey_max)
    surround = round_view(grey, grey_max)
    for more in (surround, left_out):
        if more is not None:
            excluded |= more
    told = (("round_view", surround), ("left_out_by_hand", left_out))
    said = [issue(kind, share=float(part.mean())) for kind, part in told if part is not None and part.any()]
    return excluded, said


def _with_matrix(
    grey: Picture, settings: SegmentationSettings, grey_max: float, no_field: NDArray[np.bool_], times: float
) -> Segmentation:
    """Segment with the search for the matrix begun at so many times the commonest level."""
    first = first_surface(grey, DEGREE)
    start = replace(first, coefficients=first.coefficients * times)
    side = "dark" if times > 1 else "bright"
    return _segmented(grey, replace(settings, carbides=side), grey_max, no_field, start)


def _segmented(
    grey: Picture,
    settings: SegmentationSettings,
    grey_max: float,
    no_field: NDArray[np.bool_],
    start: Surface | None = None,
) -> Segmentation:
    """Outline, again with patches of the matrix brought to its level where there are any, and judge."""
    clipped = (grey >= grey_max) | (grey <= 0)
    outlined = _outlined(grey, settings, clipped, no_field, start)
    # Islands in a matrix that was told by them are no patches of it.
    patches = find_patches(outlined[0], settings) if start is None else None
    if patches is None:
        return _judged(grey, settings, clipped, no_field, outlined, start is not None)
    matrix, contrast = outlined[1], outlined[0].contrast
    levelled = matrix.surface.evaluate() * (1 + patches.levelled(contrast) / np.float32(matrix.grey))
    # A picture holds no other greys than its own: what lies beyond them tells that the light was none.
    grey = np.where(patches.level == 0, grey, np.clip(levelled, grey.min(), grey.max()))
    again = _outlined(grey, settings, clipped, no_field, start)
    return patches.told(_judged(grey, settings, clipped, no_field, again))


def _outlined(
    grey: Picture,
    settings: SegmentationSettings,
    clipped: NDArray[np.bool_],
    no_field: NDArray[np.bool_],
    start: Surface | None = None,
) -> tuple[Segmentation, Matrix, Marks]:
    """Return the field as the outlines stand, its matrix, and the marks on the other side of that."""
    excluded = no_field.copy()
    matrix, contrast, smooth, noise = _flattened(grey, excluded, settings, start)
    excluded |= scratches(smooth, noise)
    _clear(excluded, contrast, smooth)
    levels = find_levels(contrast, smooth, noise, clipped, matrix, settings)
    if clipped.any():
        contrast, smooth = unclipped(contrast, smooth, clipped & ~excluded, levels)
    found = outline(contrast, smooth, noise, levels, settings)
    if not settings.class_names:
        levels, found = without_empty_classes(levels, found)
    class_contrast = [c.contrast for c in levels.classes]
    marks = other_polarity(smooth, found.labels, class_contrast, noise, levels.blur_px or FIRST_BLUR)
    _clear(marks.where, contrast, found.basins)
    excluded |= covering(marks.where)
    segmentation = Segmentation(
        labels=found.labels,
        basins=found.basins,
        contrast=contrast,
        classes=levels.classes,
        class_index=found.class_index,
        flags=_carbide_flags(found, clipped),
        excluded=excluded,
        matrix_grey=matrix.grey,
        noise=matrix.noise,
        noise_area_px=matrix.noise_area_px,
        matrix_uncertainty=matrix.uncertainty,
        blur_px=levels.blur_px,
        smooth_noise=matrix.smooth_noise,
    )
    shares = _clipped_shares(clipped, grey > 0, segmentation) if clipped.any() else {}
    return replace(segmentation, **shares), matrix, marks


def _judged(
    grey: Picture,
    settings: SegmentationSettings,
    clipped: NDArray[np.bool_],
    no_field: NDArray[np.bool_],
    outlined: tuple[Segmentation, Matrix, Marks],
    islands: bool = False,
) -> Segmentation:
    """Judge what was outlined, with its films apart where the user asks for them; `islands`: they told its matrix."""
    segmentation, matrix, marks = outlined
    # Asked for at most once, though the field is judged with and without its films.
    by_width = cache(partial(carbides_in_texture, grey, segmentation.excluded, clipped, settings))
    apart = films_apart(segmentation) if settings.films else segmentation
    judged = judge(grey, settings, apart, matrix, marks.share, by_width, islands)
    if settings.films and judged.verdict.instead is not None:
        judged = judge(grey, settings, segmentation, matrix, marks.share, by_width)  # its bounds hold the films
    judged = _open_to_class(_open_to_marks(judged, no_field), settings, marks)
    return judged.with_issues(field_issues(judged, matrix, clipped, settings, marks.share))


def _open_to_marks(s: Segmentation, no_field: NDArray[np.bool_]) -> Segmentation:
    """Return it with an interval that holds what the area is where no mark that was left out hides carbide.

    Carbides are cut out of marks, so that these take matrix alone from the frame.
    """
    frame = no_field.size - int(np.count_nonzero(no_field))
    half = (frame - s.analysed_px) / max(1, frame)
    if half < TOLD or s.verdict.instead is not None:
        return s
    said = (*s.verdict.said, issue("marks_left_out", half_width=half))
    return s.with_verdict(replace(s.verdict, doubt=float(np.hypot(s.verdict.doubt, half)), said=said))


def _open_to_class(s: Segmentation, settings: SegmentationSettings, marks: Marks) -> Segmentation:
    """Return it with an interval that reaches up to the area with what was left out on the other side of the matrix.

    Where the user names more classes than were found, and not their side, that may be one of them; where it looks like
    a class, it may be one too.
    """
    if settings.carbides != "auto" or settings.class_greys or s.verdict.instead is not None or not s.classes:
        return s
    size = marks.area_px / max(float(s.contrast_area_px.sum()), 1e-9)
    missing = len(settings.class_names) > len(s.classes) and size >= TOLD
    alike = marks.alike and size >= MUCH and not settings.class_names
    if not (missing or alike):
        return s
    more = marks.area_px / max(1, s.analysed_px)
    said = issue("class_left_out" if missing else "like_a_class", share=more, half_width=size)
    return s.with_verdict(replace(s.verdict, more=s.verdict.more + more, said=(*s.verdict.said, said)))


def _filled(grey: Picture, excluded: NDArray[np.bool_]) -> Picture:
    """Picture with the commonest level of the rest where nothing is analysed, so that it draws no level its way."""
    if not excluded.any() or excluded.all():
        return grey
    return np.where(excluded, np.float32(np.median(grey[~excluded][:: max(1, grey.size // 2**20)])), grey)


def _flattened(
    grey: Picture, excluded: NDArray[np.bool_], settings: SegmentationSettings, start: Surface | None = None
) -> tuple[Matrix, Picture, Picture, Picture]:
    """Matrix; contrast as it is and smoothed, 0 where excluded; and the noise of the smoothed one."""
    smooth_grey = smoothed(grey)
    matrix = find_level(grey, smooth_grey, excluded, settings.matrix_grey, start=start).matrix()
    light = matrix.surface.evaluate()
    contrast, smooth = flatten(grey, light, matrix.grey), flatten(smooth_grey, light, matrix.grey)
    _clear(excluded, contrast, smooth)
    noise = matrix.local_noise()
    if settings.matrix_grey is not None and settings.class_greys:
        # Whoever pins both levels says that what lies between them is no noise of the matrix.
        noise = np.minimum(noise, np.float32(matrix.sensor_smooth_noise()))
    return matrix, contrast, smooth, noise


def _clear(excluded: NDArray[np.bool_], *pictures: NDArray) -> None:
    """Set pictures to 0, in place, where nothing is analysed."""
    if excluded.any():
        for picture in pictures:
            picture[excluded] = 0


def without_empty_classes(levels: Levels, found: Outlines) -> tuple[Levels, Outlines]:
    """Leave out levels that no carbide was given: nobody asked for them."""
    held = np.bincount(found.class_index, minlength=len(levels.classes)) > 0
    if held.all() or not held.any():
        return levels, found
    classes = numbered([c for c, keep in zip(levels.classes, held, strict=True) if keep])
    return replace(levels, classes=classes), replace(found, class_index=(np.cumsum(held) - 1)[found.class_index])


def _clipped_shares(clipped: NDArray[np.bool_], white: NDArray[np.bool_], s: Segmentation) -> dict[str, Any]:
    """Return the shares of a segmentation that are at full scale: inside outlines, at either end, and of the matrix.

    `white`: of what is clipped, that at the bright end.
    """
    inside = s.labels > 0
    cut_off, outlined = clipped & inside, max(1, int(np.count_nonzero(inside)))
    bright = np.append(False, s.class_contrast > 0)[s.labels]
    own = int(np.count_nonzero(cut_off & (white == bright)))
    return {
        "clipped_share": own / outlined,
        "matrix_in_outlines": (int(np.count_nonzero(cut_off)) - own) / outlined,
        "matrix_clipped_share": int(np.count_nonzero(clipped & s.bare)) / max(1, int(np.count_nonzero(s.bare))),
    }


def _carbide_flags(found: Outlines, clipped: NDArray[np.bool_]) -> NDArray[np.uint32]:
    word = np.zeros(len(found.class_index) + 1, np.uint32)
    word[found.labels[clipped]] |= np.uint32(bit("saturated"))
    word[1:][found.cut] |= np.uint32(bit("split"))
    word[1:][found.concave] |= np.uint32(bit("concave"))
    return word[1:]
