"""The same carbides placed at random without overlap: the reference for neighbours and stringers."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
ROUNDS = 200


def place_without_overlap(
    radius: FloatArray, extent: tuple[float, float], rng: np.random.Generator, stretch: float = 1.0
) -> FloatArray:
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
    rng
        Of the placement.
    stretch
        Ellipses of this length along over width across instead of discs, of the same area.

    Returns
    -------
    numpy.ndarray
        (n, 2) positions along and across, in the order of `radius`.
    """
    from scipy.spatial import cKDTree

    squash = np.array([1 / np.sqrt(stretch), np.sqrt(stretch)])
    sides = np.asarray(extent) * squash
    order = np.argsort(-radius, kind="stable")
    r = radius[order]
    spot = rng.uniform(0, 1, (len(r), 2)) * sides
    waiting = np.ones(len(r), bool)
    for _ in range(ROUNDS):
        refused = np.zeros(len(r), bool)
        if not waiting.any():
            break
        first, second = _overlapping(cKDTree(spot, compact_nodes=False, balanced_tree=False), r, waiting)
        # A placed disc always stays; between two proposals the larger one does.
        refused[np.where(waiting[second], second, first)] = True
        waiting = refused
        spot[waiting] = rng.uniform(0, 1, (int(waiting.sum()), 2)) * sides
    position = np.empty_like(spot)
    position[order] = spot / squash
    return position


def _overlapping(tree: Any, r: FloatArray, waiting: NDArray[np.bool_]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Pairs (first, second) that overlap, one of them waiting; of two waiting ones `second` is the smaller."""
    from scipy.spatial import cKDTree

    index = np.flatnonzero(waiting)
    # Discs come with the largest first: no disc of a run reaches further than the first of the run and of all.
    pairs = []
    for start, stop in pairwise([0, *(np.flatnonzero(np.diff(_octave(r[index]))) + 1).tolist(), len(index)]):
        run = index[start:stop]
        pair = cKDTree(tree.data[run]).sparse_distance_matrix(tree, r[run[0]] + r[0], output_type="ndarray")
        near = np.stack([run[pair["i"]], pair["j"]])
        pairs.append(near[:, pair["v"] < r[near[0]] + r[near[1]]])
    one, other = np.concatenate(pairs, axis=1)
    keep = (one != other) & ~(waiting[other] & (other > one))
    return other[keep], one[keep]


def _octave(r: FloatArray) -> NDArray[np.intp]:
    """Size class of each radius, by factors of two."""
    return np.floor(np.log2(np.maximum(r, 1e-9))).astype(np.intp)
