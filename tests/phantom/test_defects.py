"""Each kind of damage changes what it says, by as much as it says, and nothing else."""

import numpy as np
import pytest

from micro.phantom.picture import Damage, Optics, damaged, dust, etched_surface, pits, scratches, stains
from micro.phantom.shapes import cover, shapes

SHAPE = (300, 400)
MATRIX = 120.0
PLAIN = np.full(SHAPE, MATRIX, np.float32)


def covered(surface, level):
    """Area in pixels that a cover of one grey level hides, its soft edges by their share."""
    return float(((PLAIN - surface) / (MATRIX - level)).sum())


def discs():
    return cover(shapes(np.array([40.0, 30.0]), np.random.default_rng(0)).moved([100, 300], [150, 150]), SHAPE)


@pytest.mark.parametrize(("kind", "diameter", "level"), [(pits, 5.0, 25.0), (dust, 8.0, 30.0)])
def test_pits_and_dust_cover_what_their_sizes_say(kind, diameter, level):
    """1 − exp(−λĀ) (Matheron, from memory), Ā from the moments of the lognormal sizes; to four standard errors."""
    marks, fields = 200, 5
    found = [
        covered(kind(PLAIN, marks, np.random.default_rng(seed), level=level, diameter_px=diameter), level)
        for seed in range(fields)
    ]
    mean_area = np.pi / 4 * diameter**2 * np.exp(2 * (-0.08 + 0.4**2))
    expected = PLAIN.size * (1 - np.exp(-marks * mean_area / PLAIN.size))
    relative_error = np.sqrt(np.expm1(4 * 0.4**2) / (marks * fields))
    assert np.mean(found) == pytest.approx(expected, rel=4 * relative_error)


def test_dust_is_out_of_focus():
    """Its edge is softer than that of a pit."""
    edge = [
        np.abs(np.diff(kind(PLAIN, 10, np.random.default_rng(2), level=25.0, diameter_px=20.0), axis=1)).max()
        for kind in (pits, dust)
    ]
    assert edge[1] < 0.5 * edge[0]


def test_scratches_are_long_and_thin():
    """One scratch darkens a strip as wide as said; it is many times as long."""
    cut = scratches(np.full((400, 400), MATRIX, np.float32), 1, np.random.default_rng(4))
    rows, columns = np.nonzero(cut < MATRIX - 3)
    length = np.hypot(np.ptp(rows), np.ptp(columns))
    assert (MATRIX - cut).sum() / 30 / length == pytest.approx(1.2 * np.pi / 4, rel=0.45)
    assert length > 40


def test_stains_are_deepest_at_their_rim():
    """As a drop dries, what it held gathers at its edge."""
    stained = stains(PLAIN, 1, np.random.default_rng(3), diameter_px=60.0)
    deep = stained < MATRIX - 25
    rows, columns = np.nonzero(stained < MATRIX - 5)
    middle = stained[round(rows.mean()), round(columns.mean())]
    assert deep.any()
    assert stained[deep].min() < middle - 10 < MATRIX - 10


def test_damage_of_every_kind_is_drawn():
    """With all kinds asked for the matrix is dirty; with none, the surface is untouched."""
    coverage = discs()
    surface = etched_surface(coverage, Optics(MATRIX, (200,)), np.random.default_rng(1))
    all_kinds = Damage(scratches=2, pits=5, dust=1, stains=1)
    dirty = damaged(surface, all_kinds, np.random.default_rng(6))
    assert (dirty[coverage.labels == 0] < MATRIX - 20).sum() > 100
    assert damaged(surface, Damage(), np.random.default_rng(6)) is surface
