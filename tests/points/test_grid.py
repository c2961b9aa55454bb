"""Grids and draws are systematic from a random start, so that every spot and every field is equally likely."""

import numpy as np
import pytest

from micro.points.plan import draw_fields, place_grid


@pytest.mark.parametrize(("width", "height", "points"), [(640, 480, 25), (300, 900, 49), (2000, 700, 100), (50, 50, 1)])
def test_a_grid_has_about_the_points_asked_for_and_spans_the_field(width, height, points):
    grid = place_grid(width, height, points, np.random.default_rng(1))
    assert grid.points == pytest.approx(points, rel=0.15)
    assert len(grid.x_px) == len(grid.y_px) == grid.points
    assert grid.step_x_px * grid.columns == pytest.approx(width)
    assert grid.step_y_px * grid.rows == pytest.approx(height)
    assert (grid.x_px >= 0).all()
    assert (grid.x_px <= width).all()
    assert (grid.y_px <= height).all()


def test_points_are_numbered_along_the_rows():
    grid = place_grid(400, 300, 12, np.random.default_rng(2))
    assert grid.x_px[1] - grid.x_px[0] == pytest.approx(grid.step_x_px)
    assert grid.y_px[grid.columns] - grid.y_px[0] == pytest.approx(grid.step_y_px)


def test_every_spot_of_the_field_is_equally_likely():
    """The mean over many shifts of the points in any part of the field is that part's share of the area."""
    rng = np.random.default_rng(3)
    inside = []
    for _ in range(4000):
        grid = place_grid(400, 300, 12, rng)
        inside.append(np.mean((grid.x_px > 37) & (grid.x_px < 91) & (grid.y_px > 201) & (grid.y_px < 299.5)))
    share = (91 - 37) * (299.5 - 201) / (400 * 300)
    assert np.mean(inside) == pytest.approx(share, abs=4 * np.std(inside) / np.sqrt(4000))


def test_every_field_is_equally_likely_and_none_is_drawn_twice():
    rng = np.random.default_rng(4)
    drawn = [draw_fields(17, 5, rng) for _ in range(4000)]
    assert all(len(set(d)) == 5 and (np.diff(d) > 0).all() for d in drawn)
    share = np.bincount(np.concatenate(drawn), minlength=17) / 4000
    assert share == pytest.approx(5 / 17, abs=0.035)


def test_where_too_few_fields_are_there_all_are_drawn():
    assert draw_fields(3, 30, np.random.default_rng(5)).tolist() == [0, 1, 2]
