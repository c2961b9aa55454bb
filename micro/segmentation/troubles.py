"""What a reader must know before trusting a field."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from micro.issues import CARBIDE_FLAGS, FIELD_FLAGS, bit, message
from micro.segmentation.candidates import SIGNIFICANT
from micro.segmentation.marks import MOST
from micro.segmentation.matrix import SMOOTHED_NOISE, Matrix
from micro.segmentation.segmentation import Segmentation, SegmentationSettings
from micro.segmentation.uncertainty import areas_differ, clipped_share, halo, thin_share, unoutlined_area

UNEVEN = 2.0
FEW = 5
HALF = 0.4
CLIPPED = 0.01
CLIPPED_CARBIDE = 0.02
UNRESOLVED, UNRESOLVED_RODS = 0.5, 0.2
LEFT_OUT = 0.005
CLASSES_APART = 3.0


def field_troubles(
    segmentation: Segmentation,
    matrix: Matrix,
    clipped: NDArray[np.bool_],
    settings: SegmentationSettings,
    marked: float,
) -> tuple[int, tuple[str, ...]]:
    """Flag word and messages of a field.

    Parameters
    ----------
    segmentation
        Of the field, without messages.
    matrix
        Its matrix.
    clipped
        (rows, columns) True where the grey level is 0 or full scale.
    settings
        What the user pinned.
    marked
        Share of the frame that stands out on the side of the matrix where carbides do not lie.
    """
    found = [
        *_nothing(segmentation, matrix),
        *_either(segmentation, settings),
        *_other_side(marked),
        *_clipped(segmentation, clipped),
        *_classes(segmentation, settings),
        *_overlapping(segmentation),
        *_pins(segmentation, settings),
        *_unresolved(segmentation),
        *_edges(segmentation, settings),
        *_left_out(segmentation),
    ]
    word = 0
    for name, _ in found:
        word |= bit(name, FIELD_FLAGS)
    return word, tuple(message for _, message in found)


def _nothing(s: Segmentation, matrix: Matrix) -> Iterator[tuple[str, str]]:
    if not s.count:
        seen = SIGNIFICANT * matrix.smooth_noise
        yield (
            "no_second_phase",
            f"no second phase found: nothing stands out of the matrix by {seen:.3g} grey levels "
            "(if carbides are visible, check polarity, etch and focus)",
        )
    uneven = matrix.smooth_noise / (SMOOTHED_NOISE * max(matrix.sensor_noise, 1e-6))
    if uneven > UNEVEN and s.count < FEW:
        yield (
            "unreliable_levels",
            f"do not trust this field: the matrix is uneven by {matrix.smooth_noise:.3g} grey levels, "
            f"{uneven:.1f} times what noise explains; a second phase may hide in it "
            "(improve the etch, or pin the grey levels)",
        )


def _either(s: Segmentation, settings: SegmentationSettings) -> Iterator[tuple[str, str]]:
    covered = s.outline_px.sum() / s.labels.size
    if covered > HALF and settings.carbides == "auto":
        yield (
            "unreliable_levels",
            f"{100 * covered:.0f} % of the field stands out: which grey is the matrix cannot be told "
            "(say whether carbides are bright or dark)",
        )


def _other_side(marked: float) -> Iterator[tuple[str, str]]:
    if marked > MOST:
        yield (
            "unreliable_levels",
            f"{100 * marked:.0f} % of the field stands out on the side of the matrix where no carbide was looked for, "
            "too much for scratches and dirt: nothing was left out (check the polarity, or pin the grey levels)",
        )


def _clipped(s: Segmentation, clipped: NDArray[np.bool_]) -> Iterator[tuple[str, str]]:
    share = np.count_nonzero(clipped & ~s.excluded) / max(1, s.analysed_px)
    inside = clipped_share(s)
    if share > CLIPPED or inside > CLIPPED_CARBIDE:
        yield (
            "saturated",
            f"{100 * share:.1f} % of the pixels are saturated, {100 * inside:.0f} % of those in carbides: "
            "their grey level is not known (lower the exposure)",
        )


def _classes(s: Segmentation, settings: SegmentationSettings) -> Iterator[tuple[str, str]]:
    wanted, found = len(settings.class_names), len(s.classes)
    if s.count and wanted > found and not settings.class_greys:
        yield (
            "unreliable_levels",
            f"{found} of {wanted} carbide classes found; named from the darkest, so the names may be wrong "
            "(pin the grey levels of the classes)",
        )


def _overlapping(s: Segmentation) -> Iterator[tuple[str, str]]:
    for lower, upper in pairwise(s.classes):
        apart = upper.contrast - lower.contrast
        if apart < CLASSES_APART * s.noise:
            yield (
                "unreliable_levels",
                f"{lower.name} and {upper.name} differ by {apart:.3g} grey levels, less than {CLASSES_APART:g} times "
                f"the noise, {s.noise:.3g}: which carbide is which is a guess, their sum is not "
                "(take them as one class, or improve the contrast)",
            )


def _pins(s: Segmentation, settings: SegmentationSettings) -> Iterator[tuple[str, str]]:
    outline, pinned = settings.threshold_grey, dict(zip(settings.class_names, settings.class_greys, strict=False))
    for c in s.classes:
        if outline is not None and not 0 < (outline - s.matrix_grey) / c.contrast < 1:
            yield (
                "unreliable_levels",
                f"the pinned grey of the outline, {outline:g}, does not lie between matrix, {s.matrix_grey:.0f}, and "
                f"{c.name}, {s.matrix_grey + c.contrast:.0f} (pin another one)",
            )
    lost = sorted(pinned.keys() - {c.name for c in s.classes})
    if lost:
        yield (
            "unreliable_levels",
            f"the pinned grey of {', '.join(lost)} does not lie on the {settings.carbides} side of the matrix, "
            f"{s.matrix_grey:.0f} (pin another one, or another polarity)",
        )


def _unresolved(s: Segmentation) -> Iterator[tuple[str, str]]:
    small = s.flags & np.uint32(bit("small", CARBIDE_FLAGS)) > 0
    share = float(s.outline_px[small].sum() / max(1, s.outline_px.sum()))
    if share > UNRESOLVED:
        yield (
            "unresolved",
            f"{100 * share:.0f} % of the area lies in carbides below the resolved diameter (raise the magnification)",
        )
    thin = thin_share(s)
    if thin > UNRESOLVED_RODS:
        yield (
            "unresolved",
            f"{100 * thin:.0f} % of the area lies in rods too thin for the blur: it may be off by a fifth "
            "(raise the magnification)",
        )
    unoutlined = unoutlined_area(s)
    if unoutlined:
        yield (
            "unresolved",
            f"light worth {100 * unoutlined:.2f} % of the field lies outside the outlines, on what is too thin or too "
            "faint for one: carbide films, or etched grain boundaries. It enters the interval, not the value (look at "
            "the outline picture, raise the magnification)",
        )


def _edges(s: Segmentation, settings: SegmentationSettings) -> Iterator[tuple[str, str]]:
    by_outline, by_contrast = areas_differ(s)
    if by_outline or by_contrast:
        cause = "look for halos, edge relief or uneven etch"
        if settings != SegmentationSettings(settings.carbides, settings.class_names):
            cause = "look at what is pinned, for halos, edge relief or uneven etch"
        yield (
            "areas_differ",
            f"outlines cover {100 * by_outline:.2f} %, integrated contrast {100 * by_contrast:.2f} % of the field: "
            f"more than blur and noise explain ({cause})",
        )
    around = halo(s)
    if around:
        side = "brighter" if s.contrast_around[0] > 0 else "darker"
        yield (
            "areas_differ",
            f"the matrix near carbides is {side} than elsewhere, by {100 * abs(around):.1f} % of their contrast: the "
            "area may be wrong by several times as much (look for halos, edge relief or uneven etch)",
        )


def _left_out(s: Segmentation) -> Iterator[tuple[str, str]]:
    if s.analysed_px <= (1 - LEFT_OUT) * s.excluded.size:
        yield "excluded", message("excluded", FIELD_FLAGS)
