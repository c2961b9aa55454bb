"""Discs placed at random: the last ones of a dense field are looked at many proposals at a time, to the same places."""

import numpy as np
import pytest

from micro.measures import neighbours
from micro.measures.neighbours import place_without_overlap

SHAPE = 1.44
"""Sides of the frame, one over the other."""


@pytest.mark.parametrize("dense", [0.1, 0.35, 0.5, 0.6])
def test_the_last_discs_lie_where_round_by_round_puts_them(dense, monkeypatch):
    """To the bit, at any share of the area, with the generator left as it would be; at 0.6 some find no place."""
    for seed in range(3):
        radius = np.random.default_rng(seed).lognormal(1.5, 0.5, 200 + 150 * seed)
        side = np.sqrt((np.pi * radius**2).sum() / dense / SHAPE)
        found = []
        for last in (neighbours.LAST, 0):
            monkeypatch.setattr(neighbours, "LAST", last)
            rng = np.random.default_rng(seed)
            found.append((place_without_overlap(radius, (side * SHAPE, side), rng), rng.random(4)))
            monkeypatch.undo()
        (spot, after), (one_by_one, then) = found
        assert np.array_equal(spot, one_by_one)
        assert np.array_equal(after, then)


def test_no_two_discs_overlap_where_there_is_room():
    """At a third of the area a random sequence finds a place for all."""
    radius = np.random.default_rng(5).lognormal(1.0, 0.4, 400)
    side = np.sqrt((np.pi * radius**2).sum() / 0.3)
    spot = place_without_overlap(radius, (side, side), np.random.default_rng(6))
    apart = np.hypot(*(spot[:, None] - spot).T)
    np.fill_diagonal(apart, np.inf)
    assert (apart >= radius[:, None] + radius).all()
    assert ((spot >= 0) & (spot <= side)).all()
