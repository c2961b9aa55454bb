"""Bands wider than any part of a mosaic shows are found by all parts together."""

import numpy as np
import pytest
from plates import verdict

from micro.measures.mosaic_banding import Part, mosaic_banding

SIDE, PART = 6000, 2000


def mosaic(spacing, seed=1, carbides=4000, rolling_deg=0.0, left_out=()):
    """Parts of a mosaic whose carbides crowd in a cosine across rolling; spacing 0: they lie at random."""
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(0, SIDE, (2, 4 * carbides))
    turn = np.radians(rolling_deg)
    across = x * np.sin(turn) + y * np.cos(turn)
    crowded = 0.6 * np.cos(2 * np.pi * across / spacing) if spacing else 0.0
    kept = rng.random(x.size) < 0.5 * (1 + crowded)
    x, y = x[kept][:carbides], y[kept][:carbides]
    area = np.pi / 4 * rng.lognormal(2.3, 0.4, len(x)) ** 2
    corners = [(top, left) for top in range(0, SIDE, PART) for left in range(0, SIDE, PART)]
    parts = []
    for top, left in corners:
        own = (y >= top) & (y < top + PART) & (x >= left) & (x < left + PART)
        if (top, left) not in left_out:
            parts.append(Part(top, left, top + PART, left + PART, x[own], y[own], area[own]))
    return parts, rolling_deg


@pytest.mark.parametrize(("spacing", "rolling_deg"), [(600, 0.0), (1500, 30.0), (2500, 90.0)])
def test_the_spacing_is_found_where_a_part_holds_no_two_bands(spacing, rolling_deg):
    """Within half a cycle of the whole width; the contrast is that drawn, 0.6 of the mean as a cosine: 0.6/√2."""
    parts, rolling = mosaic(spacing, rolling_deg=rolling_deg, carbides=20_000)
    found = mosaic_banding(parts, (SIDE, SIDE), rolling)
    middle, low, high = found.spacing
    assert verdict(found.bands) == "banded"
    assert low < spacing < high
    assert middle == pytest.approx(spacing, rel=0.05)
    assert found.bands.contrast == pytest.approx(0.6 / np.sqrt(2), rel=0.12)


def test_bands_wider_than_half_of_the_mosaic_have_no_spacing():
    parts, rolling = mosaic(4500)
    found = mosaic_banding(parts, (SIDE, SIDE), rolling)
    assert found.bands.too_wide
    assert np.isnan(found.spacing[0])


def test_bands_too_narrow_for_the_whole_are_not_denied():
    """A mosaic ten times as wide, so reduced that its bands of 200 px fall below what is searched, and is said."""
    parts, rolling = mosaic(200, carbides=20_000)
    assert verdict(mosaic_banding(parts, (SIDE, SIDE), rolling).bands) == "banded"
    found = mosaic_banding(parts, (10 * SIDE, 10 * SIDE), rolling)
    assert verdict(found.bands) != "banded"
    assert found.bands.shortest * found.reduced > 200


def test_carbides_at_random_are_not_banded_and_missing_parts_are_no_band():
    """Of 24 mosaics at most 3 alarm at 2.5 %, with all parts or without a whole row of them (binomial: 0.3 %)."""
    hole = tuple((PART, left) for left in range(0, SIDE, PART))
    alarms = 0
    for seed in range(24):
        parts, rolling = mosaic(0, seed, 800, left_out=hole if seed % 2 else ())
        alarms += mosaic_banding(parts, (SIDE, SIDE), rolling).bands.p_value <= 0.025
    assert alarms <= 3


def test_too_few_carbides_tell_nothing():
    parts, rolling = mosaic(1500, carbides=20)
    assert verdict(mosaic_banding(parts, (SIDE, SIDE), rolling).bands) == ""
