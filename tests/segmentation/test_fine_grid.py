"""What pixels show of a finer drawing: against SciPy's Gaussian filter on all of its points."""

import numpy as np
import pytest
from scipy import ndimage

from micro.segmentation.edge_profile import _areas_above, _Used
from micro.segmentation.fine_grid import DRAWN, FineGrid


@pytest.mark.parametrize("blur", [0.4, 1.0, 1.7, 3.1])
@pytest.mark.parametrize("shape", [(30, 46), (6, 122), (64, 64)])
def test_pixels_show_the_mean_of_the_blurred_points(shape, blur):
    """Also where the frame was made for another blur, and within reach of the edges, which mirror the drawing."""
    fine = (np.random.default_rng(0).random(shape) > 0.5).astype(np.float32)
    sigma = DRAWN * blur
    # OpenCV's kernels have 2·round(4·sigma + 1/2) ± 1 points: as many to each side.
    radius = (round(8 * sigma + 1) | 1) // 2
    whole = ndimage.gaussian_filter(fine.astype(float), sigma, mode="mirror", radius=radius)
    shown = whole.reshape(shape[0] // DRAWN, DRAWN, shape[1] // DRAWN, DRAWN).mean(axis=(1, 3))
    for widest in (0.5 * blur, blur, 3 * blur):
        assert np.allclose(FineGrid.of(fine, widest).under_lens(blur), shown, atol=1e-6)


def test_what_lies_flat_is_counted_alike_whatever_its_last_digit():
    used = _Used.of(np.ones((16, 20), bool))
    flat = np.repeat(np.array([0.0, 1.0], np.float32), [6, 10])[:, None].repeat(20, axis=1)
    for digit in (-2e-7, 2e-7):
        assert np.array_equal(_areas_above(flat + np.float32(digit), used), _areas_above(flat, used))
