"""Fields that show the same place: the same picture twice, or two that overlap.

A carbide and the way to its nearest neighbours are a mark that two pictures of one place share, wherever the frame
lies. Marks are rounded and sorted, so that thousands of fields cost about as much as reading their tables. Where
several marks of two fields agree on one shift, all carbides of the shared area are compared.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
NEIGHBOURS = (2, 3)
CELL_PX, SHIFT_CELL_PX = 2.0, 6.0
CROWDED = 30
VOTES = 3
CLOSE_PX = 2.0
FEWEST_SHARED, SHARE_FOUND = 6, 0.5
MOST_MARKS = 250


@dataclass(frozen=True)
class Overlap:
    """Fields `first` and `second` (numbers) show the same place; what lies at p in one lies at p + shift in the other.

    `share` is the part of the smaller frame that both show, 0 to 1.
    """

    first: int
    second: int
    shift_x_px: float
    shift_y_px: float
    share: float


def find_overlaps(places: Sequence[FloatArray]) -> list[Overlap]:
    """Pairs of fields that show the same place, not turned and at the same magnification.

    Parameters
    ----------
    places
        For each field (n, 2) centroids of its carbides, px.
    """
    if len(places) < 2:
        return []  # spares one field the loading of scipy
    found: dict[tuple[int, int], Overlap] = {}
    for first, second, shift in _candidates(places):
        if (first, second) not in found:
            overlap = _compared(places, first, second, shift)
            if overlap is not None:
                found[first, second] = overlap
    return [found[pair] for pair in sorted(found)]


def _candidates(places: Sequence[FloatArray]) -> Iterator[tuple[int, int, FloatArray]]:
    """Pairs of fields with VOTES marks that agree on a shift, and that shift."""
    pairs = [np.empty((0, 2), np.int64)]
    shifts = [np.empty((0, 2))]
    for field, place, mark in _all_marks(places):
        for offset in (0.0, CELL_PX / 2):
            one, other = _alike(np.floor((mark + offset) / CELL_PX).astype(np.int64), field)
            pairs.append(np.stack([field[one], field[other]], axis=1))
            shifts.append(place[other] - place[one])
    pair, shift = np.concatenate(pairs), np.concatenate(shifts)
    for offset in (0.0, SHIFT_CELL_PX / 2):
        cell = np.floor((shift + offset) / SHIFT_CELL_PX).astype(np.int64)
        key, own, votes = np.unique(_packed(np.hstack([pair, cell])), return_inverse=True, return_counts=True)
        # A mark may be found in both grids and with two and three neighbours.
        order = np.argsort(own, kind="stable")
        starts = np.searchsorted(own[order], np.arange(len(key)))
        for k in np.flatnonzero(votes >= VOTES):
            voters = order[starts[k] : starts[k] + votes[k]]
            yield int(pair[voters[0], 0]), int(pair[voters[0], 1]), np.median(shift[voters], axis=0)


def _all_marks(places: Sequence[FloatArray]) -> Iterator[tuple[NDArray[np.intp], FloatArray, FloatArray]]:
    """Field (m,), place (m, 2) and mark (m, 2·neighbours) of carbides whose neighbours surely lie within the frame."""
    from scipy.spatial import cKDTree

    known = [
        (k, place, *cKDTree(place).query(place, k=max(NEIGHBOURS) + 1)) for k, place in enumerate(places) if len(place)
    ]
    for neighbours in NEIGHBOURS:
        fields, at, marks = [np.empty(0, np.intp)], [np.empty((0, 2))], [np.empty((0, 2 * neighbours))]
        for number, place, distance, near in known:
            to_edge = np.minimum(place - place.min(axis=0), place.max(axis=0) - place).min(axis=1)
            sure = np.flatnonzero(distance[:, neighbours] <= to_edge)
            # The loneliest carbides of a field have the marks that are told apart best.
            sure = sure[np.argsort(-distance[sure, 1], kind="stable")[:MOST_MARKS]]
            fields.append(np.full(len(sure), number))
            at.append(place[sure])
            marks.append((place[near[sure, 1 : neighbours + 1]] - place[sure, None]).reshape(-1, 2 * neighbours))
        yield np.concatenate(fields), np.concatenate(at), np.concatenate(marks)


def _alike(cells: NDArray[np.int64], field: NDArray[np.intp]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Numbers of marks in the same cell and of different fields, the lower field first; crowded cells tell nothing."""
    key = _packed(cells)
    order = np.lexsort((field, key))
    key = key[order]
    _, start, count = np.unique(key, return_index=True, return_counts=True)
    one, other = [np.empty(0, np.intp)], [np.empty(0, np.intp)]
    for apart in range(1, CROWDED):
        first = start[(count > apart) & (count <= CROWDED)]
        size = count[(count > apart) & (count <= CROWDED)]
        if not len(first):
            break
        steps = _ranges(first, size - apart)
        one.append(order[steps])
        other.append(order[steps + apart])
    a, b = np.concatenate(one), np.concatenate(other)
    keep = field[a] != field[b]
    return a[keep], b[keep]


def _ranges(first: NDArray[np.intp], size: NDArray[np.intp]) -> NDArray[np.intp]:
    """All of first[i], first[i] + 1, ... (size[i] of them), one after the other."""
    ends = np.cumsum(size)
    return np.arange(ends[-1]) - np.repeat(ends - size - first, size)


def _packed(cells: NDArray[np.int64]) -> NDArray[np.uint64]:
    """One number a row; rows that differ share one by chance once in 2**64."""
    key = np.zeros(len(cells), np.uint64)
    for column in cells.T:
        key = (key ^ column.astype(np.uint64)) * np.uint64(0x9E3779B97F4A7C15)
        key ^= key >> np.uint64(29)
    return key


def _compared(places: Sequence[FloatArray], first: int, second: int, shift: FloatArray) -> Overlap | None:
    """Compare all carbides of the area that both fields show."""
    from scipy.spatial import cKDTree

    a, b = places[first] + shift, places[second]
    low = np.maximum(a.min(axis=0), b.min(axis=0))
    high = np.minimum(a.max(axis=0), b.max(axis=0))
    if (high <= low).any():
        return None
    inside = ((a >= low) & (a <= high)).all(axis=1)
    distance, near = (np.atleast_1d(found) for found in cKDTree(b).query(a[inside]))
    close = distance < CLOSE_PX
    others = int(((b >= low) & (b <= high)).all(axis=1).sum())
    if close.sum() < FEWEST_SHARED or close.sum() < SHARE_FOUND * max(int(inside.sum()), others):
        return None
    exact = shift + np.median(b[near[close]] - a[inside][close], axis=0)
    smaller = min(float(np.prod(np.ptp(p, axis=0))) for p in (a, b))
    return Overlap(first, second, float(exact[0]), float(exact[1]), min(1.0, float(np.prod(high - low)) / smaller))
