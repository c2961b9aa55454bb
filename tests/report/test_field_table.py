"""The report's table of fields, and which fields it shows first."""

from importlib.resources import files

import pytest
from jinja2 import Environment

from micro.issues import gravity, issue
from micro.report.fields import COLUMNS, field_table
from micro.report.page import ROWS_A_PAGE

UNKNOWN = float("nan")


def row(carbide_class, value=0.1, grey=200.0):
    """One row of fields.csv as far as the table reads it."""
    ends = {"area_fraction": value, "area_fraction_low": 0.9 * value, "area_fraction_high": 1.1 * value}
    greys = {"matrix_grey": 100.04, "class_grey": grey, "threshold_grey": 150.0, "blur_px": 1.234, "noise_grey": 4.0}
    return {"field": "f1", "carbide_class": carbide_class, "particles": 12} | ends | greys


def test_a_field_of_one_class_has_one_row_with_its_greys():
    """As printed, in the order of the heading."""
    table = field_table([row("all"), row("carbide")])
    assert len(table.rows) == 1 and len(table.rows[0]) == len(COLUMNS)
    assert table.rows[0][2:] == ("12", "100.0", "200.0", "150.0", "1.23", "4.0")
    assert table.rows[0][1].startswith("10")


def test_classes_have_their_own_rows_and_nothing_is_made_up():
    """An unknown grey is an empty cell."""
    table = field_table([row("all", grey=UNKNOWN), row("MC"), row("M7C3")])
    assert [cells[0] for cells in table.rows] == ["f1", "f1, MC", "f1, M7C3"]
    assert table.rows[0][4] == ""


def test_doubt_comes_before_a_note_and_a_note_before_nothing():
    """Fields are shown by the gravest of what is said of them."""
    note, doubt = issue("rows_cut", rows=3), issue("soft_focus", blur_px=3.0, median_ecd_px=9.0)
    unknown = issue("nothing_left")
    assert gravity([]) == gravity([note]) < gravity([note, doubt]) < gravity([doubt, doubt]) < gravity([unknown])


@pytest.mark.parametrize(("rows", "pages"), [(1, 1), (100, 1), (101, 2), (250, 3)])
def test_a_long_table_opens_a_hundred_rows_at_a_time(rows, pages):
    """Every row stands once, under a line with the first and last field of its page; a short table needs no lines."""
    template = Environment(autoescape=True).from_string((files("micro.report") / "templates/report.html").read_text())
    macros = template.make_module({"rows_a_page": ROWS_A_PAGE, "parts": [{}]})
    shown = macros.in_pages(["field", "area"], [(f"f{k:03d}", f"{k} %") for k in range(rows)], "Fields", "What")
    assert [shown.count(f">f{k:03d}<") for k in range(rows)] == [1] * rows
    assert shown.count("<details>") == shown.count("</details>") == (pages if pages > 1 else 0)
    assert shown.count("<caption>What</caption>") == pages
    assert ("<summary>f100 to f" in shown) == (pages > 1)
