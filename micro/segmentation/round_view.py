"""The dark or white surround of a round view, as an eyepiece or a tube shows it."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Picture = NDArray[np.float32]

STEP = 4  # a circle is found on every fourth pixel as well
CORNER = 0.02  # side of the patch that tells the level of a corner, of the shorter side of the picture
EVEN_CORNER = 0.06  # scatter of a surround, of full scale: carbides in a corner scatter more
LEAST_DIFFERENCE = 0.15  # between surround and view, of full scale
LEAST_SHARE, LEAST_CORNERS = 0.02, 2
LEAST_SIDE = 8  # steps; smaller pictures have no corners apart from a middle
# Departure of the rim from a circle, of its radius, and what may lie on the wrong side of it. Chosen; that no field
# without a surround meets all of it is held by tests/segmentation/test_round_view.py.
ROUND, WRONG_SIDE = 0.01, 0.1
MARGIN_PX, WIDEST_RIM, RISEN = 3, 0.1, 0.9


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
    return distance > _undisturbed(grey, distance, radius, level) - MARGIN_PX


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
