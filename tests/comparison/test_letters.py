"""Letters of many bars say exactly which of them are told apart."""

from itertools import combinations

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from micro.comparison.findings import compact_letters, letters_of, uncompared
from micro.report.bars import how_apart

BARS = [f"bar {k}" for k in range(12)]


def share(letters, a, b):
    return bool(set(letters[a]) & set(letters[b]))


@settings(deadline=None)
@given(st.sets(st.sampled_from(list(combinations(BARS[:7], 2)))))
def test_two_bars_share_a_letter_unless_they_are_told_apart(apart):
    letters = compact_letters(BARS[:7], sorted(apart))
    for a, b in combinations(BARS[:7], 2):
        assert share(letters, a, b) != ((a, b) in apart)


@settings(deadline=None)
@given(st.sets(st.sampled_from(list(combinations(BARS[:6], 2)))))
def test_no_letter_says_only_what_another_says(apart):
    """No letter's bars all bear one other letter too: that letter would be superfluous."""
    letters = compact_letters(BARS[:6], sorted(apart))
    groups = {x: {b for b in letters if x in letters[b]} for x in set("".join(letters.values()))}
    assert not [1 for x, y in combinations(groups, 2) if groups[x] <= groups[y] or groups[y] <= groups[x]]


def test_a_chain_of_three_by_hand():
    assert compact_letters(["P", "Q", "R"], [("P", "R")]) == {"P": "a", "Q": "ab", "R": "b"}


def test_nothing_told_apart_is_one_letter_and_everything_one_each():
    assert set(compact_letters(BARS, []).values()) == {"a"}
    assert list(compact_letters(BARS[:4], combinations(BARS[:4], 2)).values()) == ["a", "b", "c", "d"]


def test_more_letters_than_the_alphabet_has():
    bars = [str(k) for k in range(28)]
    letters = compact_letters(bars, combinations(bars, 2))
    found = [letters[bar] for bar in bars]
    assert found[25:] == ["z", "a1", "b1"]


@pytest.fixture
def comparison():
    """Pairs A and B that differ, B and C that may differ, C and D on different planes."""
    rows = [
        ("A", "B", "area_fraction", "differs"), ("A", "C", "area_fraction", "alike"),
        ("B", "C", "area_fraction", "may differ"), ("C", "D", "all", "not compared"),
    ]  # fmt: skip
    table = pd.DataFrame(rows, columns=["specimen_a", "specimen_b", "quantity", "verdict"])
    return table.assign(carbide_class="all")


def test_only_what_stands_among_all_tests_splits_letters(comparison):
    assert letters_of(comparison, "area_fraction", ["A", "B", "C", "D"]) == {"A": "a", "B": "b", "C": "ab"}


def test_bars_that_could_not_be_compared_are_named(comparison):
    assert uncompared(comparison, "area_fraction", ["C", "D"]) == [("C", "D")]
    assert uncompared(comparison, "area_fraction", ["A", "B"]) == []


def test_a_quantity_that_is_shown_only_has_no_letters(comparison):
    """Without a verdict on any pair a letter in common would call bars alike that lie far apart."""
    unjudged = comparison.assign(quantity="number_per_mm2", verdict="shown only")
    assert letters_of(pd.concat([comparison, unjudged]), "number_per_mm2", ["A", "B", "C"]) == {}
    some = pd.concat([comparison, unjudged.iloc[[0]].assign(quantity="area_fraction", specimen_b="D")])
    assert uncompared(some, "area_fraction", ["A", "D"]) == [("A", "D")]


def test_a_pair_without_any_row_was_not_judged_either(comparison):
    """B and D were never set beside each other: nobody may read that they are alike, or told apart."""
    assert uncompared(comparison, "area_fraction", ["A", "B", "D"]) == [("A", "D"), ("B", "D")]


def test_every_bar_is_told_apart_only_where_all_were_judged():
    """Of four bars two are told apart, and two were not judged."""
    assert how_apart({"A": "a", "B": "b"}, ["A", "B"]) == "every"
    assert how_apart({"A": "a", "B": "b"}, ["A", "B", "C", "D"]) == "some"
