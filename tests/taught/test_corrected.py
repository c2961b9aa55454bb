"""The corrected fraction is the survey estimator of the books, and its interval covers, whatever the map."""

import math

import numpy as np
import pytest
from scipy import stats

from micro.taught.corrected import (
    UNSEEN,
    CountedField,
    coefficients,
    corrected_fraction,
    counted_fraction,
    point_values,
)  # fmt: skip


def counted(answers, at_points, mean, **more):
    return CountedField(np.asarray(answers, float), np.asarray(at_points, float), mean, **more)


def test_by_hand():
    """Two fields, four points each; slopes, means and variance written out."""
    first = counted([0, 0, 1, 1], [0.0, 0.2, 0.6, 1.0], 0.40)
    second = counted([0, 1, 1, 1], [0.2, 0.4, 0.8, 1.0], 0.50)
    # Σ(y − ȳ)(m − m̄) and Σ(m − m̄)²: 0.7 and 0.59; 0.4 and 0.40. Each field takes the other's slope.
    np.testing.assert_allclose(coefficients([first, second]), [0.4 / 0.40, 0.7 / 0.59])
    found = corrected_fraction([first, second])
    one, two = 0.5 - 1.0 * (0.45 - 0.40), 0.75 - 0.7 / 0.59 * (0.6 - 0.50)
    np.testing.assert_allclose([f.value for f in found.fields], [one, two])
    np.testing.assert_allclose(found.of_the_fields.value, (one + two) / 2)
    residual = np.array([0, 0, 1, 1]) - np.array([0.0, 0.2, 0.6, 1.0])
    np.testing.assert_allclose(found.fields[0].standard_error ** 2, residual.var(ddof=1) / 4 + UNSEEN / 16)
    np.testing.assert_allclose(found.of_the_specimen.standard_error**2, np.var([one, two], ddof=1) / 2)
    assert found.of_the_specimen.degrees_of_freedom == 1


def test_with_a_coefficient_of_one_it_is_the_difference_estimator():
    """Mean of the map over all pixels plus mean of answer less map at the points (Cochran 1977; from memory)."""
    rng = np.random.default_rng(1)
    m = rng.random(50)
    y = (rng.random(50) < m).astype(float)
    np.testing.assert_allclose(point_values(counted(y, m, 0.47), 1.0).mean(), 0.47 + (y - m).mean())


def test_a_constant_map_leaves_the_count():
    y = np.array([1.0, 0.0, 0.5, 1.0, 0.0] * 4)
    fields = [counted(y, np.full(20, 0.3), 0.3) for _ in range(3)]
    assert corrected_fraction(fields).of_the_fields == counted_fraction(fields).of_the_fields
    assert counted_fraction(fields).of_the_fields.value == pytest.approx(0.5)


def weighted_mean(values, weights, draw=None):
    """Return what the points of one field tell of it, without a map."""
    nothing = np.zeros(len(values))
    return counted_fraction([CountedField(values, nothing, 0.0, weights, draw)]).fields[0]


def test_equal_weights_give_the_mean_and_its_standard_error():
    v = np.random.default_rng(2).normal(size=200)
    found = weighted_mean(v, np.full(200, 0.25))
    np.testing.assert_allclose(found.value, v.mean())
    np.testing.assert_allclose(found.standard_error**2, v.var(ddof=1) / 200 + UNSEEN / 200**2)


def test_degrees_of_freedom_know_rare_errors():
    """About n for normal values (chi squared), twice the number of errors for a few ones among zeros (Poisson)."""
    normal = np.random.default_rng(3).normal(size=4000)
    assert weighted_mean(normal, np.ones(4000)).degrees_of_freedom == pytest.approx(4000, rel=0.1)
    rare = np.zeros(4000)
    rare[:10] = 1
    assert weighted_mean(rare, np.ones(4000)).degrees_of_freedom == pytest.approx(20, rel=0.01)


def test_a_map_right_at_every_point_is_not_without_doubt():
    """Exact 95 % interval of 0 wrong of 100 points ends at 3.6 points (Clopper and Pearson): ours comes near it."""
    y = np.repeat([0.0, 1.0], 50)
    half = corrected_fraction([counted(y, y, 0.5)]).of_the_fields.half_width
    assert 0.5 * stats.beta.ppf(0.975, 1, 100) < half < stats.beta.ppf(0.975, 1, 100)


def test_unequal_probabilities_are_undone():
    """Points drawn four times as often on carbide, weighted by a quarter: the mean is right, its error is honest."""
    rng = np.random.default_rng(4)
    carbide = np.arange(10_000) < 2000
    chance = np.where(carbide, 4.0, 1.0)
    chance /= chance.sum()
    found = []
    for _ in range(300):
        i = rng.choice(10_000, 150, p=chance)
        found.append(weighted_mean(carbide[i].astype(float), 1 / chance[i]))
    value = np.array([f.value for f in found])
    assert value.mean() == pytest.approx(0.2, abs=4 * value.std() / math.sqrt(300))
    assert value.std() == pytest.approx(np.mean([f.standard_error for f in found]), rel=0.1)


def test_two_draws_have_a_mean_each():
    """A draw's number of points is fixed: what differs between draws does not enter the error (strata)."""
    v, draw = np.array([0.0, 0.0, 1.0, 1.0]), np.array([0, 0, 1, 1])
    found = weighted_mean(v, np.ones(4), draw)
    np.testing.assert_allclose(found.standard_error**2, UNSEEN / 16)


def test_one_field_tells_nothing_between_fields():
    y = np.repeat([0.0, 1.0], 25)
    found = corrected_fraction([counted(y, np.linspace(0, 1, 50), 0.5)])
    assert math.isnan(found.of_the_specimen.half_width)
    assert math.isnan(found.between)
    assert found.of_the_fields.half_width > 0


def test_disagreeing_counters_widen_the_interval():
    """Two counters, one of whom sees carbide at ten points more of a hundred: variance (0.05·√2)²/2 of their mean."""
    y = np.repeat([0.0, 1.0], 50)
    generous = y.copy()
    generous[:10] = 1
    map_ = 0.8 * y + 0.1
    alone = corrected_fraction([counted(y, map_, 0.5)])
    both = corrected_fraction([counted(np.stack([y, generous]), map_, 0.5)])
    np.testing.assert_allclose(both.counters, 0.05**2)
    np.testing.assert_allclose(both.of_the_fields.value, alone.of_the_fields.value + 0.05, atol=0.01)
    assert both.of_the_fields.half_width > 2 * alone.of_the_fields.half_width


def test_counters_who_agree_are_one():
    y = np.repeat([0.0, 1.0, 0.5], 20)
    map_ = np.linspace(0, 1, 60)
    one, two = (corrected_fraction([counted(a, map_, 0.4)] * 3) for a in (y, np.stack([y, y])))
    assert one.of_the_fields == two.of_the_fields
    assert two.counters == 0


def test_points_that_nobody_judged_do_not_enter():
    y = np.repeat([0.0, 1.0], 30)
    map_ = np.linspace(0, 1, 60)
    more = counted(np.r_[y, np.full(5, np.nan)], np.r_[map_, np.full(5, 0.9)], 0.5)
    assert corrected_fraction([more]).of_the_fields == corrected_fraction([counted(y, map_, 0.5)]).of_the_fields


def covers(rng, fields, points, mean, quality, studies):
    """Share of studies whose intervals hold the mean of the fields, and the mean of the specimen.

    Fractions scatter between fields as a beta distribution; the map errs by beta noise, quality 0 knows nothing.
    """
    held = np.zeros(2)
    for _ in range(studies):
        made, truths = [], []
        for fraction in rng.beta(60 * mean, 60 * (1 - mean), fields):
            carbide = rng.random(3000) < fraction
            noise = rng.beta(1, max(quality, 1), 3000)
            map_ = np.where(carbide, 1 - noise, noise) if quality else rng.random(3000)
            i = rng.integers(0, 3000, points)
            made.append(counted(carbide[i], map_[i], map_.mean()))
            truths.append(carbide.mean())
        found = corrected_fraction(made)
        held += [abs(found.of_the_fields.value - np.mean(truths)) <= found.of_the_fields.half_width,
                 abs(found.of_the_specimen.value - mean) <= found.of_the_specimen.half_width]  # fmt: skip
    return held / studies


@pytest.mark.parametrize("quality", [0, 3])
def test_intervals_cover(quality):
    """95 % within what 150 studies can tell (a binomial's three standard errors), with a good and a useless map."""
    share = covers(np.random.default_rng(5), 6, 50, 0.3, quality, 150)
    assert (share > 0.95 - 3 * math.sqrt(0.95 * 0.05 / 150)).all()


@pytest.mark.study
@pytest.mark.parametrize(("fields", "points", "mean"), [(2, 100, 0.4), (5, 60, 0.3), (10, 100, 0.08), (10, 100, 0.45)])
@pytest.mark.parametrize("quality", [0, 1, 3])
def test_intervals_cover_in_long_studies(fields, points, mean, quality):
    share = covers(np.random.default_rng(6), fields, points, mean, quality, 2000)
    assert (share > 0.93).all()
    assert (share < 0.97).all()


def sure_map(rng, fraction, pixels=3000):
    """(carbide, map): right where it is sure, as often wrong as it says."""
    unsure = rng.beta(1, 6, pixels)
    carbide = rng.random(pixels) < fraction
    return carbide, np.where(rng.random(pixels) < unsure, ~carbide, carbide) * (1 - 2 * unsure) + unsure


def test_answers_against_a_sure_map_move_one_end():
    """Three of sixty on sure matrix: 0.05·(1 − value) below, and nothing above."""
    map_ = np.repeat([0.01, 0.99], [60, 40])
    y = np.repeat([0.0, 1.0], [60, 40])
    y[:3] = 1
    plain, slipped = (corrected_fraction([counted(a, map_, 0.4)]).of_the_fields for a in (np.round(map_), y))
    assert plain.slips == 0
    assert slipped.slips == pytest.approx(0.05 * (1 - slipped.value))
    assert slipped.high - slipped.value == pytest.approx(slipped.half_width)
    assert slipped.value - slipped.low == pytest.approx(slipped.half_width + slipped.slips)


def test_a_map_that_is_wrong_where_it_is_sure_tells_of_no_slips():
    y = np.tile([0.0, 1.0], 50)
    assert corrected_fraction([counted(y, np.full(100, 0.01), 0.01)]).of_the_fields.slips == 0


def test_slips_of_a_fiftieth_are_covered():
    """Where there is little carbide they add two points that no scatter shows: 200 studies at 8 %, nine fields."""
    rng, held, plain = np.random.default_rng(7), 0, 0
    for _ in range(200):
        made, truths = [], []
        for fraction in rng.beta(5, 55, 9):
            carbide, map_ = sure_map(rng, fraction)
            i = rng.integers(0, 3000, 100)
            answers = np.where(rng.random(100) < 0.02, ~carbide[i], carbide[i])
            made.append(counted(answers, map_[i], map_.mean()))
            truths.append(carbide.mean())
        found = corrected_fraction(made).of_the_fields
        held += found.low <= np.mean(truths) <= found.high
        plain += abs(found.value - np.mean(truths)) <= found.half_width
    assert held / 200 > 0.93
    assert plain / 200 < 0.7


def two_phases(rng, counted_fields, others, follows, studies):
    """Coverage of the specimen, and half width over that without the fields that nobody counted.

    `follows`: how much of the scatter between fields their maps tell; 0 nothing.
    """
    held, ratio = 0, []
    for _ in range(studies):
        made, beside = [], []
        for k, fraction in enumerate(rng.beta(12, 28, counted_fields + others)):
            seen = 0.3 + follows * (fraction - 0.3) + rng.normal(0, 0.02)
            if k >= counted_fields:
                beside.append(seen)
                continue
            # A map that tells carbide from matrix on every field, and is wrong about the amount on each.
            carbide = rng.random(100) < fraction
            map_ = np.clip(np.where(carbide, 0.85, 0.15) + rng.normal(0, 0.1, 100), 0, 1)
            made.append(counted(carbide, map_ + seen - (0.15 + 0.7 * fraction), seen))
        alone = corrected_fraction(made).of_the_specimen
        found = corrected_fraction(made, beside).of_the_specimen
        held += found.low <= 0.3 <= found.high
        ratio.append(found.half_width / alone.half_width)
    return held / studies, float(np.median(ratio))


@pytest.mark.study
@pytest.mark.parametrize(("counted_fields", "others", "follows"), [(5, 20, 1.0), (8, 40, 1.0), (5, 20, 0.0)])
def test_maps_of_fields_that_nobody_counted_sharpen_the_specimen(counted_fields, others, follows):
    """Half as wide where maps follow the fields, no wider where they do not; 300 studies cover either way."""
    share, ratio = two_phases(np.random.default_rng(8), counted_fields, others, follows, 300)
    assert 0.95 - 3 * math.sqrt(0.95 * 0.05 / 300) < share
    assert ratio < 0.7 if follows else 0.85 < ratio <= 1.001
