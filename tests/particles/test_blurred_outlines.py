"""Blur shortens outlines and widens them; what is measured is the carbide before the blur."""

import numpy as np
import pytest
from scipy import ndimage

from micro.particles import measure_particles
from micro.phantom import Optics, cover, photograph, shapes
from micro.scale import Scale
from micro.segmentation import disc, segment
from micro.segmentation.blurred_ellipse import undo_blur


@pytest.mark.parametrize(("ecd", "aspect", "spread"), [(8, 2.0, 1.5), (12, 4.0, 1.5), (14, 1.0, 2.0), (20, 3.0, 1.7)])
def test_axes_come_back_from_a_blurred_ellipse(ecd, aspect, spread):
    """An ellipse drawn eight times finer and blurred by SciPy: axes of its outline, stretched, are those drawn."""
    fine = 8
    a, b = ecd * np.sqrt(aspect) / 2, ecd / np.sqrt(aspect) / 2
    y, x = np.mgrid[-320:321, -400:401] / fine
    blurred = ndimage.gaussian_filter(((x / a) ** 2 + (y / b) ** 2 <= 1).astype(float), spread * fine)
    outline = blurred > disc.edge(a * b / (2 * spread**2))
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
    rng = np.random.default_rng(5)
    pitch = ecd * np.sqrt(aspect) + 16
    x, y = np.meshgrid(np.arange(pitch, 400 - pitch, pitch), np.arange(pitch, 300 - pitch, pitch))
    x, y = (v.ravel() + rng.uniform(-0.5, 0.5, v.size) for v in (x, y))
    drawn = shapes(np.full(x.size, float(ecd)), rng, aspect=aspect, angle_deg=angle).moved(x, y)
    grey = photograph(cover(drawn, (300, 400)), Optics(blur_px=blur, noise=noise), rng)
    table = measure_particles(segment(grey), grey, Scale(1.0, None, "test"), 0.0)
    a, b, turn = ecd * np.sqrt(aspect) / 2, ecd / np.sqrt(aspect) / 2, np.radians(angle)
    assert len(table) == x.size
    assert table["aspect_ratio"].mean() == pytest.approx(aspect, rel=0.03)
    along = 2 * np.hypot(a * np.cos(turn), b * np.sin(turn))
    assert table["length_along_um"].mean() == pytest.approx(along, rel=0.03)
    assert table["width_across_um"].mean() == pytest.approx(2 * np.hypot(a * np.sin(turn), b * np.cos(turn)), rel=0.05)
    around = np.pi * (3 * (a + b) - np.sqrt((3 * a + b) * (a + 3 * b)))  # Ramanujan
    assert table["perimeter_um"].mean() == pytest.approx(around, rel=0.03)


def test_noise_does_not_make_discs_elongated():
    """Pixels and noise lend discs of 8 px a mean aspect ratio of 1.06; less than 1.04 is left."""
    rng = np.random.default_rng(6)
    x, y = np.meshgrid(np.arange(16.0, 400, 20), np.arange(16.0, 300, 20))
    x, y = (v.ravel() + rng.uniform(-0.5, 0.5, v.size) for v in (x, y))
    grey = photograph(cover(shapes(np.full(x.size, 8.0), rng).moved(x, y), (300, 400)), Optics(blur_px=0.8), rng)
    table = measure_particles(segment(grey), grey, Scale(1.0, None, "test"), 0.0)
    assert 1.0 <= table["aspect_ratio"].mean() < 1.04
