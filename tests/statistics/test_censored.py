"""Fits in which some values are only known to be exceeded: against SciPy, statsmodels, and samples of a known law."""

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import optimize, stats

from micro.statistics.censored import censored_fit
from micro.statistics.two_samples import contrast


def test_without_a_bound_it_is_ordinary_least_squares():
    rng = np.random.default_rng(0)
    design = sm.add_constant(rng.standard_normal((9, 2)))
    y = rng.standard_normal(9)
    ours, theirs = censored_fit(design, y, np.zeros(9, bool)), sm.OLS(y, design).fit()
    assert ours.coefficients == pytest.approx(theirs.params)
    assert ours.covariance == pytest.approx(theirs.cov_params())
    assert (ours.std**2, ours.degrees_of_freedom) == pytest.approx((theirs.scale, theirs.df_resid))


def test_with_bounds_it_is_scipys_largest_likelihood():
    rng = np.random.default_rng(1)
    y = rng.normal(3.0, 0.4, 10)
    hidden = y > 3.2
    values = np.where(hidden, 3.2, y)
    mean, std = stats.norm.fit(stats.CensoredData(uncensored=values[~hidden], right=values[hidden]))
    found = censored_fit(np.ones((10, 1)), values, hidden)
    known = (~hidden).sum()
    assert found.coefficients[0] == pytest.approx(mean, abs=1e-4)
    assert found.std * np.sqrt((known - 1) / known) == pytest.approx(std, abs=1e-4)


def test_its_covariance_is_the_curvature_of_the_likelihood():
    """Second derivatives by differences of the log-likelihood of SciPy's normal law."""
    rng = np.random.default_rng(2)
    x = np.column_stack([np.ones(12), rng.standard_normal(12)])
    y = x @ [1.0, 0.5] + 0.3 * rng.standard_normal(12)
    hidden = y > 1.4
    values = np.where(hidden, 1.4, y)
    found = censored_fit(x, values, hidden)
    free = found.degrees_of_freedom
    sigma = found.std * np.sqrt(free / (free + 2))

    def loss(p):
        a = (values - x @ p[:2]) / p[2]
        return -np.where(hidden, stats.norm.logsf(a), stats.norm.logpdf(a) - np.log(p[2])).sum()

    best = np.array([*found.coefficients, sigma])
    step = 1e-4
    hessian = np.array([
        (optimize.approx_fprime(best + step * e, loss, 1e-6) - optimize.approx_fprime(best - step * e, loss, 1e-6))
        / (2 * step) for e in np.eye(3)
    ])  # fmt: skip
    expected = np.linalg.inv(hessian)[:2, :2] * (free + 2) / free
    assert found.covariance == pytest.approx(expected, rel=0.01)


@pytest.mark.parametrize("hidden", [[True, True, True, False], [True] * 4])
def test_one_known_value_or_none_tells_no_scatter(hidden):
    found = censored_fit(np.ones((4, 1)), [3.0, 3.0, 3.0, 2.0], hidden)
    assert np.isnan([found.coefficients[0], found.std]).all()


@pytest.mark.study
@pytest.mark.parametrize("known_share", [0.9, 0.7, 0.5])
@pytest.mark.parametrize("n", [4, 6, 10])
def test_the_interval_of_a_difference_covers_94_to_98_in_100(n, known_share):
    """One of two like groups ends at a limit of the machine."""
    rng = np.random.default_rng(3)
    limit = stats.norm.ppf(known_share)
    covered = []
    for _ in range(3000):
        fits = []
        for values, most in ((rng.standard_normal(n), np.inf), (rng.standard_normal(n), limit)):
            fits.append(censored_fit(np.ones((n, 1)), np.minimum(values, most), values > most))
        if np.isfinite([fit.std for fit in fits]).all():
            means = [float(fit.coefficients[0]) for fit in fits]
            found = contrast(
                means[1] - means[0], [fit.covariance[0, 0] for fit in fits], [f.degrees_of_freedom for f in fits]
            )
            covered.append(found.interval[0] <= 0 <= found.interval[1])
    assert 0.94 <= np.mean(covered) <= 0.985
