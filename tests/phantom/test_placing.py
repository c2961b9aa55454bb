"""Carbides lie apart, and where the density says."""

import numpy as np
import pytest
from shapely import STRtree
from shapely.geometry import Polygon

from micro.phantom.scenes import place, stringers, uneven_bands
from micro.phantom.shapes import polygons, shapes


@pytest.mark.parametrize("gap", [0.5, 2.0, 6.0])
def test_carbides_keep_their_distance(gap):
    """Shortest distance between polygons by shapely."""
    rng = np.random.default_rng(1)
    outlines = shapes(
        rng.lognormal(2.3, 0.5, 150), rng, aspect=rng.uniform(1, 5, 150), angle_deg=rng.uniform(0, 180, 150),
        roughness=0.1, facets=4,
    )  # fmt: skip
    found = [Polygon(p) for p in polygons(place(outlines, (200, 300), None, rng, gap_px=gap))]
    pairs = STRtree(found).query(found, "dwithin", gap + 3).T
    distances = [found[i].distance(found[j]) for i, j in pairs if i < j]
    assert gap <= min(distances) < gap + 2


def test_new_carbides_keep_away_from_settled_ones():
    rng = np.random.default_rng(2)
    settled = place(shapes(np.full(30, 20.0), rng, aspect=2.0), (200, 300), None, rng)
    fresh = place(shapes(np.full(80, 9.0), rng), (200, 300), None, rng, settled=settled)
    old, new = ([Polygon(p) for p in polygons(outlines)] for outlines in (settled, fresh))
    assert min(p.distance(q) for p in old for q in new) >= 2.0


def test_what_finds_no_room_is_dropped():
    rng = np.random.default_rng(3)
    assert 0 < len(place(shapes(np.full(500, 30.0), rng), (60, 80), None, rng, tries=50)) < 50


def test_places_are_even_without_density():
    """χ² over a 4 × 4 division stays below the 99.9 % point for 15 degrees of freedom, 37.7 (table, from memory)."""
    rng = np.random.default_rng(4)
    placed = place(shapes(np.full(2000, 1.0), rng), (800, 1000), None, rng, gap_px=0.5)
    counts, _, _ = np.histogram2d(placed.y, placed.x, bins=4, range=[[0, 800], [0, 1000]])
    assert ((counts - counts.mean()) ** 2 / counts.mean()).sum() < 37.7


@pytest.mark.parametrize("rolling", [0.0, 30.0, 90.0])
def test_bands_repeat_across_the_rolling_direction(rolling):
    """The density's wave 1 + m·cos gives a first Fourier coefficient of m/2 across, none along."""
    rng = np.random.default_rng(5)
    sin, cos = np.sin(np.radians(rolling)), np.cos(np.radians(rolling))
    wave = lambda x, y: 1 + 0.8 * np.cos(2 * np.pi * (x * sin + y * cos) / 90)  # noqa: E731
    placed = place(shapes(np.full(2000, 1.0), rng), (900, 900), wave, rng, gap_px=0.5)
    across, along = placed.x * sin + placed.y * cos, placed.x * cos - placed.y * sin
    assert abs(np.exp(2j * np.pi * across / 90).mean()) == pytest.approx(0.4, abs=0.05)
    assert abs(np.exp(2j * np.pi * along / 90).mean()) < 0.06


@pytest.mark.parametrize("make", [lambda rng: uneven_bands(0.6, 40, 20, rng), lambda rng: stringers(0.5, 100, 20, rng)])
def test_uneven_density_is_longer_along_the_rolling_direction(make):
    """Correlation over 30 px is high along, low across; the mean stays 1."""
    rng = np.random.default_rng(6)
    x, y = np.meshgrid(np.arange(0.0, 1500, 10), np.arange(0.0, 1500, 10))
    density = make(rng)(x, y)
    assert density.min() >= 0
    assert density.mean() == pytest.approx(1, abs=0.1)
    sin, cos = np.sin(np.radians(20)), np.cos(np.radians(20))
    rows, cols = np.indices((100, 100)) + 25
    middle = density[25:125, 25:125].ravel()

    def correlation(dx, dy):
        return np.corrcoef(middle, density[rows + round(dy / 10), cols + round(dx / 10)].ravel())[0, 1]

    assert correlation(30 * cos, -30 * sin) > 0.6
    assert correlation(20 * sin, 20 * cos) < 0.2
