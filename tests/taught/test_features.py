"""Features are what scikit-image computes at the fine scales, and mean the same at any exposure and any octave."""

import numpy as np
import pytest
from skimage.feature import hessian_matrix, hessian_matrix_eigvals
from skimage.filters import gaussian

from micro.errors import InputError
from micro.taught.features import NAMES, SCALES_PX, feature_planes, own_level


@pytest.fixture(scope="module")
def grey():
    rng = np.random.default_rng(3)
    return gaussian(rng.normal(size=(230, 271)), 2).astype(np.float32) * 500 + 90


@pytest.fixture(scope="module")
def found(grey):
    return feature_planes(grey)


def plane(found, name):
    """One feature of the whole field, by its name."""
    return found.rows(0, found.shape[0])[NAMES.index(name)].reshape(found.shape)


def inner(values, margin):
    return values[margin:-margin, margin:-margin]


@pytest.mark.parametrize("scale", SCALES_PX)
def test_smoothed_grey_is_scikit_images_at_every_octave(grey, found, scale):
    """Also where it was computed on a picture a sixteenth as wide; away from the edges, in units of the spread."""
    outside = inner(gaussian(own_level(grey).astype(float), scale), int(3 * scale) + 1)
    apart = inner(plane(found, f"grey_{scale:g}px"), int(3 * scale) + 1) - outside
    # Interpolating between the pixels of an octave adds 1/6 px² to the 1.96 px² of smoothing: 6 % of what is left of
    # white noise, (1/6)/(√2·1.96), on the average over places between the pixels.
    assert apart.std() < 0.08 * outside.std()


@pytest.mark.parametrize("scale", [1.4, 2.8, 5.6])
def test_hessian_eigenvalues_follow_scikit_image(grey, found, scale):
    """Both times σ²; the kernels differ (Sobel against central differences), the features run alike."""
    level = own_level(grey).astype(float)
    high, low = hessian_matrix_eigvals(hessian_matrix(level, scale, use_gaussian_derivatives=True)) * scale**2
    for name, outside in (("curvature_high", high), ("curvature_low", low)):
        ours = inner(plane(found, f"{name}_{scale:g}px"), 20)
        assert np.corrcoef(ours.ravel(), inner(outside, 20).ravel())[0, 1] > 0.97


def test_gradient_of_a_ramp_is_its_slope_times_the_scale():
    """A ramp of one grey a pixel has the gradient σ/spread at every scale, whatever the octave."""
    ramp = np.tile(np.arange(400.0, dtype=np.float32), (400, 1))
    found = feature_planes(ramp)
    spread = np.gradient(own_level(ramp)[200])[200]
    for scale in SCALES_PX:
        middle = plane(found, f"gradient_{scale:g}px")[200, 200]
        np.testing.assert_allclose(middle, scale * spread, rtol=0.02)


def test_darkest_and_lightest_enclose_the_grey(found):
    for disc in (10, 20):
        assert (plane(found, f"darkest_{disc}px") <= plane(found, f"lightest_{disc}px")).all()


@pytest.mark.parametrize(("gain", "shift"), [(3.0, 0.0), (0.01, 40.0), (256.0, 7.0)])
def test_exposure_does_not_matter(grey, found, gain, shift):
    other = feature_planes(grey * gain + shift)
    np.testing.assert_allclose(other.rows(0, 230), found.rows(0, 230), atol=5e-3)


def test_points_see_the_pixels_that_hold_them(found):
    """Position (17.5, 20.5) is the centre of row 20, column 17; all pixels read alike in strips and at points."""
    x, y = np.array([17.5, 0.0, 270.99]), np.array([20.5, 0.0, 229.99])
    rows = found.rows(0, 230).reshape(-1, *found.shape)
    np.testing.assert_allclose(found.at(x, y).T, rows[:, [20, 0, 229], [17, 0, 270]], atol=1e-4)


def test_strips_join_without_a_seam(found):
    parts = np.concatenate([found.rows(0, 41), found.rows(41, 230)], axis=1)
    np.testing.assert_allclose(parts, found.rows(0, 230), atol=1e-5)


def test_neither_threads_nor_place_in_memory_change_a_bit(grey):
    import cv2

    before, held = cv2.getNumThreads(), []
    try:
        cv2.setNumThreads(1)
        one = feature_planes(grey).rows(0, 230)
        cv2.setNumThreads(2)
        for size in (100, 333, 1234, 4001):
            held.append(np.empty(size, np.uint8))
            assert (feature_planes(grey).rows(0, 230) == one).all()
    finally:
        cv2.setNumThreads(before)


@pytest.mark.parametrize(
    ("picture", "said"),
    [(np.zeros((64, 64)), "one grey"), (np.full((64, 64), 255, np.uint8), "one grey"), (np.eye(20), "20 x 20 px")],
)
def test_a_picture_that_shows_nothing_is_refused(picture, said):
    with pytest.raises(InputError, match=said):
        feature_planes(picture)


def test_a_point_outside_the_field_is_refused(found):
    with pytest.raises(InputError, match="1 of 2 points lie outside a field of 271 x 230 px"):
        found.at(np.array([5.0, 271.0]), np.array([5.0, 5.0]))
