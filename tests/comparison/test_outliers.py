"""Outliers against published worked examples."""

import numpy as np
import pytest

from micro.statistics.two_samples import extreme_deviates, outliers

# B. Rosner, 1983, as worked in the NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.17.3; from memory.
ROSNER = [
    -0.25, 0.68, 0.94, 1.15, 1.20, 1.26, 1.26, 1.34, 1.38, 1.43, 1.49, 1.49, 1.55, 1.56, 1.58, 1.65, 1.69, 1.70, 1.76,
    1.77, 1.81, 1.91, 1.94, 1.96, 1.99, 2.06, 2.09, 2.10, 2.14, 2.15, 2.23, 2.24, 2.26, 2.35, 2.37, 2.40, 2.47, 2.54,
    2.62, 2.64, 2.90, 2.92, 2.92, 2.93, 3.21, 3.26, 3.30, 3.59, 3.68, 4.30, 4.64, 5.34, 5.42, 6.01,
]  # fmt: skip
DISTANCES = [3.118, 2.942, 3.179, 2.810, 2.815, 2.848, 2.279, 2.310, 2.101, 2.067]
CRITICAL = [3.158, 3.151, 3.143, 3.136, 3.128, 3.120, 3.111, 3.103, 3.094, 3.085]


def test_rosners_data_hold_three_outliers():
    steps = extreme_deviates(ROSNER, 10)
    assert [s.distance for s in steps] == pytest.approx(DISTANCES, abs=2e-3)
    assert [s.critical for s in steps] == pytest.approx(CRITICAL, abs=2e-3)
    assert sorted(ROSNER[s.index] for s in outliers(ROSNER)) == [5.34, 5.42, 6.01]


def test_one_step_is_grubbs_test():
    """Isotope ratios of F. E. Grubbs' test in the same handbook, 1.3.5.17.1, from memory: G = 2.4687 for 245.57."""
    values = [199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57]
    (step,) = outliers(values)
    assert values[step.index] == 245.57
    assert step.distance == pytest.approx(2.4687, abs=1e-4)


def test_an_ordinary_sample_is_flagged_at_the_level_of_the_test():
    rng = np.random.default_rng(0)
    flagged = sum(bool(outliers(rng.standard_normal(8))) for _ in range(600))
    assert 0.03 < flagged / 600 < 0.07


@pytest.mark.parametrize("values", [[], [1.0], [1.0, 9.0], [2.0, 2.0, 2.0]])
def test_too_few_or_equal_values_have_no_outlier(values):
    assert outliers(values) == []
