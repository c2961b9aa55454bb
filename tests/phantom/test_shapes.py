"""Outlines have the size, shape and direction asked for."""

import numpy as np
import pytest
from shapely import contains_xy
from shapely.geometry import Polygon

from micro.phantom.shapes import inside, joined, polygons, shapes


@pytest.mark.parametrize(("roughness", "facets"), [(0.0, 0), (0.1, 0), (0.1, 5)])
def test_area_is_that_of_the_equivalent_circle(roughness, facets):
    """By shapely's polygon area; smooth, rough or cut outlines alike."""
    rng = np.random.default_rng(1)
    ecd = rng.uniform(3, 60, 100)
    outlines = shapes(ecd, rng, aspect=rng.uniform(1, 5, 100), roughness=roughness, facets=facets)
    found = [Polygon(p) for p in polygons(outlines)]
    assert all(p.is_valid for p in found)
    assert 2 * np.sqrt(np.array([p.area for p in found]) / np.pi) == pytest.approx(ecd, rel=2e-3)


def test_outlines_stay_within_reach_and_extent():
    rng = np.random.default_rng(2)
    outlines = shapes(
        rng.uniform(3, 60, 200), rng, aspect=3.0, angle_deg=rng.uniform(0, 180, 200), roughness=0.1, facets=4
    )
    points = polygons(outlines)
    half_width, half_height = outlines.extent
    assert (np.hypot(*np.moveaxis(points, 2, 0)).max(axis=1) <= outlines.reach + 1e-9).all()
    assert (np.abs(points[..., 0]).max(axis=1) <= half_width + 1e-9).all()
    assert (np.abs(points[..., 1]).max(axis=1) <= half_height + 1e-9).all()


def test_angles_run_counter_clockwise_as_seen():
    """The y axis points down: at 30° the right tip lies above the centre."""
    tip = polygons(shapes(np.array([20.0]), np.random.default_rng(0), aspect=4.0, angle_deg=30.0))[0][0]
    assert tip[0] > 0
    assert tip[1] < 0
    assert np.degrees(np.arctan2(-tip[1], tip[0])) == pytest.approx(30)


def test_inside_agrees_with_the_polygon():
    rng = np.random.default_rng(3)
    outline = shapes(np.array([30.0]), rng, aspect=2.0, angle_deg=25.0, roughness=0.12, facets=5)
    polygon = Polygon(polygons(outline, 2000)[0])
    x, y = rng.uniform(-30, 30, (2, 3000))
    hit = inside(outline, np.zeros(3000, int), x, y)
    assert (hit != contains_xy(polygon, x, y)).sum() <= 2
    assert hit.sum() > 500


def test_joined_outlines_keep_their_form():
    rng = np.random.default_rng(4)
    cut, smooth = shapes(np.full(3, 20.0), rng, facets=5), shapes(np.full(2, 10.0), rng, aspect=2.0)
    both = polygons(joined(cut, smooth))
    np.testing.assert_allclose(both[:3], polygons(cut))
    np.testing.assert_allclose(both[3:], polygons(smooth))
