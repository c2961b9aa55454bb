"""The page holds all it shows, runs nothing, escapes names, and can be read by anybody."""

import html
import json
import re
import xml.etree.ElementTree as ET
from html.parser import HTMLParser

import cv2
import numpy as np
import pytest

from micro.phantom.picture import Optics
from micro.phantom.scenes import Population, Scene, make_field
from micro.run.study import run_study
from micro.study.reader import read_study

NASTY = '<script>alert("1")</script> & =1+1'
TEXT = f"""
title = '''{NASTY}'''
um_per_px = 0.2
carbides = "bright"
coupons = "coupons.csv"

[[specimen]]
name = '''{NASTY}'''
route = "ingot-cast"
plane = "longitudinal"
rolling_deg = 0
images = ["a*.png"]

[specimen.composition]
C = 1.5
Cr = 12
V = 1

[[specimen]]
name = "B"
route = "powder-made"
plane = "longitudinal"
rolling_deg = 0
images = ["b*.png"]
"""
COUPONS = """specimen,coupon,direction,toughness_J,hardness_HRC
B,1,longitudinal,70,60
B,2,longitudinal,72,60.5
B,3,longitudinal,75,60
B,4,transverse,50,60
B,5,transverse,52,60.2
B,6,transverse,47,60.1
"""


@pytest.fixture(scope="module")
def page(tmp_path_factory):
    """Results folder of two specimens, one with a name that means harm."""
    folder = tmp_path_factory.mktemp("nasty")
    for number in range(1, 4):
        for bar, ecd in (("a", 9.0), ("b", 6.0)):
            scene = Scene((Population(0.08, ecd),), optics=Optics(100, (200,), noise=4.0))
            grey, _ = make_field(scene, (192, 256), np.random.default_rng([number, int(ecd)]))
            cv2.imwrite(str(folder / f"{bar}{number}.png"), grey.astype(np.uint8))
    (folder / "study.toml").write_text(TEXT)
    (folder / "coupons.csv").write_text(COUPONS)
    out = folder / "out"
    run_study(read_study(folder / "study.toml"), out, 1, lambda outcome: None)
    return out


def test_the_first_screen_sets_two_bars_apart(page):
    """Two bars have no letters: their pair is told where letters would be."""
    text = (page / "report.html").read_text(encoding="utf8")
    first = text[text.index('<section id="bars"') : text.index("What to distrust")]
    assert re.search(r"<li>B against &lt;script.*: area fraction .*; anisotropy index .*; banding beyond ", first)


class Tags(HTMLParser):
    """Every start tag with its attributes."""

    def __init__(self, text):
        super().__init__()
        self.found = []
        self.feed(text)

    def handle_starttag(self, tag, attributes):
        self.found.append((tag, dict(attributes)))


def test_the_page_is_one_file_that_runs_nothing(page):
    """No script, no link to anything outside, and a content policy that would forbid both."""
    text = (page / "report.html").read_text(encoding="utf8")
    tags = Tags(text).found
    assert not [t for t, _ in tags if t in ("script", "iframe", "object", "link", "form")]
    assert all(a[k].startswith(("data:image/", "#", "outlines/")) for _, a in tags for k in ("src", "href") if k in a)
    assert not [k for _, a in tags for k in a if k.startswith("on")]
    (policy,) = [a["content"] for t, a in tags if t == "meta" and a.get("http-equiv") == "Content-Security-Policy"]
    assert policy.startswith("default-src 'none'")


def test_names_are_escaped_in_page_and_figures(page):
    """A name is text, whatever it holds; in tables it cannot start a spreadsheet formula."""
    text = (page / "report.html").read_text(encoding="utf8")
    assert NASTY not in text
    assert html.escape(NASTY, quote=False).split(" &")[0].split('"')[0] in text
    for figure in (page / "figures").glob("*.svg"):
        assert not [e for e in ET.parse(figure).iter() if e.tag.endswith("script")]
    assert not re.search(r"(^|,)=1", (page / "specimens.csv").read_text(), re.M)


def test_every_table_is_on_record(page):
    """What `micro verify` compares: all tables of the folder by their hash, those of coupons and chemistry too."""
    recorded = json.loads((page / "run.json").read_text(encoding="utf8"))["outputs"]
    tables = {path.name for path in page.glob("*.csv")}
    assert {"coupons.csv", "transverse_ratios.csv"} <= tables <= set(recorded)


def test_every_picture_has_words_for_who_cannot_see_it(page):
    """Each image has an alternative text, each table its header cells, each part of the page its heading."""
    tags = Tags((page / "report.html").read_text(encoding="utf8")).found
    assert all(a.get("alt") for t, a in tags if t == "img")
    assert all(a.get("scope") in ("row", "col") for t, a in tags if t == "th")
    ids = {a["id"] for _, a in tags if "id" in a}
    assert {a["href"][1:] for t, a in tags if t == "a" and a["href"].startswith("#")} <= ids
    assert {a["aria-labelledby"] for _, a in tags if "aria-labelledby" in a} <= ids


def test_no_mean_without_its_interval(page):
    """Every cell of the specimens' tables is a value with both ends of its interval, or says what is unknown."""
    text = (page / "report.html").read_text(encoding="utf8")
    part = text[text.index('<section id="numbers"') : text.index("</section>", text.index('<section id="numbers"'))]
    cells = [html.unescape(c) for c in re.findall(r"<td[^>]*>(.*?)</td>", part)]
    values = [c for c in cells if re.match(r"−?\d", c)]
    assert len(values) > 20
    assert all(re.search(r"\(.* to .*\)|interval unknown", c) for c in values)


def visible_text(page):
    """Words of the page, without styles and pictures."""
    text = (page / "report.html").read_text(encoding="utf8")
    body = re.sub(r"<style>.*?</style>", "", text, flags=re.DOTALL)
    return html.unescape(re.sub(r"<[^>]+>", " ", body))


def test_the_summary_answers_the_questions(page):
    """Amount, size, direction, differences, toughness and how sure, each under its question."""
    text = (page / "report.html").read_text(encoding="utf8")
    start = text.index('<section id="summary"')
    part = text[start : text.index("</section>", start)]
    asked = [html.unescape(question) for question in re.findall(r"<h3>(.*?)</h3>", part)]
    asked = [question for question in asked if question not in ("What to distrust", "Not measured")]
    assert asked == [
        "How much carbide, and of which kind", "How large", "How elongated and how banded",
        "How the specimens differ", "What the matrix keeps", "Toughness along and across rolling", "How sure",
    ]  # fmt: skip
    said = html.unescape(part)
    assert re.search(r"B, powder metallurgy \(PM\): [78]\.?\d*\s% \(", said)
    assert "B: transverse toughness is 0.69" in said
    assert "Nobody has counted points" in text[text.index('<section id="bars"') : text.index('<section id="summary"')]


def test_no_nonsense_numbers(page):
    """Nothing prints as nan, inf, an exponent or minus zero."""
    assert not re.findall(r"\bnan\b|\binf\b|\d[eE][+-]\d|[-\u2212]0(?:\.0*)?(?![.\d])", visible_text(page))


def test_parts_for_all_that_the_study_holds(page):
    """Comparison, coupons, chemistry and the uncertainty budget each have their part, and the cautions stand."""
    text = (page / "report.html").read_text(encoding="utf8")
    for part in (
        "summary",
        "bars",
        "comparison",
        "coupons",
        "matrix",
        "chemistry",
        "uncertainty",
        "fields",
        "methods",
        "cautions",
    ):
        assert f'<section id="{part}"' in text
    assert "safety data sheets" in text
    assert "no certificate" in text
    for name in ("bars_amount", "bars_banding", "size_distribution", "coupons", "chemistry"):
        assert (page / "figures" / f"{name}.svg").stat().st_size > 1000
        assert (page / "figures" / f"{name}.png").read_bytes().startswith(b"\x89PNG")


@pytest.mark.parametrize("width", [1280, 390])
def test_it_fits_desktop_and_phone(page, browser, width):
    """Nothing runs out of the page sideways, all pictures load, and the browser has nothing to complain about."""
    browser.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": width < 600},
    )
    browser.get((page / "report.html").as_uri())
    assert browser.execute_script("return document.documentElement.scrollWidth") <= width
    broken = browser.execute_script("return [...document.images].filter(i => !i.naturalWidth).length")
    assert broken == 0
    assert browser.get_log("browser") == []


def test_a_field_flips_to_its_bare_micrograph_by_keyboard(page, browser):
    """The space bar on a field's box shows the bare micrograph in place of the outlines."""
    from selenium.webdriver.common.by import By
    from selenium.webdriver.common.keys import Keys

    browser.get((page / "report.html").as_uri())
    browser.find_element(By.CSS_SELECTOR, "#fields summary").click()
    field = browser.find_element(By.CLASS_NAME, "field")
    bare, outlined = (field.find_element(By.CLASS_NAME, name) for name in ("bare", "outlined"))
    assert (bare.is_displayed(), outlined.is_displayed()) == (False, True)
    field.find_element(By.TAG_NAME, "input").send_keys(Keys.SPACE)
    assert (bare.is_displayed(), outlined.is_displayed()) == (True, False)
