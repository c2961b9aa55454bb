"""How well the direction of a carbide's long axis is known."""

import numpy as np
import pytest
from known_shapes import photographed

from micro.geometry.runs import angle_uncertainty_deg
from micro.measures.orientation import orientation


@pytest.mark.parametrize(("ecd", "aspect", "noise"), [(8, 1.5, 5), (8, 2.0, 15), (14, 1.5, 15)])
def test_the_stated_uncertainty_is_the_scatter_about_the_truth(ecd, aspect, noise):
    """Errors over their standard uncertainties scatter by 1, give or take a quarter."""
    _, table = photographed(ecd, aspect, 20.0, noise)
    error = (table["angle_deg"] - 20 + 90) % 180 - 90
    scatter = np.sqrt(np.mean((error / table["angle_standard_uncertainty_deg"]) ** 2))
    assert 0.75 < scatter < 1.25


def test_discs_of_few_pixels_make_no_spikes():
    """By single angles rows and columns stand out by half; by chances no direction by more than a quarter."""
    _, table = photographed(7, 1.0, 0.0, 5)
    sizes = table["major_px"], table["weight"]
    bare = orientation(table["angle_deg"], *sizes).share * 18
    spread = orientation(table["angle_deg"], *sizes, table["angle_standard_uncertainty_deg"]).share * 18
    assert bare.max() > 1.5
    assert np.all(np.abs(spread - 1) < 0.25)


def test_chances_of_all_directions_are_one():
    """However unsure the angles, the whole length is in the rose; known angles stay in their bin."""
    angle, unsure = np.array([-89.0, 3.0, 90.0]), np.array([0.0, 10.0, 52.0])
    rose = orientation(angle, np.ones(3), np.ones(3), unsure)
    assert rose.share.sum() == pytest.approx(1, abs=1e-9)
    sure = orientation([-89.0, 3.0, 90.0], np.ones(3), np.ones(3))
    assert sure.share[[0, 9]] == pytest.approx([2 / 3, 1 / 3])


@pytest.mark.parametrize("angle_deg", [0.0, 20.0, 45.0, 110.0])
def test_noise_turns_an_axis_alike_however_it_lies(angle_deg):
    """Principal moments 9 and 4 px²: noise of mean square c turns it by √(c/2)/(9 − 4) (derived, first order)."""
    turn = np.radians(angle_deg)
    xx, yy = 6.5 + 2.5 * np.cos(2 * turn), 6.5 - 2.5 * np.cos(2 * turn)
    unsure = angle_uncertainty_deg(xx, yy, 2.5 * np.sin(2 * turn), 0.02)
    assert unsure == pytest.approx(np.degrees(0.1 / 5))


def test_directions_run_from_minus_90_to_90():
    rose = orientation([0.0], np.ones(1), np.ones(1))
    assert (rose.angle_deg[0], rose.angle_deg[-1]) == (-90, 80)
    assert rose.angle_deg[rose.share.argmax()] == 0
