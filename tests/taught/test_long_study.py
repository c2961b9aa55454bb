"""The whole chain, features to interval, on hundreds of studies of hard etches: coverage, whatever the map."""

import math
from functools import cache

import numpy as np
import pytest
from invented import hard_etch, person

from micro.taught.corrected import CountedField, corrected_fraction
from micro.taught.crossfit import Answers, counted_field, cross_taught, one_field
from micro.taught.features import feature_planes
from micro.taught.learner import probability

BANK, FIELDS, POINTS, STUDIES = 24, 4, 70, 400


@cache
def bank():
    """Planes, features of every pixel (features, pixels) and carbide of BANK fields: made once for all studies."""
    made = []
    for k in range(BANK):
        rng = np.random.default_rng([31, k])
        grey, carbide = hard_etch(rng, share=rng.beta(12, 28))
        planes = feature_planes(grey)
        made.append((planes, planes.rows(0, carbide.shape[0]), carbide))
    return made


def counted_by(rng, carbide, slips=0.0):
    """Answers of a person who may slip; points on a rim are judged as they are, so that the truth is the picture's."""
    seen = person(rng, carbide, POINTS, slips)
    at = carbide[seen.y_px.astype(int), seen.x_px.astype(int)].astype(float)
    answers = np.where(seen.answers == 0.5, at, seen.answers)
    return Answers(seen.x_px, seen.y_px, answers)


def study(rng, shuffled, slips=0.0):
    """Interval of the mean of FIELDS fields, and that mean; `shuffled`: the map is taught wrong answers."""
    chosen = [bank()[k] for k in rng.choice(BANK, FIELDS, replace=False)]
    counted = [counted_by(rng, carbide, slips) for *_, carbide in chosen]
    features = [planes.at(a.x_px, a.y_px) for (planes, *_), a in zip(chosen, counted, strict=True)]
    taught = counted
    if shuffled:
        taught = [Answers(a.x_px, a.y_px, rng.permutation(a.answers)) for a in counted]
    fields = []
    for taught_map, (_, pixels, _), at, a in zip(
        cross_taught(features, taught), chosen, features, counted, strict=True
    ):
        mean = float(probability(taught_map, pixels)[0].mean(dtype=float))
        fields.append(CountedField(a.answers, probability(taught_map, at.T)[0].astype(float), mean))
    return corrected_fraction(fields).of_the_fields, float(np.mean([carbide.mean() for *_, carbide in chosen]))


def study_of_one(rng):
    """Interval of one field taught by its own points, and its truth."""
    planes, _, carbide = bank()[rng.integers(BANK)]
    counted = counted_by(rng, carbide)
    maps = one_field(planes, counted)
    field = counted_field(counted, maps.at_points, maps.means)
    return corrected_fraction([field]).of_the_fields, float(carbide.mean())


def coverage(draw, studies, seed=3):
    """Share of studies whose interval holds the truth, and mean half width in points."""
    rng = np.random.default_rng(seed)
    every = [draw(rng) for _ in range(studies)]
    held = np.mean([found.low <= true <= found.high for found, true in every])
    return float(held), 50 * float(np.mean([found.high - found.low for found, _ in every]))


def enough(studies):
    """Least share that a true 95 % shows in so many studies but once in a thousand."""
    return 0.95 - 3.1 * math.sqrt(0.95 * 0.05 / studies)


@pytest.mark.study
@pytest.mark.parametrize("shuffled", [False, True])
def test_intervals_of_several_fields_cover(shuffled):
    """93 to 98 % of 400; with shuffled answers the map is worthless, and the interval as wide as that of the count."""
    held, half = coverage(lambda rng: study(rng, shuffled), STUDIES)
    print(f"shuffled {shuffled}: {held:.3f} held, ± {half:.1f} points")
    assert 0.93 <= held <= 0.98


@pytest.mark.study
def test_intervals_with_slips_cover():
    """Answers of which 2 % are slips."""
    held, half = coverage(lambda rng: study(rng, False, 0.02), STUDIES)
    print(f"slips: {held:.3f} held, ± {half:.1f} points")
    assert held >= 0.93


@pytest.mark.study
def test_intervals_of_one_field_cover():
    """93 to 98 % of 200: folds of points in the place of folds of fields."""
    held, half = coverage(study_of_one, STUDIES // 2)
    print(f"one field: {held:.3f} held, ± {half:.1f} points")
    assert 0.93 <= held <= 0.985


@pytest.mark.study
def test_a_few_studies_cover():
    """The studies above in small."""
    held, _ = coverage(lambda rng: study(rng, False), 6)
    assert held >= enough(6)
