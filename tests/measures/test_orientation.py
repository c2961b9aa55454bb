"""How carbides lie to the rolling direction, in closed form."""

import numpy as np
import pytest

from micro.measures.orientation import orientation


@pytest.mark.parametrize(
    ("angle_deg", "order"), [([0, 180], 1), ([90, -90], -1), ([45, -45], 0), ([0, 90], 0), ([30, -30], 0.5)]
)
def test_order_is_1_along_rolling_minus_1_across_and_0_without_direction(angle_deg, order):
    """Mean of cos 2φ."""
    assert orientation(angle_deg, np.ones(2), np.ones(2)).order == pytest.approx(order, abs=1e-12)


def test_longer_carbides_weigh_more():
    """Three times as long along rolling as across: (3 - 1)/4."""
    assert orientation([0, 90], np.array([3.0, 1.0]), np.ones(2)).order == pytest.approx(0.5)
