"""The scale bar has a round length, and as many pixels as that length takes."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from micro.pictures.outlines import draw_scale_bar, round_length_um


@settings(deadline=None)
@given(st.floats(1e-3, 1e6))
def test_lengths_are_round_and_fit(width_um):
    """1, 2 or 5 times a power of ten, at most a fifth of the width and more than a twelfth of it."""
    length = round_length_um(width_um)
    mantissa = length / 10.0 ** math.floor(math.log10(length) + 1e-9)
    assert min(abs(mantissa - step) for step in (1, 2, 5)) < 1e-9
    assert width_um / 12.6 < length <= width_um / 5 * (1 + 1e-6)


@pytest.mark.parametrize(("columns", "um_per_px"), [(1024, 0.1973), (640, 0.5), (2000, 0.0313)])
def test_the_bar_is_as_long_as_it_says(columns, um_per_px):
    """The lowest black run within the white box is the bar: its pixels times their size give the length."""
    picture = np.full((columns * 3 // 4, columns, 3), 128, np.uint8)
    draw_scale_bar(picture, um_per_px)
    box = (picture == 255).all(axis=2)
    black = (picture == 0).all(axis=2)
    lowest = np.nonzero(black.any(axis=1))[0][-1]
    run = np.nonzero(black[lowest])[0]
    assert len(run) == np.ptp(run) + 1
    assert abs(len(run) * um_per_px - round_length_um(columns * um_per_px)) <= um_per_px / 2
    assert (picture[~box & ~black] == 128).mean() > 0.99
    rows, cols = np.nonzero(box)
    assert rows.min() > picture.shape[0] / 2
    assert cols.min() > columns / 2


def test_a_picture_too_small_for_a_bar_stays_as_it_is():
    """No bar is better than one that hides the field."""
    picture = np.full((12, 14, 3), 128, np.uint8)
    draw_scale_bar(picture, 0.2)
    assert (picture == 128).all()
