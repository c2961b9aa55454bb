"""Hits and misses become a probability of detection."""

import math

import numpy as np
import pytest
import statsmodels.api as sm

from micro.statistics.detection import fit_detection


def trials(rng, n, b0=-2.0, b1=4.0):
    size = np.exp(rng.uniform(-1, 2, n))
    return size, rng.uniform(0, 1, n) < 1 / (1 + np.exp(-(b0 + b1 * np.log(size))))


def test_the_curve_is_that_of_a_general_library():
    """Logistic regression on ln size by statsmodels; the penalty is lost among 4 000 trials."""
    size, found = trials(np.random.default_rng(1), 4000)
    curve = fit_detection(size, found)
    other = sm.Logit(found, sm.add_constant(np.log(size))).fit(disp=0)
    assert curve.coefficients == pytest.approx(other.params, rel=0.01)
    assert np.sqrt(np.diag(curve.covariance)) == pytest.approx(other.bse, rel=0.02)


def test_a90_is_where_nine_in_ten_are_found():
    """exp((ln 9 − b₀)/b₁); above it at 95 % confidence in 93 to 97 of 100 experiments of 200 trials."""
    truth = math.exp((math.log(9) + 2) / 4)
    rng = np.random.default_rng(2)
    curves = [fit_detection(*trials(rng, 200)) for _ in range(400)]
    assert np.median([c.a90 for c in curves]) == pytest.approx(truth, rel=0.02)
    assert 0.93 <= np.mean([c.a90_95 >= truth for c in curves]) <= 0.97
    assert curves[0].probability(np.array([curves[0].a90])) == pytest.approx(0.9)


def test_sizes_that_part_hits_from_misses_give_a_finite_curve():
    """Perfect separation, where plain likelihood knows no slope (D. Firth 1993, from memory)."""
    size = np.linspace(0.5, 2, 40)
    curve = fit_detection(size, size > 1)
    assert np.all(np.isfinite(curve.coefficients))
    assert 1.0 < curve.a90 < 1.4


def test_hits_alone_are_no_curve():
    with pytest.raises(ValueError, match="hits and misses"):
        fit_detection(np.ones(20), np.ones(20, bool))
