"""Blur shortens outlines and widens them; what is measured is the carbide before the blur."""

import numpy as np
import pytest
from known_shapes import photographed
from scipy import ndimage

from micro.measures.particles import measure_particles
from micro.phantom.etch import Camera, Etch, etched_field
from micro.phantom.picture import Optics
from micro.phantom.scenes import Population, Scene
from micro.segmentation import blurred_shapes as disc
from micro.segmentation.blurred_shapes import undo_blur
from micro.segmentation.stages import segment


@pytest.mark.parametrize(("ecd", "aspect", "spread"), [(8, 2.0, 1.5), (12, 4.0, 1.5), (14, 1.0, 2.0), (20, 3.0, 1.7)])
def test_axes_come_back_from_a_blurred_ellipse(ecd, aspect, spread):
    """An ellipse drawn eight times finer and blurred by SciPy: axes of its outline, stretched, are those drawn."""
    fine = 8
    a, b = ecd * np.sqrt(aspect) / 2, ecd / np.sqrt(aspect) / 2
    y, x = np.mgrid[-320:321, -400:401] / fine
    blurred = ndimage.gaussian_filter(((x / a) ** 2 + (y / b) ** 2 <= 1).astype(float), spread * fine)
    outline = blurred > disc.disc_edge(a * b / (2 * spread**2))
    major, minor = 4 * x[outline].std(), 4 * y[outline].std()
    if aspect > 1:
        assert major / minor < 0.97 * aspect
    stretch = undo_blur(np.array([major]), np.array([minor]), spread)
    assert major * stretch.major[0] == pytest.approx(2 * a, rel=0.01)
    assert minor * stretch.minor[0] == pytest.approx(2 * b, rel=0.01)


@pytest.mark.parametrize(
    ("ecd", "aspect", "angle", "blur", "noise"),
    [(8, 2.0, 30.0, 0.8, 5), (12, 2.0, 0.0, 1.3, 15), (12, 4.0, 30.0, 0.8, 5), (20, 3.0, 0.0, 1.3, 5)],
)
def test_shapes_of_photographed_ellipses(ecd, aspect, angle, blur, noise):
    """Aspect ratio, length and perimeter to 3 %, width to 5 %: noise adds to the extreme points of long sides.

    The bare outline of the second is 7 % too round.
    """
    drawn, table = photographed(ecd, aspect, angle, noise, blur, gap_px=16)
    a, b, turn = ecd * np.sqrt(aspect) / 2, ecd / np.sqrt(aspect) / 2, np.radians(angle)
    assert len(table) == drawn
    assert table["aspect_ratio"].mean() == pytest.approx(aspect, rel=0.03)
    along = 2 * np.hypot(a * np.cos(turn), b * np.sin(turn))
    assert table["length_along_px"].mean() == pytest.approx(along, rel=0.03)
    assert table["width_across_px"].mean() == pytest.approx(2 * np.hypot(a * np.sin(turn), b * np.cos(turn)), rel=0.05)
    around = np.pi * (3 * (a + b) - np.sqrt((3 * a + b) * (a + 3 * b)))  # Ramanujan, from memory
    assert table["perimeter_px"].mean() == pytest.approx(around, rel=0.03)


def test_noise_does_not_make_discs_elongated():
    """Pixels and noise lend discs of 8 px a mean aspect ratio of 1.06; less than 1.04 is left."""
    _, table = photographed(8, 1.0, 0.0, noise=6)
    assert 1.0 <= table["aspect_ratio"].mean() < 1.04


def test_laths_do_not_round_small_carbides():
    """The same carbides with laths of 15 %: their mean aspect ratio stays to 1 %.

    What laths make outlines waver by is taken off; taken for noise without width it cost 2 %.
    """
    scene = Scene((Population(0.08, 8.0, spread=0.35, aspect=1.2),), optics=Optics(90, (180,), blur_px=0.9, noise=4.0))
    mean = []
    for lath in (0.0, 0.15):
        grey, _ = etched_field(scene, (384, 512), Etch(lath=lath), Camera(), np.random.default_rng(1))
        table = measure_particles(segment(grey), grey, 0.0)
        resolved = table["weight"] * ~table["flags"].str.contains("small")
        mean.append(np.average(table["aspect_ratio"], weights=resolved))
    assert mean[1] == pytest.approx(mean[0], rel=0.01)
