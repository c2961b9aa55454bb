"""Patches of the matrix that an uneven etch or a stain left faintly on the side of the carbides.

No light that changes slowly explains them: their borders are sharp. They are told from a faint kind of carbide by the
carbides, which stand in patches of the matrix as they do beside them, and in no other carbide.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from micro.geometry.regions import connected
from micro.issues import issue
from micro.segmentation.matrix import ADDED_SPREAD_PX, smoothed
from micro.segmentation.segmentation import Segmentation, SegmentationSettings
from micro.segmentation.sides import FAINT

Picture = NDArray[np.float32]
Flags = NDArray[np.bool_]
LEAST_SHARE = 0.02  # of the outlines: less is not worth another look (chosen)
# Carbides that stand in patches, and their share of those that chance would put there, at least: with six expected
# fewer than three are seen once in sixteen fields, and with a faint kind of carbide none (Poisson; chosen).
FEWEST, AS_ELSEWHERE = 3, 0.5
FAR_LARGER = 10.0  # than carbides, by area: what is faint besides is left in doubt as they (chosen)
SHOWN = 0.3  # of patches: crowds of blurred carbides show 0.004 of such a level, stains 0.6 to 0.9 (simulated)
LEVEL_ERROR = 0.25  # of the area of what stands in them: up to that was read more than without a stain (simulated)
CLEAR = 2.5  # standard deviations of the blur: so far from an outline a patch shows its level
RING_PX = 2  # beyond that, about a carbide: what it stands in (chosen)


@dataclass(frozen=True, eq=False)
class Patches:
    """Patches of the matrix.

    Parameters
    ----------
    level
        (rows, columns) contrast of the matrix in them, 0 elsewhere.
    carbides
        Contrast of the carbides.
    share
        Of the field, with what stands in them.
    more
        Area fraction that they are where they may be a kind of carbide; 0 where carbides stand in them as elsewhere.
    """

    level: Picture
    carbides: float
    share: float
    more: float

    def levelled(self, contrast: Picture) -> Picture:
        """Contrast (rows, columns) with the matrix in them at that around them, and the carbides as they are."""
        whole = np.float32(self.carbides)
        return (contrast - self.level) * (whole / (whole - self.level))

    def told(self, found: Segmentation) -> Segmentation:
        """Return the field as it was judged without them, with what they leave open."""
        if not self.more:
            half = LEVEL_ERROR * self.share
            said = issue("patches", share=self.share, half_width=half)
            verdict = replace(found.verdict, doubt=float(np.hypot(found.verdict.doubt, half)))
            return found.with_verdict(verdict).with_issues((said, *found.issues))
        counted = max(float(found.contrast_area_px.sum()) / max(1, found.analysed_px), 1e-9)
        said = issue("faint_lines_left_out", share=self.more, half_width=self.more / counted)
        more = replace(found.verdict, more=found.verdict.more + self.more)
        return found.with_verdict(more).with_issues((said, *found.issues))


def find_patches(s: Segmentation, settings: SegmentationSettings) -> Patches | None:
    """Find patches of the matrix among what was outlined; None where there are none, or the user names the greys."""
    if s.count < 2 or settings.class_greys or settings.class_names or settings.films:
        return None
    strongest, outlined = _strongest(s), s.outline_px
    if not strongest:
        return None
    # The light of what is faint tells it, with carbides in it, before a look at pixels.
    own = s.basin_sums[1] / strongest
    if outlined[(own > 0) & (own < outlined / 2)].sum() < LEAST_SHARE * outlined.sum():
        return None
    height = smoothed(s.contrast) / np.float32(strongest)
    low = (height > 0) & (height < FAINT) & (s.labels > 0)
    faint = np.bincount(s.labels[low], minlength=s.count + 1)[1:] > outlined / 2
    if not LEAST_SHARE < outlined[faint].sum() / outlined.sum() < 1:
        return None
    view = _View.of(s, height, np.append(False, faint)[s.labels], low)
    frame, patch_px = max(1, s.analysed_px), int(np.count_nonzero(view.where))
    if np.count_nonzero(view.shown) < SHOWN * patch_px:
        return None
    by_chance = view.outside * patch_px / max(frame - patch_px, 1)
    sure = view.inside >= max(FEWEST, AS_ELSEWHERE * by_chance)
    if not sure and (by_chance >= 2 * FEWEST or _mean(outlined[faint]) < FAR_LARGER * _mean(outlined[~faint])):
        return None
    share = patch_px / frame
    return Patches(view.levels(height) * np.float32(strongest), strongest, share, 0.0 if sure else share)


def _strongest(s: Segmentation) -> float:
    """Highest contrast of a class that holds more than a few carbides, signed; 0 where none does."""
    held = np.bincount(s.class_index, minlength=len(s.classes)) >= FEWEST
    return max((c.contrast for c, enough in zip(s.classes, held, strict=True) if enough), key=abs, default=0.0)


def _mean(size: NDArray[np.float64]) -> float:
    """Mean size by area, px²."""
    return float((size**2).sum() / max(size.sum(), 1.0))


@dataclass(frozen=True, eq=False)
class _View:
    """Where patches are (rows, columns), their height over the carbides', how many carbides stand inside and outside.

    `clear`, `shown` (rows, columns): so far from all carbides, and from the borders of patches too, that blur brings
    no light from there.
    """

    where: Flags
    clear: Flags
    shown: Flags
    height: float
    inside: int
    outside: int
    reach: float

    @classmethod
    def of(cls, s: Segmentation, height: Picture, faint: Flags, low: Flags) -> _View:
        """Look at heights over the carbides', with what has faint outlines, and what is low in all outlines."""
        level = float(np.median(height[faint & low]))
        reach = CLEAR * float(np.hypot(s.blur_px or 1.0, ADDED_SPREAD_PX))
        number, region = connected((height > level / 2).view(np.uint8))
        patch = np.zeros(number + 1, bool)
        patch[region[faint]] = True
        patch[0] = False
        where = patch[region]
        # What outlines make one of a patch and the carbides in it: they are told by half the way from it to theirs.
        count, carbide = connected((height > (1 + level) / 2).view(np.uint8))
        near, about = (_grown(carbide, reach + more) for more in (0, RING_PX))
        ring = (about > 0) & (near == 0)
        of_ring = np.bincount(about[ring], minlength=count + 1)
        share = np.bincount(about[ring], where[ring], count + 1) / np.maximum(of_ring, 1)
        large = np.bincount(carbide.ravel(), minlength=count + 1) >= FEWEST
        inside, outside = (share > 0.5) & large, (share <= 0.5) & (of_ring > 0) & large
        inside[0] = outside[0] = False
        where &= ~outside[near]
        depth = cv2.distanceTransform(np.pad(where, 1, mode="edge").view(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_5)
        shown = (near == 0) & (depth[1:-1, 1:-1] > reach)
        return cls(where, near == 0, shown, level, int(inside.sum()), int(outside.sum()), reach)

    def levels(self, height: Picture) -> Picture:
        """(rows, columns) height of the matrix in patches: the mean of each clear of carbides, borders as seen."""
        count, region = connected(self.where.view(np.uint8))
        pixels = np.bincount(region[self.shown], minlength=count + 1)
        light = np.bincount(region[self.shown], height[self.shown], count + 1)
        mean = np.where(pixels > self.reach**2, light / np.maximum(pixels, 1), self.height).astype(np.float32)
        mean[0] = 0
        level = mean[region]
        near = cv2.dilate(level, np.ones((2 * int(self.reach) + 1,) * 2, np.uint8))
        return np.where(self.clear & ~self.shown, np.clip(height, 0, near), level)


def _grown(labels: NDArray[np.int32], reach: float) -> NDArray[np.intp]:
    """(rows, columns) regions grown by so many pixels, the highest number over the others."""
    side = 2 * round(reach) + 1
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side))
    return cv2.dilate(labels.astype(np.float32), disc).astype(np.intp)
