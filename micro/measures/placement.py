"""The same carbides placed at random without overlap: the reference for neighbours and stringers."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
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

    In a dense field nearly all of their proposals are refused. All that follow the first that is not are taken back,
    and the generator with them, as one disc fewer then proposes.
    """
    placed = np.delete(np.arange(len(r)), waiting)
    place, reach = spot[placed], r[placed]
    kept = _tree(place)
    while rounds and len(waiting):
        state, many = rng.bit_generator.state, min(rounds, max(1, AT_ONCE // len(waiting)))
        proposed = rng.uniform(0, 1, (many, len(waiting), 2)) * extent
        own = np.tile(r[waiting], many)
        near = _tree(proposed.reshape(-1, 2)).sparse_distance_matrix(
            kept, own.max() + reach.max(initial=0), output_type="ndarray"
        )
        free = np.ones((many, len(waiting)), bool)
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
        place, reach = np.vstack([place, proposed[first][found]]), np.concatenate([reach, r[waiting[found]]])
        waiting, kept = waiting[~found], _tree(place)


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
