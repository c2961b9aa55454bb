"""Lines that show as more than one mark, and what else stands among them: the pitch is that of the lines, or refused.

A wide line shows its two edges where light is reflected from their flanks; out of focus a line has fringes (common
practice, no source). Read as lines of a finer ruling such marks would put the scale off by a whole factor.
"""

import cv2
import numpy as np
import pytest

import micro
from micro.errors import InputError

SHAPE = (400, 640)


def ruling(pitch, marks, tilt_deg=2.0, sigma=2.0, last=1000):
    """Bright picture of lines that show `marks`: (place in parts of the pitch, darkness) of each."""
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(float)
    across = (x - 40) * np.cos(np.radians(tilt_deg)) + y * np.sin(np.radians(tilt_deg))
    grey = np.full(SHAPE, 190.0)
    for place, dark in marks:
        number = np.minimum(np.round(across / pitch - place), last)
        grey -= dark * np.exp(-0.5 * ((across - (number + place) * pitch) / sigma) ** 2)
    return grey + np.random.default_rng(4).normal(0, 2.0, SHAPE)


def assert_pitch(grey, pitch):
    found = micro.calibrate(grey.astype(np.float32), 10.0)
    assert 10.0 / found.um_per_px == pytest.approx(pitch, rel=5e-4)


@pytest.mark.parametrize("apart", [0.16, 0.2, 0.24, 0.3, 1 / 3, 0.38, 0.44])
def test_two_edges_of_a_line_are_one_line(apart):
    """Also where their distance is a whole part of the pitch, so that they would fit a ruling of that distance."""
    assert_pitch(ruling(60.0, [(0.0, 100.0), (apart, 100.0)]), 60.0)


@pytest.mark.parametrize("aside", [0.22, 0.25, 1 / 3])
def test_fringes_are_no_lines(aside):
    """Two fainter marks beside each line; a third of the pitch aside they are evenly spaced with the lines."""
    assert_pitch(ruling(60.0, [(0.0, 100.0), (aside, 40.0), (-aside, 40.0)]), 60.0)


@pytest.mark.parametrize("faint", [15.0, 40.0])
def test_fainter_lines_between_are_lines(faint):
    """Halves and fifths, as micrometers are divided."""
    assert_pitch(ruling(60.0, [(0.0, 100.0), (0.5, faint)]), 30.0)
    assert_pitch(ruling(90.0, [(0.0, 100.0), *((part / 5, faint) for part in range(1, 5))]), 18.0)


@pytest.mark.parametrize("at", [0.36, 1.31, 2.64])
def test_one_strange_line_before_the_first_does_not_divide_the_spacing(at):
    """Where it lies near a half or a third all others would fit a ruling two or three times as fine."""
    grey = ruling(50.0, [(0.0, 100.0)], tilt_deg=0.0)[:, 40 - 12 :]
    left = np.full((SHAPE[0], int(at * 50.0) + 20), 190.0) + np.random.default_rng(5).normal(0, 2.0, (SHAPE[0], 1))
    left -= 100.0 * np.exp(-0.5 * ((np.arange(left.shape[1]) - (left.shape[1] + 12 - at * 50.0)) / 2.0) ** 2)
    assert_pitch(np.hstack([left, grey]), 50.0)


def test_a_cover_over_part_of_the_ruling_does_no_harm():
    """Its edge is stronger than any line, and lies 4° off them."""
    grey = ruling(45.0, [(0.0, 60.0)], tilt_deg=4.0)
    grey[:, :200] = 95.0
    assert_pitch(cv2.GaussianBlur(grey, (0, 0), 1.5), 45.0)


def test_the_dark_border_of_a_round_view_does_no_harm():
    """Its edge has every direction, and more contrast than the lines."""
    grey = cv2.GaussianBlur(ruling(50.0, [(0.0, 70.0)], tilt_deg=1.2), (0, 0), 2.0)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    grey[np.hypot(x - SHAPE[1] / 2, y - SHAPE[0] / 2) > 0.49 * SHAPE[1]] = 4.0
    assert_pitch(grey, 50.0)


def test_six_wide_lines_are_enough_though_their_direction_is_blunt_in_the_spectrum():
    assert_pitch(ruling(110.0, [(0.0, 80.0)], tilt_deg=3.0, sigma=14.0), 110.0)


def test_marks_that_do_not_repeat_alike_are_refused():
    """Two rulings of 1 to √2 over one another."""
    both = np.minimum(ruling(40.0, [(0.0, 100.0)]), ruling(40.0 * 2**0.5, [(0.0, 100.0)]))
    with pytest.raises(InputError, match=r"not evenly spaced|cannot be counted"):
        micro.calibrate(both.astype(np.float32), 10.0)
