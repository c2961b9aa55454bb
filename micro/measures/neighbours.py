"""Nearest neighbours and stringers, beside the same carbides placed at random without overlap."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from micro.geometry.regions import linked
from micro.measures.banding import across_and_along

FloatArray = NDArray[np.float64]

FEWEST = 20
DRAWN_CARBIDES = 6000
MOST_PLACEMENTS = 39
# Of a row: links reach this far along and across the rolling direction, in mean distances 1/√N_A.
LINK_ALONG, LINK_ACROSS = 1.0, 0.25
LINKED, SLENDER = 4, 3.0
CLASSES = 24


@dataclass(frozen=True, eq=False)
class Neighbours:
    """How carbides lie to their nearest neighbours, px; NaN with fewer than 20 carbides.

    Parameters
    ----------
    distance, distance_at_random
        Mean distance of the centroids of nearest neighbours, and the same for the same carbides, as discs, placed
        at random without overlap.
    alignment
        Mean of cos 2·angle from rolling of the line to the nearest neighbour: 1 all along, 0 none, -1 all across.
    stringer_share, stringer_share_at_random
        Share of the carbides that lie in rows along rolling, and the same for the placed carbides. A row is four
        or more carbides, each within one mean distance along and a quarter of it across of the next, at least
        three times as long as wide (common practice, no source).
    edges, share, share_at_random
        Distances that bound classes, and the share of nearest neighbours in each.
    """

    distance: float
    distance_at_random: float
    alignment: float
    stringer_share: float
    stringer_share_at_random: float
    edges: FloatArray
    share: FloatArray
    share_at_random: FloatArray

    @property
    def ratio(self) -> float:
        """Distance over that at random: below 1 clustered, above 1 evenly spread."""
        return self.distance / self.distance_at_random


def neighbours(
    points: FloatArray, ecd: FloatArray, shape: tuple[int, int], rolling_deg: float, seed: int = 0
) -> Neighbours:
    """Measure the neighbours of the carbides of one field.

    Only carbides nearer to their neighbour than to the edge of the frame enter, so that the edge hides no nearer one,
    weighted for the others (K.-H. Hanisch, 1984; from memory).

    Parameters
    ----------
    points
        (n, 2) x and y of the centroids.
    ecd
        (n,) equivalent circle diameters.
    shape
        (rows, columns) of the frame.
    rolling_deg
        Rolling direction from the horizontal, counter-clockwise as seen.
    """
    n = len(points)
    if n < FEWEST:
        nothing = np.empty(0)
        return Neighbours(*(np.nan,) * 5, nothing, nothing, nothing)
    rng = np.random.default_rng(seed)
    frame = (float(shape[1]), float(shape[0]))
    placements = min(int(np.ceil(DRAWN_CARBIDES / n)), MOST_PLACEMENTS)
    placed = np.array([place_without_overlap(ecd / 2, frame, rng) for _ in range(placements)])
    found = nearest(points, frame, rolling_deg)
    at_random = nearest(placed, frame, rolling_deg)
    edges = np.linspace(0, max(found[0].max(initial=0), at_random[0].max(initial=1e-9)), CLASSES + 1)
    return Neighbours(
        _mean(found[0], found[2]),
        _mean(at_random[0], at_random[2]),
        _mean(np.cos(found[1]), found[2]),
        stringer_share(points, frame, rolling_deg),
        stringer_share(placed, frame, rolling_deg),
        edges,
        *(np.histogram(d, edges, weights=w)[0] / max(w.sum(), 1e-12) for d, _, w in (found, at_random)),
    )


def _mean(values: FloatArray, weight: FloatArray) -> float:
    return float(values @ weight / weight.sum()) if len(values) else np.nan


def nearest(points: FloatArray, frame: tuple[float, float], rolling_deg: float) -> FloatArray:
    """(3, m) distance of the nearest neighbour, twice the angle to it from rolling (radians), and weight.

    Of the points nearer to their neighbour than to the edge, each weighted by the inverse of the area of the frame
    in which its distance could have been seen.

    Parameters
    ----------
    points
        (n, 2) x and y, two or more; or (placements, n, 2) of which each has its own neighbours.
    frame
        Width and height.
    """
    from scipy.spatial import cKDTree

    layered = _layered(points, 2 * sum(frame))
    tree, points = cKDTree(layered, compact_nodes=False, balanced_tree=False), layered[:, :2]
    distance, index = (np.asarray(found)[:, 1] for found in tree.query(layered, k=2))
    away, nearest_one = distance, points[index]
    to_edge = np.minimum(points, np.asarray(frame) - points).min(axis=1)
    known = away <= to_edge
    dx, dy = (nearest_one - points)[known].T
    d = away[known]
    seen = (frame[0] - 2 * d) * (frame[1] - 2 * d)
    return np.stack([d, 2 * (np.arctan2(-dy, dx) - np.radians(rolling_deg)), 1 / np.maximum(seen, 1.0)])


def _layered(points: FloatArray, apart: float) -> FloatArray:
    """(placements·n, 2 or 3) all points; placements lie in layers so far apart that none meets another.

    With few carbides one search over all of them spares most of what dozens of searches take to begin.
    """
    if points.ndim == 2:
        return points
    layer = np.repeat(apart * np.arange(len(points)), points.shape[1])
    return np.column_stack([points.reshape(-1, 2), layer])


def stringer_share(points: FloatArray, frame: tuple[float, float], rolling_deg: float) -> float:
    """Share of points that lie in rows along the rolling direction, as in `Neighbours`; `points` as in `nearest`."""
    from scipy.spatial import cKDTree

    across, along = across_and_along(points[..., 0], points[..., 1], rolling_deg)
    apart = np.sqrt(frame[0] * frame[1] / points.shape[-2])
    scaled = _layered(np.stack([along / (LINK_ALONG * apart), across / (LINK_ACROSS * apart)], axis=-1), 2.0)
    along, across, n = along.ravel(), across.ravel(), along.size
    # Pairs within a circle are found faster than those within the square it holds.
    pairs = cKDTree(scaled, compact_nodes=False, balanced_tree=False).query_pairs(np.sqrt(2), output_type="ndarray")
    one, other = pairs.T
    near = np.abs(scaled[one] - scaled[other]).max(axis=1, initial=0) <= 1
    member = linked(n, one[near], other[near])
    rows = int(member.max()) + 1
    size = np.bincount(member, minlength=rows)
    length, width = _extent(along, member, rows), _extent(across, member, rows)
    is_row = (size >= LINKED) & (length >= SLENDER * np.maximum(width, LINK_ACROSS * apart))
    return float(is_row[member].mean())


def _extent(value: FloatArray, member: NDArray[np.intp], groups: int) -> FloatArray:
    high, low = np.full(groups, -np.inf), np.full(groups, np.inf)
    np.maximum.at(high, member, value)
    np.minimum.at(low, member, value)
    return high - low


ROUNDS = 200
# Where this many times fewer wait than moved, those that have a place are moved no more; it does not pay for a few.
SETTLED, FEW = 5, 100
# So few last discs, and so many of their proposals, are looked at together (chosen; the places do not depend on it).
LAST, AT_ONCE = 12, 240
# A few giants must not make all the others look as far as they reach.
CLASS = 4.0


def place_without_overlap(radius: FloatArray, extent: tuple[float, float], rng: np.random.Generator) -> FloatArray:
    """Place discs one after the other, the largest first, on a rectangle, each where it meets none before it.

    Rounds of proposals stand for the sequence: of two proposals that overlap the earlier disc keeps its
    place. Discs still without a place after many rounds (fields too dense for a random sequence) stay where
    they were proposed last.

    Parameters
    ----------
    radius
        (n,) radii.
    extent
        Sides of the rectangle along and across.

    Returns
    -------
    numpy.ndarray
        (n, 2) positions along and across, in the order of `radius`.
    """
    order = np.argsort(-radius, kind="stable")
    r = radius[order]
    spot = np.empty((len(r), 2))
    moving, kept = np.arange(len(r)), _Kept(spot[:0], r[:0])
    waiting = np.ones(len(r), bool)
    for number in range(ROUNDS):
        if not waiting.any():
            break
        if waiting.sum() <= LAST:
            _place_last(spot, r, moving[waiting], extent, rng, ROUNDS - number)
            break
        proposed = moving[waiting]
        spot[proposed] = rng.uniform(0, 1, (len(proposed), 2)) * extent
        refused = _refused(spot[moving], r[moving], waiting)
        refused[waiting] |= kept.overlap(spot[proposed], r[proposed])
        waiting = refused
        if max(SETTLED * waiting.sum(), FEW) < len(moving):
            moving, waiting = moving[waiting], waiting[waiting]
            kept = _Kept(np.delete(spot, moving, axis=0), np.delete(r, moving))
    position = np.empty_like(spot)
    position[order] = spot
    return position


def _place_last(
    spot: FloatArray, r: FloatArray, waiting: NDArray[np.intp], extent: tuple[float, float],
    rng: np.random.Generator, rounds: int,
) -> None:  # fmt: skip
    """Find places for the last discs, into `spot`: as in so many rounds one by one, but looked at many at a time.

    In a dense field nearly all of their proposals are refused: twice as many each time. All that follow the first that
    is not are taken back, and the generator with them, as one disc fewer then proposes.
    """
    placed = np.delete(np.arange(len(r)), waiting)
    reach, kept, added, at_once = r[placed], _tree(spot[placed]), waiting[:0], 1
    while rounds and len(waiting):
        state, many = rng.bit_generator.state, min(rounds, at_once, max(1, AT_ONCE // len(waiting)))
        at_once *= 2
        proposed = rng.uniform(0, 1, (many, len(waiting), 2)) * extent
        own = np.tile(r[waiting], many)
        near = _tree(proposed.reshape(-1, 2)).sparse_distance_matrix(
            kept, own.max() + reach.max(initial=0), output_type="ndarray"
        )
        away = np.sqrt(np.square(proposed[:, :, None] - spot[added]).sum(axis=-1))
        free = (away >= r[waiting][:, None] + r[added]).all(axis=-1)
        free.reshape(-1)[near["i"][near["v"] < own[near["i"]] + reach[near["j"]]]] = False
        first = int(np.argmax(free.any(axis=1))) if free.any() else many - 1
        if first < many - 1:
            rng.bit_generator.state = state
            rng.uniform(0, 1, (first + 1, len(waiting), 2))
        rounds -= first + 1
        spot[waiting] = proposed[first]
        if not free.any():
            continue
        # Of discs that overlap each other the smaller one waits on.
        apart = np.hypot(*(proposed[first][:, None] - proposed[first]).T) < r[waiting][:, None] + r[waiting]
        found = free[first] & ~np.tril(apart, -1).any(axis=1)
        added, waiting = np.append(added, waiting[found]), waiting[~found]


def _tree(spot: FloatArray) -> Any:
    """Return a tree of places that is made as fast as it can be; it is asked once or twice."""
    from scipy.spatial import cKDTree

    return cKDTree(spot, compact_nodes=False, balanced_tree=False)


def _refused(spot: FloatArray, r: FloatArray, waiting: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """(n,) discs that wait for a place and overlap another one where they are proposed; the largest come first."""
    refused = np.zeros(len(r), bool)
    for start, stop in _classes(r):
        tree = _tree(spot[start:])
        if stop == len(r):
            larger, smaller = tree.query_pairs(2 * r[start], output_type="ndarray").T + start
        else:
            pair = _tree(spot[start:stop]).sparse_distance_matrix(tree, 2 * r[start], output_type="ndarray")
            larger, smaller = start + np.stack([pair["i"], pair["j"]])[:, pair["i"] < pair["j"]]
        near = np.hypot(*(spot[larger] - spot[smaller]).T) < r[larger] + r[smaller]
        larger, smaller = larger[near], smaller[near]
        # A placed disc always stays; between two proposals the larger one does.
        refused[np.where(waiting[smaller], smaller, larger)] = True
    return refused


class _Kept:
    """Discs that stay where they are, the largest first."""

    def __init__(self, spot: FloatArray, r: FloatArray) -> None:
        self.classes = [(_tree(spot[start:stop]), r[start:stop]) for start, stop in _classes(r)]

    def overlap(self, spot: FloatArray, r: FloatArray) -> NDArray[np.bool_]:
        """(m,) other discs, the largest first, that overlap one of these."""
        found, others = np.zeros(len(r), bool), _tree(spot)
        for tree, own in self.classes:
            pair = others.sparse_distance_matrix(tree, r[0] + own[0], output_type="ndarray")
            found[pair["i"][pair["v"] < r[pair["i"]] + own[pair["j"]]]] = True
        return found


def _classes(r: FloatArray) -> list[tuple[int, int]]:
    """Where classes of falling radii begin and end: by the factor `CLASS` above that multiple of the median."""
    if not len(r):
        return []
    size = np.ceil(np.log(np.maximum(r / max(r[len(r) // 2], 1e-9), CLASS)) / np.log(CLASS))
    return list(pairwise([0, *(np.flatnonzero(np.diff(size)) + 1).tolist(), len(r)]))
