"""Drawings of the atlas: axes in round steps, names that do not cover each other, numbers when pointed at."""

import re
import xml.etree.ElementTree as ET

import numpy as np
import pytest

from micro.atlas.drawing import Axis, Panel, Point, axis_of, beside, factor_words, treatment_words
from micro.atlas.page import build_atlas

NAN = float("nan")


def test_an_axis_places_values_evenly_or_by_their_logarithm():
    plain, powers = Axis(0, 10, 100, 300), Axis(1, 100, 100, 300, logarithmic=True)
    assert [plain.place(v) for v in (0, 5, 10)] == [100, 200, 300]
    assert [powers.place(v) for v in (1, 10, 100)] == pytest.approx([100, 200, 300])
    assert plain.place(99) == 300  # an interval that leaves the axis ends at its end


@pytest.mark.parametrize("values", [(1.0, 2.3), (980.0, 1100.0), (0.0007, 0.0031), (60.0, 60.0)])
def test_ticks_are_round_and_three_to_eight(values):
    axis = axis_of(values, [], (0, 1))
    steps = np.diff(axis.ticks)
    assert 3 <= len(axis.ticks) <= 8
    assert steps == pytest.approx(steps[0])
    assert f"{steps[0]:e}"[:3] in ("1.0", "2.0", "2.5", "5.0")


def test_wide_values_get_a_logarithmic_axis_and_one_endless_interval_squeezes_nothing():
    assert axis_of([1, 20], [], (0, 1), zero=True).logarithmic
    assert not axis_of([10, 20], [], (0, 1), zero=True).logarithmic
    assert axis_of([10, 20], [10_000], (0, 1)).high < 25
    assert axis_of([9.4, 10.2], [7, 22], (0, 1)).high > 22


def test_names_cover_neither_markers_nor_each_other():
    """Of bars in one spot one is named beside it; every one tells its name when pointed at."""
    crowd = [Point(n, f"bar {n}", (5, NAN, NAN), (5, NAN, NAN), f"bar {n}\nnumbers") for n in range(9)]
    alone = Point(9, "alone", (9, 8, 10), (9, 8, 10), "alone")
    svg = beside([Panel([*crowd, alone], "x", "y")])
    names = re.findall(r'class="name"[^>]*>([^<]+)<', svg)
    assert "alone" in names
    assert len(names) <= 5
    assert svg.count("<title>") == 10


def test_a_drawing_is_well_formed_whatever_a_bar_is_called():
    point = Point(0, '<b>&"', (1, NAN, NAN), (1, NAN, NAN), '<script>"&')
    root = ET.fromstring(beside([Panel([point], "x < y", "&")]))
    assert root.tag.endswith("svg")


def test_factors_are_written_as_the_trade_does():
    assert factor_words("tempering_C") == "tempering, °C"
    assert treatment_words("austenitising_C 1040, soak_min 20, several tempering_C") == (
        "austenitising 1040 °C, soak min 20, several tempering"
    )


def test_many_bars_open_in_a_browser_and_say_their_numbers(many_folders, tmp_path, browser, record_property):
    """Pointing at a marker shows its numbers, and marks the same bar in every figure and in the table."""
    from selenium.webdriver.common.action_chains import ActionChains
    from selenium.webdriver.common.by import By

    build_atlas(many_folders, tmp_path / "out")
    browser.get((tmp_path / "out" / "atlas.html").as_uri())
    opened = "const [n] = performance.getEntriesByType('navigation'); return n.loadEventEnd / 1000"
    record_property(f"atlas of {10 * len(many_folders)} bars opens in s", f"{browser.execute_script(opened):.2f}")
    assert browser.get_log("browser") == []
    assert browser.execute_script("return document.documentElement.scrollWidth") <= 1280
    marker = browser.find_element(By.CSS_SELECTOR, 'g[data-bar="17"] .mark')
    browser.execute_script("arguments[0].scrollIntoView({block: 'center'})", marker)
    # Another marker may lie over this one: point at the element itself.
    browser.execute_script(
        "arguments[0].dispatchEvent(new PointerEvent('pointerover', {bubbles: true, clientX: 300, clientY: 300}))",
        marker,
    )
    tip = browser.find_element(By.ID, "tip")
    assert tip.text.startswith("2-H\narea fraction of carbide, %: ")
    assert re.search(r"toughness along rolling, .*: [\d.]+ J \([\d.]+ to [\d.]+\)|: [\d.]+\sJ \(", tip.text)
    seen = browser.find_elements(By.CSS_SELECTOR, ".seen")
    assert len(seen) == 7  # six panels and a row
    ActionChains(browser).move_to_element(browser.find_element(By.TAG_NAME, "h1")).perform()
    browser.execute_script("document.body.dispatchEvent(new PointerEvent('pointerover', {bubbles: true}))")
    assert not tip.is_displayed()
