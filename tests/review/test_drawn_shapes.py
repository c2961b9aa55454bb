"""Which pixels a drawn outline holds and a drawn line parts: against geometry of other libraries."""

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from micro.review.apply import inside, parted_links, pieces

SHAPE = (40, 50)
X, Y = np.meshgrid(np.arange(SHAPE[1]) + 0.5, np.arange(SHAPE[0]) + 0.5)


def star(rng, corners):
    """(corners, 2) outline that does not cross itself, partly beyond the picture."""
    angle = np.sort(rng.uniform(0, 2 * np.pi, corners))
    radius = rng.uniform(3, 30, corners)
    return np.round(np.stack([25 + radius * np.cos(angle), 20 + radius * np.sin(angle)], axis=1), 2)


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10_000), st.integers(3, 25))
def test_pixels_of_an_outline_are_those_whose_centre_a_polygon_contains(seed, corners):
    """Shapely knows polygons by itself; centres exactly on the edge belong to either side."""
    points = star(np.random.default_rng(seed), corners)
    polygon = shapely.Polygon(points)
    if not polygon.is_valid:
        return
    mask = inside(points, SHAPE)
    clear = shapely.distance(polygon.exterior, shapely.points(X, Y)) > 1e-9
    assert np.array_equal(mask[clear], shapely.contains_xy(polygon, X, Y)[clear])


def test_a_rectangle_on_pixel_borders_holds_its_pixels_to_the_last():
    """A rectangle from 10, 5 to 14, 8 is four columns by three rows, drawn either way round."""
    corners = np.array([[10, 5], [14, 5], [14, 8], [10, 8.0]])
    expected = np.zeros(SHAPE, bool)
    expected[5:8, 10:14] = True
    assert np.array_equal(inside(corners, SHAPE), expected)
    assert np.array_equal(inside(corners[::-1], SHAPE), expected)


def test_neighbours_on_a_shared_border_share_no_pixel_and_leave_none_out():
    """Two outlines with one edge in common, right through pixel centres, part the pixels between them."""
    left = np.array([[0.5, 0.5], [20.5, 0.5], [20.5, 30.5], [0.5, 30.5]])
    right = np.array([[20.5, 0.5], [40.5, 0.5], [40.5, 30.5], [20.5, 30.5]])
    both = np.array([[0.5, 0.5], [40.5, 0.5], [40.5, 30.5], [0.5, 30.5]])
    a, b = inside(left, SHAPE), inside(right, SHAPE)
    assert not (a & b).any()
    assert np.array_equal(a | b, inside(both, SHAPE))


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10_000), st.integers(2, 6))
def test_a_line_parts_the_neighbours_whose_centres_it_runs_between(seed, corners):
    """A link from centre to centre is parted where shapely says that the line crosses it."""
    rng = np.random.default_rng(seed)
    points = np.round(rng.uniform([-5, -5], [55, 45], (corners, 2)), 2)
    points += [0.003, 0.0017]  # off the grid and the diagonals of centres: on them either answer is right
    line = shapely.LineString(points)
    parted = parted_links(points, SHAPE)
    for number, (down, along) in enumerate(((0, 1), (1, -1), (1, 0), (1, 1))):
        links = shapely.linestrings(np.stack([np.stack([X, Y], -1), np.stack([X + along, Y + down], -1)], axis=-2))
        assert np.array_equal(parted[number], shapely.intersects(line, links))


@pytest.mark.parametrize("points", [
    [[-1, 20.5], [60, 20.5]], [[25.5, -1], [25.5, 60]], [[-0.5, -0.5], [49.5, 49.5]], [[-1, 3], [24.5, 20.5], [60, 33]],
])  # fmt: skip
def test_a_line_right_through_centres_leaves_no_gap(points):
    """A line from side to side cuts a full picture in two, also along rows, columns, diagonals and through a centre."""
    whole = np.ones(SHAPE, np.int32)
    parted = pieces(whole, parted_links(np.array(points, float), SHAPE))
    assert parted.max() == 2


def test_pieces_are_those_of_eight_neighbours():
    """OpenCV labels with eight neighbours; numbers follow the first pixel in reading order."""
    import cv2

    mask = (np.random.default_rng(3).uniform(size=SHAPE) < 0.35).astype(np.int32)
    ours, (_, theirs) = pieces(mask), cv2.connectedComponents(mask.astype(np.uint8), connectivity=8)
    pairs = {(a, b) for a, b in zip(ours[mask > 0].tolist(), theirs[mask > 0].tolist(), strict=True)}
    assert len(pairs) == ours.max() == theirs.max()
    first = [np.flatnonzero(ours == k)[0] for k in range(1, ours.max() + 1)]
    assert first == sorted(first)
