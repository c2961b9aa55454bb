"""The same carbides placed at random without overlap: the reference for neighbours and stringers."""

from __future__ import annotations

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
        first, second = _close_pairs(cKDTree(spot), r, waiting)
        overlap = np.hypot(*(spot[first] - spot[second]).T) < r[first] + r[second]
        first, second = first[overlap], second[overlap]
        # A placed disc always stays; between two proposals the larger one does.
        refused[np.where(waiting[second], second, first)] = True
        waiting = refused
        spot[waiting] = rng.uniform(0, 1, (int(waiting.sum()), 2)) * sides
    position = np.empty_like(spot)
    position[order] = spot / squash
    return position


def _close_pairs(tree: object, r: FloatArray, waiting: NDArray[np.bool_]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Pairs (first, second) that may overlap, one of them waiting; of two waiting ones `second` is the smaller."""
    from scipy.spatial import cKDTree

    assert isinstance(tree, cKDTree)
    index = np.flatnonzero(waiting)
    near = tree.query_ball_point(tree.data[index], r[index] + r.max(), return_sorted=False)
    count = np.array([len(found) for found in near])
    one = np.repeat(index, count)
    other = np.concatenate([np.asarray(found, np.intp) for found in near])
    keep = (one != other) & ~(waiting[other] & (other > one))
    one, other = one[keep], other[keep]
    return other, one
