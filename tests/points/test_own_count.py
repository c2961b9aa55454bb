"""The program's own count follows one rule, and its value without counting noise is exact."""

import numpy as np
import pytest

from micro.points.measured import expected_score, judge_points

CARBIDE = np.zeros((6, 9), bool)
CARBIDE[2:5, 3:7] = True


@pytest.mark.parametrize(
    ("x", "y", "score"),
    [(5.0, 3.5, 1), (3.2, 3.5, 0.5), (2.8, 3.5, 0.5), (2.4, 3.5, 0), (5.0, 2.1, 0.5), (2.9, 1.9, 0.5), (0.0, 0.0, 0)],
)
def test_a_point_within_half_a_pixel_of_the_outline_is_on_the_boundary(x, y, score):
    """The outline runs at x = 3 to 7 and y = 2 to 5 here."""
    assert judge_points(CARBIDE, np.array([x]), np.array([y]))[0] == score


def test_the_expected_score_is_the_mean_over_every_place():
    """Points all over the picture, edges and all, count to the same."""
    rng = np.random.default_rng(0)
    carbide = rng.random((7, 11)) < 0.4
    step = np.arange(0.05, 1, 0.1)
    x, y = np.meshgrid((np.arange(11)[:, None] + step).ravel(), (np.arange(7)[:, None] + step).ravel())
    everywhere = judge_points(carbide, x.ravel(), y.ravel())
    assert expected_score(carbide) == pytest.approx(everywhere.mean(), abs=1e-12)


def test_a_large_carbide_is_expected_at_its_area():
    """Halves on the outline make up for each other on straight edges; corners add a quarter of a pixel each."""
    carbide = np.zeros((200, 300), bool)
    carbide[50:150, 60:260] = True
    assert expected_score(carbide) * carbide.size == pytest.approx(100 * 200 + 1)


def test_a_full_and_an_empty_field():
    assert expected_score(np.ones((5, 7), bool)) == 1
    assert expected_score(np.zeros((5, 7), bool)) == 0


def test_a_point_beyond_the_picture_is_refused():
    with pytest.raises(ValueError, match="beyond the picture of 9 × 6 px"):
        judge_points(CARBIDE, np.array([9.5]), np.array([1.0]))
