"""Carbides of known area set into the picture's own matrix and read again: what the reading misses and adds there."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from micro.geometry.regions import close_to, nearest_number
from micro.segmentation.outline import Outlines
from micro.statistics.sampling import NORMAL_95

Picture = NDArray[np.float32]
FloatArray = NDArray[np.float64]
CLEAR_PX = 1.0
# Turned and moved by shares of the frame that bring no carbide back to its place, until so many are read (chosen).
MOVES = tuple(
    (turn, (row, (row + 0.37) % 1)) for row in (0.31, 0.57, 0.83) for turn in ((-1, 1), (1, -1), (-1, -1), (1, 1))
)
ENOUGH = 150
SIZES = 4  # groups of equal number by area, for what is found of them
FEWEST = 20
FARTHEST_PX = 3.0


@dataclass(frozen=True, eq=False)
class Shapes:
    """True outlines of n carbides: number (rows, columns) nearest to each pixel, its cover 0 to 1, areas (n,), px²."""

    number: NDArray[np.int32]
    cover: Picture
    area: FloatArray


@dataclass(frozen=True, eq=False)
class Ground:
    """Where carbides are set: contrast and what is taken (rows, columns), their level, grey levels, and blur, px."""

    contrast: Picture
    taken: NDArray[np.bool_]
    level: float
    blur: float


@dataclass(frozen=True)
class Reading:
    """What light tells of planted carbides.

    Parameters
    ----------
    factor
        On the light of all carbides found: for those not found again, and for what is read of the others.
    missed
        Of the area found, what those not found again add.
    half
        Half width of the factor's 95 % interval, as a share, with the scatter of the carbides themselves.
    apart
        Area by outlines over that by light, both put right alike, less 1.
    """

    factor: float
    missed: float
    half: float
    apart: float


def true_shapes(found: Outlines, spread: float, outset: float) -> Shapes:
    """Shapes whose blurred outlines are those found.

    An outline at a height above half of the level lies inside the edge, by `outset` standard deviations of the blur
    along a straight edge; a curved one σ²/(2·radius) more (curvature flow of a Gaussian blur, first order).
    """
    area = np.append(1.0, np.maximum(found.area, 1))
    out = (outset * spread + spread**2 / (2 * np.sqrt(area / np.pi))).astype(np.float32)
    at, own, distance = nearest_number(found.labels, FARTHEST_PX)
    covered = np.clip(1 + out.take(own) - distance, 0, 1).astype(np.float32)
    number, cover = np.zeros(found.labels.shape, np.int32), np.zeros(found.labels.shape, np.float32)
    number.ravel()[at], cover.ravel()[at] = own, covered
    return Shapes(number, cover, np.bincount(own, covered, len(area))[1:].astype(float))


def read_planted(
    ground: Ground, shapes: Shapes, found: Outlines, read: Callable[[Picture], Outlines]
) -> Reading | None:
    """Set the shapes elsewhere and read them again; None where too few find a place, or half of a size is lost.

    Parameters
    ----------
    ground
        Where they are set.
    shapes, found
        The carbides, and as they were read.
    read
        From a contrast to its outlines.
    """
    turns: list[tuple[NDArray[np.intp], FloatArray, FloatArray]] = []
    for move in MOVES:
        turns.append(_again(ground, shapes, move, read))
        if sum(len(turn[0]) for turn in turns) >= ENOUGH:
            break
    which, outlined, light = (np.concatenate(part) for part in zip(*turns, strict=True))
    if len(which) < FEWEST:
        return None
    true, seen = shapes.area[which], outlined > 0
    bounds = np.quantile(true, np.arange(1, SIZES) / SIZES)
    group, own = np.searchsorted(bounds, true), np.searchsorted(bounds, shapes.area)
    again = np.bincount(group, seen, SIZES) / np.maximum(np.bincount(group, minlength=SIZES), 1)
    if (again < 0.5).any():
        return None
    raw = np.bincount(found.basins.ravel(), ground.contrast.ravel(), len(own) + 1)[1:] / ground.level
    of_light, of_outline = (float(part[seen].sum() / true[seen].sum()) for part in (light, outlined))
    by_light, by_outline = (float((part / again[own]).sum()) for part in (raw, found.area))
    scatter = float((light[seen] - of_light * true[seen]).std())
    return Reading(
        factor=by_light / of_light / float(raw.sum()),
        missed=by_light / float(raw.sum()) - 1,
        half=NORMAL_95 * scatter * float(np.sqrt(len(own) * (1 + len(own) / seen.sum()))) / by_light,
        apart=by_outline / of_outline / (by_light / of_light) - 1,
    )


def _again(
    ground: Ground,
    shapes: Shapes,
    move: tuple[tuple[int, int], tuple[float, float]],
    read: Callable[[Picture], Outlines],
) -> tuple[NDArray[np.intp], FloatArray, FloatArray]:
    """Index (m,) of the shapes that found a place, and their area by outline and by light as read there, 0: missed."""
    number, cover = (_moved(part, *move) for part in (shapes.number, shapes.cover))
    away = np.ones(len(shapes.area) + 1, bool)
    away[number[close_to((ground.taken | _seams(number.shape, move[1])).astype(np.uint8), CLEAR_PX)]] = False
    away[0] = False
    number, cover = np.where(away[number], number, 0), np.where(away[number], cover, 0).astype(np.float32)
    share = cv2.GaussianBlur(cover, (0, 0), ground.blur)
    picture = ground.contrast + (np.float32(ground.level) - ground.contrast) * share
    seen = read(picture)
    on = (seen.labels > 0) & (number > 0)
    owner = np.zeros(len(seen.area) + 1, np.intp)
    owner[seen.labels[on]] = number[on]
    light = np.bincount(seen.basins.ravel(), picture.ravel(), len(owner))[1:] / ground.level
    outlined, lit = (np.bincount(owner[1:], part, len(away)) for part in (seen.area, light))
    which = np.flatnonzero(away)
    return which - 1, outlined[which].astype(float), lit[which].astype(float)


def _moved(picture: NDArray, turn: tuple[int, int], shares: tuple[float, float]) -> NDArray:
    rows, columns = picture.shape
    return np.roll(picture[:: turn[0], :: turn[1]], (int(shares[0] * rows), int(shares[1] * columns)), (0, 1))


def _seams(shape: tuple[int, ...], shares: tuple[float, float]) -> NDArray[np.bool_]:
    """(rows, columns) True at the frame and where a moved picture is joined."""
    seam = np.zeros(shape, bool)
    row, column = int(shares[0] * shape[0]), int(shares[1] * shape[1])
    seam[[0, row - 1, row, -1]] = True
    seam[:, [0, column - 1, column, -1]] = True
    return seam
