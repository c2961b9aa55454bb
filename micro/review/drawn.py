"""Which pixels a drawn line parts, and which lie in a drawn outline; the page in the browser does the same sums.

Points are x, y in px from the top left corner, so that the centre of the first pixel is 0.5, 0.5. Every expression is
one of IEEE doubles in an order that the page's script shares: both come to the same pixels.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from micro.geometry.regions import linked

FloatArray = NDArray[np.float64]
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
