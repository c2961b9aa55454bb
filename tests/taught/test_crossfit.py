"""No map has seen the answers that it is met with, and the corrected fraction covers whatever the map is worth."""

import numpy as np
import pytest
from invented import hard_etch, person

from micro.errors import InputError
from micro.taught.corrected import corrected_fraction, counted_fraction
from micro.taught.crossfit import (
    FOLDS,
    POINT_FOLDS,
    Answers,
    apply_to_field,
    check_answers,
    counted_field,
    cross_taught,
    deal,
    one_field,
)
from micro.taught.features import feature_planes


def seen(maps, answers, carbide_class=0):
    return counted_field(answers, maps.at_points, maps.means, carbide_class)


def specimen(rng, fields=5, points=60):
    """(planes, truth, answers) of a specimen whose fields hold 20 to 40 % of carbide."""
    made = [hard_etch(rng, share=share) for share in rng.uniform(0.2, 0.4, fields)]
    planes = [feature_planes(grey) for grey, _ in made]
    truth = np.array([carbide.mean() for _, carbide in made])
    return planes, truth, [person(rng, carbide, points) for _, carbide in made]


def maps_of(planes, counted):
    return cross_taught([p.at(a.x_px, a.y_px) for p, a in zip(planes, counted, strict=True)], counted)


def corrected(planes, counted):
    found = zip(maps_of(planes, counted), planes, counted, strict=True)
    return [seen(apply_to_field(taught, p, a), a) for taught, p, a in found]


@pytest.fixture(scope="module")
def small():
    return specimen(np.random.default_rng(12))


def test_no_fields_map_saw_its_own_answers(small):
    """Turning every answer of one field round leaves its own map as it was, to the last bit, and moves the others."""
    planes, _, counted = small
    before = maps_of(planes, counted)
    turned = [*counted]
    turned[2] = Answers(counted[2].x_px, counted[2].y_px, 1 - counted[2].answers)
    after = maps_of(planes, turned)
    same = [(a.first == b.first).all() and (a.second == b.second).all() for a, b in zip(before, after, strict=True)]
    assert same == [False, False, True, False, False]


def test_no_points_map_saw_its_own_answer():
    """The same for folds of points within one field."""
    planes, _, (counted,) = specimen(np.random.default_rng(13), 1, 120)
    before = one_field(planes[0], counted)
    fold = deal(120, POINT_FOLDS)
    own = fold == fold[0]
    answers = np.where(own, 1 - counted.answers, counted.answers)
    after = one_field(planes[0], Answers(counted.x_px, counted.y_px, answers))
    assert (after.at_points[:, own] == before.at_points[:, own]).all()
    assert (after.at_points[:, ~own] != before.at_points[:, ~own]).any()


def test_a_field_that_shares_a_fold_is_taught_by_neither():
    """With 25 fields, folds of two or three share a map; every field is in one fold."""
    fold = deal(25)
    assert sorted(np.bincount(fold)) == [2] * 5 + [3] * 5
    assert (deal(7) == deal(7)).all()
    assert sorted(deal(7)) == list(range(7))
    assert max(deal(1000)) == FOLDS - 1


def test_maps_help_and_do_not_mislead(small):
    """The interval holds the truth and is well below that of the count alone."""
    planes, truth, counted = small
    fields = corrected(planes, counted)
    found, alone = corrected_fraction(fields).of_the_fields, counted_fraction(fields).of_the_fields
    assert found.low <= truth.mean() <= found.high
    assert found.half_width < 0.75 * alone.half_width


def test_one_field_by_folds_of_points():
    planes, truth, (counted,) = specimen(np.random.default_rng(14), 1, 150)
    maps = one_field(planes[0], counted)
    field = seen(maps, counted)
    found, alone = corrected_fraction([field]).of_the_fields, counted_fraction([field]).of_the_fields
    assert found.low <= truth[0] <= found.high
    assert found.half_width < 0.8 * alone.half_width
    assert maps.means.shape == maps.at_points.shape == (1, 150)


def test_the_mean_of_a_folds_map_is_that_over_all_pixels():
    """On a small field it is exactly that, whatever part of a wide one is looked at."""
    from micro.taught.learner import probability_map, teach

    planes, _, (counted,) = specimen(np.random.default_rng(15), 1, 120)
    maps = one_field(planes[0], counted)
    left = deal(120, POINT_FOLDS) != 3
    taught = teach(planes[0].at(counted.x_px, counted.y_px)[left], counted.answers[left])
    np.testing.assert_allclose(maps.means[0, ~left], probability_map(taught, planes[0]).mean(), atol=1e-5)


def test_only_the_analysed_area_counts(small):
    planes, _, counted = small
    taught = maps_of(planes, counted)[0]
    left = np.zeros(planes[0].shape, bool)
    left[:, :40] = True
    found = apply_to_field(taught, planes[0], counted[0], left)
    np.testing.assert_allclose(found.means[0], found.probability[0][:, :40].mean(), rtol=1e-5)


def test_classes_add_up_to_all():
    """Two classes counted: each has its own field for the estimator, and the classes' answers add up to the whole."""
    rng = np.random.default_rng(15)
    planes, _, counted = specimen(rng, 3, 120)
    kinds = [rng.integers(1, 3, 120) for _ in counted]
    classed = [Answers(a.x_px, a.y_px, a.answers, kind) for a, kind in zip(counted, kinds, strict=True)]
    taught = maps_of(planes, classed)
    maps = apply_to_field(taught[0], planes[0], classed[0])
    whole, one, two = (seen(maps, classed[0], k) for k in (0, 1, 2))
    np.testing.assert_allclose(one.answers + two.answers, whole.answers)
    np.testing.assert_allclose(one.map_at_points + two.map_at_points, whole.map_at_points)
    np.testing.assert_allclose(one.map_mean + two.map_mean, whole.map_mean)


def test_a_small_tally_is_named():
    x = np.arange(30.0)
    with pytest.raises(InputError, match=r"tally\.csv: has 30 answers; 40 are needed"):
        check_answers([Answers(x, x, x % 2)], "tally.csv")
    with pytest.raises(InputError, match="has 0 answers"):
        check_answers([], "tally.csv")


def coverage(studies, shuffled, seed):
    """(share of studies whose interval holds the mean of their fields, mean half width over that of the count)."""
    rng = np.random.default_rng(seed)
    held, ratio = 0, []
    for _ in range(studies):
        planes, truth, counted = specimen(rng, 4, 50)
        taught_by = counted
        if shuffled:
            taught_by = [Answers(a.x_px, a.y_px, rng.permutation(a.answers)) for a in counted]
        maps = maps_of(planes, taught_by)
        fields = [seen(apply_to_field(t, p, a), a) for t, p, a in zip(maps, planes, counted, strict=True)]
        found = corrected_fraction(fields).of_the_fields
        held += found.low <= truth.mean() <= found.high
        ratio.append(found.half_width / counted_fraction(fields).of_the_fields.half_width)
    return held / studies, np.mean(ratio)


@pytest.mark.study
@pytest.mark.parametrize(("shuffled", "widest"), [(False, 0.8), (True, 1.05)])
def test_coverage_on_hard_etches(shuffled, widest):
    """400 studies: 93 to 97 %; maps taught by shuffled answers fall back to the interval of the count."""
    share, ratio = coverage(400, shuffled, 16)
    assert 0.93 <= share <= 0.97
    assert ratio < widest


@pytest.mark.study
def test_a_map_taught_by_shuffled_answers_costs_nothing():
    """A few of the studies above: the interval is that of the count alone within a tenth."""
    _, ratio = coverage(4, True, 17)
    assert 0.9 < ratio < 1.1
