"""Discs, ellipses and rectangles whose area, perimeter, Feret diameters, axes and angle are known."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from known_shapes import disc, ellipse

from micro.measures.particles import measure_particles
from micro.tables.columns import PARTICLES, names
from micro.tables.units import pixel_columns, to_um


def measure(segmentation, rolling=0.0):
    grey = segmentation.contrast + 100
    return measure_particles(segmentation, grey, rolling)


@pytest.mark.parametrize("radius", [5.0, 8.0, 15.0, 30.0])
def test_discs(segmented, radius):
    """Area to 1 %, perimeter to 2 % from an ECD of 10 px, Feret and axes to 0.6 px.

    In one direction or another a digitised disc is narrower by as much.
    """
    perimeters, rows = [], []
    for shift in np.random.default_rng(1).uniform(-0.5, 0.5, (12, 2)):
        row = measure(segmented(disc(radius, np.array([50.0, 49.0]) + shift))).iloc[0]
        rows.append(row)
        perimeters.append(row["perimeter_px"])
    assert np.mean(perimeters) == pytest.approx(2 * np.pi * radius, rel=0.02)
    assert np.mean([r["area_px2"] for r in rows]) == pytest.approx(np.pi * radius**2, rel=0.01)
    for name in ("feret_max_px", "feret_min_px", "major_px", "minor_px", "ecd_px", "length_along_px"):
        assert np.mean([r[name] for r in rows]) == pytest.approx(2 * radius, abs=0.6), name


@pytest.mark.parametrize("angle", [0.0, 17.0, 45.0, 90.0, 150.0])
def test_ellipses(segmented, angle):
    """Axes, angle from rolling, and the extents along and across any rolling direction, in closed form."""
    a, b, rolling = 30.0, 12.0, 20.0
    row = measure(segmented(ellipse(a, b, angle)), rolling=rolling).iloc[0]
    assert row["major_px"] == pytest.approx(2 * a, rel=0.01)
    assert row["minor_px"] == pytest.approx(2 * b, rel=0.02)
    turned = (row["angle_deg"] - (angle - rolling)) % 180
    assert min(turned, 180 - turned) < 1.0
    phi = np.radians(angle - rolling)
    assert row["length_along_px"] == pytest.approx(2 * np.hypot(a * np.cos(phi), b * np.sin(phi)), rel=0.02)
    assert row["width_across_px"] == pytest.approx(2 * np.hypot(a * np.sin(phi), b * np.cos(phi)), rel=0.03)
    assert row["feret_max_px"] == pytest.approx(2 * a, rel=0.02)
    assert row["feret_min_px"] == pytest.approx(2 * b, rel=0.03)


@pytest.mark.parametrize("angle", [0.0, 22.5, 45.0, 63.4, 90.0])
def test_the_perimeter_of_a_needle_does_not_depend_on_its_direction(segmented, angle):
    """By Ramanujan's closed form (from memory) to 2 %: each lattice direction counts by the angle it stands for."""
    a, b = 50.0, 4.0
    around = np.pi * (3 * (a + b) - np.sqrt((3 * a + b) * (a + 3 * b)))
    assert measure(segmented(ellipse(a, b, angle)))["perimeter_px"].iloc[0] == pytest.approx(around, rel=0.02)


def test_rectangle(segmented):
    """An upright rectangle: area and centroid exact, sides by the extents, diagonal by the largest Feret diameter."""
    labels = np.zeros((60, 90), np.int32)
    labels[20:34, 10:58] = 1
    row = measure(segmented(labels)).iloc[0]
    assert row["area_px2"] == pytest.approx(14 * 48)
    assert (row["x_px"], row["y_px"]) == (pytest.approx(34.0), pytest.approx(27.0))
    assert row["length_along_px"] == pytest.approx(48, abs=0.5)
    assert row["width_across_px"] == pytest.approx(14, abs=0.5)
    assert row["feret_max_px"] == pytest.approx(np.hypot(48, 14), rel=0.02)
    assert row["perimeter_px"] == pytest.approx(2 * (14 + 48), rel=0.08)


def test_angles_lie_above_minus_90_and_up_to_90(segmented):
    """A carbide at right angles to rolling has +90°, never -90°."""
    row = measure(segmented(ellipse(30, 10, 90.0))).iloc[0]
    assert -90 < row["angle_deg"] <= 90
    assert abs(row["angle_deg"]) == pytest.approx(90, abs=0.5)


def test_scale_enters_as_k_and_k_squared(segmented, irregular):
    """Lengths go as the size of a pixel, areas as its square, ratios and angles not at all."""
    pixels = measure(segmented(irregular))
    fine, coarse = to_um(pixels, PARTICLES, 1.0), to_um(pixels, PARTICLES, 0.25)
    for name in names(PARTICLES):
        if name.endswith(("_um", "_um2")):
            power = 2 if name.endswith("_um2") else 1
            assert np.allclose(coarse[name], 0.25**power * fine[name]), name
    for name in ("aspect_ratio", "angle_deg", "weight", "mean_grey", "touches_edge"):
        assert np.allclose(coarse[name], fine[name]), name


def test_quarter_turns_and_mirrors_change_nothing(segmented, irregular):
    """Sizes and shapes of all carbides are those of the picture turned or mirrored; angles turn with it."""
    first = measure(segmented(irregular)).set_index("particle")
    for turned in (np.rot90(irregular), irregular[:, ::-1], irregular[::-1]):
        other = measure(segmented(turned)).set_index("particle")
        for name in (
            "area_px2",
            "ecd_px",
            "feret_max_px",
            "feret_min_px",
            "major_px",
            "minor_px",
            "perimeter_px",
            "weight",
        ):
            assert np.allclose(other[name], first[name], rtol=1e-6), name
    quarter = measure(segmented(np.rot90(irregular)), rolling=90.0).set_index("particle")
    off = (quarter["angle_deg"] - first["angle_deg"]) % 180
    directed = first["aspect_ratio"] > 1.02  # a round carbide has no direction
    assert np.minimum(off, 180 - off)[directed].max() < 1e-6


def test_nothing_found_is_an_empty_table_with_all_columns(segmented):
    """No carbide: every column, no row."""
    table = measure(segmented(np.zeros((50, 60), np.int32)))
    assert list(table.columns) == names(pixel_columns(PARTICLES))
    assert len(table) == 0


def test_blur_moves_light_and_loses_none(segmented):
    """The area of a blurred disc is that of the sharp one while its outline shrinks or grows."""
    sharp = disc(3.0)
    contrast = cv2.GaussianBlur(100 * sharp.astype(np.float32), (15, 15), 1.5)
    blurred = segmented((contrast > 50).astype(np.int32), contrast)
    basin = disc(9.0)
    row = measure(replace(blurred, basins=basin)).iloc[0]
    assert row["area_px2"] == pytest.approx(sharp.sum(), rel=0.01)
    assert abs(row["outline_area_px2"] / sharp.sum() - 1) > 0.05
