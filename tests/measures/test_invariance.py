"""What is measured does not depend on where, how large, how bright and which way round a carbide was photographed."""

from functools import lru_cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from micro.geometry.runs import find_runs, moments
from micro.measures.intercepts import outline_length, scan, surface_per_volume
from micro.measures.particles import edge_position_variance, measure_outlines, measure_particles
from micro.phantom.picture import Optics, photograph
from micro.phantom.shapes import Shapes, cover, polygons, shapes
from micro.segmentation.stages import segment
from micro.tables.columns import PARTICLES
from micro.tables.units import to_um

PLASTIC = 1.32471795724474602596
"""x³ = x + 1: multiples of 1/x and 1/x² spread places over the pixel evenly, seen along any row (M. Roberts)."""
SHAPE = (120, 160)
FEW = settings(max_examples=4, deadline=None, derandomize=True)


def carbides(turn_deg=0.0, shift=(0.0, 0.0)) -> Shapes:
    """Nine carbides of aspect ratio 2 at nine places within a pixel, turned about their own centres and all moved."""
    x, y = (v.ravel() for v in np.meshgrid(np.array([40.0, 80.0, 120.0]), np.array([25.0, 60.0, 95.0])))
    outlines = shapes(np.full(9, 16.0), np.random.default_rng(2), aspect=2.0, angle_deg=turn_deg)
    place = np.arange(9)
    return outlines.moved(x + place / PLASTIC % 1 + shift[0], y + place / PLASTIC**2 % 1 + shift[1])


def photographed(outlines, noise=0.0, shape=SHAPE):
    optics = Optics(blur_px=1.0, noise=noise)
    return photograph(cover(outlines, shape), optics, np.random.default_rng(4))


def measured(grey, rolling=0.0):
    segmentation = segment(grey)
    return segmentation, measure_particles(segmentation, grey, rolling)


@lru_cache(maxsize=1)
def upright():
    return measured(photographed(carbides()))


SIZES = ("area_px2", "ecd_px", "major_px", "minor_px", "perimeter_px", "aspect_ratio")
WIDTHS = ("length_along_px", "width_across_px", "feret_max_px", "feret_min_px")


def alike(table, other, size, width):
    """Means of nine to 1 part in `size`, extents, which the last pixels tell, to `width`."""
    for name in (*SIZES, *WIDTHS):
        assert other[name].mean() == pytest.approx(table[name].mean(), rel=width if name in WIDTHS else size), name


@FEW
@given(st.floats(0, 180))
def test_rotation(angle):
    """Carbides and rolling direction turned by any angle: sizes to 1.5 %, widths to 3 %, angles to 1°."""
    _, table = measured(photographed(carbides(angle)), rolling=angle)
    assert len(table) == 9
    alike(upright()[1], table, 0.015, 0.03)
    assert np.abs(table["angle_deg"]).max() < 1.0


@FEW
@given(st.floats(-3, 3), st.floats(-3, 3))
def test_translation(right, down):
    """Moved by any part of a pixel: sizes to 1 %, widths to 3 %, places to 3 s of a pixel outline.

    An outline of pixels is off by δ with ⟨δ²⟩ times its correlation length = w (`edge_position_variance`), so that the
    centroid of an ellipse is off by ∮x·δ ds/A, of variance w·∮x² ds/A² (first order): 0.028 px along and 0.017 px
    across for the mean of nine and the difference of two pictures. Of 40 random moves the root mean square was 0.020
    and 0.016.
    """
    segmentation, table = measured(photographed(carbides(shift=(right, down))))
    assert len(table) == 9
    alike(upright()[1], table, 0.01, 0.03)
    a, b = (upright()[1][name].to_numpy()[:, None] / 2 for name in ("major_px", "minor_px"))
    turn = np.linspace(0, 2 * np.pi, 1000, endpoint=False)
    step = np.hypot(a * np.sin(turn), b * np.cos(turn)) * (turn[1] - turn[0])
    w = edge_position_variance(segmentation)
    for name, true, reach in (("x_px", right, a * np.cos(turn)), ("y_px", down, b * np.sin(turn))):
        variance = w * (reach**2 * step).sum(axis=1) / (np.pi * a * b)[:, 0] ** 2
        off = (table[name] - upright()[1][name]).mean() - true
        assert abs(off) < 3 * np.sqrt(2 * variance.sum()) / 9


@FEW
@given(st.floats(0.01, 5.0))
def test_scale(um_per_px):
    """Lengths go as the size of a pixel, areas as its square, to the last digits."""
    pixels = upright()[1]
    table = to_um(pixels, PARTICLES, um_per_px)
    for name in (*SIZES, *WIDTHS):
        power = {"aspect_ratio": 0, "area_px2": 2}.get(name, 1)
        assert np.allclose(table[name.replace("_px", "_um")], um_per_px**power * pixels[name], rtol=1e-9), name


@FEW
@given(st.integers(0, 3), st.booleans())
def test_quarter_turns_and_mirrors(turns, mirrored):
    """The same pixels the other way round, segmented anew: as for other grey levels."""
    grey = np.rot90(photographed(carbides(20.0), noise=4.0), turns)
    turned = np.ascontiguousarray(grey[:, ::-1] if mirrored else grey)
    _, first = measured(photographed(carbides(20.0), noise=4.0))
    _, other = measured(turned)
    for name in ("area_px2", "ecd_px", "major_px", "minor_px", "perimeter_px", "feret_max_px", "feret_min_px"):
        width = name.startswith("feret")
        assert other[name].mean() == pytest.approx(first[name].mean(), rel=0.01 if width else 0.003), name


@FEW
@given(st.floats(0.3, 1.5), st.floats(0, 30), st.booleans())
def test_grey_levels(gain, offset, inverted):
    """Brighter, fainter, or carbides dark for bright: the same but for a pixel here and there.

    Means of nine to 0.3 %, extents to 1 %.
    """
    grey = photographed(carbides(20.0), noise=4.0)
    _, first = measured(grey)
    changed = gain * (255 - grey if inverted else grey) / 2 + offset
    _, other = measured(changed.astype(np.float32))
    assert len(other) == len(first)
    for name in (*SIZES, *WIDTHS):
        assert other[name].mean() == pytest.approx(first[name].mean(), rel=0.01 if name in WIDTHS else 0.003), name


@lru_cache(maxsize=1)
def scattered():
    """Label picture of 196 discs of 7 px at as many places within a pixel, and its runs."""
    number = np.arange(196).reshape(14, 14)
    labels = np.zeros((14 * 12, 14 * 12), np.int32)
    y, x = np.mgrid[:12, :12] + 0.5
    for n in number.ravel():
        row, column = divmod(int(n), 14)
        disc = np.hypot(x - 5.5 - n / PLASTIC % 1, y - 5.5 - n / PLASTIC**2 % 1) <= 3.5
        labels[12 * row : 12 * row + 12, 12 * column : 12 * column + 12] = disc * (n + 1)
    return labels, find_runs(labels, number.size)


@settings(max_examples=25, deadline=None, derandomize=True)
@given(st.one_of(st.floats(-180, 180), st.sampled_from([0.0, 0.001, 45.0, 44.999, 90.0])))
def test_intercepts_of_discs_at_any_angle(angle):
    """N_L of a disc is its diameter (Underwood 1970, from memory): 7 px to 1 % at every rolling direction, AI is 1."""
    labels, runs = scattered()
    along, across = (i.per_carbide.mean() for i in scan(labels, np.zeros(labels.shape, bool), runs, angle))
    assert along == pytest.approx(7.0, rel=0.01)
    assert across == pytest.approx(7.0, rel=0.01)


def of_frame(outlines, shape):
    """Length of the outlines inside the frame, from polygons of 720 corners."""
    corners = polygons(outlines, 720)
    following = np.roll(corners, -1, axis=1)
    x, y = np.moveaxis((corners + following) / 2, 2, 0)
    inside = (x > 0) & (x < shape[1]) & (y > 0) & (y < shape[0])
    return float((np.hypot(*np.moveaxis(following - corners, 2, 0)) * inside).sum())


@pytest.mark.parametrize(("ecd", "aspect"), [(16.0, 1.0), (30.0, 1.0), (24.0, 2.5)])
def test_surface_per_volume_leaves_the_frame_out(ecd, aspect):
    """S_V = (4/π)·L_A of carbides cut by the frame, the mean of 40 fields to 1 %."""
    rng, shape = np.random.default_rng(6), (160, 200)
    seen = true = 0.0
    pitch = 1.25 * ecd * np.sqrt(aspect) + 6
    x, y = (v.ravel() for v in np.meshgrid(np.arange(-1, 200 // pitch + 2), np.arange(-1, 160 // pitch + 2)))
    for _ in range(40):
        right, down = rng.uniform(0, pitch, 2)
        outlines = shapes(np.full(x.size, ecd), rng, aspect=aspect, angle_deg=rng.uniform(0, 180, x.size))
        outlines = outlines.moved(pitch * x + right, pitch * y + down)
        labels = cover(outlines, shape).labels
        runs = find_runs(labels, int(labels.max()))
        length = outline_length(measure_outlines(runs, moments(runs), None))
        seen += surface_per_volume(length.sum(), labels.size)
        true += 4 / np.pi * of_frame(outlines, shape) / labels.size
    assert seen == pytest.approx(true, rel=0.01)
    assert np.isnan(surface_per_volume(1.0, 0.0))
