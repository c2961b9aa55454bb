"""Which of two levels is the matrix where both fill much of a field: carbides are islands in what hangs together."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from micro.geometry.regions import connected
from micro.issues import issue
from micro.segmentation.matrix import CLIP, smoothed
from micro.segmentation.segmentation import Segmentation, SegmentationSettings
from micro.segmentation.troubles import HALF

# Pieces that tell islands from what holds them, and how many times as many they must be: 9 to 700 times where carbides,
# half of which touch, fill 45 to 57 % of a field (nine drawn ones), 4 times where rims of small ones do. Chosen.
ISLANDS, TIMES = 20, 4
SOME = 0.2  # of the field: what hangs together about islands in less is a net of carbide (chosen)
ISLAND_PX = 12  # fewer are noise, or tell no shape (chosen)


def matrix_elsewhere(s: Segmentation, settings: SegmentationSettings) -> float | None:
    """Level of the matrix over the one taken for it, grey over grey; None where nothing tells that it is another.

    Asked where more than HALF of the field stands out on the side that was found, or, where the user names the side, on
    the other: if that hangs together and the rest is islands in it, it is the matrix. Of convex carbides each makes a
    hole in their matrix, whatever the share of both (Euler number; stereology, from memory).
    """
    if settings.class_greys or settings.class_names or settings.films or settings.matrix_grey is not None:
        return None
    level, where = _outlined(s, HALF) if settings.carbides == "auto" else _beyond(s, settings.carbides)
    if where is None or s.matrix_grey <= 0 or np.count_nonzero(where) <= HALF * where.size:
        return None
    together, apart = _pieces(where), _pieces(~where & ~s.excluded)
    return 1 + level / s.matrix_grey if apart >= max(ISLANDS, TIMES * together) else None


def open_to_either(s: Segmentation, settings: SegmentationSettings) -> Segmentation:
    """Return it with an interval that holds the area of the rest too, where nothing tells which is the matrix.

    That is where nobody names a side, and what was found hangs together about islands on more than SOME of the field,
    or covers more than HALF of it and neither is islands.
    """
    _, where = _outlined(s, SOME)
    if settings != SegmentationSettings(min_area_px=settings.min_area_px) or where is None or s.verdict.instead:
        return s
    together, apart = _pieces(where), _pieces(~where & ~s.excluded)
    much = np.count_nonzero(where) > HALF * where.size
    if apart < max(ISLANDS, TIMES * together) and not (much and together < TIMES * apart):
        return s
    found = float(s.contrast_area_px.sum()) / max(1, s.analysed_px)
    beyond = 1 - 2 * found
    verdict = replace(s.verdict, more=s.verdict.more + max(0.0, beyond), less=s.verdict.less + max(0.0, -beyond))
    said = () if much else (issue("polarity_open", share=float(where.mean())),)
    return s.with_verdict(verdict).with_issues((*said, *s.issues))


def _outlined(s: Segmentation, least: float) -> tuple[float, NDArray[np.bool_] | None]:
    """Contrast of what is outlined and where it is, if that is more than `least` and all on one side of the matrix."""
    if s.outline_px.sum() <= least * s.labels.size or len({c.contrast > 0 for c in s.classes}) != 1:
        return 0.0, None
    return float(np.average(s.class_contrast, weights=s.outline_px)), s.labels > 0


def _beyond(s: Segmentation, carbides: str) -> tuple[float, NDArray[np.bool_] | None]:
    """Contrast of what stands out on the side of the matrix where no `carbides` lie, and where half of it is passed."""
    if not any(one.kind == "other_side" for one in s.issues):
        return 0.0, None
    sign = -1 if carbides == "bright" else 1
    height = sign * smoothed(s.contrast)
    far = height[(height > CLIP * s.smooth_noise) & ~s.excluded]
    level = float(np.median(far)) if far.size else np.inf
    return sign * level, (height > level / 2) & ~s.excluded


def _pieces(where: NDArray[np.bool_]) -> int:
    count, labels = connected(where.view(np.uint8))
    return int(np.count_nonzero(np.bincount(labels.ravel(), minlength=count + 1)[1:] >= ISLAND_PX))
