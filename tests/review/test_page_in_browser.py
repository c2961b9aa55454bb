"""The page of review in a real browser, from disk: thirty acts, a reload in their middle, and the run after it."""

import json
import time
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import shapely
import tifffile

from micro import results
from micro.cli import group
from micro.field import measure
from micro.image.reading import read
from micro.measures.particles import measure_particles
from micro.measures.totals import measure_field

OPEN_SECONDS, OPEN_MIB = 2.0, 300


class Page:
    """A page of review open in the browser, and what a person does on it."""

    def __init__(self, browser, out, downloads):
        self.browser, self.out, self.downloads = browser, out, downloads
        downloads.mkdir(exist_ok=True)
        browser.execute_cdp_cmd("Page.setDownloadBehavior", {"behavior": "allow", "downloadPath": str(downloads)})
        browser.get((out / "review.html").as_uri())

    def element(self, name):
        return self.browser.find_element("id", name)

    def start(self, initials="KM"):
        self.element("initials").clear()
        self.element("initials").send_keys(initials + "\n")
        self.shows(0)

    def shows(self, field=None):
        """Wait until a field is drawn."""
        canvas = self.element("view")

        def drawn():
            now = canvas.get_attribute("data-field")
            return now is not None and (field is None or now == str(field))

        self.wait(drawn)

    def wait(self, holds, seconds=60):
        until = time.monotonic() + seconds
        while not holds():
            assert time.monotonic() < until, "the page did not get there in time"
            time.sleep(0.02)

    def press(self, *keys):
        from selenium.webdriver import ActionChains

        chain = ActionChains(self.browser)
        for key in keys:
            chain.send_keys(key)
        chain.perform()

    def drag(self, *places):
        """Press the mouse at the first place of the picture, pull it over the others, let go."""
        from selenium.webdriver.common.action_chains import ActionChains

        canvas = self.element("view")
        scale, left, top = (float(canvas.get_attribute(f"data-{name}")) for name in ("scale", "left", "top"))
        half = (canvas.size["width"] / 2, canvas.size["height"] / 2)
        chain = ActionChains(self.browser, duration=10)
        for number, (x, y) in enumerate(places):
            chain.move_to_element_with_offset(
                canvas, round(left + x * scale - half[0]), round(top + y * scale - half[1])
            )
            if number == 0:
                chain.click_and_hold()
        chain.release().perform()

    def fraction(self):
        return float(self.element("fraction").get_attribute("data-value"))

    def acts(self):
        return self.browser.execute_script("return document.getElementById('said').textContent").split(", ")[-1]

    def saved(self):
        self.press("s")
        path = self.downloads / "review.json"
        self.wait(lambda: path.exists() and path.stat().st_size > 0)
        return path

    def clean(self):
        """Tell that the page made no complaint in the browser's log."""
        return [one for one in self.browser.get_log("browser") if one["level"] == "SEVERE"] == []


@pytest.fixture(scope="module")
def written(measured):
    """Results folder of that run, with its page of review."""
    group.main(["review", str(measured.out)], standalone_mode=False)
    return measured.out


@pytest.fixture(scope="module")
def reviewed(browser, written, tools, tmp_path_factory):
    """Thirty acts on two fields, by keys and mouse, with a reload in their middle; all undone, done again, saved."""
    page = Page(browser, written, tmp_path_factory.mktemp("downloads"))
    page.start()
    order = [entry["stem"] for entry in json.loads(page.element("manifest").get_attribute("textContent"))["fields"]]
    labels = {stem: tifffile.imread(written / "labels" / f"{stem}.tif") for stem in order}
    found = page.fraction()
    fifteen_acts(page, labels[order[0]], tools)
    first = page.fraction()
    page.browser.refresh()
    page.start()
    after_reload = (page.fraction(), page.acts())
    page.press("n")
    page.shows(1)
    fifteen_acts(page, labels[order[1]], tools)
    second = page.fraction()
    page.press("p")
    page.shows(0)
    page.press(*"z" * 15)
    undone = page.fraction()
    page.press(*"y" * 15)
    assert page.clean()
    return {
        "page": page, "order": order, "found": found, "first": first, "after_reload": after_reload, "second": second,
        "undone": undone, "done_again": page.fraction(), "file": page.saved(),
    }  # fmt: skip


def fifteen_acts(page, labels, tools):
    """Make fifteen acts of all kinds on the field that is shown; each must be taken."""
    pixels = np.bincount(labels.ravel())
    inner = np.setdiff1d(
        np.arange(1, len(pixels)), np.concatenate([labels[0], labels[-1], labels[:, 0], labels[:, -1]])
    )
    large = inner[np.argsort(-pixels[inner])]
    before = int(page.acts().split()[0])
    for number in large[:3]:  # cut by a drawn line
        x, y = tools.middle_of(labels, number)
        page.press("c")
        page.drag((x - 26, y - 22), (x, y), (x + 26, y + 22))
    page.press("j")  # two of the others joined
    for number in large[3:5]:
        page.drag(tools.middle_of(labels, number))
    page.press("\ue00c")
    for number in large[5:9]:  # four called none, by a click and a key
        page.drag(tools.middle_of(labels, number))
        page.press("x")
    for k in range(2):  # drawn by hand: a rectangle and a free line
        page.press("d", "1")
        page.drag((20 + 60 * k, 30.3), (44 + 60 * k, 60.2))
    page.press("d", "3")
    page.drag((150, 100), (190, 105), (185, 140), (160, 150), (148, 120))
    page.press("d", "2")  # a polygon by clicks, ended on its first corner
    for place in ((220, 30), (260, 34), (250, 70), (225, 60), (220, 30)):
        page.drag(place)
    page.press("l", "1")
    page.drag((280.4, 180.7), (330.0, 250.0))
    page.press("l", "2", "\ue00c")
    page.press("l", "3")
    page.drag((10, 200), (60, 205), (50, 230), (12, 228))
    page.press("\ue00c", ".", "x")  # the first carbide in reading order, by keys alone
    page.wait(lambda: int(page.acts().split()[0]) - before >= 15)
    assert int(page.acts().split()[0]) - before == 15


def by_hand(labels, area, excluded, acts):
    """Edit a mask by hand: shapely says what lies inside or on which side, plain arithmetic shares the areas.

    Returns labels, areas by number, what is left out.
    """
    labels, excluded, area = labels.copy(), excluded.copy(), dict(area)
    x, y = np.meshgrid(np.arange(labels.shape[1]) + 0.5, np.arange(labels.shape[0]) + 0.5)
    for act in acts:
        points = act.get("points", [])
        under = [
            labels[int(py), int(px)] if 0 <= py < len(labels) and 0 <= px < labels.shape[1] else 0 for px, py in points
        ]
        if act["act"] == "not_carbide":
            labels[labels == under[0]] = 0
            del area[under[0]]
        elif act["act"] == "join":
            area[under[0]] += area.pop(under[1])
            labels[labels == under[1]] = under[0]
        elif act["act"] == "cut":
            cut_by_hand(labels, area, points)
        else:
            inside = shapely.contains_xy(shapely.Polygon(points).buffer(0), x, y)
            if act["act"] == "draw":
                inside &= (labels == 0) & ~excluded
                labels[inside] = max(area) + 1
                area[max(area) + 1] = np.count_nonzero(inside)
            else:
                for number in np.unique(labels[inside & (labels > 0)]).tolist():
                    here = labels == number
                    area[number] *= np.count_nonzero(here & ~inside) / np.count_nonzero(here)
                labels[inside], excluded[inside] = 0, True
    return labels, area, excluded


def cut_by_hand(labels, area, points):
    """Part carbides along a drawn line: pixels hang together where shapely sees no line between their centres."""
    line = shapely.LineString(points)
    for number in np.unique(labels[labels > 0]).tolist():
        rows, columns = np.nonzero(labels == number)
        if shapely.distance(line, shapely.MultiPoint(np.stack([columns, rows], 1) + 0.5)) > 2:
            continue
        own = {(r, c): k for k, (r, c) in enumerate(zip(rows.tolist(), columns.tolist(), strict=True))}
        links = [
            (k, own[r + dr, c + dc])
            for (r, c), k in own.items()
            for dr, dc in ((0, 1), (1, 0), (1, 1), (1, -1))
            if (r + dr, c + dc) in own
            and not line.intersects(shapely.LineString([(c + 0.5, r + 0.5), (c + dc + 0.5, r + dr + 0.5)]))
        ]
        piece = pieces_of(len(own), links)
        if len(set(piece)) > 1:
            whole = area.pop(number)
            for name in sorted(set(piece)):
                here = np.array(piece) == name
                fresh = max([*area, int(labels.max())]) + 1
                labels[rows[here], columns[here]] = fresh
                area[fresh] = whole * here.mean()


def pieces_of(count, links):
    """Return the number of the connected piece of each of `count` things."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    a, b = np.array(links, int).reshape(-1, 2).T
    return connected_components(coo_array((np.ones(len(a)), (a, b)), shape=(count, count)), directed=False)[1].tolist()


def test_a_reload_keeps_every_act(reviewed):
    """After a reload the page stands where it stood."""
    assert reviewed["after_reload"] == (pytest.approx(reviewed["first"], rel=1e-12), "15 acts")


def test_all_can_be_undone_and_done_again(reviewed):
    """Undone, the field is as found; done again, as it was left."""
    assert reviewed["undone"] == pytest.approx(reviewed["found"], rel=1e-12)
    assert reviewed["done_again"] == pytest.approx(reviewed["first"], rel=1e-12)


def test_the_run_gives_the_numbers_of_a_mask_edited_by_hand(reviewed, measured, tools, tmp_path):
    """Labels to the pixel, areas, counts and intercepts of both fields; what the page said was right."""
    content = json.loads(reviewed["file"].read_text())
    assert sum(len(one["acts"]) for one in content["fields"]) == 30
    out = tmp_path / "again"
    group.main(
        [*tools.command(measured.paths), "--review", str(reviewed["file"]), "--out", str(out)], standalone_mode=False
    )
    fields = results.read_table(out / "fields.csv", ["field", "carbide_class", "area_fraction", "particles", *NUMBERS])
    every = fields[fields["carbide_class"] == "all"].set_index("field")
    for one, said in zip(content["fields"], (reviewed["first"], reviewed["second"]), strict=True):
        name = one["field"]
        before = measure(read(measured.folder / f"{name}.png"), tools.um_per_px, 0, "bright")
        areas = dict(enumerate(before.segmentation.contrast_area_px.tolist(), 1))
        labels, area, excluded = by_hand(before.labels, areas, before.segmentation.excluded, one["acts"])
        got = tifffile.imread(out / "labels" / f"{name}.tif")
        assert same_regions(got, labels)
        fraction = sum(area.values()) / np.count_nonzero(~excluded)
        assert every.loc[name, "area_fraction"] == pytest.approx(fraction, rel=1e-8)
        assert said == pytest.approx(fraction, rel=1e-7)
        expected = numbers_of(before, labels, area, excluded, tools.um_per_px)
        for column in NUMBERS:
            assert every.loc[name, column] == pytest.approx(expected[column], rel=1e-8), column


NUMBERS = {
    "particles": 1.0, "number_per_mm2": -2.0, "mean_ecd_um": 1.0, "intercepts_along_per_mm": -1.0,
    "intercepts_across_per_mm": -1.0, "anisotropy_index": 0.0,
}  # fmt: skip


def same_regions(a, b):
    """Whether two label pictures part their pixels alike, whatever the numbers."""
    pairs = np.unique(np.stack([a.ravel(), b.ravel()]), axis=1)
    return len(np.unique(pairs[0])) == len(np.unique(pairs[1])) == pairs.shape[1] and np.array_equal(a > 0, b > 0)


def numbers_of(before, labels, area, excluded, um_per_px):
    """Numbers of a field whose mask was edited by hand, from the measuring rooms, which know nothing of reviews."""
    from micro.tables.columns import FIELDS
    from micro.tables.units import to_um

    names = np.unique(labels[labels > 0])
    number = np.zeros(labels.max() + 1, np.int32)
    number[names] = np.arange(1, len(names) + 1)
    edited = replace(
        before.segmentation, labels=number[labels], basins=number[labels], class_index=np.zeros(len(names), np.intp),
        flags=np.zeros(len(names), np.uint32), excluded=excluded,
        area_by_hand=np.array([area[n] for n in names.tolist()]),
    )  # fmt: skip
    particles = measure_particles(edited, before.micrograph.grey, 0.0)
    table = measure_field(edited, particles, 0.0).table
    known = to_um(
        table.assign(flags="", message="", **{c: np.nan for c in ("matrix_grey",) if c not in table}), FIELDS, um_per_px
    )
    return known.iloc[0]


def test_a_page_of_a_hundred_fields_opens_at_once(new_browser, measured, tmp_path_factory):
    """Under two seconds to the first field, and under 300 MiB with ten of them looked at."""
    from micro.review.page import entry_of, field_file, page

    made = hundred_fields(measured)
    out = tmp_path_factory.mktemp("hundred")
    (out / "review").mkdir()
    script = field_file(made[0])
    for one in made:
        content = script.replace(b'microReview("f0"', f'microReview("{one.stem}"'.encode(), 1)
        (out / "review" / f"{one.stem}.js").write_bytes(content)
    (out / "review.html").write_text(page("hundred", [entry_of(one) for one in made], []))
    start = time.monotonic()
    opened = Page(new_browser, out, out / "downloads")
    opened.start()
    seconds = time.monotonic() - start
    for number in range(1, 11):
        opened.press("n")
        opened.shows(number)
    assert opened.clean()
    memory = page_memory(new_browser)
    print(f"opened in {seconds:.2f} s, {memory:.0f} MiB")
    assert seconds < OPEN_SECONDS
    assert memory < OPEN_MIB


def page_memory(browser):
    """MiB of the largest process that shows a page of this browser."""
    from pathlib import Path

    largest = 0.0
    for status in Path("/proc").glob("[0-9]*/status"):
        try:
            command = (status.parent / "cmdline").read_text()
            if "--type=renderer" in command and "chrom" in command:
                text = status.read_text()
                largest = max(largest, int(text.split("VmRSS:")[1].split()[0]) / 1024)
        except (OSError, IndexError):
            continue
    return largest


def hundred_fields(measured):
    """Make a hundred fields of 1024 × 768 px, tiled from a measured one, each with its own name."""
    from dataclasses import replace as other

    from micro.report.record import read_run
    from micro.run.review import _fields, _in_order

    record = read_run(measured.out)
    one = next(_fields(record, _in_order(record), measured.out))
    rows, columns = one.labels.shape
    tiled = (-(-768 // rows), -(-1024 // columns))
    count = one.labels.max()
    labels = np.block([
        [np.where(one.labels, one.labels + count * (r * tiled[1] + c), 0) for c in range(tiled[1])]
        for r in range(tiled[0])
    ])  # fmt: skip
    particles = pd.concat(
        [one.particles.assign(particle=one.particles["particle"] + count * k) for k in range(tiled[0] * tiled[1])]
    )
    whole = other(
        one, labels=labels[:768, :1024].astype(np.int32), shown=np.tile(one.shown, tiled)[:768, :1024],
        left_out=np.tile(one.left_out, tiled)[:768, :1024], particles=particles,
    )  # fmt: skip
    return [other(whole, field=f"f{k}", stem=f"f{k}") for k in range(100)]


def test_touch_makes_acts_too(browser, written, tmp_path):
    """A finger cuts nothing in the matrix and draws a rectangle where there was nothing."""
    page = Page(browser, written, tmp_path)
    page.browser.execute_script("localStorage.clear(); sessionStorage.clear()")
    page.browser.refresh()
    page.start()
    page.press("l", "1")
    canvas = page.element("view")
    # A finger before the browser has shown a frame scrolls the page: where it may not is known from a frame on.
    browser.execute_async_script("requestAnimationFrame(() => requestAnimationFrame(arguments[arguments.length - 1]))")
    box = canvas.rect
    points = [(box["x"] + 200 + 30 * k, box["y"] + 200 + 20 * k) for k in range(4)]
    for kind, (x, y) in zip(("touchStart", "touchMove", "touchMove", "touchMove"), points, strict=True):
        browser.execute_cdp_cmd("Input.dispatchTouchEvent", {"type": kind, "touchPoints": [{"x": x, "y": y}]})
    browser.execute_cdp_cmd("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
    page.wait(lambda: page.acts() == "1 act")
