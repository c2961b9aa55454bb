"""Neighbours and stringers against Poisson points, grids and rows."""

import numpy as np
import pytest

from micro.measures.neighbours import nearest, neighbours, stringer_share

FRAME = (900.0, 600.0)


def test_poisson_points_give_the_distance_of_clark_and_evans():
    """Mean 0.5/√N_A, whatever the edge hides (Clark and Evans 1954, from memory)."""
    rng = np.random.default_rng(1)
    ratios = []
    for _ in range(150):
        points = rng.uniform(0, 1, (rng.poisson(300), 2)) * FRAME
        distance, _, weight = nearest(points, FRAME, 0.0)
        ratios.append(distance @ weight / weight.sum() / (0.5 / np.sqrt(300 / (FRAME[0] * FRAME[1]))))
    assert np.mean(ratios) == pytest.approx(1, abs=4 * np.std(ratios) / np.sqrt(150))


def test_random_carbides_lie_as_carbides_placed_at_random():
    """Discs placed without overlap: ratio 1 and no alignment, within what so many fields tell."""
    from micro.measures.neighbours import place_without_overlap

    rng = np.random.default_rng(2)
    ecd = rng.lognormal(2.0, 0.3, 300)
    found = [neighbours(place_without_overlap(ecd / 2, FRAME, rng), ecd, (600, 900), 30.0, n) for n in range(12)]
    for values in ([f.ratio - 1 for f in found], [f.alignment for f in found],
                   [f.stringer_share - f.stringer_share_at_random for f in found]):  # fmt: skip
        assert abs(np.mean(values)) < 3.5 * np.std(values, ddof=1) / np.sqrt(12) + 1e-9


def test_clusters_are_closer_and_a_lattice_is_farther_than_chance():
    """Pairs give a ratio well below 1, a square lattice well above."""
    rng = np.random.default_rng(3)
    lattice = np.stack(np.meshgrid(np.arange(20.0, 900, 40), np.arange(20.0, 600, 40)), -1).reshape(-1, 2)
    ecd = np.full(len(lattice), 6.0)
    assert neighbours(lattice, ecd, (600, 900), 0.0).ratio > 1.5
    pairs = np.concatenate([lattice, lattice + np.array([8.0, 0.0])]) + rng.normal(0, 0.5, (2 * len(lattice), 2))
    found = neighbours(pairs, np.full(len(pairs), 6.0), (600, 900), 0.0)
    assert found.ratio < 0.7
    assert found.alignment > 0.9


@pytest.mark.parametrize("rolling", [0.0, 17.0, 45.0, 90.0])
def test_rows_along_rolling_are_stringers_and_rows_across_are_not(rolling):
    """Points in rows are found along the rolling direction only, whatever it is."""
    rng = np.random.default_rng(4)
    turn = np.radians(rolling)
    points = []
    for _ in range(25):
        start = rng.uniform((150, 150), (750, 450))
        steps = 14.0 * np.arange(8)[:, None] - 49
        points.append(start + steps * [np.cos(turn), -np.sin(turn)] + rng.normal(0, 1.0, (8, 2)))
    points = np.concatenate(points)
    along = stringer_share(points, FRAME, rolling)
    across = stringer_share(points, FRAME, (rolling + 90) % 180)
    assert along > 0.7
    assert across < 0.35


def test_too_few_carbides_tell_nothing():
    """Below 20 carbides every number is unknown, not zero."""
    found = neighbours(np.random.default_rng(5).uniform(0, 500, (10, 2)), np.full(10, 5.0), (600, 900), 0.0)
    assert np.isnan([found.distance, found.ratio, found.alignment, found.stringer_share]).all()


@pytest.mark.parametrize("rolling", [0.0, 30.0, 60.0, 90.0])
def test_pairs_along_rolling_are_aligned_and_those_across_are_crossed(rolling):
    """Pairs at a known angle from the horizontal, counter-clockwise as seen (y runs down): cos 2·(angle - rolling)."""
    middle = np.stack(np.meshgrid(np.arange(60.0, 860, 80), np.arange(60.0, 560, 80)), -1).reshape(-1, 2)
    for angle in (rolling, rolling + 45, rolling + 90):
        half = 5 * np.array([np.cos(np.radians(angle)), -np.sin(np.radians(angle))])
        _, double, weight = nearest(np.concatenate([middle - half, middle + half]), FRAME, rolling)
        assert np.cos(double) @ weight / weight.sum() == pytest.approx(
            np.cos(2 * np.radians(angle - rolling)), abs=1e-9
        )


@pytest.mark.parametrize(("fraction", "spread"), [(0.05, 0.25), (0.1, 0.45), (0.15, 0.25), (0.25, 0.45)])
def test_neighbours_at_random_lie_further_apart_where_carbides_are_larger(fraction, spread):
    """What the interval of the ratio rests on: 0.4·√A_A per relative change of area; here within a third of it."""
    from micro.measures.neighbours import place_without_overlap
    from micro.specimens.quantities import KEPT_APART

    rng = np.random.default_rng(4)
    size = np.exp(spread * rng.standard_normal(500))
    radius = size * np.sqrt(fraction * FRAME[0] * FRAME[1] / np.pi / np.sum(size**2))

    def distance(times):
        found = []
        for seed in range(10):
            points = place_without_overlap(radius * np.sqrt(times), FRAME, np.random.default_rng(seed))
            away, _, weight = nearest(points, FRAME, 0.0)
            found.append(away @ weight / weight.sum())
        return np.mean(found)

    power = np.log(distance(1.2) / distance(0.8)) / np.log(1.2 / 0.8)
    assert power == pytest.approx(KEPT_APART * np.sqrt(fraction), rel=0.33)
