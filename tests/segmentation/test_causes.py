"""Each cause of the uncertainty of an area fraction by hand, on two plates whose light is known."""

import math

import numpy as np
import pytest

from micro.segmentation.segmentation import CarbideClass, Segmentation
from micro.segmentation.uncertainty import area_fraction_uncertainty

FRAME, PLATES_PX, CONTRAST = 100 * 200, 400 + 800, 50.0


@pytest.fixture
def causes():
    """Of plates of 400 and 800 px, and 8 px of 45 grey levels that were too small to be counted."""
    labels = np.zeros((100, 200), np.int32)
    labels[20:40, 30:50], labels[60:80, 100:140] = 1, 2
    contrast = np.where(labels > 0, CONTRAST, 0).astype(np.float32)
    contrast[2:4, 195:199] = 45.0
    plates = Segmentation(
        labels, labels, contrast, (CarbideClass("MC", CONTRAST, 1.5),), np.zeros(2, np.intp), np.zeros(2, np.uint32),
        np.zeros(labels.shape, bool), 100.0, noise=3.0, noise_area_px=2.0, matrix_uncertainty=0.1, blur_px=1.0,
    )  # fmt: skip
    return area_fraction_uncertainty(plates)


def test_noise_adds_by_the_root_of_the_pixels(causes):
    """Of m pixels that go together two by two: σ·√(2·m)."""
    assert causes.noise == pytest.approx(3 * math.sqrt(2 * PLATES_PX) / CONTRAST / FRAME)


def test_the_matrix_level_errs_alike_in_all_pixels(causes):
    assert causes.matrix == pytest.approx(0.1 * PLATES_PX / CONTRAST / FRAME)


def test_the_class_level_errs_by_its_share(causes):
    assert causes.level == pytest.approx(1.5 / CONTRAST * PLATES_PX / FRAME)


def test_what_was_too_small_is_half_the_width_of_a_rectangle(causes):
    """Its standard uncertainty is half the width over √3 (JCGM 100:2008, 4.3.7, from memory)."""
    assert causes.missed == pytest.approx(8 * 45 / CONTRAST / FRAME / math.sqrt(3))


def test_outline_and_light_agree(causes):
    assert causes.method == 0


def test_light_outside_does_not_depend_on_where_in_memory_a_picture_lies():
    """To the last digit of a sum that loses some, at each multiple of 16 bytes: what numpy hands out."""
    shape, rng = (518, 1003), np.random.default_rng(0)
    contrast, nothing = rng.lognormal(0, 6, shape).astype(np.float32), np.zeros(shape, np.int32)
    found = set()
    for offset in range(0, 64, 16):
        memory = np.empty(contrast.nbytes + 128, np.uint8)
        start = -memory.ctypes.data % 64 + offset
        moved = memory[start : start + contrast.nbytes].view(np.float32).reshape(shape)
        moved[:] = contrast
        found.add(
            Segmentation(
                nothing, nothing, moved, (), np.empty(0, np.intp), np.empty(0, np.uint32), nothing > 0, 100.0, 1.0, 1.0,
                0.1, None,
            ).light_outside
        )  # fmt: skip
    assert len(found) == 1
