"""Twelve bars read as easily as three: a figure a question, one table, letters or a reference, eight printed pages."""

import math
import re
import shutil
import subprocess

import numpy as np
import pandas as pd
import pytest

from micro.analysis import PointCount, analyse_study
from micro.figures.specimens import ForestRow, draw_forest, height_in
from micro.figures.style import styled
from micro.report.bars import Bars, bars_table, difference_lines, extremes_sentence, glance_section, letter_sentence
from micro.report.build import write_report
from micro.specimens.summary import summarise
from micro.study.model import Specimen, Study
from micro.tables import columns

NAMES = [f"bar {number}" for number in range(1, 13)]
STEEL = {"C": 1.5, "Cr": 12.0}


def fields_of(name, rng, fraction, fields=5):
    """Rows of fields.csv of one bar with a class M7C3, all numbers of it drawn with a scatter of 4 %."""
    rows = []
    for number in range(fields):
        near = {c.name: "" if c.dtype == "str" else np.nan for c in columns.FIELDS}
        scatter = 1 + 0.04 * rng.standard_normal(6)
        near |= {
            "specimen": name, "field": f"f{number}", "um_per_px": 0.2, "analysed_area_um2": 3e4, "particles": 300,
            "area_fraction": fraction * scatter[0], "number_per_mm2": 9000 * scatter[1],
            "intercepts_along_per_mm": 40 * scatter[2], "intercepts_across_per_mm": 50 * scatter[3],
            "band_contrast": 0.5 * scatter[4], "band_contrast_at_random": 0.3 * scatter[5],
            "mean_ecd_um": 2.0,
        }  # fmt: skip
        rows += [near | {"carbide_class": carbide_class} for carbide_class in ("all", "M7C3")]
    return pd.DataFrame(rows)


def study_of(names, reference=""):
    """Study, its tables and its analysis: carbide from 8 % in the first bar to 14 % in the last."""
    rng = np.random.default_rng(5)
    amounts = np.linspace(0.08, 0.14, len(names))
    fields = [fields_of(name, rng, amount) for name, amount in zip(names, amounts, strict=True)]
    none = columns.empty(columns.PARTICLES)
    tables = {
        "particles": none, "fields": pd.concat(fields, ignore_index=True), "profiles": none,
        "specimens": pd.concat([summarise(none, own, 0.001) for own in fields], ignore_index=True),
    }  # fmt: skip
    bars = tuple(Specimen(name, (), route="conventional", composition=STEEL) for name in names)
    study = Study("Many bars", bars, "study file", reference=reference)
    return study, tables, analyse_study(study, (), tables, PointCount(None))


@pytest.fixture(scope="module")
def twelve(tmp_path_factory):
    """Report of twelve bars, none with a picture."""
    study, tables, answer = study_of(NAMES)
    out = tmp_path_factory.mktemp("twelve")
    write_report(study, (), tables, answer, out)
    return study, tables, answer, out, (out / "report.html").read_text(encoding="utf8")


def answer_part(page):
    return page[: page.index('<div id="details">')] + page[page.index('<section id="cautions"') :]


def test_each_question_has_one_figure_with_every_bar(twelve):
    out, page = twelve[3:]
    drawn = {p.stem for p in (out / "figures").glob("bars_*.svg")}
    assert {"bars_amount", "bars_banding"} <= drawn
    assert answer_part(page).count("<figure>") == len(drawn)


def test_one_table_holds_every_bar_and_no_pair_has_its_own(twelve):
    page = twelve[4]
    section = page[page.index('<section id="bars"') : page.index('<div id="details">')]
    assert [f'<th scope="row">{name}</th>' in section for name in NAMES] == [True] * 12
    assert section.count("<table>") == 1
    assert " against bar" not in page


def test_letters_follow_the_pairs(twelve):
    """Bars far apart share no letter; where pairs differ and where not stands in comparison.csv."""
    _, tables, answer, _, page = twelve
    bars = Bars(NAMES, tables["specimens"], answer.comparison)
    letters = bars.letters("area_fraction")
    assert next(iter(letters)) == "bar 12"
    assert not set(letters["bar 1"]) & set(letters["bar 12"])
    own = answer.comparison
    own = own[(own["quantity"] == "area_fraction") & (own["carbide_class"] == "all")]
    assert len(own) == 66
    apart = {(r.specimen_a, r.specimen_b) for r in own.itertuples() if r.verdict == "differs"}
    assert all(
        ((a, b) in apart) != bool(set(letters[a]) & set(letters[b]))
        for a, b in zip(own.specimen_a, own.specimen_b, strict=True)
    )
    assert f"Area fraction: {len(apart)} of 66 pairs of bars are told apart" in page


def test_the_extremes_are_said_and_the_rest_folds(twelve):
    page = twelve[4]
    assert re.search(r"Area fraction, %: most in bar 12, 1[34]", page)
    assert "Each bar in words" in page


def test_it_prints_on_eight_pages_at_most(twelve, tmp_path):
    """Headless browser's print of the whole page; what is not printed is named with the place of its numbers."""
    if not shutil.which("chromium"):
        pytest.skip("chromium is not installed")
    page = twelve[3] / "report.html"
    options = ("--headless", "--no-sandbox", "--disable-gpu", f"--user-data-dir={tmp_path / 'profile'}")
    call = ["chromium", *options, f"--print-to-pdf={tmp_path / 'page.pdf'}", page.as_uri()]
    subprocess.run(call, check=True, capture_output=True, timeout=120)
    pages = max(int(n) for n in re.findall(rb"/Count (\d+)", (tmp_path / "page.pdf").read_bytes()))
    assert 2 <= pages <= 8
    assert "Not printed: Figures, Numbers of each specimen" in twelve[4]


def test_a_reference_is_what_the_others_are_set_against(tmp_path):
    """One sentence and one row a bar, whichever place the reference has in the study."""
    study, tables, answer = study_of(NAMES[:4], reference="bar 3")
    write_report(study, (), tables, answer, tmp_path)
    page = (tmp_path / "report.html").read_text(encoding="utf8")
    assert "Against bar 3" in page
    against = re.findall(r"<li>(bar \d), conventional \(ingot\), against bar 3, conventional", page)
    assert against == ["bar 1", "bar 2", "bar 4"]
    assert "share a letter" not in page
    first = answer.comparison.iloc[0]
    assert (first["specimen_a"], first["specimen_b"]) == ("bar 3", "bar 1")
    row = answer.comparison[
        (answer.comparison["specimen_b"] == "bar 4") & (answer.comparison["quantity"] == "area_fraction")
    ].iloc[0]
    assert row["estimate"] == pytest.approx(row["value_b"] - row["value_a"])


def test_two_bars_keep_their_pair(tmp_path):
    study, tables, answer = study_of(NAMES[:2])
    write_report(study, (), tables, answer, tmp_path)
    page = (tmp_path / "report.html").read_text(encoding="utf8")
    assert "<h3>bar 2 against bar 1</h3>" in page
    table = page.split("<h3>bar 2 against bar 1</h3>")[1].split("</table>")[0]
    cells = re.findall(r"<t[dh][^>]*>(.*?)</t[dh]>", table)
    told = cells[cells.index("number of carbides per area") + 1 :][:3]
    assert all(re.search(r"\d \(\d.* to \d", cell) for cell in told), told


def test_one_bar_has_no_table_of_bars():
    study, tables, answer = study_of(NAMES[:1])
    assert glance_section(study, Bars(NAMES[:1], tables["specimens"], answer.comparison), answer) is None


def test_what_is_unknown_is_printed_so():
    """A bar without a value says so; one without an interval says that, and neither wins or loses."""
    rows = [("P", 0.1, 0.09, 0.11), ("Q", math.nan, math.nan, math.nan), ("R", 0.2, math.nan, math.nan)]
    table = pd.DataFrame(rows, columns=["specimen", "mean", "ci95_low", "ci95_high"])
    table = table.assign(carbide_class="all", quantity="area_fraction", unit="")
    bars = Bars(["P", "Q", "R"], table, columns.empty(columns.COMPARISON))
    cells = [row[1] for row in bars_table(bars, ["area_fraction"]).rows]
    assert cells == ["10.0\n(9.0 to 11.0)", "unknown", "20.0\n(interval unknown)"]
    assert "most in R, 20.0 (interval unknown); least in P" in extremes_sentence(bars, "area_fraction")
    assert letter_sentence(bars, "area_fraction") == ""


def test_the_forest_has_a_line_a_bar_in_the_order_given():
    """Values at their places, the first bar on top; intervals as long as they are; unknown is written."""
    rows = [ForestRow("P", 5, 4, 6, "a"), ForestRow("Q", 7, math.nan, math.nan), ForestRow("R", *(math.nan,) * 3)]
    with styled(1, height_in(3)) as (_, axes):
        draw_forest(axes, rows, "label")
        (axis,) = axes
        assert [t.get_text() for t in axis.get_yticklabels()] == ["P", "Q", "R"]
        assert list(axis.get_yticks()) == [2, 1, 0]
        line, dot, open_dot = axis.lines
        assert (list(line.get_xdata()), list(line.get_ydata())) == ([4, 6], [2, 2])
        assert dot.get_xdata()[0] == 5
        assert open_dot.get_markerfacecolor() == "white"
        assert {"unknown", "a"} == {t.get_text() for t in axis.texts}


@pytest.mark.parametrize(("signed", "scale"), [(False, "log"), (True, "linear")])
def test_what_may_be_none_has_equal_steps(signed, scale):
    """Sizes that differ much are read on a logarithmic axis; on it, none and little of something would look alike."""
    with styled(1, height_in(2)) as (_, axes):
        draw_forest(axes, [ForestRow("P", 0.01, 0.002, 0.018), ForestRow("Q", 0.2, 0.1, 0.3)], "label", signed=signed)
        assert axes[0].get_xscale() == scale
        assert signed == (axes[0].get_xlim()[0] == 0)


def means(quantity, *values):
    """Rows of specimens.csv of bars A, B, C."""
    cells = {"carbide_class": "all", "quantity": quantity}
    return [{"specimen": n, "mean": v} | cells for n, v in zip("ABC", values, strict=True)]


def of_all(pairs, quantity):
    """Pairs as rows of comparison.csv."""
    return pairs.assign(carbide_class="all", quantity=quantity)


def test_where_some_bars_are_told_apart_their_letters_are_said():
    """The first screen has no column of banding, so that its letters stand in the sentence."""
    rows = [("A", "B", "differs"), ("A", "C", "cannot tell"), ("B", "C", "may differ")]
    pairs = pd.DataFrame(rows, columns=["specimen_a", "specimen_b", "verdict"])
    table = pd.DataFrame(means("banding_beyond_random", 3, 1, 2))
    said = difference_lines(Bars(list("ABC"), table, of_all(pairs, "banding_beyond_random")))
    assert said == ["Some bars are told apart in banding (A a, C ab, B b): those that share no letter."]


def test_pairs_that_nobody_judged_are_no_pairs_that_are_alike():
    """Fields of unlike area are not compared in the largest carbide: the first screen says so."""
    rows = [("A", "B", "cannot tell"), ("A", "C", "cannot tell"), ("B", "C", "not compared")]
    pairs = pd.DataFrame(rows, columns=["specimen_a", "specimen_b", "verdict"])
    bars = Bars(list("ABC"), pd.DataFrame(means("largest_ecd", 3, 1, 2)), of_all(pairs, "largest_ecd"))
    assert difference_lines(bars) == ["No bar is told apart from any other in largest carbide (1 pair not judged)."]


@pytest.mark.parametrize(("verdict", "lines"), [("may differ", 2), ("differs", 1)])
def test_bands_that_are_shown_are_said_where_no_pair_differs(verdict, lines):
    """Six of six fields banded in one bar, none in the others: their strength tells no pair apart, which hides none."""
    rows = [("A", "B", verdict), ("A", "C", "may differ"), ("B", "C", "cannot tell")]
    pairs = pd.DataFrame(rows, columns=["specimen_a", "specimen_b", "verdict"])
    shares = [row | {"fields": 6} for row in means("banded_fields_share", 1.0, 0.0, 0.0)]
    table = pd.DataFrame([*means("banding_beyond_random", 0.14, 0.01, 0.0), *shares])
    said = difference_lines(Bars(list("ABC"), table, of_all(pairs, "banding_beyond_random")))
    assert len(said) == lines
    assert ("Bands are shown in A, and in no field of B and C" in said[-1]) == (lines == 2)
