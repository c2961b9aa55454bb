"""Sphere diameters from sections: published coefficients and simulated sections."""

import math

import numpy as np
import pytest
from scipy import stats

from micro.specimens.unfolding import coefficients, linear_limits, log_limits, spread_sections, unfold


def test_saltykovs_published_coefficients():
    """Log classes: 1.6461, -0.4561, -0.1162, -0.0415, -0.0173 (Underwood 1970, from memory), per diameter."""
    limits = log_limits(1.0, 8)
    published = np.array([1.6461, -0.4561, -0.1162, -0.0415, -0.0173])
    largest_first = coefficients(limits)[2, 2:7] * limits[3:8]
    assert np.allclose(coefficients(limits)[2, 2] * limits[3], published[0], atol=1e-4)
    assert np.allclose(largest_first[1:] / limits[4:8] * limits[3], published[1:], atol=1e-4)


def test_schwartz_saltykovs_published_coefficients():
    """Linear classes of width 1: 1.0000, -0.1547 and 0.5774 (Underwood 1970, from memory)."""
    table = coefficients(linear_limits(2.0, 2))
    assert np.allclose(table, [[1.0, -0.1547], [0.0, 0.5774]], atol=1e-4)


def sphere_sections(rng, sigma, number, median=4.0):
    """Cut lognormal spheres: met with a chance that goes as the diameter, at a depth that is uniform."""
    diameter = rng.lognormal(math.log(median) + sigma**2, sigma, number)
    return diameter * np.sqrt(1 - rng.random(number) ** 2)


@pytest.mark.parametrize("sigma", [0.3, 0.4])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_twenty_thousand_sections_give_the_spheres_back(sigma, seed):
    """Mean and standard deviation of lognormal spheres within 5 %."""
    sections = sphere_sections(np.random.default_rng(seed), sigma, 20_000)
    limits = log_limits(sections.max(), 15)
    counts = np.histogram(sections, limits)[0].astype(float)[None]
    spheres = unfold(counts, np.array([1e6]), limits)
    mean = 4.0 * math.exp(sigma**2 / 2)
    assert spheres.mean_um == pytest.approx(mean, rel=0.05)
    assert spheres.std_um == pytest.approx(mean * math.sqrt(math.expm1(sigma**2)), rel=0.05)
    assert spheres.number_per_mm3.sum() == pytest.approx(20_000 / mean * 1e3, rel=0.05)


def test_the_interval_comes_from_the_fields_and_one_field_has_none():
    """Resampled fields bracket the estimate where spheres are many; one field leaves the interval unknown."""
    rng = np.random.default_rng(4)
    fields = [sphere_sections(rng, 0.3, 500) for _ in range(8)]
    limits = log_limits(max(f.max() for f in fields), 10)
    counts = np.array([np.histogram(f, limits)[0] for f in fields], float)
    spheres = unfold(counts, np.full(8, 1e4), limits)
    low, high = spheres.classes_ci95
    assert np.all(low <= high)
    most = int(spheres.number_per_mm3.argmax())
    assert low[most] < spheres.number_per_mm3[most] < high[most]
    alone = unfold(counts[:1], np.array([1e4]), limits)
    assert np.isnan(alone.classes_ci95).all()
    assert np.isnan([*alone.total_ci95, *alone.mean_ci95, *alone.std_ci95]).all()


def test_the_interval_of_a_single_class_is_students():
    """Spheres evenly from 0 to 4 µm: N_V = N_A/2 µm field by field, so the interval is t·s/√n of these (scipy)."""
    counts = np.array([[30.0], [42.0], [35.0], [51.0], [28.0]])
    spheres = unfold(counts, np.full(5, 1e4), linear_limits(4.0, 1), draws=5000)
    by_field = counts[:, 0] / 1e4 / 2 * 1e9
    outside = stats.ttest_1samp(by_field, 0).confidence_interval(0.95)
    assert spheres.number_per_mm3 == pytest.approx([by_field.mean()])
    assert spheres.total_ci95 == pytest.approx((outside.low, outside.high), rel=0.04)


def test_the_classes_are_the_best_fit_that_is_nowhere_negative():
    """Kuhn and Tucker: misfit over the counting variance has no slope where spheres are, and rises where none are."""
    counts, limits = np.array([[3.0, 0.0, 40.0, 2.0, 25.0]]), linear_limits(5.0, 5)
    number = unfold(counts, np.array([1e9]), limits).number_per_mm3
    kernel = spread_sections(limits)
    slope = kernel.T @ ((kernel @ number - counts[0]) / np.maximum(counts[0], 1))
    assert 0 < np.count_nonzero(number) < 5
    assert slope[number > 0] == pytest.approx(0, abs=1e-9)
    assert (slope[number == 0] > 0).all()


def test_intervals_of_number_mean_and_scatter_hold_the_truth():
    """Over 60 specimens of eight fields each interval holds the spheres drawn in 90 % and more.

    The classes trade spheres with each other, so that the number of all is known better than the ends of the classes
    added up say.
    """
    held = np.zeros(3)
    for seed in range(60):
        rng = np.random.default_rng(seed)
        fields = [sphere_sections(rng, 0.3, rng.poisson(300)) for _ in range(8)]
        limits = log_limits(max(f.max() for f in fields), 10)
        counts = np.array([np.histogram(f, limits)[0] for f in fields], float)
        spheres = unfold(counts, np.full(8, 1e4), limits, draws=200)
        mean = 4.0 * math.exp(0.3**2 / 2)
        truth = (300 / 1e4 / mean * 1e9, mean, mean * math.sqrt(math.expm1(0.3**2)))
        ends = (spheres.total_ci95, spheres.mean_ci95, spheres.std_ci95)
        held += [low <= value <= high for value, (low, high) in zip(truth, ends, strict=True)]
        low, high = (end.sum() for end in spheres.classes_ci95)
        assert spheres.total_ci95[1] - spheres.total_ci95[0] < high - low
    print(held / 60)
    assert (held >= 0.9 * 60).all()


def test_elongated_carbides_are_said_to_be_no_spheres():
    """The warning states the aspect ratio."""
    limits = linear_limits(2.0, 2)
    counts = np.array([[3.0, 5.0]])
    assert unfold(counts, np.array([1.0]), limits, mean_aspect_ratio=1.2).warning == ""
    warning = unfold(counts, np.array([1.0]), limits, mean_aspect_ratio=2.3).warning
    assert warning == "carbides are elongated (mean aspect ratio 2.3): they are no spheres"
