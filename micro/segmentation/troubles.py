"""What a reader must know before trusting a field, and what share of the picture each polarity takes."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from micro.issues import Issue, issue
from micro.segmentation.candidates import SIGNIFICANT
from micro.segmentation.marks import MOST
from micro.segmentation.matrix import Matrix
from micro.segmentation.segmentation import Segmentation, SegmentationSettings
from micro.segmentation.texture import LINE_WIDTH_PX
from micro.segmentation.uncertainty import areas_differ, halo, method_doubts, thin_share, unoutlined_area
from micro.statistics.sampling import NORMAL_95

HALF = 0.4
CLIPPED = 0.01
CLIPPED_CARBIDE = 0.02
UNRESOLVED, UNRESOLVED_RODS = 0.5, 0.2
LEFT_OUT = 0.005
CLASSES_APART = 3.0


def field_issues(
    segmentation: Segmentation,
    matrix: Matrix,
    clipped: NDArray[np.bool_],
    settings: SegmentationSettings,
    marked: float,
) -> tuple[Issue, ...]:
    """Issues of a field that its segmentation shows.

    Parameters
    ----------
    segmentation
        Of the field.
    matrix
        Its matrix.
    clipped
        (rows, columns) True where the grey level is 0 or full scale.
    settings
        What the user pinned.
    marked
        Share of the frame that stands out on the side of the matrix where carbides do not lie.
    """
    return (
        *segmentation.verdict.said,
        *_nothing(segmentation, matrix),
        *_films(segmentation),
        *_either(segmentation, settings),
        *_other_side(marked),
        *_clipped(segmentation, clipped),
        *_classes(segmentation, settings),
        *_overlapping(segmentation),
        *_pins(segmentation, settings),
        *_unresolved(segmentation),
        *_edges(segmentation, settings),
        *_left_out(segmentation),
    )


def _nothing(s: Segmentation, matrix: Matrix) -> Iterator[Issue]:
    found = s.count or (s.films is not None and s.films.where.any())
    if not found and s.verdict.instead is None:
        yield issue("no_second_phase", least_contrast=SIGNIFICANT * matrix.smooth_noise)


def _films(s: Segmentation) -> Iterator[Issue]:
    if s.films is None or s.verdict.instead is not None:
        return
    share = s.films.area_px / max(1, s.analysed_px)
    if s.films.where.any():
        thickness = s.films.area_px / s.films.length_px
        yield issue("films", share=share, thickness_px=thickness, half_width=s.films.doubt)
    else:
        yield issue("no_films", thickest_px=LINE_WIDTH_PX)


def _either(s: Segmentation, settings: SegmentationSettings) -> Iterator[Issue]:
    covered = s.outline_px.sum() / s.labels.size
    if covered > HALF and settings.carbides == "auto":
        yield issue("polarity_open", share=covered)


def _other_side(marked: float) -> Iterator[Issue]:
    if marked > MOST:
        yield issue("other_side", share=marked)


def _clipped(s: Segmentation, clipped: NDArray[np.bool_]) -> Iterator[Issue]:
    share = np.count_nonzero(clipped & ~s.excluded) / max(1, s.analysed_px)
    inside = s.clipped_share
    if share > CLIPPED or inside > CLIPPED_CARBIDE:
        yield issue("saturated", share=share, share_in_carbides=inside, half_width=_half_width(s, "saturated"))


def _classes(s: Segmentation, settings: SegmentationSettings) -> Iterator[Issue]:
    wanted, found = len(settings.class_names), len(s.classes)
    if s.count and wanted > found and not settings.class_greys:
        yield issue("classes_missing", found=found, wanted=wanted)


def _overlapping(s: Segmentation) -> Iterator[Issue]:
    for lower, upper in pairwise(s.classes if s.count else ()):
        apart = upper.contrast - lower.contrast
        if apart < CLASSES_APART * s.noise:
            yield issue(
                "classes_overlap",
                darker=lower.name, brighter=upper.name, apart=apart, least_over_noise=CLASSES_APART, noise=s.noise,
            )  # fmt: skip


def _pins(s: Segmentation, settings: SegmentationSettings) -> Iterator[Issue]:
    outline, pinned = settings.threshold_grey, dict(zip(settings.class_names, settings.class_greys, strict=False))
    for c in s.classes:
        if outline is not None and not 0 < (outline - s.matrix_grey) / c.contrast < 1:
            level = s.matrix_grey + c.contrast
            yield issue(
                "outline_pin_outside",
                outline_grey=outline, matrix_grey=s.matrix_grey, carbide_class=c.name, class_grey=level,
            )  # fmt: skip
    lost = sorted(pinned.keys() - {c.name for c in s.classes})
    if lost:
        yield issue("class_pin_outside", carbide_classes=lost, carbides=settings.carbides, matrix_grey=s.matrix_grey)


def _unresolved(s: Segmentation) -> Iterator[Issue]:
    # As the column unresolved_share of fields.csv.
    share = float(s.contrast_area_px[s.small].sum() / max(1, s.contrast_area_px.sum()))
    if share > UNRESOLVED:
        yield issue("small_carbides", share=share)
    thin = thin_share(s)
    if thin > UNRESOLVED_RODS:
        yield issue("thin_rods", share=thin, half_width=_half_width(s, "thin_rods"))
    unoutlined = unoutlined_area(s)
    if unoutlined:
        counted = float(s.contrast_area_px.sum()) / max(1, s.analysed_px)
        yield issue("outside_outlines", share=unoutlined, half_width=unoutlined / max(counted, 1e-9))


def _edges(s: Segmentation, settings: SegmentationSettings) -> Iterator[Issue]:
    by_outline, by_contrast = areas_differ(s)
    if (by_outline or by_contrast) and not s.verdict.edges:
        pinned = settings != SegmentationSettings(settings.carbides, settings.class_names)
        kind = "areas_differ_pinned" if pinned else "areas_differ"
        off = _half_width(s, "areas_differ")
        yield issue(kind, by_outline=by_outline, by_contrast=by_contrast, half_width=off)
    around = halo(s)
    if around:
        side = "brighter" if s.contrast_around[0] > 0 else "darker"
        yield issue("halo", side=side, over_contrast=abs(around), half_width=_half_width(s, "halo"))


def _half_width(s: Segmentation, kind: str) -> float:
    """Half width of a 95 % interval that this leaves, as a share of the area."""
    return NORMAL_95 * method_doubts(s).get(kind, 0.0)


def _left_out(s: Segmentation) -> Iterator[Issue]:
    if not s.analysed_px:
        yield issue("nothing_left")
    elif s.analysed_px <= (1 - LEFT_OUT) * s.excluded.size:
        yield issue("excluded")


# Pits and dust take less of a sound polish; chosen.
WORTH_SAYING = 0.02


def both_polarities(
    found: Segmentation,
    left_out: NDArray[np.bool_],
    settings: SegmentationSettings,
    other: Callable[[SegmentationSettings], Segmentation],
) -> Iterator[Issue]:
    """Yield the issue that names both, where both were taken, or more of one was left out than pits and dust take.

    Parameters
    ----------
    found
        The field as segmented.
    left_out
        (rows, columns) True where nothing was looked for in either polarity.
    other
        Segments the same picture by other settings.
    """
    if not found.count:  # nothing has a share that could be named
        return
    frame = left_out.size - int(np.count_nonzero(left_out))
    marks = np.count_nonzero(found.excluded) - np.count_nonzero(left_out)
    signs = {bool(c.contrast > 0) for c in found.classes}
    if len(signs) == 2 and settings.carbides == "auto" and not (settings.class_greys or settings.class_names):
        yield _both_taken(found, frame)
    too_much = any(one.kind == "other_side" for one in found.issues)  # then nothing of it was left out
    if len(signs) != 1 or (marks <= WORTH_SAYING * frame and not too_much):
        return
    measured, opposite = ("bright", "dark") if signs == {True} else ("dark", "bright")
    bare = SegmentationSettings(opposite, matrix_grey=settings.matrix_grey, min_area_px=settings.min_area_px)
    share = {
        measured: float(found.contrast_area_px.sum()) / frame,
        opposite: _area(other(replace(bare, blur_px=settings.blur_px))) / frame,
    }
    if share[opposite] > WORTH_SAYING:
        yield issue("both_polarities", bright=share["bright"], dark=share["dark"], measured=measured, other=opposite)


def _both_taken(found: Segmentation, frame: int) -> Issue:
    bright = np.array([c.contrast > 0 for c in found.classes])[found.class_index]
    area = found.contrast_area_px
    return issue("both_taken", bright=float(area[bright].sum()) / frame, dark=float(area[~bright].sum()) / frame)


def _area(found: Segmentation) -> float:
    return float(found.contrast_area_px.sum()) if found.count else 0.0


def share_of_picture(issues: tuple[Issue, ...]) -> float | None:
    """Share of the picture that the measured polarity takes, the other one counted as field; None with one alone."""
    for one in issues:
        if one.kind == "both_polarities":
            return float(one.values[one.values["measured"]])
    return None
