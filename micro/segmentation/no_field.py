"""What of the picture shows no field: boxes with lettering burnt in, and the surround of a round view."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Picture = NDArray[np.float32]

# An even ground differs by no more than packing as JPEG leaves; the noise of a camera differs by more.
EVEN = 0.015
# Next to letters and sides packing leaves more.
NEARLY_EVEN = 0.06
# Smaller boxes hold no readable letters; larger ones are no mark in a micrograph but a part of it. Chosen.
LEAST_WIDTH_PX, LEAST_HEIGHT_PX, LARGEST_SHARE = 20, 8, 0.25
LEAST_GROUND = 0.4  # letters and bar cover the rest
UNBROKEN = 0.9  # of the box's sides: letters may touch them
LEAST_INK, INK = 0.01, 0.25  # share of the box, and difference from the ground in full scales
WIDEST_FRAME_PX = 6
CELL_PX = 4  # chosen: a sixteenth of the pixels to label
SMEARED_PX = 8  # a block of JPEG
MARGIN_PX = 3  # packing smears the sides by as much


def burnt_boxes(grey: Picture, grey_max: float) -> NDArray[np.bool_]:
    """(rows, columns) True on boxes with lettering, and a margin.

    A box is a rectangle of one grey level, with straight sides at which the grey level steps, and with ink in it. A
    line drawn round it belongs to it.
    """
    where = np.zeros(grey.shape, bool)
    for candidate in _candidates(grey, grey_max):
        rows, columns = slice(*candidate[:2]), slice(*candidate[2:])
        ground = float(np.median(grey[rows, columns]))
        # What lies beside the box may be of its grey: then the ground as it was found is the better guess.
        for box in (_whole(grey, candidate, ground, grey_max), candidate):
            if not _is_box(grey, box, ground, grey_max):
                continue
            top, bottom, left, right = _framed(grey, box, grey_max)
            rows, columns = (
                slice(max(first - MARGIN_PX, 0), last + MARGIN_PX) for first, last in ((top, bottom), (left, right))
            )
            where[rows, columns] = True
    return where


def _candidates(grey: Picture, grey_max: float) -> list[tuple[int, int, int, int]]:
    """Top, bottom, left and right (ends exclusive) of connected even ground of the size of a box."""
    window = np.ones((3, 3), np.uint8)
    coarse = cv2.convertScaleAbs(grey, alpha=255 / grey_max)  # 8 bit are enough here, and many times faster
    even = (cv2.morphologyEx(coarse, cv2.MORPH_GRADIENT, window) <= EVEN * 255).view(np.uint8)
    if cv2.countNonZero(even) < LEAST_GROUND / 2 * LEAST_WIDTH_PX * LEAST_HEIGHT_PX:
        return []
    stats = _large_ground(even)
    # The window takes a pixel off each side of the ground, save at the edge of the picture.
    left, top, width, height = (stats[1:, k] for k in range(4))
    right, bottom = np.minimum(left + width + 1, grey.shape[1]), np.minimum(top + height + 1, grey.shape[0])
    left, top = np.maximum(left - 1, 0), np.maximum(top - 1, 0)
    area = (right - left) * (bottom - top)
    ground = stats[1:, cv2.CC_STAT_AREA]
    fits = (right - left >= LEAST_WIDTH_PX) & (bottom - top >= LEAST_HEIGHT_PX)
    fits &= (area <= LARGEST_SHARE * grey.size) & (ground >= LEAST_GROUND / 2 * area)
    boxes = np.stack([top, bottom, left, right], axis=1)[fits]
    return [(int(a), int(b), int(c), int(d)) for a, b, c, d in boxes]


def _large_ground(even: NDArray[np.uint8]) -> NDArray[np.int32]:
    """Statistics, as of OpenCV, of connected even ground that may be as large as a box; noise is told on coarse cells.

    What is connected lies in cells that are, so that ground whose cells span too little is no box.
    """
    rows, columns = (-(-side // CELL_PX) for side in even.shape)
    padded = cv2.copyMakeBorder(
        even, 0, rows * CELL_PX - even.shape[0], 0, columns * CELL_PX - even.shape[1], cv2.BORDER_CONSTANT
    )
    # The mean over a cell with any even ground is 255 / CELL_PX² at least, which is not rounded to 0.
    cells = (cv2.resize(padded * np.uint8(255), (columns, rows), interpolation=cv2.INTER_AREA) > 0).view(np.uint8)
    _, number, coarse, _ = cv2.connectedComponentsWithStats(cells, connectivity=8)
    wide = CELL_PX * coarse[:, cv2.CC_STAT_WIDTH] + 2 >= LEAST_WIDTH_PX
    wide &= CELL_PX * coarse[:, cv2.CC_STAT_HEIGHT] + 2 >= LEAST_HEIGHT_PX
    wide[0] = False
    if not wide.any():
        return np.empty((1, 5), np.int32)
    if wide.sum() < len(wide) - 1:
        fine = cv2.resize(wide.take(number).view(np.uint8), padded.shape[::-1], interpolation=cv2.INTER_NEAREST)
        even = even & fine[: even.shape[0], : even.shape[1]]
    return np.asarray(cv2.connectedComponentsWithStats(even, connectivity=4)[2])


def _whole(grey: Picture, box: tuple[int, int, int, int], ground: float, grey_max: float) -> tuple[int, int, int, int]:
    """Box with the ground near its sides, which packing made uneven."""
    top, left = max(box[0] - SMEARED_PX, 0), max(box[2] - SMEARED_PX, 0)
    part = grey[top : box[1] + SMEARED_PX, left : box[3] + SMEARED_PX]
    like_it = (np.abs(part - ground) <= NEARLY_EVEN * grey_max).astype(np.uint8)
    _, _, stats, _ = cv2.connectedComponentsWithStats(like_it, connectivity=4)
    if len(stats) < 2:
        return box
    x, y, width, height = (int(v) for v in stats[1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA]))][:4])
    return top + y, top + y + height, left + x, left + x + width


def _is_box(grey: Picture, box: tuple[int, int, int, int], ground: float, grey_max: float) -> bool:
    top, bottom, left, right = box
    away = np.abs(grey[top:bottom, left:right] - ground)
    even = away <= NEARLY_EVEN * grey_max
    if min(even.shape) < LEAST_HEIGHT_PX:
        return False
    inner = np.concatenate([side.ravel() for side in (even[1], even[-2], even[:, 1], even[:, -2])])
    if even.mean() < LEAST_GROUND or inner.mean() < UNBROKEN or (away > INK * grey_max).mean() < LEAST_INK:
        return False
    outer = _ring(grey, box, 2)
    return bool(len(outer)) and float(np.mean(np.abs(outer - ground) <= NEARLY_EVEN * grey_max)) < 1 - UNBROKEN


def _ring(grey: Picture, box: tuple[int, int, int, int], distance: int) -> Picture:
    """Grey levels on the rectangle that lies so many pixels outside a box, as far as it is in the picture."""
    top, bottom, left, right = box[0] - distance, box[1] + distance, box[2] - distance, box[3] + distance
    rows, columns = slice(max(top, 0), bottom), slice(max(left, 0), right)
    sides = [grey[top, columns]] if top >= 0 else []
    sides += [grey[bottom - 1, columns]] if bottom <= grey.shape[0] else []
    sides += [grey[rows, left]] if left >= 0 else []
    sides += [grey[rows, right - 1]] if right <= grey.shape[1] else []
    return np.concatenate(sides) if sides else np.empty(0, np.float32)


def _framed(grey: Picture, box: tuple[int, int, int, int], grey_max: float) -> tuple[int, int, int, int]:
    """Box with the line drawn round it."""
    widest = 0
    for distance in range(1, WIDEST_FRAME_PX + 1):
        ring = _ring(grey, box, distance)
        if len(ring) and np.mean(np.abs(ring - np.median(ring)) <= EVEN * grey_max) >= UNBROKEN:
            widest = distance
    return box[0] - widest, box[1] + widest, box[2] - widest, box[3] + widest


STEP = 4  # a circle is found on every fourth pixel as well
CORNER = 0.02  # side of the patch that tells the level of a corner, of the shorter side of the picture
EVEN_CORNER = 0.06  # scatter of a surround, of full scale: carbides in a corner scatter more
LEAST_DIFFERENCE = 0.15  # between surround and view, of full scale
LEAST_SHARE, LEAST_CORNERS = 0.02, 2
LEAST_SIDE = 8  # steps; smaller pictures have no corners apart from a middle
# Departure of the rim from a circle, of its radius, and what may lie on the wrong side of it. Chosen; that no field
# without a surround meets all of it is held by tests/segmentation/test_round_view.py.
ROUND, WRONG_SIDE = 0.01, 0.1
RIM_MARGIN_PX, WIDEST_RIM, RISEN = 3, 0.1, 0.9


def round_view(grey: Picture, grey_max: float) -> NDArray[np.bool_] | None:
    """(rows, columns) True on the surround of a round view, its blurred rim and a margin; None where there is none.

    Corners of one even grey level far from that of the middle, a border between the two that is a circle, and hardly
    anything of the one on the side of the other: no structure looks like that.
    """
    size = (grey.shape[1] // STEP, grey.shape[0] // STEP)
    if min(size) < LEAST_SIDE:
        return None
    small = cv2.resize(grey[: size[1] * STEP, : size[0] * STEP], size, interpolation=cv2.INTER_AREA)
    corners = _corner_levels(small, grey_max)
    middle = float(np.median(_middle(small)))
    apart = [level for level in corners if abs(level - middle) >= LEAST_DIFFERENCE * grey_max]
    for level in apart:
        alike = [one for one in apart if abs(one - level) <= EVEN_CORNER * grey_max]
        if len(alike) >= LEAST_CORNERS:
            return _surround(grey, small, float(np.mean(alike)), middle)
    return None


def _corner_levels(small: Picture, grey_max: float) -> list[float]:
    """Level of each corner that is even."""
    side = max(3, round(CORNER * min(small.shape)))
    ends = (slice(None, side), slice(-side, None))
    patches = [small[rows, columns] for rows in ends for columns in ends]
    return [float(np.median(patch)) for patch in patches if patch.std() <= EVEN_CORNER * grey_max]


def _middle(small: Picture) -> Picture:
    rows, columns = (slice(side // 3, side - side // 3) for side in small.shape)
    return small[rows, columns]


def _surround(grey: Picture, small: Picture, level: float, middle: float) -> NDArray[np.bool_] | None:
    like_it = (np.abs(small - level) < np.abs(middle - level) / 2).astype(np.uint8)
    _, parts = cv2.connectedComponents(like_it, connectivity=4)
    touching = [parts[i, j] for i in (0, -1) for j in (0, -1) if like_it[i, j]]
    outside = np.isin(parts, touching)
    if outside.mean() < LEAST_SHARE:
        return None
    circle = _circle(_rim(outside))
    if circle is None:
        return None
    distance = _distance(small.shape, circle)
    beyond = distance > circle[2]
    if (outside & ~beyond).sum() > WRONG_SIDE * outside.sum() or (beyond & ~outside).sum() > WRONG_SIDE * beyond.sum():
        return None
    middle_px = (STEP - 1) / 2  # of a coarse pixel
    x, y, radius = STEP * circle[0] + middle_px, STEP * circle[1] + middle_px, STEP * circle[2]
    distance = _distance(grey.shape, (x, y, radius))
    return distance > _undisturbed(grey, distance, radius, level) - RIM_MARGIN_PX


def _rim(outside: NDArray[np.bool_]) -> NDArray[np.float64]:
    """(n, 2) x and y of the border of the view, where it is not the edge of the picture.

    Lettering in the surround leaves borders of its own: only the largest part that is not surround has a rim.
    """
    _, parts, stats, _ = cv2.connectedComponentsWithStats((~outside).astype(np.uint8), connectivity=4)
    if len(stats) < 2:
        return np.empty((0, 2))
    view = (parts == 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA]))).astype(np.uint8)
    contours, _ = cv2.findContours(view, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    points = np.concatenate(contours)[:, 0].astype(float)
    rows, columns = outside.shape
    inside = (points > 0).all(axis=1) & (points[:, 0] < columns - 1) & (points[:, 1] < rows - 1)
    return points[inside]


def _circle(points: NDArray[np.float64]) -> tuple[float, float, float] | None:
    """Centre and radius of the circle through (n, 2) points by least squares; None where they lie on none.

    Points far from it, where a bar or a letter touches the rim, are left out of a second fit.
    """
    from skimage.measure import CircleModel

    for _ in range(3):
        circle = CircleModel.from_estimate(points) if len(points) >= 20 else None
        if not circle:
            return None
        (x, y), radius = circle.center, circle.radius
        away = np.abs(circle.residuals(points))
        good = away <= max(3 * float(np.median(away)), 1.0)
        if good.mean() < 1 - WRONG_SIDE:
            return None
        points = points[good]
    spread = float(np.sqrt(np.mean(away**2)))
    return (float(x), float(y), float(radius)) if spread <= max(ROUND * radius, 0.5) else None


def _distance(shape: tuple[int, ...], circle: tuple[float, float, float]) -> NDArray[np.float32]:
    y, x = (np.arange(side, dtype=np.float32) for side in shape)
    return np.hypot(x - np.float32(circle[0]), (y - np.float32(circle[1]))[:, None])


def _undisturbed(grey: Picture, distance: NDArray[np.float32], radius: float, level: float) -> float:
    """Largest radius that the blurred rim no longer reaches.

    A rim blurred by a normal distribution has risen by half at the radius and by 0.9 some 1.28 standard deviations
    further in; after twice that way it is over by 0.995. Carbides and uneven light make the means of rings uneven by
    some percent, so that its very end cannot be read from them.
    """
    ring = distance.astype(np.intp).ravel()
    outermost = int(radius)
    total = np.bincount(ring, grey.ravel(), minlength=outermost + 1)[: outermost + 1]
    mean = total / np.maximum(np.bincount(ring, minlength=outermost + 1)[: outermost + 1], 1)
    inner = int((1 - WIDEST_RIM) * radius)
    view = float(np.mean(mean[max(inner - 20, 0) : inner + 1]))
    if view == level:
        return radius
    risen = np.flatnonzero((mean[inner:] - level) / (view - level) >= RISEN)
    reached = inner + (int(risen[-1]) + 1 if len(risen) else 0)
    return radius - 2 * max(radius - reached, 0.0)
