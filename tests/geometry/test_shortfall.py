"""Widths of digitised discs and ellipses at any angle: closed forms, no jump."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from micro.geometry.outlines import END_RADII_PX, REACH, STEPS, _shortfalls, crofton_perimeter, short_of_outline
from micro.geometry.runs import find_runs, moments
from micro.measures.particles import measure_outlines

PLACES = 15


def sheet(a, b, angle_deg):
    """Label picture of PLACES² ellipses of semi-axes a, b, each at a place of its own within a pixel."""
    side = int(2 * a + 4)
    cell = (np.arange(PLACES) + 0.5) / PLACES
    y, x = np.mgrid[:side, :side] + 0.5
    c, s = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    dx = x - side / 2 - (cell - 0.5)[:, None, None, None]
    dy = -(y - side / 2 - (cell - 0.5)[None, :, None, None])
    mask = ((dx * c + dy * s) / a) ** 2 + ((dy * c - dx * s) / b) ** 2 <= 1
    labels = mask * (np.arange(PLACES**2).reshape(PLACES, PLACES, 1, 1) + 1)
    return labels.transpose(0, 2, 1, 3).reshape(PLACES * side, PLACES * side).astype(np.int32)


def outlines(labels):
    runs = find_runs(labels, PLACES**2)
    return measure_outlines(runs, moments(runs), None)


SHAPES = {
    (a, b, turn): outlines(sheet(a, b, turn)) for a, b, turn in [(3.5, 3.5, 0), (5, 5, 0), (8, 3.5, 10), (14, 4, 33)]
}


@settings(max_examples=60, deadline=None)
@given(st.sampled_from(sorted(SHAPES)), st.floats(-360, 360))
def test_projected_widths_are_within_1_percent_at_every_angle(shape, angle):
    """2·√(a² cos² + b² sin²) (Underwood 1970, from memory), the mean over places within a pixel, from 7 px on."""
    a, b, turn = shape
    off = np.radians(angle - turn)
    true = 2 * np.hypot(a * np.cos(off), b * np.sin(off))
    assert SHAPES[shape].extent(angle).mean() == pytest.approx(true, rel=0.01)


@pytest.mark.parametrize("angle", [0.0, 45.0, 90.0, 135.0])
@pytest.mark.parametrize("turn", [-0.001, 0.001])
def test_no_jump_along_rows_columns_and_diagonals(angle, turn):
    """A thousandth of a degree off, the width of 7 px discs is the same to 0.05 %."""
    disc = SHAPES[3.5, 3.5, 0]
    assert disc.extent(angle + turn).mean() == pytest.approx(disc.extent(angle).mean(), rel=5e-4)


@settings(max_examples=60, deadline=None)
@given(st.floats(-180, 180), st.floats(1.0, 100.0))
def test_the_shortfall_has_the_symmetry_of_the_grid(angle, radius):
    """Quarter turns and mirrors leave the lattice as it is; a row is the most that can be missing."""
    ends = np.array([radius])
    here = short_of_outline(angle, ends)
    assert 0 < here <= 1
    for other in (angle + 90, -angle, 90 - angle):
        assert short_of_outline(other, ends) == pytest.approx(here, abs=1e-6)


@pytest.mark.parametrize(
    ("angle", "limit"), [(0.0, 1.0), (45.0, np.sqrt(0.5)), (np.degrees(np.arctan(0.5)), np.sqrt(0.2))]
)
def test_flat_ends_fall_short_by_the_distance_of_rows(angle, limit):
    """Of a straight edge along a lattice row the mean depth of the first row is half the distance of rows, each end."""
    assert short_of_outline(angle, END_RADII_PX[-1:])[0] == pytest.approx(limit, abs=0.045)


def test_outlines_that_leave_the_frame_are_measured_without_it():
    """A band from side to side, three tenths of the frame: outline 2·width; a frame all carbide has none."""
    labels = np.zeros((100, 160), np.int32)
    labels[35:65] = 1
    # On eight lattice directions the straight line is 1 % off at most.
    assert crofton_perimeter(find_runs(labels, 1), without_frame=True)[0] == pytest.approx(2 * 160, rel=0.015)
    assert crofton_perimeter(find_runs(np.ones_like(labels), 1), without_frame=True)[0] == pytest.approx(0, abs=1e-9)


def test_inside_the_frame_little_depends_on_it():
    """Away from the frame the outline is what it is; the room for pairs adds 1/side, as for any count in a frame."""
    labels = sheet(10, 6, 20)
    runs = find_runs(labels, PLACES**2)
    ratio = crofton_perimeter(runs, without_frame=True) / crofton_perimeter(runs)
    assert ratio.min() >= 1
    assert ratio.max() < 1 + 4 / min(labels.shape)


@pytest.fixture(scope="module")
def tabulated():
    """Make the table anew, so that a run of the tests sees which of them it serves."""
    _shortfalls.cache_clear()


@pytest.mark.usefixtures("tabulated")
@pytest.mark.parametrize("angle", [45.0, 26.565, 7.0, 20.0, 33.0])
@pytest.mark.parametrize("radius", [1.0, 2.0, 8.0])
def test_the_shortfall_is_that_of_parabolas_dropped_on_a_grid(angle, radius):
    """Depth of the first lattice point inside t ≥ v²/2r: the mean over 4 000 random places."""
    rng = np.random.default_rng(7)
    offset = rng.uniform(0, 1, (4000, 2, 1))
    half = int(np.sqrt(3 * radius)) + 4
    x, y = (part.ravel() for part in np.meshgrid(np.arange(-half, half + 1), np.arange(-half, half + 1)))
    c, s = np.cos(np.radians(angle)), np.sin(np.radians(angle))
    at_x, at_y = x + offset[:, 0], y + offset[:, 1]
    depth, aside = at_x * c + at_y * s, at_y * c - at_x * s
    first = np.where(aside**2 <= 2 * radius * depth, depth, np.inf).min(axis=1)
    expected = min(2 * first.mean(), 1.0)
    unsure = 2 * first.std() / np.sqrt(4000)
    found = short_of_outline(angle, np.array([radius]))[0]
    # The table holds a mean over 150 places, and is read by straight lines between angles and radii.
    assert found == pytest.approx(expected, abs=3 * unsure + 0.01)


def lobed_labels():
    """Return twelve ragged labels of one picture, and two where one ends at the corner before the next begins a row."""
    rng = np.random.default_rng(3)
    pattern = rng.random((50, 70)) < 0.6
    ragged = np.where(pattern, 1 + np.arange(70)[None, :] // 18 + 4 * (np.arange(50)[:, None] // 17), 0)
    apart = np.zeros((50, 70), int)
    apart[45:, 60:], apart[:3] = 1, 2
    return ragged, apart


@pytest.mark.parametrize("labels", lobed_labels(), ids=["ragged", "corner to row"])
@pytest.mark.parametrize("without_frame", [False, True])
def test_the_perimeter_counts_pairs_that_leave_a_label_whatever_its_shape(labels, without_frame):
    """Lobed labels with holes, side by side and at the edges: pairs counted on the picture, a direction at a time.

    Weights are half of the angles to the next directions on either side, over π.
    """
    count = int(labels.max())
    angles = np.array([np.arctan2(down, right) % np.pi for down, right in STEPS])
    padded, expected = np.pad(labels, REACH), np.zeros(count)
    rows, columns = labels.shape
    order = np.argsort(angles)
    for place, index in enumerate(order):
        down, right = STEPS[index]
        before, after = angles[order[place - 1]], angles[order[(place + 1) % len(order)]]
        weight = ((angles[index] - before) % np.pi + (after - angles[index]) % np.pi) / 2 / np.pi
        pairs = np.zeros(count)
        for one, other in ((down, right), (-down, -right)):
            beyond = padded[REACH + one : REACH + one + rows, REACH + other : REACH + other + columns]
            at_y, at_x = np.mgrid[:rows, :columns]
            inside = (at_y + one >= 0) & (at_y + one < rows) & (at_x + other >= 0) & (at_x + other < columns)
            left = (labels > 0) & (beyond != labels) & (inside | (not without_frame))
            pairs += np.bincount(labels[left], minlength=count + 1)[1:] / 2
        room = (rows - abs(down)) * (columns - abs(right))
        expected += weight / np.hypot(down, right) * pairs * (rows * columns / room if without_frame else 1)
    found = crofton_perimeter(find_runs(labels.astype(np.int32), count), without_frame=without_frame)
    np.testing.assert_allclose(found, np.pi * expected, rtol=1e-12)
