"""The sheet: what is drawn, what the page may do, what it shows and what it hides."""

import json
import re
from dataclasses import replace
from html.parser import HTMLParser

import cv2
import numpy as np
import pytest
import tifffile

from micro.errors import InputError
from micro.image.micrograph import SubField
from micro.owned import Origin, claimed
from micro.pictures.page import template_text
from micro.points.plan import Scattered, place_grid
from micro.points.sheet import (
    DETAIL_PX,
    FORM_FILE,
    PAGE,
    counting_page,
    details,
    form,
    make_sheet,
    printable_page,
    reduced,
    write_sheet,
)
from micro.points.tally import FORM
from micro.segmentation.segmentation import SegmentationSettings
from micro.study.model import Field


def picture(name, path, **reading):
    """Return a field of the specimen A."""
    return "A", Field(name, path, path.name, name, SegmentationSettings(), **reading)


def manifest_of(page):
    return json.loads(re.search(r'id="manifest">(.*?)</script>', page, re.S)[1])


def test_fields_come_in_random_order_and_all_specimens_are_in(study):
    orders = {tuple((f.specimen, f.field) for f in study.sheet(points=4, seed=seed).fields) for seed in range(6)}
    assert len(orders) > 1
    assert {frozenset(order) for order in orders} == {frozenset(study.labels)}


def test_the_same_seed_gives_the_same_sheet_and_another_seed_another(study):
    assert study.sheet(points=4).identity == study.sheet(points=4).identity
    assert study.sheet(points=4).identity != study.sheet(points=4, seed=2).identity


def test_fields_are_drawn_per_specimen(study):
    sheet = study.sheet(points=4, fields=2)
    assert sorted(f.specimen for f in sheet.fields) == ["A", "A", "B", "B"]
    assert [(p.specimen, p.fields, p.available) for p in sheet.plans] == [("A", 2, 3), ("B", 2, 3)]


def test_details_hold_the_true_pixels_about_every_point():
    """The pixel that a point lies in stands at the middle of its square."""
    rng = np.random.default_rng(0)
    shown = rng.integers(0, 255, (150, 210), dtype=np.uint8)
    grid = place_grid(210, 150, 12, rng)
    squares = details(shown, grid)
    middle = squares[DETAIL_PX // 2 :: DETAIL_PX, DETAIL_PX // 2 :: DETAIL_PX].ravel()
    assert (middle == shown[grid.y_px.astype(int), grid.x_px.astype(int)]).all()


def test_a_picture_that_cannot_be_read_is_named_and_the_rest_is_drawn(study, tmp_path):
    broken = tmp_path / "x.png"
    broken.write_bytes(b"no picture")
    sheet = make_sheet([*study.pictures, picture("x", broken)], points=4)
    assert len(sheet.fields) == 6
    assert str(sheet.troubles[0]).startswith(str(broken))


def test_without_any_picture_there_is_no_sheet(tmp_path):
    with pytest.raises(InputError):
        make_sheet([picture("x", tmp_path / "x.png")])


class Elements(HTMLParser):
    def __init__(self):
        super().__init__()
        self.found, self.attributes = [], []

    def handle_starttag(self, tag, attributes):
        self.found.append(tag)
        self.attributes += [(tag, *pair) for pair in attributes]


def test_names_cannot_break_out_of_the_page(other_study):
    """A field, a specimen and a class whose names are markup stay text."""
    nasty = "</script><img src=x onerror=alert(1)>\u2028<!--"
    study = other_study(specimens=("A",), fields=1)
    pictures = [(nasty, replace(field, name=nasty)) for _, field in study.pictures]
    page = counting_page(make_sheet(pictures, points=4, classes=(nasty, "MC")))
    elements = Elements()
    elements.feed(page)
    assert "img" not in elements.found
    assert not [a for a in elements.attributes if a[1].startswith("on")]
    manifest = manifest_of(page)
    assert manifest["fields"][0]["specimen"] == manifest["fields"][0]["field"] == manifest["classes"][0] == nasty


def test_the_page_may_reach_nothing_but_itself(study):
    """Strict content policy: own style and script by their hashes, no network, no forms sent, no inline handlers."""
    page = counting_page(study.sheet(points=4))
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', page)[1].replace("&#39;", "'")
    assert policy.startswith("default-src 'none'; img-src data: blob:; style-src 'sha256-")
    assert "unsafe" not in policy
    assert "://" not in re.sub(r'<script type="text/plain".*?</script>', "", page, flags=re.S)
    assert " style=" not in page


def test_the_page_shows_no_name_and_no_order_of_the_fields(study):
    """Blind: the words on the page name neither specimen nor field."""
    page = re.sub(r"<script.*?</script>|<style.*?</style>", "", counting_page(study.sheet(points=4)), flags=re.S)
    assert not re.search(r"\bf[123]\b|[AB]-f", page)


def test_the_end_of_the_page_says_what_the_count_is_for(study):
    """A count on grids is compared; points drawn where the map was unsure cannot be, and teach beside the first."""
    even = study.sheet(points=4)
    grid = Scattered((9.0,), (9.0,), (3.0,))
    unsure = replace(even, fields=tuple(replace(field, grid=grid) for field in even.fields))
    ends = [counting_page(sheet).split('id="end"')[1].split("</section>")[0] for sheet in (even, unsure)]
    assert [("points compare TALLY.csv" in end, "--taught-by" in end) for end in ends] == [(True, False), (False, True)]


def luminance(colour):
    channel = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255
    linear = np.where(channel <= 0.03928, channel / 12.92, ((channel + 0.055) / 1.055) ** 2.4)
    return linear @ [0.2126, 0.7152, 0.0722]


@pytest.mark.parametrize("theme", [0, 1])
def test_contrast_of_the_page_is_enough(theme):
    """Text 4.5 to 1 at least, lines of controls 3 to 1: Web Content Accessibility Guidelines 2.1, 1.4.3 and 1.4.11."""
    root = re.findall(r":root \{([^}]*)\}", template_text("points", "sheet.css"))[theme]
    colour = dict(re.findall(r"--(\w+): (#\w{6})", root))

    def ratio(one, other):
        light, dark = sorted((luminance(colour[one]), luminance(colour[other])), reverse=True)
        return (light + 0.05) / (dark + 0.05)

    assert min(ratio("ink", "paper"), ratio("ink", "soft"), ratio("warn", "soft")) >= 4.5
    assert min(ratio("line", "paper"), ratio("line", "soft"), ratio("link", "paper")) >= 3


def test_the_form_has_a_row_a_field_and_leaves_three_cells_to_fill_in(study):
    table = form(study.sheet(points=4))
    assert list(table) == [c.name for c in FORM]
    assert len(table) == 6
    assert (table[["inside", "boundary", "counter"]] == "").all(axis=None)


def test_a_printed_page_is_a4_and_shows_every_point(study):
    sheet = study.sheet(points=9)
    page = cv2.imdecode(np.frombuffer(printable_page(sheet, 0), np.uint8), cv2.IMREAD_GRAYSCALE)
    assert page.shape[1] / page.shape[0] == pytest.approx(297 / 210, rel=1e-3)
    assert (page == 0).sum() > 9 * 40


def test_files_of_an_older_larger_sheet_do_not_stay(study, tmp_path):
    origin = Origin("counting sheet", (tmp_path / "study.toml",))
    with claimed(tmp_path / "count", origin, [PAGE, FORM_FILE]):
        write_sheet(study.sheet(points=4), tmp_path / "count")
    assert len(list((tmp_path / "count" / "print").iterdir())) == 6
    with claimed(tmp_path / "count", origin, [PAGE, FORM_FILE]):
        write_sheet(study.sheet(points=4, fields=1), tmp_path / "count")
    assert sorted(p.name for p in (tmp_path / "count" / "print").iterdir()) == ["001.png", "002.png"]


def test_the_overview_of_a_large_picture_is_small():
    """Its longer side shrinks to the limit, the mean grey stays; a small picture is not enlarged."""
    shown = np.random.default_rng(0).integers(0, 255, (300, 400), dtype=np.uint8)
    small = reduced(shown, 100)
    assert small.shape == (75, 100)
    assert small.mean() == pytest.approx(shown.mean(), abs=1)
    assert reduced(shown, 400) is shown


def test_a_part_of_a_mosaic_is_counted_without_its_overlap(study, tmp_path):
    """The grid lies in the core of the part, and the picture shown is the core."""
    tifffile.imwrite(tmp_path / "m.tif", cv2.imread(str(study.pictures[0][1].image), cv2.IMREAD_UNCHANGED))
    part = SubField(top=60, left=80, bottom=150, right=200, mosaic_rows=180, mosaic_columns=240, margin_px=20)
    (field,) = make_sheet([picture("f1", tmp_path / "m.tif", sub_field=part)], points=9).fields
    assert (field.height_px, field.width_px) == (90, 120)
    assert field.grid.x_px.max() < 120
    shown = cv2.imdecode(np.frombuffer(field.overview, np.uint8), cv2.IMREAD_GRAYSCALE)
    own = study.labels["A", "f1"][60:150, 80:200] > 0
    assert np.corrcoef(shown.ravel(), own.ravel())[0, 1] > 0.9
