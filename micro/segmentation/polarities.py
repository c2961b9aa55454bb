"""Both polarities on one field: what share of the picture each takes."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from micro.issues import Issue, issue
from micro.segmentation.segmentation import Segmentation, SegmentationSettings

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
