"""A field without carbides has none, and what hides a second phase is said."""

import numpy as np
import pytest

from micro import measure
from micro.issues import flag_text
from micro.phantom.scenes import Population
from micro.segmentation.stages import segment


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize(("texture", "grain", "noise"), [(0, 1, 6), (7, 1.3, 3.5), (8, 3, 4)])
def test_noise_and_texture_alone_show_nothing(phantom, seed, texture, grain, noise):
    """Noise alone is none; a texture in which a phase could hide is unknown."""
    field = phantom([], seed=seed, texture=texture, texture_px=grain, noise=noise, shading=0.3)
    found = segment(field.grey)
    assert found.count == 0 and found.classes == ()
    if texture:
        assert found.verdict.unknown and found.issues[0].text.startswith("area fraction unknown, at most ")
    else:
        assert "no_second_phase" in flag_text(found.issues)
        assert found.issues[0].text.startswith("no second phase found: nothing stands out of the matrix by ")
    assert not found.labels.any() and not found.basins.any() and found.blur_px is None


@pytest.mark.parametrize("grey", [0, 1, 117, 255])
def test_flat_picture_shows_nothing(grey):
    found = segment(np.full((60, 80), grey, np.float32))
    assert found.count == 0 and "no_second_phase" in flag_text(found.issues)


@pytest.mark.parametrize("shape", [(1, 1), (2, 300), (20, 20), (3000, 8)])
def test_tiny_and_narrow_pictures_do_not_fail(shape):
    grey = np.random.default_rng(3).normal(90, 5, shape).astype(np.float32)
    assert segment(grey).labels.shape == shape


def test_second_phase_that_runs_into_the_matrix_is_not_passed_over():
    """Coarse clouds of grey without any plateau: the field is unknown."""
    from scipy import ndimage

    rng = np.random.default_rng(5)
    cloud = ndimage.gaussian_filter(rng.standard_normal((300, 400)), 4)
    grey = 100 + 12 * cloud / cloud.std() + rng.normal(0, 2, cloud.shape)
    found = segment(np.rint(grey).astype(np.float32))
    assert "unknown" in flag_text(found.issues)
    assert found.verdict.unknown and not found.labels.any()
    assert found.issues[0].text.startswith("area fraction unknown, at most ")


def test_half_of_the_field_of_either_grey_asks_which_is_the_matrix():
    from scipy import ndimage

    rng = np.random.default_rng(5)
    blotch = ndimage.gaussian_filter(rng.standard_normal((300, 400)), 4) > 0
    grey = ndimage.gaussian_filter(np.where(blotch, 110.0, 90.0), 1.5) + rng.normal(0, 2, blotch.shape)
    found = segment(np.rint(grey).astype(np.float32))
    assert any("which grey is the matrix cannot be told" in one.text for one in found.issues)
    assert (found.labels > 0).mean() == pytest.approx(0.5, abs=0.03)


def test_noise_that_hides_a_fifth_of_the_matrix_level_is_not_read_as_none(phantom):
    """Twelve percent of carbides of 4 px, an eighth darker than the matrix, are plain to the eye as a mottle alone."""
    field = phantom(
        [Population(0.12, 4.0)], matrix_grey=140.0, class_greys=(122.0,), noise=24.0, shading=0.0, blur_px=1.0
    )
    value, low, high = measure(field.grey, um_per_px=0.2, rolling_deg=0, carbides="dark").area_fraction
    assert low <= field.area_fraction < high and not value < 0.01
