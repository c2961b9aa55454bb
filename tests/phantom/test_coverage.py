"""Coverage is the area of the outlines, pixel by pixel."""

from dataclasses import replace

import numpy as np
import pytest
from shapely.geometry import Polygon, box
from shapely.ops import unary_union

from micro.phantom.shapes import cover, polygons, shapes

SHAPE = (90, 130)


def sampling_error(perimeter_px: float) -> float:
    """Four standard deviations of an area by points 0.2 px apart (Matérn, from memory: variance ≈ 0.073·P·h³)."""
    return 4 * np.sqrt(0.073 * perimeter_px * 0.2**3)


@pytest.mark.parametrize("aspect", [1.0, 2.0, 5.0])
@pytest.mark.parametrize("ecd", [4.0, 20.0, 40.0])
def test_ellipses_cover_pi_a_b(ecd, aspect):
    """At any place between the pixels and any angle."""
    rng = np.random.default_rng(1)
    for _ in range(10):
        one = shapes(np.array([ecd]), rng, aspect=aspect, angle_deg=rng.uniform(0, 180))
        one = one.moved(rng.uniform(60, 70, 1), rng.uniform(44, 46, 1))
        a, b = one.semi_major[0], one.semi_minor[0]
        perimeter = np.pi * (3 * (a + b) - np.sqrt((3 * a + b) * (a + 3 * b)))  # Ramanujan, from memory
        assert cover(one, SHAPE).area_px[0] == pytest.approx(np.pi * a * b, abs=sampling_error(perimeter))


@pytest.mark.parametrize(("length", "width"), [(100.0, 1.2), (60.0, 0.5), (12.0, 0.8)])
def test_lines_thinner_than_a_pixel_keep_their_area(length, width):
    """No pixel is missed where the outline passes between pixel centres: right on average over places."""
    rng = np.random.default_rng(2)
    for angle in (0.0, 7.0, 45.0, 90.0):
        lines = shapes(np.full(60, np.sqrt(length * width)), rng, aspect=length / width, angle_deg=angle)
        x, y = rng.uniform(65, 66, (2, 60))
        area = [cover(lines.take(np.array([i])).moved(x[[i]], y[[i]]), (130, 130)).area_px[0] for i in range(60)]
        error = max(np.std(area, ddof=1) / np.sqrt(60), 0.002 * length * width)
        assert np.mean(area) == pytest.approx(np.pi / 4 * length * width, abs=4 * error)


def rough(n, rng, **how):
    outlines = shapes(rng.uniform(6, 25, n), rng, aspect=rng.uniform(1, 4, n), angle_deg=rng.uniform(0, 180, n), **how)
    return outlines.moved(rng.uniform(20, 110, n), rng.uniform(20, 70, n))


@pytest.mark.parametrize("facets", [0, 6])
def test_share_of_every_pixel_agrees_with_polygon_clipping(facets):
    """Outside check by shapely: each pixel's overlap with the polygon, to the error of 25 points."""
    outline = rough(1, np.random.default_rng(3), roughness=0.1, facets=facets)
    share = cover(outline, SHAPE).by_class[0]
    polygon = Polygon(polygons(outline)[0])
    exact = np.array([[polygon.intersection(box(c, r, c + 1, r + 1)).area for c in range(130)] for r in range(90)])
    assert np.abs(share - exact).max() < 0.15
    assert np.abs((share - exact)[exact > 0].mean()) < 0.01


def test_overlaps_count_once():
    """The union of overlapping outlines is that of their polygons (shapely); the outlines' shares add up to it."""
    outlines = rough(40, np.random.default_rng(4), roughness=0.08)
    coverage = cover(outlines, SHAPE)
    union = unary_union([Polygon(p) for p in polygons(outlines)]).intersection(box(0, 0, 130, 90))
    assert coverage.by_class.sum() == pytest.approx(union.area, rel=2e-3)
    assert coverage.area_px.sum() == pytest.approx(coverage.by_class.sum(dtype=float), rel=1e-6)
    assert coverage.by_class.max() <= 1


def test_the_later_outline_wins():
    rng = np.random.default_rng(5)
    pair = shapes(np.array([30.0, 10.0]), rng, class_index=np.array([0, 1])).moved([60, 60], [40, 40])
    small_last = cover(pair, SHAPE, classes=2)
    assert small_last.area_px[1] == pytest.approx(np.pi * 25, rel=0.01)
    assert small_last.area_px[0] == pytest.approx(np.pi * (225 - 25), rel=0.01)
    assert small_last.by_class.sum(axis=(1, 2)) == pytest.approx(small_last.area_px, rel=1e-5)
    small_first = cover(pair.take(np.array([1, 0])), SHAPE, classes=2)
    assert small_first.area_px[0] == 0


def test_labels_name_the_outline_that_holds_the_pixel_centre():
    outlines = rough(20, np.random.default_rng(6), roughness=0.1)
    labels = cover(outlines, SHAPE).labels
    found = [Polygon(p) for p in polygons(outlines)]
    rng = np.random.default_rng(7)
    for r, c in zip(rng.integers(0, 90, 300), rng.integers(0, 130, 300), strict=True):
        holders = [i + 1 for i, p in enumerate(found) if p.contains(box(c + 0.49, r + 0.49, c + 0.51, r + 0.51))]
        near_edge = any(p.exterior.distance(box(c + 0.5, r + 0.5, c + 0.5, r + 0.5)) < 0.05 for p in found)
        assert near_edge or labels[r, c] == max(holders, default=0)


def test_moving_and_turning_move_and_turn_the_picture():
    """Whole pixels and quarter turns change nothing but the place."""
    rng = np.random.default_rng(8)
    here = rough(30, rng, roughness=0.1, facets=4)
    picture = cover(here, SHAPE)
    there = cover(here.moved(here.x + 7, here.y + 11), (120, 150))
    np.testing.assert_array_equal(there.by_class[0, 11:101, 7:137], picture.by_class[0])
    turned = cover(replace(here.moved(here.y, 130 - here.x), angle_deg=here.angle_deg + 90), (130, 90))
    np.testing.assert_allclose(np.rot90(picture.by_class[0]), turned.by_class[0], atol=0.041)  # one point in 25
    assert (np.rot90(picture.by_class[0]) != turned.by_class[0]).mean() < 1e-3


def test_what_the_frame_cuts_is_not_whole():
    three = shapes(np.array([10.0, 10.0, 10.0]), np.random.default_rng(9)).moved([40, 2, 500], [40, 40, 40])
    coverage = cover(three, SHAPE)
    assert coverage.whole.tolist() == [True, False, False]
    assert coverage.area_px[2] == 0
    assert 0 < coverage.area_px[1] < coverage.area_px[0]


def test_no_outline_no_cover():
    coverage = cover(shapes(np.empty(0), np.random.default_rng(0)), SHAPE, classes=2)
    assert coverage.by_class.shape == (2, *SHAPE)
    assert coverage.area_fraction.tolist() == [0, 0]
    assert len(coverage.area_px) == 0


def test_order_of_work_does_not_show(monkeypatch):
    """Small chunks give the same picture as large ones."""
    rng, number = np.random.default_rng(10), 400
    x, y = (rng.uniform(-20, side + 20, number) for side in SHAPE[::-1])
    outlines = shapes(rng.lognormal(2.4, 0.4, number), rng).moved(x, y)  # they overlap freely
    whole = cover(outlines, SHAPE)
    monkeypatch.setattr("micro.phantom.shapes.CHUNK", 3000)
    parts = cover(outlines, SHAPE)
    np.testing.assert_array_equal(whole.by_class, parts.by_class)
    np.testing.assert_array_equal(whole.labels, parts.labels)
