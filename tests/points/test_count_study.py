"""Long simulations: intervals of a count cover the truth as often as they say, and a wrong measurement is caught."""

import cv2
import numpy as np
import pandas as pd
import pytest

from micro.points.estimate import AGREES, DIFFERS, bias_of, point_fraction
from micro.points.measured import expected_score, judge_points
from micro.points.plan import place_grid, suggested_fields, suggested_points

pytestmark = pytest.mark.study

ROWS, COLUMNS = 150, 210
RADII = (4.0, 9.0)
MEAN_AREA = np.pi * (RADII[1] ** 3 - RADII[0] ** 3) / 3 / (RADII[1] - RADII[0])
FINE = 4


def scattered_discs(fraction, rng):
    """Draw centres and radii of discs scattered at random (Boolean model), also from beyond the edges of the field."""
    margin = 2 * RADII[1]
    density = -np.log(1 - fraction) / MEAN_AREA
    number = rng.poisson(density * (ROWS + 2 * margin) * (COLUMNS + 2 * margin))
    x = rng.uniform(-margin, COLUMNS + margin, number)
    y = rng.uniform(-margin, ROWS + margin, number)
    return x, y, rng.uniform(*RADII, number)


def distance_inside(discs, x, y):
    """How far points lie inside the nearest disc, px; below 0 outside."""
    cx, cy, radius = discs
    if not len(cx):
        return np.full(len(x), -np.inf)
    return (radius - np.hypot(x[:, None] - cx, y[:, None] - cy)).max(axis=1)


def perfect_scores(discs, grid):
    inside = distance_inside(discs, grid.x_px, grid.y_px)
    return np.where(inside > 0.5, 1.0, np.where(inside < -0.5, 0.0, 0.5))


@pytest.mark.parametrize(("fraction", "accuracy"), [(0.03, 20), (0.08, 20), (0.08, 10), (0.15, 10), (0.30, 20)])
def test_intervals_of_a_perfect_counter_cover_the_truth(fraction, accuracy):
    """500 phantoms counted as planned: the 95 % interval holds the true fraction 93 to 97 times in a hundred.

    The truth is that of the Boolean model, 1 − exp(−density·area) (G. Matheron, Random Sets, 1975).
    """
    rng = np.random.default_rng(int(1000 * fraction) + accuracy)
    points = suggested_points(fraction)
    fields = suggested_fields(fraction, points, accuracy)
    covered = 0
    for _ in range(500):
        grids = [place_grid(COLUMNS, ROWS, points, rng) for _ in range(fields)]
        shares = [perfect_scores(scattered_discs(fraction, rng), grid).mean() for grid in grids]
        p = point_fraction(shares, [grid.points for grid in grids])
        covered += p.low <= fraction <= p.high
    assert 0.93 <= covered / 500 <= 0.97


def mask_of(discs, growth=1.0):
    """(ROWS, COLUMNS) pixels whose centre lies in a disc; radii grown by √growth, so that areas grow by `growth`."""
    mask = np.zeros((ROWS, COLUMNS), np.uint8)
    for x, y, radius in zip(*discs, strict=True):
        centre = (round((x - 0.5) * 2**FINE), round((y - 0.5) * 2**FINE))
        cv2.circle(mask, centre, round((radius * np.sqrt(growth) - 0.2) * 2**FINE), 1, -1, shift=FINE)
    return mask > 0


def counted_specimen(fraction, fields, points, rng, outline_growth=1.0, area_factor=1.0, blunders=0.0):
    """Table for `bias_of`: a counter who sees the true discs, a program that may see them too large."""
    rows = []
    for number in range(fields):
        discs = scattered_discs(fraction, rng)
        truth, outlined = mask_of(discs), mask_of(discs, outline_growth)
        grid = place_grid(COLUMNS, ROWS, points, rng)
        seen = judge_points(truth, grid.x_px, grid.y_px)
        wrong = rng.random(len(seen)) < blunders
        seen = np.where(wrong, rng.choice([0.0, 0.5, 1.0], len(seen)), seen)
        own = judge_points(outlined, grid.x_px, grid.y_px)
        area, expected = area_factor * outlined.mean(), expected_score(outlined)
        apart = seen - own
        rows.append((
            f"f{number}", len(seen), seen.mean(), area, apart[apart > 0].sum(), -apart[apart < 0].sum(),
            seen.mean() - area, (seen.mean() - own.mean()) - (area - expected),
        ))  # fmt: skip
    names = [
        "field", "grid_points", "point_fraction", "area_fraction", "points_above", "points_below", "difference",
        "judged_difference",
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=names)


def verdicts(repeats, fraction, accuracy, seed, **measured):
    rng = np.random.default_rng(seed)
    points = suggested_points(fraction)
    fields = suggested_fields(fraction, points, accuracy)
    every = (counted_specimen(fraction, fields, points, rng, **measured) for _ in range(repeats))
    return [bias_of("A", "all", table, accuracy) for table in every]


@pytest.mark.parametrize(
    "wrong", [{"area_factor": 1.2}, {"area_factor": 0.8}, {"outline_growth": 1.2}, {"outline_growth": 1 / 1.2}]
)
@pytest.mark.parametrize("blunders", [0.0, 0.02])
def test_a_measurement_that_is_a_fifth_off_is_caught(wrong, blunders):
    """Power of 80 % at least at the suggested number of fields, wherever the fault lies and if the counter slips."""
    found = verdicts(60, 0.12, 10, 1, blunders=blunders, **wrong)
    assert np.mean([bias.verdict == DIFFERS for bias in found]) >= 0.8


def test_the_plain_difference_alone_catches_a_fifth():
    """The interval that still holds all the counting noise excludes zero in 80 of 100 counts at least."""
    found = verdicts(100, 0.12, 10, 2, area_factor=1.2)
    assert np.mean([bias.difference.excludes_zero for bias in found]) >= 0.8


def test_a_true_measurement_is_seldom_accused_and_mostly_confirmed():
    found = verdicts(150, 0.12, 10, 3)
    assert np.mean([bias.verdict == DIFFERS for bias in found]) <= 0.05
    assert np.mean([bias.verdict == AGREES for bias in found]) >= 0.8


@pytest.mark.parametrize(("slips", "most"), [(0.15, 0.97), (0.04, 1.0), (0.01, 1.0)])
@pytest.mark.parametrize(("fraction", "area_factor"), [(0.12, 1.0), (0.12, 1.3), (0.25, 0.9)])
def test_the_interval_freed_of_counting_noise_covers_the_true_difference(fraction, area_factor, slips, most):
    """A counter who slips at a share s of the points sees (1 − s)·V + s/2; the program sees the true V times a factor.

    Where slips are few the interval is wider on purpose, and may cover more often than 97 times in a hundred.
    """
    found = verdicts(400, fraction, 20, 4, area_factor=area_factor, blunders=slips)
    true = (1 - slips) * fraction + slips / 2 - area_factor * fraction
    covered = np.mean([bias.judged.low <= true <= bias.judged.high for bias in found])
    assert 0.93 <= covered <= most


def test_freeing_the_difference_of_counting_noise_narrows_it():
    """With few slips the interval is a third of the plain one or less: the same count tells three times as much."""
    found = verdicts(40, 0.12, 20, 5, blunders=0.01)
    ratio = [(b.judged.high - b.judged.low) / (b.difference.high - b.difference.low) for b in found]
    assert np.median(ratio) < 0.5
