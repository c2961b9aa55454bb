"""A field without carbides has none, and what hides a second phase is said."""

import numpy as np
import pytest

from micro import issues as flags
from micro.segmentation.stages import segment

NO_SECOND_PHASE = flags.bit("no_second_phase", flags.FIELD_FLAGS)
UNRELIABLE = flags.bit("unreliable_levels", flags.FIELD_FLAGS)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize(("texture", "grain", "noise"), [(0, 1, 6), (7, 1.3, 3.5), (8, 3, 4)])
def test_noise_and_texture_alone_show_nothing(phantom, seed, texture, grain, noise):
    field = phantom([], seed=seed, texture=texture, texture_px=grain, noise=noise, shading=0.3)
    found = segment(field.grey)
    assert found.count == 0 and found.classes == ()
    assert found.field_flags & NO_SECOND_PHASE
    assert found.messages[0].startswith("no second phase found: nothing stands out of the matrix by ")
    assert not found.labels.any() and not found.basins.any() and found.blur_px is None


@pytest.mark.parametrize("grey", [0, 1, 117, 255])
def test_flat_picture_shows_nothing(grey):
    found = segment(np.full((60, 80), grey, np.float32))
    assert found.count == 0 and found.field_flags & NO_SECOND_PHASE


@pytest.mark.parametrize("shape", [(1, 1), (2, 300), (20, 20), (3000, 8)])
def test_tiny_and_narrow_pictures_do_not_fail(shape):
    grey = np.random.default_rng(3).normal(90, 5, shape).astype(np.float32)
    assert segment(grey).labels.shape == shape


def test_second_phase_that_runs_into_the_matrix_is_not_passed_over():
    """Coarse clouds of grey without any plateau: the message says not to trust the field."""
    from scipy import ndimage

    rng = np.random.default_rng(5)
    cloud = ndimage.gaussian_filter(rng.standard_normal((300, 400)), 4)
    grey = 100 + 12 * cloud / cloud.std() + rng.normal(0, 2, cloud.shape)
    found = segment(np.rint(grey).astype(np.float32))
    assert found.field_flags & UNRELIABLE
    assert any(m.startswith("do not trust this field: the matrix is uneven by ") for m in found.messages)


def test_half_of_the_field_of_either_grey_asks_which_is_the_matrix():
    from scipy import ndimage

    rng = np.random.default_rng(5)
    blotch = ndimage.gaussian_filter(rng.standard_normal((300, 400)), 4) > 0
    grey = ndimage.gaussian_filter(np.where(blotch, 110.0, 90.0), 1.5) + rng.normal(0, 2, blotch.shape)
    found = segment(np.rint(grey).astype(np.float32))
    assert any("which grey is the matrix cannot be told" in m for m in found.messages)
    assert (found.labels > 0).mean() == pytest.approx(0.5, abs=0.03)
