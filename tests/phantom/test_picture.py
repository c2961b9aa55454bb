"""The picture shows what the coverage says, through a lens that loses no light."""

import numpy as np
import pytest

from micro.phantom.picture import Optics, etched_surface, expose, illumination, photograph
from micro.phantom.shapes import cover, shapes

SHAPE = (80, 120)
CLEAN = Optics(90, (190,), blur_px=0, noise=0, shading=0)


def discs(rng):
    return cover(shapes(np.array([20.0, 6.0]), rng).moved([40, 90], [40, 30]), SHAPE)


@pytest.mark.parametrize("blur", [0.0, 0.7, 1.5, 3.0])
def test_light_over_the_matrix_is_area_times_contrast(blur):
    """Blur moves light but loses none: Σ(I − matrix)/(carbide − matrix) is the area."""
    rng = np.random.default_rng(1)
    coverage = discs(rng)
    optics = Optics(90, (190,), blur_px=blur, noise=0, shading=0, grey_max=65535)
    surface = etched_surface(coverage, optics, rng)
    grey = expose(surface * 100, optics, rng) / 100
    assert (grey - 90).sum() / 100 == pytest.approx(coverage.area_px.sum(), rel=1e-3)


def test_levels_are_those_of_matrix_and_classes():
    rng = np.random.default_rng(2)
    grey = photograph(discs(rng), CLEAN, rng)
    assert grey[40, 40] == 190
    assert grey[70, 10] == 90
    assert np.array_equal(grey, np.rint(grey))


def test_noise_and_texture_have_the_stated_spread():
    rng = np.random.default_rng(3)
    bare = cover(shapes(np.empty(0), rng), (300, 400))
    noisy = photograph(bare, Optics(100, (190,), blur_px=1, noise=6, shading=0), rng)
    assert noisy.std() == pytest.approx(6, rel=0.02)
    grain = etched_surface(bare, Optics(100, (190,), texture=8, texture_px=2), rng)
    assert grain.std() == pytest.approx(8, rel=1e-3)
    assert np.corrcoef(grain[:, :-2].ravel(), grain[:, 2:].ravel())[0, 1] == pytest.approx(np.exp(-0.25), abs=0.05)


def test_light_falls_from_one_by_the_shading():
    light = illumination(SHAPE, 0.4, np.random.default_rng(4))
    assert light.max() == pytest.approx(1)
    assert light.min() == pytest.approx(0.6)


def test_sensor_clips_at_full_scale():
    rng = np.random.default_rng(5)
    grey = photograph(discs(rng), Optics(90, (300,), noise=0, shading=0), rng)
    assert grey.max() == 255


def test_one_seed_one_picture():
    first, second, other = (
        photograph(discs(np.random.default_rng(0)), Optics(), np.random.default_rng(s)) for s in (1, 1, 2)
    )
    assert np.array_equal(first, second)
    assert not np.array_equal(first, other)
