"""Robust fits hold to least squares where nothing is wild, and to the truth where something is."""

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats

from micro.statistics.robust import ROUNDS, biweight_fit, least_squares, quantile, spread


def line(rng, n=200):
    design = np.stack([np.ones(n), rng.normal(size=n)], axis=1)
    return design, design @ [1.0, 2.0] + 0.1 * rng.standard_normal(n)


def test_the_spread_is_the_scaled_median_deviation_of_scipy():
    residual = stats.laplace.rvs(size=501, random_state=1)
    residual -= np.median(residual)
    assert spread(residual) == pytest.approx(stats.median_abs_deviation(residual, scale="normal"), rel=1e-4)


def test_least_squares_and_whites_covariance_are_those_of_statsmodels():
    """Weighted fit, and the covariance that holds whatever the scatter of each value (HC0)."""
    rng = np.random.default_rng(2)
    design, values = line(rng)
    weight = rng.uniform(0.5, 2, len(values))
    factors, covariance = least_squares(design, values, weight)
    reference = sm.WLS(values, design, weights=weight).fit(cov_type="HC0")
    assert factors == pytest.approx(reference.params)
    assert covariance == pytest.approx(reference.cov_params())


def test_a_quarter_of_wild_values_moves_nothing():
    """True factors within three of the stated standard uncertainties; plain least squares is off by 0.2 and more."""
    design, values = line(np.random.default_rng(3))
    values[::4] += 20 * design[::4, 1] ** 2
    factors, covariance = biweight_fit(design, values, 1.0, 4.0, 1e-9)
    assert np.all(np.abs(factors - [1, 2]) < 3 * np.sqrt(np.diag(covariance)))
    assert np.abs(least_squares(design, values, np.ones(len(values)))[0] - [1, 2]).max() > 0.2


def test_the_biweight_is_that_of_statsmodels():
    """Tukey's weights with the spread about 0, from plain least squares, five rounds: as an outside library does it."""
    design, values = line(np.random.default_rng(4))
    values[::5] += 3.0
    start = sm.OLS(values, design).fit()
    norm, weight = sm.robust.norms.TukeyBiweight(c=4.0), np.ones(len(values))
    for _ in range(ROUNDS):
        fit = sm.WLS(values, design, weights=weight).fit()
        residual = values - design @ fit.params
        weight = norm.weights(residual / sm.robust.scale.mad(residual, center=0))
    assert biweight_fit(design, values, 1.0, 4.0, 1e-9)[0] == pytest.approx(fit.params, rel=1e-4)
    assert fit.params != pytest.approx(start.params, rel=0.05)


@pytest.mark.parametrize("kind", ["normal", "whole", "sorted", "alike", "striped"])
def test_a_quantile_of_many_is_that_of_numpy(kind):
    """Also of values that a sample of every so many does not represent."""
    rng = np.random.default_rng(0)
    values = {
        "normal": rng.normal(size=300_000).astype(np.float32), "whole": np.rint(rng.normal(100, 3, 200_000)),
        "sorted": np.arange(150_000.0), "alike": np.zeros(140_000), "striped": np.tile(np.arange(8.0), 20_000),
    }[kind]  # fmt: skip
    for share in (0, 0.01, 0.25, 0.5, 0.995, 1):
        assert quantile(values, share) == pytest.approx(float(np.quantile(values, share)), rel=1e-6)
