"""Patches of the matrix on the side of the carbides: of an uneven etch, a stain, or retained austenite.

No light that changes slowly explains them: their borders are sharp. They are told from a fainter kind of carbide by
the carbides, which stand in patches of the matrix as they do beside them, and in no other carbide.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from micro.geometry.regions import connected, nearest_label
from micro.issues import issue
from micro.segmentation.matrix import ADDED_SPREAD_PX, smoothed
from micro.segmentation.segmentation import Segmentation, SegmentationSettings, raised
from micro.segmentation.sides import FAINT

Picture = NDArray[np.float32]
Flags = NDArray[np.bool_]
FAINTER = 0.8  # than carbides: patches are sought up to that share of their contrast (chosen)
SCATTER = 1.4  # patches of one class reach so many times its contrast (chosen)
# Of the field at most, and of the matrix level, to which blur lifts pores of 5 px (chosen: 0.2 at a blur of 1 px).
FEW_PORES, NEAR_BLACK = 0.01, 0.35
LEAST_SHARE = 0.02  # of the outlines: less is not worth another look (chosen)
# Carbides that stand in patches, and their share of those that chance would put there, at least: with six expected
# fewer than three are seen once in sixteen fields, and with a faint kind of carbide none (Poisson; chosen).
FEWEST, AS_ELSEWHERE = 3, 0.5
# In kinds of carbide of 0.4 to 0.8 of the contrast stood none of up to 38 expected (19 fields), one of 3.4 to
# 57 (5 fields), 3 of 13; in patches 0.4 to 1.4 of them (17 fields; simulated). In one kind that grew on another there
# would be far more (chosen).
A_FEW, RATHER_FEW, MANY_MORE = 2, 0.3, 2.0
FAR_LARGER = 10.0  # than carbides, by area: what is faint besides is left in doubt as they (chosen)
# Of patches: crowds of blurred carbides show 0.004 of such a level, stains 0.6 to 0.9, ragged austenite 0.17 and more
# (simulated); 0.07 in a crowd of fine carbides, where carbides in them tell as well as that (a seventh generator).
SHOWN, SHOWN_AMONG_MANY = 0.15, 0.05
# Films of an etch are hardly wider than the blur and show 0.04 to 0.12. Where so many carbides meet them, and lie
# beside them as often as elsewhere, they are left out too, but not for sure (BESIDE 0.97 to 1.14; hand-drawn outlines
# on real etched matrices).
SHOWN_IN_FILMS, MANY_MET = 0.03, 20
# Standard deviation of the level in patches, of that level, from which on they may be crowds of carbides too small to
# be seen apart, 0.26 to 0.32 (discs of 1.2 to 2.5 px under a blur of 1.5 to 2.5 px; simulated): then not for sure.
SPOTTED = 0.2
# Where too few carbides are expected in patches to tell, and these are more than half of the outlines, so that the
# value would double: the matrix just outside three carbides, by more than MEETS of it, is patch, and outside all of
# them BESIDE of what chance puts there. Austenite 0.7 to 1.7, faint kinds of carbide, which keep apart, 0.02 to 0.6 in
# 18 of 20 fields (fields of a fifth, a sixth and a seventh generator).
MOST_OF_ALL, MEETS, BESIDE = 0.5, 0.15, 0.65
# Standard deviations of patches from which half way to the carbides lies: where grey differs from carbide to carbide
# the patch would be the greyer ones (2.5 to 3 there, 4.3 and more in patches; simulated).
CLEARLY_HIGHER = 4.0
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
        Area fraction that they are where they may be a kind of carbide; 0 where carbides stand in them as elsewhere
        and they are faint, or far larger than those.
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
        if found.verdict.instead is not None and self.more:
            return self._on_top(found)
        half = LEVEL_ERROR * self.share
        if self.more:
            counted = max(float(found.contrast_area_px.sum()) / max(1, found.analysed_px), 1e-9)
            said = issue("faint_lines_left_out", share=self.more, half_width=self.more / counted)
        else:
            said = issue("patches", share=self.share, half_width=half)
        open_ = replace(
            found.verdict, more=found.verdict.more + self.more, doubt=float(np.hypot(found.verdict.doubt, half))
        )
        return found.with_verdict(open_).with_issues((said, *found.issues))

    def _on_top(self, found: Segmentation) -> Segmentation:
        """Raise the bounds of a field whose carbides cannot be outlined to those with the patches."""
        return found.with_verdict(found.verdict.raised(self.more)).with_issues(raised(found.issues, self.more))


def find_patches(s: Segmentation, settings: SegmentationSettings) -> Patches | None:
    """Find patches of the matrix among what was outlined; None where there are none, or the user names the greys."""
    if s.count < 2 or settings.class_greys or settings.class_names or settings.films:
        return None
    strongest = _strongest(s)
    if not strongest or _pores(s, strongest):
        return None
    highest = _highest(s, strongest)
    if not highest:
        return None
    height = smoothed(s.contrast) / np.float32(strongest)
    looks = (_below(most, s, strongest, height) for most in highest)
    return next((found for found in looks if found is not None), None)


def _highest(s: Segmentation, strongest: float) -> list[float]:
    """How high patches may be, shares of the strongest contrast: what is too faint for a class, and what makes one."""
    share = np.array([c.contrast for c in s.classes]) / strongest
    share = np.sort(share[(share > 0) & (share <= 1)])
    most = np.maximum(np.minimum(share[:-1] * SCATTER, (share[:-1] + share[1:]) / 2), FAINT)[share[:-1] < FAINTER]
    # The light of what is faint tells it, with carbides in it, before a look at pixels.
    outlined, own = s.outline_px, s.basin_sums[1] / strongest
    some_faint = outlined[(own > 0) & (own < outlined / 2)].sum() >= LEAST_SHARE * outlined.sum()
    faint = [FAINT] if some_faint and not (most < 2 * FAINT).any() else []
    return [*faint, *most.tolist()]


def _below(most: float, s: Segmentation, strongest: float, height: Picture) -> Patches | None:
    """Look for patches by the heights (rows, columns), shares of the strongest contrast; they have less than `most`."""
    outlined = s.outline_px
    low = (height > 0) & (height < most) & (s.labels > 0)
    faint = np.bincount(s.labels[low], minlength=s.count + 1)[1:] > outlined / 2
    if not LEAST_SHARE < outlined[faint].sum() / outlined.sum() < 1:
        return None
    view = _View.of(s, height, np.append(False, faint)[s.labels], low)
    frame, patch_px = max(1, s.analysed_px), int(np.count_nonzero(view.where))
    by_chance = view.outside * patch_px / max(frame - patch_px, 1)
    least = SHOWN if view.height < FAINT else SHOWN_AMONG_MANY
    films = view.height < FAINT and view.met >= MANY_MET and BESIDE <= view.beside <= 1 / BESIDE
    shown = np.count_nonzero(view.shown)
    if shown < max(1, (SHOWN_IN_FILMS if films else least) * patch_px):
        return None
    scatter = float(height[view.shown].std())
    if CLEARLY_HIGHER * scatter > (1 - view.height) / 2:
        return None
    alike = bool(view.inside >= max(FEWEST, AS_ELSEWHERE * by_chance) and shown >= least * patch_px)
    stain = far_larger = bool(_mean(outlined[faint]) >= FAR_LARGER * _mean(outlined[~faint]))
    if view.height < FAINT:
        stain &= by_chance < 2 * FEWEST
    else:  # a kind of carbide may have grown about another
        alike &= far_larger
        stain = max(A_FEW, RATHER_FEW * by_chance) <= view.inside <= MANY_MORE * by_chance + A_FEW
    well_shown = shown >= SHOWN * patch_px  # crowds of carbides about pores are not
    if well_shown and by_chance < 2 * FEWEST and outlined[faint].sum() > MOST_OF_ALL * outlined.sum():
        stain |= view.met >= FEWEST and view.beside >= BESIDE
    if not (alike or stain or films):
        return None
    share, sure = patch_px / frame, alike and scatter < SPOTTED * view.height
    return Patches(view.levels(height) * np.float32(strongest), strongest, share, 0.0 if sure else share)


def _strongest(s: Segmentation) -> float:
    """Highest contrast of a class that holds more than a few carbides, signed; 0 where none does."""
    held = np.bincount(s.class_index, minlength=len(s.classes)) >= FEWEST
    return max((c.contrast for c, enough in zip(s.classes, held, strict=True) if enough), key=abs, default=0.0)


def _pores(s: Segmentation, strongest: float) -> bool:
    """Whether what differs most is near black and hardly any: pores and sulphides, which lie in carbides too."""
    if s.matrix_grey <= 0 or 1 + strongest / s.matrix_grey > NEAR_BLACK:
        return False
    near = np.abs(s.class_contrast) > FAINTER * abs(strongest)
    return bool(s.outline_px[near].sum() < FEW_PORES * s.analysed_px)


def _mean(size: NDArray[np.float64]) -> float:
    """Mean size by area, px²."""
    return float((size**2).sum() / max(size.sum(), 1.0))


@dataclass(frozen=True, eq=False)
class _View:
    """Where patches are (rows, columns), their height over the carbides', how many carbides stand inside and outside.

    `met`: how many carbides meet patches; `beside`: share of patch about carbides, over that away from them.
    `clear`, `shown` (rows, columns): so far from all carbides, and from the borders of patches too, that blur brings
    no light from there.
    """

    where: Flags
    clear: Flags
    shown: Flags
    height: float
    inside: int
    outside: int
    met: int
    beside: float
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
        large[0] = False
        inside, outside = (share > 0.5) & large, (share <= 0.5) & (of_ring > 0) & large
        met = int(((share > MEETS) & large).sum())
        beside = float(
            (share * of_ring)[large].sum() / max(of_ring[large].sum(), 1) / max(where[near == 0].mean(), 1e-9)
        )
        # About a carbide as at the nearest place clear of it: a film goes on to where it meets one.
        where = nearest_label(np.where(outside[near], 0, 1 + where).astype(np.int32)) > 1
        depth = cv2.distanceTransform(np.pad(where, 1, mode="edge").view(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_5)
        shown = (near == 0) & (depth[1:-1, 1:-1] > reach)
        return cls(where, near == 0, shown, level, int(inside.sum()), int(outside.sum()), met, beside, reach)

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
