"""The plan follows the table of ASTM E562 (from memory), where the formula and the table agree."""

import pytest

from micro.points.plan import Plan, expected_accuracy_pct, fields_needed, suggested_fields, suggested_points

# Fraction, %RA, fields of the table at 100 points; the table rounds up to its own steps.
TABLE = [
    (0.10, 10, 40), (0.10, 20, 10), (0.10, 33, 5),
    (0.05, 10, 80), (0.05, 20, 20), (0.05, 33, 8),
    (0.02, 10, 200), (0.02, 20, 50), (0.02, 33, 20),
]  # fmt: skip


@pytest.mark.parametrize(("fraction", "accuracy", "fields"), TABLE)
def test_fields_needed_follow_the_published_table(fraction, accuracy, fields):
    """ASTM E562, fields for a wanted %RA with 100 points, from memory; within the table's own rounding."""
    needed = fields_needed(fraction, 100, accuracy)
    assert needed <= fields
    assert needed == pytest.approx(fields, rel=0.15)


@pytest.mark.parametrize(
    ("fraction", "points"), [(0.02, 100), (0.049, 100), (0.05, 49), (0.099, 49), (0.10, 25), (0.2, 25), (0.3, 16)]
)
def test_grid_by_expected_fraction(fraction, points):
    """ASTM E562, grid sizes by expected volume fraction, from memory."""
    assert suggested_points(fraction) == points


def test_thirty_fields_are_usual_for_ten_percent():
    """At least 30 fields for ±10 %RA: common practice, no source."""
    assert suggested_fields(0.5, 16, 10) == 30
    assert suggested_fields(0.5, 16, 33) == 5
    assert suggested_fields(None, 100, 10) == 30
    assert suggested_fields(0.05, 100, 10) == 76


def test_the_expected_accuracy_is_the_wanted_one_at_the_needed_fields():
    fields = fields_needed(0.07, 49, 12)
    assert expected_accuracy_pct(0.07, 49, fields) <= 12 < expected_accuracy_pct(0.07, 49, fields - 1)


def test_the_plan_says_what_it_can_reach_with_the_fields_there_are():
    plan = Plan("A", 49, 8, 8, 93, 10.0, 0.08)
    assert plan.lines == [
        "A: 8 of 8 fields, 49 points each: 392 points, about 10 min",
        "  at 8 % this gives about 34 %RA at best",
        "  10 %RA needs about 93 fields",
    ]


def test_the_plan_says_that_nothing_is_known_without_an_expected_fraction():
    assert "no fraction is expected" in Plan("A", 100, 30, 40, 30, 10.0, None).lines[1]


def test_a_plan_with_enough_fields_asks_for_no_more():
    assert len(Plan("A", 49, 93, 100, 93, 10.0, 0.08).lines) == 2
