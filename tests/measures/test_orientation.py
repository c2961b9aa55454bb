"""How carbides lie to the rolling direction, in closed form."""

import numpy as np
import pytest

from micro.measures.orientation import estimate_rolling_direction, orientation_order


@pytest.mark.parametrize(
    ("angle_deg", "order"), [([0, 180], 1), ([90, -90], -1), ([45, -45], 0), ([0, 90], 0), ([30, -30], 0.5)]
)
def test_order_is_1_along_rolling_minus_1_across_and_0_without_direction(angle_deg, order):
    """Mean of cos 2φ."""
    assert orientation_order(angle_deg, np.ones(2), np.ones(2)) == pytest.approx(order, abs=1e-12)


def test_longer_carbides_weigh_more():
    """Three times as long along rolling as across: (3 - 1)/4."""
    assert orientation_order([0, 90], np.array([3.0, 1.0]), np.ones(2)) == pytest.approx(0.5)


def test_the_chance_of_a_direction_is_rayleighs():
    """Half at 0°, half at 60°: double angles 120° apart leave a resultant of n/2, p = exp(-(n/2)²/n) (Mardia 1972)."""
    for n in (24, 40):
        found = estimate_rolling_direction(np.repeat([0.0, 60.0], n // 2), np.full(n, 2.0), np.full(n, 1.0))
        assert found.p_value == pytest.approx(np.exp(-n / 4))
    assert found.angle_deg == pytest.approx(30.0)


def test_the_uncertainty_of_the_direction_is_its_scatter():
    """400 times 100 axes that scatter by 15° about 17°: the stated standard uncertainty is the scatter, within 10 %."""
    rng = np.random.default_rng(8)
    ones = np.ones(100)
    found = [estimate_rolling_direction(17 + 15 * rng.standard_normal(100), 2 * ones, ones) for _ in range(400)]
    scatter = np.std([one.angle_deg for one in found])
    assert np.mean([one.standard_uncertainty_deg for one in found]) == pytest.approx(scatter, rel=0.1)
    assert np.mean([one.angle_deg for one in found]) == pytest.approx(17, abs=0.3)
