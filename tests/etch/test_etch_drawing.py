"""The phantom's etches and cameras hold what they say: light by closed forms, truth from the drawn outlines."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from micro.phantom.etch import Camera, Etch, developed, etched_field, photographed
from micro.phantom.picture import Optics
from micro.phantom.scenes import Population, Scene, place
from micro.phantom.shapes import shapes

SHAPE = (200, 260)
OPTICS = Optics(80.0, (180.0,), blur_px=1.0, noise=0.0, shading=0.0)
SCENE = Scene((Population(0.08, 20.0),), optics=OPTICS)


def one_disc(etch: Etch, diameter: float = 60.0):
    """Light of a disc in the middle over the contrast, px², and its area from the truth."""
    rng = np.random.default_rng(1)
    disc = shapes(np.array([diameter]), rng).moved(np.array([130.0]), np.array([100.0]))
    grey, truth = photographed(disc, SCENE, SHAPE, (etch, Camera()), rng)
    return float((grey - 80).sum() / 100), float(truth.area_fraction.sum()) * grey.size


def test_a_disc_without_etch_holds_the_light_of_its_area():
    light, area = one_disc(Etch())
    assert area == pytest.approx(np.pi * 30**2, rel=2e-3)
    assert light == pytest.approx(area, rel=3e-3)


@pytest.mark.parametrize(("rim", "width"), [(0.3, 1.0), (0.3, 2.0), (-0.3, 2.0)])
def test_a_rim_adds_the_light_of_its_ring(rim, width):
    """Ring between R and R + w: r·π·((R + w)² - R²)."""
    light, area = one_disc(Etch(rim=rim, rim_px=width))
    ring = np.pi * ((30 + width) ** 2 - 30**2)
    assert light - area == pytest.approx(rim * ring, rel=0.12, abs=2)


def test_a_dome_takes_the_light_of_its_slope():
    """Contrast from 1/2 at the edge to 1 at depth w: loss ∫ (1 - t/w)/2 · 2π(R - t) dt = π·(R·w/2 - w²/6)."""
    light, area = one_disc(Etch(dome_px=3.0))
    assert area - light == pytest.approx(np.pi * (30 * 3 / 2 - 9 / 6), rel=0.1)


def test_etch_changes_the_picture_but_not_the_truth():
    rng = np.random.default_rng(3)
    _, plain = etched_field(SCENE, SHAPE, Etch(), Camera(), rng)
    etch = Etch(
        lath=0.2, blocks=0.1, boundary=-0.6, rim=0.3, dome_px=1.5, grey_spread=0.2, relief=0.2, pits=0.02, holes=0.05
    )
    grey, etched = etched_field(
        SCENE, SHAPE, etch, Camera(gamma=0.7, jpeg=80, sharpening=0.5), np.random.default_rng(3)
    )
    assert etched.area_fraction == pytest.approx(plain.area_fraction)
    assert grey.dtype == np.float32 and np.array_equal(grey, np.rint(grey))


def test_films_count_as_carbide():
    """Lines between cells about points of a Poisson pattern of density 1/g²: length 2/g per area (Meijering 1953)."""
    scene = replace(SCENE, populations=())
    _, truth = etched_field(
        scene, (600, 600), Etch(film=True, film_px=3.0, grain_px=50.0), Camera(), np.random.default_rng(5)
    )
    assert truth.area_fraction.sum() == pytest.approx(3.0 * 2 / 50.0, rel=0.12)


def test_a_seed_draws_the_same_field_again():
    first, second = (
        etched_field(SCENE, SHAPE, Etch(lath=0.2, pits=0.01), Camera(jpeg=80), np.random.default_rng(7))[0]
        for _ in "ab"
    )
    assert np.array_equal(first, second)


def test_the_tone_curve_is_the_power_that_it_says():
    grey = np.full((4, 4), 64.0, np.float32)
    assert developed(grey, Camera(gamma=0.5))[0, 0] == np.rint(255 * np.sqrt(64 / 255))


def test_a_camera_of_defaults_leaves_the_picture():
    grey = np.random.default_rng(1).integers(0, 256, (20, 20)).astype(np.float32)
    assert np.array_equal(developed(grey, Camera()), grey)


def test_places_are_those_of_the_outlines():
    rng = np.random.default_rng(1)
    outlines = place(shapes(np.full(5, 20.0), rng), SHAPE, None, rng)
    grey, truth = photographed(outlines, SCENE, SHAPE, (Etch(), Camera()), rng)
    assert (grey[truth.coverage.by_class[0] == 1] > 110).all()
