"""The counting page in a real browser, from disk: by keys, by mouse, at the width of a phone."""

import json
import re
import time
import zlib

import numpy as np
import pytest

from micro.batch.fields import pictures_of
from micro.points.agreement import compare_count
from micro.points.measured import judge_points
from micro.points.sheet import write_sheet
from micro.points.tally import read_tallies
from micro.report.record import read_run

KEYS = {0.0: "o", 0.5: "b", 1.0: "i"}
BUTTONS = {0.0: "out", 0.5: "boundary", 1.0: "in"}
# Grey levels of the magnified view at 24 × 24 places, or at one place given as shares of its sides.
SHOWN = """
const near = document.getElementById("near"), copy = document.createElement("canvas");
copy.width = near.width; copy.height = near.height;
const pen = copy.getContext("2d", { willReadFrequently: true });
pen.drawImage(near, 0, 0);
const at = (x, y) => pen.getImageData(Math.floor(x * near.width), Math.floor(y * near.height), 1, 1).data[0];
function grey(x, y) {
  if (x !== undefined) return [at(x, y)];
  return Array.from({ length: 576 }, (_, i) => at(((i % 24) + 0.5) / 24, (Math.floor(i / 24) + 0.5) / 24));
}
"""


class Page:
    """A sheet open in the browser, and what a person does on it."""

    def __init__(self, browser, study, sheet, folder):
        self.browser, self.study, self.sheet, self.folder = browser, study, sheet, folder
        write_sheet(sheet, folder)
        browser.execute_cdp_cmd("Page.setDownloadBehavior", {"behavior": "allow", "downloadPath": str(folder)})
        self.open()

    def open(self):
        self.browser.get((self.folder / "sheet.html").as_uri())

    def element(self, name):
        return self.browser.find_element("id", name)

    def start(self, counter="ab"):
        self.element("counter").clear()
        self.element("counter").send_keys(counter + "\n")
        self.wait(lambda: self.element("count").is_displayed() or self.element("end").is_displayed())

    def wait(self, holds, seconds=60):
        until = time.monotonic() + seconds
        while not holds():
            assert time.monotonic() < until, "the page did not get there in time"
            time.sleep(0.02)

    def scores(self):
        """Return the true scores of all points in the order of the sheet."""
        fields = self.sheet.fields
        every = [judge_points(self.study.labels[f.specimen, f.field] > 0, f.grid.x_px, f.grid.y_px) for f in fields]
        return np.concatenate(every)

    def where(self):
        return self.element("where").text

    def at(self, number):
        """Wait until the page asks for point `number` (from 0) and shows its picture: no verdict is taken before."""
        per_field = self.sheet.fields[0].grid.points
        field, point = divmod(number, per_field)
        text = f"Field {field + 1} of {len(self.sheet.fields)}, point {point + 1} of {per_field}"
        self.wait(lambda: self.where() == text and self.element("count").get_attribute("aria-busy") == "false")

    def press(self, keys):
        from selenium.webdriver import ActionChains

        ActionChains(self.browser).send_keys(keys).perform()

    def count_by_keys(self, first, last):
        """Judge points `first` to `last` (excluded) by keys; a new field is waited for, as a person does."""
        per_field = self.sheet.fields[0].grid.points
        keys = "".join(KEYS[s] for s in self.scores())
        while first < last:
            self.at(first)
            self.wait(self.drawn)
            until = min(last, (first // per_field + 1) * per_field)
            self.press(keys[first:until])
            first = until

    def drawn(self):
        """Tell whether the magnified view shows a picture: more than its plain ground."""
        grey = self.browser.execute_script(SHOWN + "return [...grey()]")
        return max(grey) - min(grey) > 20

    def saved(self, button="save-end"):
        self.element(button).click()
        # The browser holds the name with an empty file while it writes into another.
        self.wait(lambda: [file for file in self.folder.glob("tally-*.csv") if file.stat().st_size])
        return next(iter(self.folder.glob("tally-*.csv")))

    def troubles(self):
        return [entry["message"] for entry in self.browser.get_log("browser")]


@pytest.fixture
def page(browser, study, tmp_path, request):
    browser.set_window_size(1280, 900)
    browser.get_log("browser")

    def make(**settings):
        # A seed of its own gives every test a sheet of its own, which the browser's storage tells apart.
        seed = zlib.crc32(request.node.name.encode())
        return Page(browser, study, study.sheet(**{"points": 9, "seed": seed, **settings}), tmp_path)

    return make


def test_a_whole_sheet_by_keys_with_a_reload_in_the_middle(page, study, tmp_path):
    """Nothing is lost by a reload; the saved count, set against a true result, parts from it by nothing."""
    count = page()
    count.start()
    total, middle = len(count.scores()), len(count.scores()) // 2
    count.count_by_keys(0, middle)
    count.at(middle)
    count.open()
    assert f"{middle} of {total} points are counted already" in count.element("earlier").text
    count.start()
    count.at(middle)
    count.count_by_keys(middle, total)
    count.wait(lambda: count.element("end").is_displayed())
    assert f"{total} points in " in count.element("spent").text
    tally = read_tallies([count.saved()])
    assert tally.messages == ()
    folder = study.write_results(tmp_path / "results")
    agreement = compare_count(tally, folder, pictures_of(read_run(folder).outcomes))
    assert (agreement.fields[["points_above", "points_below"]] == 0).all(axis=None)
    assert agreement.fields["judged_difference"].abs().max() < 1e-3
    assert count.troubles() == []


def test_by_mouse_with_undo(page):
    count = page(fields=1)
    count.start()
    scores = count.scores()
    count.at(0)
    count.element("in").click()
    count.at(1)
    count.element("undo").click()
    for number, score in enumerate(scores):
        count.at(number)
        count.element(BUTTONS[score]).click()
    count.wait(lambda: count.element("end").is_displayed())
    points = read_tallies([count.saved()]).points
    assert len(points) == len(scores)
    wanted = {1.0: "in", 0.5: "boundary", 0.0: "out"}
    assert list(points["verdict"]) == [wanted[s] for s in scores]


def test_undo_goes_back_over_a_field_and_from_the_end(page):
    count = page(fields=1)
    count.start()
    per_field = count.sheet.fields[0].grid.points
    count.count_by_keys(0, per_field)
    count.at(per_field)
    count.press("u")
    count.at(per_field - 1)
    count.count_by_keys(per_field - 1, 2 * per_field)
    count.wait(lambda: count.element("end").is_displayed())
    count.press("u")
    count.at(2 * per_field - 1)


def test_a_class_is_chosen_by_its_number(page):
    count = page(fields=1, classes=("MC", "=M7C3"))
    count.start()
    count.at(0)
    count.press("2i1boi")
    count.at(4)
    path = count.saved("save")
    text = path.read_text()
    assert ",in,'=M7C3,ab" in text
    assert re.findall(r"(in|boundary|out),([^,]*),ab", text)[1:] == [("boundary", "MC"), ("out", ""), ("in", "MC")]


def test_two_people_keep_their_counts_apart(page):
    count = page(fields=1)
    count.start("ab")
    count.at(0)
    count.press("ioo")
    count.at(3)
    count.open()
    count.start("cd")
    count.at(0)
    count.open()
    count.start("ab")
    count.at(3)


@pytest.mark.parametrize("store", ["localStorage", "sessionStorage"])
def test_a_reload_that_loses_one_of_the_two_records_loses_no_verdict(page, browser, store):
    """A busy browser was seen to open a page again without what it kept of it (1 of 150 reloads at once)."""
    count = page(fields=1)
    count.start("ab")
    count.at(0)
    count.press("ioo")
    count.at(3)
    browser.execute_script(f"{store}.clear()")
    count.open()
    count.start("ab")
    count.at(3)


def test_at_the_width_of_a_phone(page, browser):
    """390 px wide: nothing is cut off, and verdicts are large enough for a thumb, on the first screen."""
    browser.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride", {"width": 390, "height": 844, "deviceScaleFactor": 2, "mobile": True}
    )
    try:
        count = page(fields=1, classes=("MC", "M7C3"))
        assert browser.execute_script("return document.documentElement.scrollWidth") <= 390
        count.start()
        count.at(0)
        count.wait(count.drawn)
        assert browser.execute_script("return document.documentElement.scrollWidth") <= 390
        for name in ("in", "boundary", "out", "undo", "more", "less"):
            box = browser.execute_script("return document.getElementById(arguments[0]).getBoundingClientRect()", name)
            assert min(box["width"], box["height"]) >= 44, name
            assert box["left"] >= 0, name
            assert box["right"] <= 390, name
            assert box["bottom"] <= 844, name
        for score in count.scores():
            count.element(BUTTONS[score]).click()
            count.wait(lambda: count.element("end").is_displayed() or count.drawn())
        count.wait(lambda: count.element("end").is_displayed())
    finally:
        browser.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})


def test_the_cross_points_at_the_pixel_of_the_grid(page, browser):
    """At the middle of the magnified view lies the picture's grey at the point: bright in a carbide, dark outside."""
    count = page(points=49, fields=1)
    count.start()
    scores = count.scores()
    shown = []
    for number in range(count.sheet.fields[0].grid.points):
        count.at(number)
        count.wait(count.drawn)
        shown.append(browser.execute_script(SHOWN + "return grey(0.5, 0.5)[0]"))
        count.press("o")
    shown = np.array(shown)
    own = scores[: len(shown)]
    assert (own == 1).any()
    assert shown[own == 1].min() > 150 > 100 > shown[own == 0].max()


def test_magnification_changes_by_key_and_button(page):
    count = page(fields=1)
    count.start()
    count.at(0)
    count.wait(lambda: count.element("zoom").text == "4×")
    count.press("+")
    count.wait(lambda: count.element("zoom").text == "6×")
    count.element("less").click()
    count.element("less").click()
    count.wait(lambda: count.element("zoom").text == "3×")


def test_a_screen_reader_finds_a_name_for_everything(page, browser):
    count = page(fields=1, classes=("MC", "M7C3"))
    count.start()
    count.at(0)
    nameless = browser.execute_script(
        "return [...document.querySelectorAll('button, canvas, input, progress, output, section')].filter(e =>"
        " !(e.getAttribute('aria-label') || e.getAttribute('aria-labelledby') || e.textContent.trim()"
        " || (e.labels && e.labels.length))).map(e => e.outerHTML)"
    )
    assert nameless == []
    assert count.element("where").get_attribute("role") == "status"


def test_the_page_asks_for_nothing_from_the_network(page, browser):
    count = page(fields=1)
    count.start()
    count.at(0)
    asked = browser.execute_script("return performance.getEntriesByType('resource').map(e => e.name)")
    assert [name for name in asked if not name.startswith(("data:", "blob:"))] == []
    assert count.troubles() == []


def test_what_the_storage_holds_is_checked_before_it_is_believed(page, browser):
    """A damaged storage starts afresh and does not break the page."""
    count = page(fields=1)
    key = f"micro-points/{count.sheet.identity}/ab"
    for content in ("{", "null", json.dumps([5]), json.dumps(["i9x,<b>,o", "x", None]), json.dumps({"a": 1})):
        browser.execute_script("localStorage.setItem(arguments[0], arguments[1])", key, content)
        count.open()
        count.start()
        assert count.where().startswith("Field 1 of ")
    assert count.troubles() == []
