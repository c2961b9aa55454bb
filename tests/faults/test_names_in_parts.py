"""Names that nobody expects go through review, atlas, plan, counts, taught outlines and drawn bars."""

from __future__ import annotations

import csv
import json
import os
import re
import sys
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path

import cv2
import numpy as np
import pytest
from small_pictures import png

from micro import results
from micro.errors import spelled
from micro.points.tally import TALLY
from micro.scale.calibration import read_calibration

FILES = [b"'=x.png", b"a\rb.png", b"caf\xe9.png", b"$x_{$.png", b"<script>alert(1)<!--.png"]
SPECIMENS = ["'=y", "$x_{$", "</script><script>alert(2)//", "caf\udce9 \u202e"]
# One of each in the suite, all of them in the studies.
PARTLY = [SPECIMENS[2], *(pytest.param(one, marks=pytest.mark.study) for one in (*SPECIMENS[:2], *SPECIMENS[3:]))]
Run = Callable[..., tuple[int, str, str]]

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="other systems do not take such names")


@pytest.fixture
def named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Names of small invented pictures in the working folder."""
    monkeypatch.chdir(tmp_path)
    names = [os.fsdecode(name) for name in FILES]
    for number, name in enumerate(names):
        Path(name).write_bytes(png(number, (80, 96), 0.1))
    return names


def measured(run_micro: Run, names: list[str], specimen: str, out: str, *more: object) -> None:
    told = ("--um-per-px", "0.2", "--rolling-deg", "0", "--workers", "1", f"--specimen={specimen}", "--out", out)
    status, _, said = run_micro("measure", *names, *told, *more)
    assert status == 0, said


class Tags(HTMLParser):
    """Scripts of a page, and what stands in each."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.scripts: list[str] = []
        self._inside = False
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._inside = tag == "script"
        if self._inside:
            self.scripts.append(dict(attrs).get("src") or "")

    def handle_endtag(self, tag: str) -> None:
        self._inside = False

    def handle_data(self, data: str) -> None:
        if self._inside:
            self.scripts[-1] += data


def no_script_of_a_name(page: Path) -> None:
    """Nothing that a browser would run stems from a name."""
    text = page.read_text(encoding="utf8")
    assert not any(one.lstrip().startswith("alert(") for one in Tags(text).scripts)
    assert not re.search(r"[^\n -~\u00a0-\uffff]", text.replace("\t", "")), "controls, or halves of characters"


@pytest.mark.parametrize("specimen", PARTLY)
def test_review_atlas_and_plan(named: list[str], run_micro: Run, specimen: str) -> None:
    """Status 0, no traceback; the pages run no name; the tables give each specimen its own name back."""
    measured(run_micro, named, specimen, "out")
    for words in (("review", "out"), ("plan", "out"), ("atlas", "out", "--out", "atlas")):
        status, told, said = run_micro(*words)
        assert status == 0, said
        assert "Traceback" not in said
        assert all(line.isprintable() for line in (told + said).splitlines())
    for page in (results.REVIEW_PAGE, results.REPORT):
        no_script_of_a_name(Path("out", page))
    no_script_of_a_name(Path("atlas", results.ATLAS_PAGE))
    for script in Path("out", results.REVIEW_FOLDER).iterdir():
        assert "</script" not in script.read_text(encoding="utf8").lower()
    assert set(results.read_table(Path("atlas", results.ATLAS), ["bar"])["bar"]) == {spelled(specimen)}


@pytest.mark.parametrize("specimen", PARTLY[:3])
def test_counts_and_taught_outlines(named: list[str], run_micro: Run, specimen: str) -> None:
    """A count of such fields is planned, taken, taught by and refined; each field is found by its name."""
    measured(run_micro, named, specimen, "out")
    status, _, said = run_micro("points", "sheet", "out", "--out", "count", "--points", "40")
    assert status == 0, said
    no_script_of_a_name(Path("count", "sheet.html"))
    record = json.loads(Path("out", results.RECORD).read_text())
    rng = np.random.default_rng(1)
    with Path("tally.csv").open("w", encoding="utf-8", newline="") as stream:
        rows = csv.writer(stream)
        rows.writerow([column.name for column in TALLY])
        for outcome in record["outcomes"]:
            labels = cv2.imread(str(Path("out", results.LABELS, f"{outcome['stem']}.tif")), cv2.IMREAD_UNCHANGED)
            for k in range(1, 61):
                x, y = rng.uniform(0, 96), rng.uniform(0, 80)
                verdict = "in" if labels[int(y), int(x)] else "out"
                where = (results.guarded(outcome["specimen"]), results.guarded(outcome["field"]))
                rows.writerow(("s", *where, outcome["image_sha256"], 60, k, x, y, verdict, "", "A"))
    status, _, said = run_micro("points", "compare", "tally.csv", "out")
    assert status == 0, said
    compared = results.read_table(Path("out", results.POINTS), ["field"])["field"]
    assert {spelled(Path(name).stem) for name in named} <= set(compared)
    measured(run_micro, named, specimen, "taught", "--taught-by", "tally.csv")
    status, told, said = run_micro("points", "sheet", "taught", "--refine", "--out", "further")
    assert status == 0, said
    assert "Traceback" not in told + said
    no_script_of_a_name(Path("taught", results.REPORT))
    no_script_of_a_name(Path("further", "sheet.html"))


@pytest.mark.parametrize("name", FILES)
def test_a_drawn_bar_in_such_a_file(tmp_path: Path, run_micro: Run, name: bytes) -> None:
    """The calibration names its picture so that it can be read again."""
    grey = np.random.default_rng(3).normal(120, 12, (220, 320)).clip(0, 255).astype(np.uint8)
    grey[190:] = 10
    grey[203:207, 40:141] = 240
    path = tmp_path / os.fsdecode(name)
    path.write_bytes(cv2.imencode(".png", grey)[1].tobytes())
    status, _, said = run_micro("calibrate", path, "--bar-um", "20", "--out", tmp_path / "c.toml")
    assert status == 0, said
    found = read_calibration(tmp_path / "c.toml")
    assert found.image == spelled(path.name)
    assert found.um_per_px == pytest.approx(20 / 101, rel=0.02)
