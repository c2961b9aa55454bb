"""Pixels that are not square: found with a second picture of the micrometer, and put right in what knows a direction.

The same scene is drawn once and photographed twice: with square pixels, and with pixels that are higher than wide.
"""

import math
from dataclasses import replace

import cv2
import numpy as np
import pandas as pd
import pytest
from invented_rulings import Micrometer, photograph_micrometer

import micro
from micro.errors import InputError
from micro.image.micrograph import Micrograph
from micro.measures.pixel_shape import squared_particles
from micro.phantom.picture import Optics
from micro.phantom.scenes import Population, Scene, make_field
from micro.scale.scale import Scale

STILL = Optics(200.0, (60.0, 90.0), blur_px=1.2, noise=0.0, shading=0.0)
SHAPE = 1.04


def photographed(scene, height_over_width, rng):
    """Sample a picture (rows, columns) with pixels of the same area, so much higher than wide, and noise."""
    rows, columns = scene.shape
    wide, high = height_over_width**-0.5, height_over_width**0.5
    x = (np.arange(int((columns - 12) / wide)) * wide + 6).astype(np.float32)
    y = (np.arange(int((rows - 12) / high)) * high + 6).astype(np.float32)
    seen = cv2.remap(scene.astype(np.float32), *np.meshgrid(x, y), cv2.INTER_LANCZOS4)
    return seen + rng.normal(0, 2.0, seen.shape)


def ruling(tilt_deg, turned, rng):
    picture = photograph_micrometer(Micrometer(0.2, tilt_deg=tilt_deg), (360, 360), STILL, rng)
    return np.ascontiguousarray(np.rot90(picture)) if turned else picture


@pytest.mark.parametrize(("shape", "tilts"), [(1.0, (1.0, -2.0)), (SHAPE, (3.0, 4.0))])
def test_two_pictures_of_a_ruling_tell_the_shape_of_a_pixel(shape, tilts):
    """Within three standard uncertainties, and the size of a pixel is the root of width times height."""
    rng = np.random.default_rng(4)
    upright, lying = (photographed(ruling(t, turned, rng), shape, rng) for t, turned in zip(tilts, (0, 1), strict=True))
    rows, columns = np.minimum(upright.shape, lying.shape)
    found = micro.calibrate(upright[:rows, :columns], 10.0, 0.0, lying[:rows, :columns])
    unsure = found.pixel_height_over_width_standard_uncertainty
    assert 0 < unsure < 1e-3
    assert abs(found.pixel_height_over_width - shape) < 3 * unsure
    assert abs(found.um_per_px - 0.2) < 3 * found.um_per_px_standard_uncertainty
    scale = found.scale_for(columns, rows)
    assert (scale.pixel_height_over_width, scale.shape_standard_uncertainty) == (found.pixel_height_over_width, unsure)


def test_a_certificate_moves_the_size_and_not_the_shape():
    """Both pictures show the same ruling: 0.1 % of its pitch is 0.1 % of the size, and cancels in the shape."""
    rng = np.random.default_rng(5)
    upright, lying = (photographed(ruling(0.0, turned, rng), 1.0, rng) for turned in (0, 1))
    bare, certified = (micro.calibrate(upright, 10.0, u, lying) for u in (0.0, 0.01))
    relative = [one.um_per_px_standard_uncertainty / one.um_per_px for one in (bare, certified)]
    assert math.hypot(relative[0], 0.001) == pytest.approx(relative[1])
    assert bare.pixel_height_over_width_standard_uncertainty == certified.pixel_height_over_width_standard_uncertainty


@pytest.mark.parametrize(
    ("first", "second", "said"),
    [((0, 0), (0, 0), "same direction"), ((0, 14), (1, 14), "lean by more"), ((0, 0), (1, 0), "same size")],
)
def test_pictures_that_cannot_tell_are_refused(first, second, said):
    rng = np.random.default_rng(6)
    one, other = (ruling(tilt, turned, rng) for turned, tilt in (first, second))
    with pytest.raises(InputError, match=said):
        micro.calibrate(one, 10.0, 0.0, other[:300] if said == "same size" else other)


@pytest.mark.parametrize("rolling", [0.0, 30.0, 90.0, 160.0])
def test_ellipses_get_the_axes_and_extents_that_they_have(rolling):
    """Ellipses of known axes seen through stretched pixels: the extents of an ellipse, √((a·c)² + (b·s)²), in full."""
    rng = np.random.default_rng(1)
    a, b, angle = rng.uniform(10, 30, 20), rng.uniform(4, 9, 20), rng.uniform(0, 180, 20)
    truth, seen = (_drawn(a, b, angle, rolling, shape) for shape in (1.0, SHAPE))
    direction = math.degrees(math.atan2(SHAPE * math.sin(math.radians(rolling)), math.cos(math.radians(rolling))))
    truth = _drawn(a, b, angle, direction, 1.0)
    found = squared_particles(seen, rolling, SHAPE)
    for name in ("feret_max_px", "feret_min_px", "major_px", "minor_px", "aspect_ratio", "length_along_px",
                 "width_across_px", "perimeter_px"):  # fmt: skip
        np.testing.assert_allclose(found[name], truth[name], rtol=1e-9, err_msg=name)
    off = (found["angle_deg"] - truth["angle_deg"] + 90) % 180 - 90
    np.testing.assert_allclose(off, 0, atol=1e-9)
    assert found["angle_deg"].between(-90, 90, inclusive="right").all()


def _drawn(a, b, angle, rolling, shape):
    """Return a table of ellipses as pixels of that shape show them, by the matrix of their second moments."""
    from micro.measures.particles import ellipse_perimeter

    turn = np.radians(angle)
    axis = np.stack([np.cos(turn), np.sin(turn)], axis=-1)
    normal = np.stack([-np.sin(turn), np.cos(turn)], axis=-1)
    true = (2 * a)[:, None, None] ** 2 * axis[:, :, None] * axis[:, None, :]
    true = true + (2 * b)[:, None, None] ** 2 * normal[:, :, None] * normal[:, None, :]
    to_px = np.diag([shape**0.5, shape**-0.5])
    seen = to_px @ true @ to_px
    size, vectors = np.linalg.eigh(seen)
    minor, major = np.sqrt(size.T)
    along, across = (
        np.array([math.cos(math.radians(d)), math.sin(math.radians(d))]) for d in (rolling, rolling + 90)
    )  # fmt: skip
    return pd.DataFrame({
        "feret_max_px": major, "feret_min_px": minor, "major_px": major, "minor_px": minor,
        "aspect_ratio": major / minor,
        "angle_deg": 90 - np.mod(90 - (np.degrees(np.arctan2(vectors[:, 1, 1], vectors[:, 0, 1])) - rolling), 180),
        "length_along_px": np.sqrt(np.einsum("i,nij,j->n", along, seen, along)),
        "width_across_px": np.sqrt(np.einsum("i,nij,j->n", across, seen, across)),
        "perimeter_px": ellipse_perimeter(major, minor),
    })  # fmt: skip


@pytest.fixture(scope="module")
def scene():
    """Even, roundish and long carbides under a lens, without noise."""
    optics = Optics(80.0, (200.0,), blur_px=1.0, noise=0.0)
    of = Scene((Population(0.10, 13.0, 0.3, 1.8, 0.0, 0.5),), rolling_deg=0.0, optics=optics)
    return make_field(of, (480, 620), np.random.default_rng(3))[0]


def measured(scene, shape, scale):
    grey = photographed(scene, shape, np.random.default_rng(8)).astype(np.float32)
    return micro.measure(Micrograph(grey, 255.0, rolling_deg=0.0, scale=scale), carbides="bright")


@pytest.mark.parametrize("shape", [SHAPE, 1 / SHAPE])
def test_a_field_reads_alike_through_pixels_that_are_not_square(scene, shape):
    """Four percent taller pixels: AI off by 4 % as they are, lengths by 2 %; by less than 0.8 % put right."""
    square = Scale(0.2, 0.0, "known", 1.0, 1e-4)
    truth, mended = measured(scene, 1.0, square), measured(scene, shape, replace(square, pixel_height_over_width=shape))
    bare = measured(scene, shape, Scale(0.2, 0.0, "known"))
    row, off, raw = (one.field.iloc[0] for one in (truth, mended, bare))
    assert raw["anisotropy_index"] / row["anisotropy_index"] == pytest.approx(shape, abs=0.008)
    for name in ("anisotropy_index", "intercepts_along_per_mm", "intercepts_across_per_mm", "mean_free_path_um",
                 "mean_chord_along_um", "mean_chord_across_um", "surface_per_volume_per_mm"):  # fmt: skip
        assert off[name] == pytest.approx(row[name], rel=0.008), name
    assert off["degree_of_orientation"] == pytest.approx(row["degree_of_orientation"], abs=0.008)
    assert off["area_fraction"] == raw["area_fraction"]
    whole = [one.particles[one.particles["weight"] > 0] for one in (truth, mended)]
    along, across = ([float(own[name].sum()) for own in whole] for name in ("length_along_um", "width_across_um"))
    assert along[1] / across[1] == pytest.approx(along[0] / across[0], rel=0.008)


def test_the_table_says_what_was_put_right(scene):
    row = measured(scene, 1.0, Scale(0.2, 0.0, "known", 1.01, 2e-4)).field.iloc[0]
    assert row["pixel_height_over_width"] == 1.01
    assert row["pixel_height_over_width_standard_uncertainty"] == 2e-4
    assert math.isnan(measured(scene, 1.0, Scale(0.2, 0.0, "known")).field.iloc[0]["pixel_height_over_width"])
