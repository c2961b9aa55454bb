"""Numbers are printed as far as they are known, and long lists are cut."""

import math
from types import SimpleNamespace

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from micro.report.page import specimen_numbers
from micro.report.summary import _Values, sureness_sentences
from micro.report.wording import (
    decimals_known,
    figures,
    listed,
    one_class,
    printed,
    specimen_table,
    with_ends,
    with_unit,
    wrapped,
)
from micro.study.model import Specimen, Study


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


def test_an_interval_is_written_with_both_ends():
    """In the report and on the terminal alike; unknown stays unknown."""
    assert with_ends(5.12, 4.96, 5.28) == "5.12 (4.96 to 5.28)"
    assert with_ends(3.21, math.nan, math.nan) == "3.21 (interval unknown)"
    assert with_unit("5.12 (4.96 to 5.28)", "%") == "5.12\u00a0% (4.96 to 5.28)"
    assert with_unit("unknown", "µm") == "unknown"


def test_an_unknown_specimen_is_said_once_and_not_class_by_class():
    """Fields of other greys have other classes; of none of them anything is known."""

    def rows(known):
        every = [(name, "area_fraction", value) for name, value in known.items()]
        table = pd.DataFrame(every, columns=["carbide_class", "quantity", "mean"])
        return table.assign(specimen="A", unit="1", ci95_low=0.0, ci95_high=0.9, fields=3)

    study = Study("t", (Specimen("A", ()),), "")
    unknown = specimen_table(study, rows({"all": math.nan, "carbide 1": math.nan, "carbide 2": math.nan}))
    assert (unknown.count("unknown"), unknown.count("carbide 1")) == (1, 0)
    assert specimen_table(study, rows({"all": 0.1, "carbide 1": 0.04, "carbide 2": 0.06})).count("carbide ") == 2


def test_the_terminal_gets_signs_that_it_can_show_in_80_columns():
    """Minus and narrow space become plain ones; long sentences break."""
    assert printed("\u22126 \u202f") == "-6  "
    lines = wrapped("a word and another " * 20).splitlines()
    assert max(len(line) for line in lines) <= 80
    assert all(line.startswith("  ") for line in lines[1:])


def test_places_beyond_the_first_are_counted():
    """One more is named still: counting it takes as much room."""
    assert listed(["a", "b", "c", "d", "e"], 3) == "a, b, c and 2 more"
    assert listed(["a", "b", "c", "d"], 3) == "a, b, c, d"


def test_the_only_class_is_named_where_the_user_named_it():
    """The program's own word for it says nothing."""
    assert one_class(["all", "MC"]) == "MC"
    assert one_class(["all", "carbide"]) == ""
    assert one_class(["all", "M7C3", "MC"]) == ""


@pytest.mark.parametrize(("unknown", "shown"), [(0.0, False), (0.25, True)])
def test_a_share_of_unknown_fields_is_a_row_only_where_there_are_some(unknown, shown):
    """The table of a specimen has no rows that say that nothing is amiss; they stand in specimens.csv."""
    row = {"specimen": "A", "carbide_class": "all", "unit": "", "ci95_low": 0.0, "ci95_high": 0.4, "fields": 8}
    table = pd.DataFrame(
        [row | {"quantity": "area_fraction", "mean": 0.1}, row | {"quantity": "unknown_fields_share", "mean": unknown}]
    )
    ((_, rows),) = specimen_numbers(Specimen("A", ()), table)["groups"]
    assert len(rows) == 1 + shown


@pytest.mark.parametrize(
    ("half", "said"), [(0.0231, "More fields narrow it."), (0.06, "It is limited by the segmentation (")]
)
def test_more_fields_are_advised_only_where_their_scatter_makes_the_interval(half, said):
    """Nine fields with a standard deviation of 0.03: their scatter alone makes ± 0.0231 (t = 2.306, any table)."""
    row = {"specimen": "A", "carbide_class": "all", "quantity": "area_fraction", "mean": 0.1, "std": 0.03, "fields": 9}
    row |= {"ci95_low": 0.1 - half, "ci95_high": 0.1 + half, "relative_accuracy_pct": 1000 * half}
    answer = SimpleNamespace(specimens=(), chemistry=(), count=None)
    told = " ".join(sureness_sentences([(Specimen("A", ()), _Values(pd.DataFrame([row])))], answer))
    assert said in told
