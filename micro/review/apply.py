"""Acts applied to the outlines of one field, after the segmentation and before anything is measured.

Which pixels a drawn line parts, and which lie in a drawn outline, the page in the browser finds by the same sums.
Points are x, y in px from the top left corner, so that the centre of the first pixel is 0.5, 0.5. Every expression is
one of IEEE doubles in an order that the page's script shares: both come to the same pixels.
"""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from micro.geometry.regions import linked
from micro.issues import bit
from micro.review.acts import ON_THE_FIELD, Act, FieldActs, Reviewed, Stale
from micro.segmentation.segmentation import UNNAMED, CarbideClass, Segmentation
from micro.taught.outlines import LEAST_CONTRAST

FloatArray = NDArray[np.float64]
Core = tuple[slice, slice]
WHOLE: Core = (slice(None), slice(None))
HAND_PX = 1.0
"""Standard uncertainty of where a person draws an outline, all along it to the same side; chosen, no source."""


def outlines_sha256(labels: NDArray[np.int32]) -> str:
    """Hash of rows and columns (int64) and labels (int32), little-endian."""
    digest = hashlib.sha256(np.array(labels.shape, "<i8").tobytes())
    digest.update(np.ascontiguousarray(labels, "<i4").tobytes())
    return digest.hexdigest()


def apply_reviews(
    found: Segmentation, reviews: Sequence[FieldActs], image_sha256: str, core: Core = WHOLE
) -> tuple[Segmentation, Reviewed]:
    """Outlines with the acts of some files, each applied to what those before it left.

    Parameters
    ----------
    found
        Outlines of the field, of a part of a mosaic those of its frame.
    core
        Rows and columns of the frame that the acts were made on.
    """
    applied: Counter[str] = Counter()
    who: list[str] = []
    stale: list[Stale] = []
    rejected, no_effect = "", 0
    for review in reviews:
        if review.image_sha256 != image_sha256:
            stale.append(Stale(review.source, len(review.acts), "picture"))
            continue
        if review.outlines_sha256 != outlines_sha256(found.labels[core]):
            stale.append(Stale(review.source, len(review.acts), "outlines"))
            continue
        hand = _Hand(found, core)
        met = [hand.do(act) for act in review.acts]
        applied.update(act.act for act, effect in zip(review.acts, met, strict=True) if effect)
        no_effect += met.count(False)
        rejected = _last_verdict(review.acts, rejected)
        who.append(review.who)
        found = hand.segmentation()
    return found, Reviewed(dict(applied), tuple(dict.fromkeys(who)), rejected, no_effect, tuple(stale))


def _last_verdict(acts: Sequence[Act], rejected: str) -> str:
    """Why the field is rejected, if the last word on it says so."""
    for act in acts:
        if act.act in ON_THE_FIELD:
            rejected = (act.reason.strip() or "no reason given") if act.act == "reject" else ""
    return rejected


class _Hand:
    """Outlines while acts change them. The area of a carbide is what it was; pieces share it by their pixels."""

    def __init__(self, found: Segmentation, core: Core) -> None:
        self.found, self.core = found, core
        self.labels, self.basins = found.labels.copy(), found.basins.copy()
        self.contrast, self.excluded = found.contrast.copy(), found.excluded.copy()
        self.classes = list(found.classes)
        # Place 0 is the matrix.
        self.area = np.append(0.0, found.contrast_area_px)
        self.kind = np.append(0, found.class_index).astype(np.intp)
        self.flags = np.append(0, found.flags).astype(np.uint32)
        self.unsure = np.zeros(len(self.area))
        self.changed = False

    def do(self, act: Act) -> bool:
        """Do one act; False where it meets nothing to act on."""
        if act.act in ON_THE_FIELD:
            return True
        # Where carbides cannot be outlined the area is no sum over outlines, and none can be put right by hand.
        if self.found.verdict.instead is not None:
            return False
        met = {
            "not_carbide": self._not_carbide, "cut": self._cut, "join": self._join, "draw": self._draw,
            "leave_out": self._leave_out,
        }[act.act](act)  # fmt: skip
        self.changed |= met
        return met

    def _at(self, point: tuple[float, float]) -> int:
        """Return the number of the carbide at a place of the core; 0 in the matrix and beyond the edge."""
        x, y = np.floor(point)
        labels = self.labels[self.core]
        if not (0 <= y < labels.shape[0] and 0 <= x < labels.shape[1]):
            return 0
        return int(labels[int(y), int(x)])

    def _in_frame(self, act: Act) -> FloatArray:
        """(n, 2) points of an act in the frame."""
        rows, columns = self.core
        return np.array(act.points, float) + np.array([columns.start or 0, rows.start or 0])

    def _not_carbide(self, act: Act) -> bool:
        number = self._at(act.points[0])
        if not number:
            return False
        gone = self.basins == number
        # Its place stays in the analysed area, level: light that a person calls none must not count as missed.
        self.contrast[gone | (self.labels == number)] = 0
        self.labels[self.labels == number] = 0
        self.basins[gone] = 0
        self.area[number] = self.unsure[number] = 0
        return True

    def _join(self, act: Act) -> bool:
        first, second = sorted(self._at(point) for point in act.points)
        if not first or first == second:
            return False
        for picture in (self.labels, self.basins):
            picture[picture == second] = first
        if self.area[second] > self.area[first]:
            self.kind[first] = self.kind[second]
        for each in (self.area, self.unsure):
            each[first] += each[second]
            each[second] = 0
        self.flags[first] |= self.flags[second] | np.uint32(bit("by_hand"))
        return True

    def _cut(self, act: Act) -> bool:
        parted = parted_links(self._in_frame(act), self.labels.shape)
        touched = np.unique(self.labels[parted.any(axis=0)])
        touched = touched[touched > 0]
        own = np.where(np.isin(self.labels, touched), self.labels, 0)
        before, after = pieces(own), pieces(own, parted)
        met = False
        for number in touched.tolist():
            here = self.labels == number
            parts = np.unique(after[here])
            if len(parts) > len(np.unique(before[here])):
                self._part(number, here, after, parts)
                met = True
        return met

    def _part(self, number: int, here: NDArray[np.bool_], piece: NDArray[np.int32], parts: NDArray[np.int32]) -> None:
        """Give every piece but the first a number of its own; basins go to the nearest piece."""
        pixels = np.array([np.count_nonzero(piece[here] == p) for p in parts])
        whole, unsure = self.area[number], self.unsure[number]
        basin = (self.basins == number) & ~here
        away = np.stack([
            cv2.distanceTransform((~(here & (piece == p))).astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_5)[basin]
            for p in parts
        ])  # fmt: skip
        numbers = [number, *(self._new(self.kind[number], self.flags[number]) for _ in parts[1:])]
        for own, p, share in zip(numbers, parts, pixels / pixels.sum(), strict=True):
            self.labels[here & (piece == p)] = own
            self.basins[here & (piece == p)] = own
            self.area[own], self.unsure[own] = whole * share, unsure * share
            self.flags[own] |= np.uint32(bit("by_hand"))
        self.basins[basin] = np.array(numbers, np.int32)[away.argmin(axis=0)]

    def _new(self, kind: int | np.intp, flags: int | np.uint32) -> int:
        """Return the number of a new carbide."""
        self.area, self.unsure = np.append(self.area, 0.0), np.append(self.unsure, 0.0)
        self.kind = np.append(self.kind, kind)
        self.flags = np.append(self.flags, np.uint32(flags))
        return len(self.area) - 1

    def _drawn(self, act: Act) -> NDArray[np.bool_]:
        """(rows, columns) pixels of the frame within a drawn outline that lie in the core."""
        whole = inside(self._in_frame(act), self.labels.shape)
        drawn = np.zeros_like(whole)
        drawn[self.core] = whole[self.core]
        return drawn

    def _draw(self, act: Act) -> bool:
        where = self._drawn(act) & (self.labels == 0) & ~self.excluded
        if not where.any():
            return False
        number = self._new(self._class_of(act, where), bit("by_hand"))
        self.labels[where] = self.basins[where] = number
        self.area[number] = np.count_nonzero(where)
        self.unsure[number] = HAND_PX * _border_px(where)
        return True

    def _class_of(self, act: Act, where: NDArray[np.bool_]) -> int:
        """Place of the class of a drawn carbide; a class that the field does not show gets the contrast found there."""
        names = [c.name for c in self.classes]
        if act.carbide_class in names:
            return names.index(act.carbide_class)
        if names and not act.carbide_class:
            return int(np.bincount(self.kind[1:], self.area[1:], len(names)).argmax())
        light, least = float(self.contrast[where].mean()), max(LEAST_CONTRAST * self.found.noise, 1e-6)
        light = light if abs(light) >= least else float(np.copysign(least, light))
        self.classes.append(CarbideClass(act.carbide_class or UNNAMED, light, self.found.noise))
        return len(names)

    def _leave_out(self, act: Act) -> bool:
        where = self._drawn(act) & ~self.excluded
        if not where.any():
            return False
        count = len(self.area)
        before = np.bincount(self.labels.ravel(), minlength=count)
        self.excluded |= where
        for picture in (self.labels, self.basins, self.contrast):
            picture[where] = 0
        after = np.bincount(self.labels.ravel(), minlength=count)
        left = after / np.maximum(before, 1)
        self.area *= left
        self.unsure *= left
        return True

    def segmentation(self) -> Segmentation:
        """Outlines as the acts left them, numbered without gaps."""
        if not self.changed:
            return self.found
        present = np.bincount(self.labels.ravel(), minlength=len(self.area)) > 0
        present[0] = False
        number = np.where(present, np.cumsum(present), 0).astype(np.int32)
        basins = number[self.basins]
        basins[self.labels > 0] = number[self.labels[self.labels > 0]]
        order = np.argsort([c.contrast for c in self.classes], kind="stable")
        place = np.empty(len(order), np.intp)
        place[order] = np.arange(len(order))
        told = tuple(one for one in self.found.issues if one.kind != "no_second_phase" or not present.any())
        return replace(
            self.found,
            labels=number[self.labels],
            basins=basins,
            contrast=self.contrast,
            classes=tuple(self.classes[k] for k in order.tolist()),
            class_index=place[self.kind[present]] if len(order) else np.zeros(0, np.intp),
            flags=self.flags[present],
            excluded=self.excluded,
            issues=told,
            area_by_hand=self.area[present],
            hand_uncertainty_px=float(self.unsure[present].sum()),
        )


def _border_px(where: NDArray[np.bool_]) -> int:
    """Pixels of a region with a neighbour outside, beside, above or below."""
    inner = where.copy()
    for axis in (0, 1):
        for way in (1, -1):
            inner &= np.roll(where, way, axis)
    return int(np.count_nonzero(where & ~inner))


Mask = NDArray[np.bool_]
# Of four of a pixel's eight neighbours, rows and columns away; the other four are links of those.
LINKS = ((0, 1), (1, -1), (1, 0), (1, 1))


def inside(points: FloatArray, shape: tuple[int, int]) -> Mask:
    """(rows, columns) True where a pixel's centre lies in a closed outline: wound about at least once.

    Parameters
    ----------
    points
        (n, 2) corners; the last is joined to the first.
    """
    rows, columns = shape
    x1, y1 = points.T
    x2, y2 = np.roll(points, -1, axis=0).T
    low, high = np.minimum(y1, y2), np.maximum(y1, y2)
    first = np.clip(np.ceil(low - 0.5), 0, rows).astype(np.intp)
    last = np.clip(np.ceil(high - 0.5), 0, rows).astype(np.intp)  # centres from low, included, to high, excluded
    crossed = last - first
    edge = np.repeat(np.arange(len(points)), crossed)
    row = first[edge] + np.arange(len(edge)) - np.repeat(np.cumsum(crossed) - crossed, crossed)
    at = x1[edge] + (row + 0.5 - y1[edge]) * (x2[edge] - x1[edge]) / (y2[edge] - y1[edge])
    column = np.clip(np.floor(at - 0.5) + 1, 0, columns).astype(np.intp)
    turns = np.zeros((rows, columns + 1), np.int32)
    np.add.at(turns, (row, column), np.where(y2 > y1, 1, -1)[edge])
    return np.asarray(np.cumsum(turns, axis=1)[:, :columns] != 0)


def parted_links(points: FloatArray, shape: tuple[int, int]) -> NDArray[np.bool_]:
    """(4, rows, columns) True where a drawn line crosses from a pixel's centre to a neighbour's, as LINKS names them.

    Parameters
    ----------
    points
        (n, 2) corners of the line.
    """
    rows, columns = shape
    parted = np.zeros((len(LINKS), rows, columns), bool)
    for (x1, y1), (x2, y2) in zip(points[:-1].tolist(), points[1:].tolist(), strict=True):
        top, bottom = _window(y1, y2, rows)
        left, right = _window(x1, x2, columns)
        if top >= bottom or left >= right:
            continue
        ax, ay = np.meshgrid(np.arange(left, right) + 0.5, np.arange(top, bottom) + 0.5)
        here = _side(x1, y1, x2, y2, ax, ay)
        for number, (down, along) in enumerate(LINKS):
            bx, by = ax + along, ay + down
            apart = here != _side(x1, y1, x2, y2, bx, by)
            apart &= _side(ax, ay, bx, by, x1, y1) != _side(ax, ay, bx, by, x2, y2)
            parted[number, top:bottom, left:right] |= apart
    return parted


def _window(a: float, b: float, length: int) -> tuple[int, int]:
    """First and last (excluded) pixel whose links a line from a to b can reach."""
    low, high = min(a, b), max(a, b)
    return int(np.clip(np.floor(low) - 2, 0, length)), int(np.clip(np.floor(high) + 3, 0, length))


def _side(
    x1: float | FloatArray, y1: float | FloatArray, x2: float | FloatArray, y2: float | FloatArray,
    x: float | FloatArray, y: float | FloatArray,
) -> Mask:  # fmt: skip
    """Whether a place lies on the first side of a line; on the line itself counts as that side."""
    return np.asarray((x2 - x1) * (y - y1) - (y2 - y1) * (x - x1) >= 0)


def pieces(labels: NDArray[np.int32], parted: NDArray[np.bool_] | None = None) -> NDArray[np.int32]:
    """(rows, columns) number of the connected piece of a label at each pixel, from 1 in reading order; 0 outside.

    Parameters
    ----------
    labels
        (rows, columns); neighbours of one label hang together by eight links.
    parted
        Links that do not hold, as of `parted_links`.
    """
    rows, columns = labels.shape
    own = np.flatnonzero(labels)
    place = np.full((rows, columns), -1, np.int64)
    place.ravel()[own] = np.arange(len(own))
    pairs = []
    for number, (down, along) in enumerate(LINKS):
        here = (slice(0, rows - down), slice(max(0, -along), columns - max(0, along)))
        there = (slice(down, rows), slice(max(0, along), columns + min(0, along)))
        held = (labels[here] > 0) & (labels[here] == labels[there])
        if parted is not None:
            held &= ~parted[number][here]
        pairs.append(np.stack([place[here][held], place[there][held]]))
    a, b = np.concatenate(pairs, axis=1)
    found = np.zeros(labels.size, np.int32)
    found[own] = linked(len(own), a, b) + 1
    return found.reshape(rows, columns)
