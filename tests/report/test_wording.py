"""Numbers are printed as far as they are known, and messages are told once."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from micro.report.wording import (
    decimals_known,
    figures,
    listed,
    one_class,
    printed,
    told_once,
    with_ends,
    with_half_width,
    with_unit,
    wrapped,
)


@pytest.mark.parametrize(
    ("value", "uncertainty", "text"),
    [
        (0.9996, 0.0048, "1.000"),
        (11.84, 0.975, "11.8"),
        (5.1234, 0.16, "5.12"),
        (21_490, 2100, "21\u202f500"),
        (-0.00014, 0.003, "\u22120.0001"),
        (-0.0002, 0.05, "0.00"),
        (18.94, 0, "18.9"),
        (math.nan, 1.0, "unknown"),
        (0.0, 0.0, "0"),
    ],
)
def test_a_value_ends_where_its_uncertainty_begins(value, uncertainty, text):
    """One or two figures of the uncertainty (common practice); thousands apart; no minus before zero."""
    assert figures(value, uncertainty) == text


@given(st.floats(1e-6, 1e6))
def test_what_rounding_hides_is_small_beside_the_uncertainty(uncertainty):
    """Half a unit of the last decimal is at most a seventh of the uncertainty."""
    assert 0.5 * 10.0 ** -decimals_known(uncertainty) <= uncertainty / 7 * (1 + 1e-9)


def test_intervals_in_both_writings():
    """Both ends in the report; ± on the terminal where the interval is symmetric; unknown stays unknown."""
    assert with_ends(5.12, 4.96, 5.28) == "5.12 (4.96 to 5.28)"
    assert with_half_width(5.12, 4.96, 5.28) == "5.12 ± 0.16"
    assert with_half_width(3.21, 2.93, 3.61) == "3.21 (2.93 to 3.61)"
    assert with_half_width(3.21, math.nan, math.nan) == "3.21 (interval unknown)"
    assert with_unit("5.12 (4.96 to 5.28)", "%") == "5.12\u00a0% (4.96 to 5.28)"
    assert with_unit("unknown", "µm") == "unknown"


def test_the_terminal_gets_signs_that_it_can_show_in_80_columns():
    """Minus and narrow space become plain ones; long sentences break."""
    assert printed("\u22126 \u202f") == "-6  "
    lines = wrapped("a word and another " * 20).splitlines()
    assert max(len(line) for line in lines) <= 80
    assert all(line.startswith("  ") for line in lines[1:])


def test_messages_that_differ_in_numbers_only_become_one_line():
    """The range, and the place of the largest number first."""
    said = [("0.2 % left out", "a1"), ("soft", "a1"), ("3 % left out", "a2"), ("0.04 % left out", "a3"), ("soft", "a3")]
    assert told_once(said) == [("0.04 to 3 % left out", ["a2", "a1", "a3"]), ("soft", ["a1", "a3"])]
    assert listed(["a", "b", "c", "d", "e"], 3) == "a, b, c and 2 more"
    assert listed(["a", "b", "c", "d"], 3) == "a, b, c, d"


def test_the_only_class_is_named_where_the_user_named_it():
    """The program's own word for it says nothing."""
    assert one_class(["all", "MC"]) == "MC"
    assert one_class(["all", "carbide"]) == ""
    assert one_class(["all", "M7C3", "MC"]) == ""
