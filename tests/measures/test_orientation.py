"""How carbides lie to the rolling direction, in closed form."""

import numpy as np
import pytest

import micro
from micro.measures.orientation import RollingDirection, doubt_of_given, estimate_rolling_direction, orientation_order
from micro.phantom.scenes import Population, Scene, make_field


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


@pytest.mark.parametrize(
    ("middle", "spread", "given", "doubted"),
    [(90, 15, 0, True), (178, 15, 0, False), (10, 15, 0, False), (90, 500, 0, False), (45, 15, 90, True)],
)
def test_a_given_direction_is_doubted_where_carbides_surely_lie_otherwise(middle, spread, given, doubted):
    """Axes about a known direction; with a scatter of 500° they have none."""
    rng = np.random.default_rng(3)
    own = estimate_rolling_direction(middle + spread * rng.standard_normal(200), np.full(200, 2.0), np.ones(200))
    found = doubt_of_given(own, given)
    assert [one.flag for one in found] == ["rolling_disagrees"] * doubted
    if doubted:
        assert found[0].values["off_deg"] == pytest.approx(abs(middle - given), abs=4)


@pytest.mark.parametrize(("unsure_deg", "doubted"), [(6.0, True), (8.0, False)])
def test_a_given_direction_is_doubted_from_four_of_its_uncertainties_on(unsure_deg, doubted):
    """30° off: five times 6°, less than four times 8°."""
    own = RollingDirection(30.0, unsure_deg, 1e-9)
    assert bool(doubt_of_given(own, 0.0)) is doubted


@pytest.mark.parametrize(("drawn_deg", "doubted"), [(90.0, True), (5.0, False)])
def test_a_field_that_was_turned_is_named(drawn_deg, doubted):
    scene = Scene((Population(0.1, 14.0, aspect=2.2, misalignment_deg=12),), rolling_deg=drawn_deg)
    grey, _ = make_field(scene, (400, 500), np.random.default_rng(2))
    found = micro.measure(grey, um_per_px=0.2, rolling_deg=0)
    assert ("rolling_disagrees" in found.field["flags"].iloc[0].split()) == doubted
