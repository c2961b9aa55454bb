"""What turns, mirrors, lights or inverts the picture must not change the answer."""

import numpy as np
import pytest

from micro.phantom.scenes import Population
from micro.segmentation.stages import segment


@pytest.mark.parametrize(
    "turn",
    [np.rot90, np.flipud, np.fliplr, np.transpose],
    ids=["quarter turn", "upside down", "mirrored", "transposed"],
)
def test_turned_picture_gives_the_same_answer(field, plain, fraction, turn):
    turned = segment(np.ascontiguousarray(turn(field.grey)))
    assert turned.count == pytest.approx(plain.count, abs=2)
    assert fraction(turned) == pytest.approx(fraction(plain), rel=2e-3)
    assert np.count_nonzero((turned.labels > 0) != turn(plain.labels > 0)) < 0.002 * plain.labels.size


@pytest.mark.parametrize(("gain", "grey_max"), [(1.3, 400.0), (257.0, 65535.0)], ids=["brighter", "16 bit"])
def test_gain_scales_the_levels_only(field, plain, fraction, gain, grey_max):
    bright = segment(field.grey * np.float32(gain), grey_max=grey_max)
    assert bright.count == plain.count
    assert bright.matrix_grey == pytest.approx(gain * plain.matrix_grey, rel=1e-3)
    assert fraction(bright) == pytest.approx(fraction(plain), rel=1e-3)


def test_offset_under_even_light_moves_the_matrix_only(phantom, fraction):
    grey = phantom([Population(0.05, 9)], shading=0.0).grey
    plain, lifted = segment(grey), segment(grey + np.float32(40), grey_max=400.0)
    assert lifted.matrix_grey == pytest.approx(plain.matrix_grey + 40, abs=0.05)
    assert fraction(lifted) == pytest.approx(fraction(plain), rel=5e-3)


def test_dark_carbides_on_bright_matrix(phantom, fraction):
    """The negative of a picture has the same carbides."""
    grey = phantom([Population(0.05, 9)], shading=0.0).grey
    bright, dark = segment(grey), segment(np.float32(255) - grey)
    assert dark.classes[0].contrast == pytest.approx(-bright.classes[0].contrast, rel=5e-3)
    assert dark.count == pytest.approx(bright.count, abs=2)
    assert fraction(dark) == pytest.approx(fraction(bright), rel=5e-3)


def test_same_picture_twice_gives_the_same_arrays_and_stays_as_it_was(field, plain):
    before = field.grey.copy()
    again = segment(field.grey)
    assert np.array_equal(again.labels, plain.labels)
    assert np.array_equal(again.contrast, plain.contrast)
    assert np.array_equal(field.grey, before)
