"""The comparison in words."""

import numpy as np
import pytest

from micro.comparison.findings import findings, number, sentences
from micro.comparison.pairs import ALIKE, DIFFERS, MAY_DIFFER, NO_VERDICT, UNKNOWN, compare


@pytest.fixture
def said(specimen):
    rng = np.random.default_rng(1)
    a, b = specimen("bar A", rng), specimen("bar B", rng, area_fraction=0.2)
    b.particles["ecd_um"] *= 2
    return findings(compare([a, b]))[0]


def test_what_differs_is_told_with_both_values_and_the_interval(said):
    area, size = (
        next(s for s in said.said[DIFFERS] if s.startswith(w)) for w in ("Area fraction: ", "Mean carbide diameter")
    )
    assert area.startswith("Area fraction: 9.64 %")
    assert "% in bar A, " in area
    assert "percentage points (95 % interval" in area
    assert size.startswith("Mean carbide diameter: ")
    assert "µm in bar B; ratio" in size


def test_what_the_data_cannot_tell_is_told_with_what_they_could_have_shown(said):
    sentence = next(s for s in said.said[UNKNOWN] if "no difference shown: ratio" in s)
    assert sentence.endswith("% four times in five.")


def test_the_summary_counts_every_quantity(said):
    counts = (
        (said.said[DIFFERS], "differs", "differ"),
        (said.said[MAY_DIFFER], "may differ", "may differ"),
        (said.said[ALIKE], "is alike within 10 %", "are alike within 10 %"),
        (said.said[UNKNOWN], "is left open", "are left open"),
    )
    told = ", ".join(f"{len(found)} {one if len(found) == 1 else more}" for found, one, more in counts if found)
    assert said.summary == f"bar B against bar A: of 5 quantities judged, {told}."
    assert sum(len(said.said[verdict]) for verdict in (DIFFERS, MAY_DIFFER, ALIKE, UNKNOWN)) == 5


def test_a_refused_pair_says_why_and_nothing_else(specimen):
    rng = np.random.default_rng(1)
    lines = sentences(compare([specimen("A", rng), specimen("B", rng, plane="planar")]))
    assert lines == [
        "B against A: nothing could be compared.",
        "What was not compared:",
        "- A was seen on the longitudinal plane, B on the planar; prepare the same plane of both.",
    ]


def test_a_warning_on_every_quantity_is_said_once(specimen):
    rng = np.random.default_rng(1)
    lines = sentences(compare([specimen("A", rng, plane=""), specimen("B", rng)]))
    assert [line for line in lines if "lane not stated" in line] == ["- Plane not stated."]


def test_alike_is_said_with_its_margin(specimen):
    rng = np.random.default_rng(1)
    (pair,) = findings(compare([specimen(n, rng, fields=12, scatter=0.01) for n in "AB"]))
    assert any("alike within 10 %: ratio" in s for s in pair.said[ALIKE])
    assert any(s.startswith("Degree of orientation: ") for s in pair.said[NO_VERDICT])


def test_no_sentence_prints_a_hole(specimen):
    rng = np.random.default_rng(2)
    for fields in (1, 2, 3, 8):
        for scatter in (0.0, 0.1):
            text = " ".join(sentences(compare([specimen(n, rng, fields=fields, scatter=scatter) for n in "AB"])))
            assert "nan" not in text
            assert "inf " not in text


@pytest.mark.parametrize(
    ("value", "told"),
    [
        (0, "0"),
        (12345.6, "12300"),
        (1.004e-3, "0.00100"),
        (99.96, "100"),
        (-2.5, "-2.50"),
        (np.nan, "unknown"),
        (3e-9, "3e-09"),
    ],
)
def test_numbers_read_plainly(value, told):
    assert number(value) == told
