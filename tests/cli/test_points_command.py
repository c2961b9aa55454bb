"""`micro points`: from a study to a sheet, and from its tally into the results folder."""

import base64
import json
import re

import cv2
import numpy as np
import pandas as pd
import pytest
import tifffile

from micro import results
from micro.cli import main
from micro.points.measured import judge_points
from micro.run.study import run_study
from micro.run.verify import verify
from micro.study.reader import read_study

STUDY = """
title = "A small study (invented)"
um_per_px = 0.2
carbides = "bright"

[[specimen]]
name = "A"
images = ["a*.png"]
"""


def draw_field(path, seed):
    """Bright discs on a dark matrix, softened as by a lens."""
    rng = np.random.default_rng(seed)
    grey = np.full((180, 240), 80.0)
    for _ in range(14):
        cv2.circle(grey, (int(rng.integers(240)), int(rng.integers(180))), int(rng.integers(6, 11)), 200.0, -1)
    grey = cv2.GaussianBlur(grey, (0, 0), 0.9) + rng.normal(0, 4, grey.shape)
    cv2.imwrite(str(path), np.clip(grey, 0, 255).astype(np.uint8))
    return path


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    """Make a study file of four pictures, and the results folder of its run."""
    folder = tmp_path_factory.mktemp("study")
    for number in range(1, 5):
        draw_field(folder / f"a{number}.png", number)
    (folder / "study.toml").write_text(STUDY)
    run_study(read_study(folder / "study.toml"), folder / "results", 1, lambda outcome: None)
    return folder


def ended_with(*args):
    with pytest.raises(SystemExit) as ended:
        main(["points", *(str(a) for a in args)])
    return ended.value.code


def count(page, folder, path, counter="ab"):
    """Write the tally of a person who sees exactly what the program outlined."""
    manifest = json.loads(re.search(r'id="manifest">(.*?)</script>', page.read_text(), re.S)[1])
    rows = []
    for f in manifest["fields"]:
        labels = cv2.imread(str(folder / "labels" / f"{f['field']}.tif"), cv2.IMREAD_UNCHANGED)
        scores = judge_points(labels > 0, np.array(f["x_px"]), np.array(f["y_px"]))
        for point, (x, y, score) in enumerate(zip(f["x_px"], f["y_px"], scores, strict=True), 1):
            verdict = {0.0: "out", 0.5: "boundary", 1.0: "in"}[score]
            place = [manifest["sheet"], f["specimen"], f["field"], f["image_sha256"], len(scores), point]
            rows.append([*place, x, y, verdict, "", counter])
    pd.DataFrame(rows, columns=manifest["columns"]).to_csv(path, index=False)
    return path


def test_a_study_is_planned_and_its_sheet_written(measured, tmp_path, capsys):
    out = tmp_path / "count"
    assert ended_with("sheet", measured / "study.toml", "--expected-pct", "8", "--out", out) == 0
    said = capsys.readouterr()
    assert said.err == ""
    assert said.out.splitlines()[:3] == [
        "A: 4 of 4 fields, 48 points each: 192 points, about 5 min",
        "  at 8 % this gives about 49 %RA at best",
        "  10 %RA needs about 94 fields",
    ]
    owned = [".lock", "manifest.txt", "study.json"]
    assert sorted(p.name for p in out.iterdir()) == sorted([*owned, "form.csv", "print", "sheet.html"])


def test_the_sheet_does_not_know_the_result(measured, tmp_path):
    """The same bytes come out with and without a results folder beside the study."""
    ended_with("sheet", measured / "study.toml", "--points", "9", "--out", tmp_path / "with")
    (measured / "results").rename(measured / "elsewhere")
    try:
        ended_with("sheet", measured / "study.toml", "--points", "9", "--out", tmp_path / "without")
    finally:
        (measured / "elsewhere").rename(measured / "results")
    pages = [(tmp_path / name / "sheet.html").read_bytes() for name in ("with", "without")]
    assert pages[0] == pages[1]


def test_a_count_enters_the_results_now_and_after_the_next_run(measured, tmp_path, capsys):
    """points.csv, specimens.csv and the report hold the count; run again and verify find all of it in order."""
    ended_with("sheet", measured / "study.toml", "--points", "49", "--out", tmp_path / "count")
    tally = count(tmp_path / "count" / "sheet.html", measured / "results", tmp_path / "tally.csv")
    capsys.readouterr()
    assert ended_with("compare", tally, measured / "results") == 0
    said = capsys.readouterr()
    assert said.out.startswith("A: ")
    assert re.search(r"counted \d+\.\d+ % \(95 % interval ", said.out)
    folder = measured / "results"

    def holds_the_count():
        rows = pd.read_csv(folder / "specimens.csv").query("quantity == 'point_fraction'")
        return len(rows) == 1 and "Point count by people" in (folder / "report.html").read_text()

    assert holds_the_count()
    first = {name: (folder / name).read_bytes() for name in ("points.csv", "specimens.csv")}
    run_study(read_study(measured / "study.toml"), folder, 1, lambda outcome: None)
    assert holds_the_count()
    assert {name: (folder / name).read_bytes() for name in first} == first
    assert verify(folder, 1, lambda outcome: None).differences == ()


@pytest.mark.usefixtures("without_pages")
def test_counters_are_compared_with_each_other(measured, tmp_path, capsys):
    """counters.csv holds what the terminal says; a later count by one person removes it."""
    ended_with("sheet", measured / "study.toml", "--points", "49", "--out", tmp_path)
    page, folder = tmp_path / "sheet.html", measured / "results"
    tallies = [count(page, folder, tmp_path / f"{name}.csv", name) for name in ("ab", "cd", "ef")]
    slips = pd.read_csv(tallies[1])
    slips.loc[::5, "verdict"] = "in"
    slips.to_csv(tallies[1], index=False)
    capsys.readouterr()
    assert ended_with("compare", *tallies, folder) == 0
    said = " ".join(capsys.readouterr().out.split())
    table = pd.read_csv(folder / results.COUNTERS)
    assert list(table["counters"]) == [2, 2, 2, 3]
    for row in table.itertuples():
        assert f"(kappa) {row.kappa:.2f} (95 % interval {row.ci95_low:.2f} to {row.ci95_high:.2f})" in said
    assert list(table["kappa"] == 1) == [False, True, False, False]
    assert ended_with("compare", tallies[0], folder) == 0
    assert not (folder / results.COUNTERS).exists()


@pytest.mark.usefixtures("without_pages")
def test_a_form_from_paper_is_compared(measured, tmp_path, capsys):
    """A field that nobody filled in is named; the others are compared."""
    ended_with("sheet", measured / "study.toml", "--points", "49", "--out", tmp_path)
    form = pd.read_csv(tmp_path / "form.csv").assign(inside="5", boundary="2", counter="ab")
    form.loc[0, ["inside", "boundary"]] = ""
    form.to_csv(tmp_path / "filled.csv", index=False)
    capsys.readouterr()
    assert ended_with("compare", tmp_path / "filled.csv", measured / "results") == 0
    said = capsys.readouterr()
    assert "A: " in said.out
    assert "was not counted; it is left out" in said.err


@pytest.mark.usefixtures("without_pages")
def test_pictures_are_counted_as_one_specimen(measured, tmp_path, capsys):
    pictures = sorted(measured.glob("a*.png"))
    assert ended_with("sheet", *pictures, "--specimen", "bar 7", "--fields", "2", "--out", tmp_path) == 0
    assert "bar 7: 2 of 4 fields, 96 points each" in capsys.readouterr().out


def test_a_picture_that_cannot_be_drawn_is_named_and_the_others_are(measured, tmp_path, capsys):
    """Status 1, one line for it; two pictures of one name are told apart, with a line that says so."""
    (tmp_path / "a1.png").write_bytes(b"no picture")
    pictures = [measured / "a1.png", tmp_path / "a1.png", measured / "a2.png"]
    assert ended_with("sheet", *pictures, "--points", "4", "--out", tmp_path / "count") == 1
    said = capsys.readouterr()
    assert [line.startswith(f"{tmp_path / 'a1.png'}: ") for line in said.err.splitlines()] == [True, True]
    assert "it is called a1-2" in said.err
    assert "2 of 3 fields" in said.out


def test_results_that_cannot_be_written_are_said(measured, tmp_path, monkeypatch, capsys):
    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("micro.run.study.count_again", full)
    assert ended_with("compare", tmp_path / "t.csv", measured / "results") == 2
    assert "results: cannot be written (No space left on device); free the disk" in capsys.readouterr().err


DATA_BAR_PX = 24
CROPPED = """
title = "Pictures that need to be told how (invented)"
um_per_px = 0.2
carbides = "bright"

[[specimen]]
name = "A"
images = ["bar.tif", "stack.tif"]
crop_bottom_px = 24

[[specimen.field]]
image = "stack.tif"
page = 2
crop_bottom_px = 0
"""


@pytest.fixture(scope="module")
def cropped(tmp_path_factory):
    """Study of a picture above a data bar and of page 2 of a stack, its results, and what was to be measured."""
    folder = tmp_path_factory.mktemp("cropped")
    first, second, third = (cv2.imread(str(draw_field(folder / "drawn.png", seed)), -1) for seed in (1, 2, 3))
    bar = np.full((DATA_BAR_PX, first.shape[1]), 130, np.uint8)
    tifffile.imwrite(folder / "bar.tif", np.vstack([first, bar]))
    tifffile.imwrite(folder / "stack.tif", np.stack([second, third]))
    (folder / "study.toml").write_text(CROPPED)
    ending = run_study(read_study(folder / "study.toml"), folder / "results", 1, lambda outcome: None)
    assert ending.failed == 0
    return folder, {"bar": first, "stack": third}


@pytest.mark.parametrize("counted", ["study.toml", "results"])
def test_a_sheet_shows_what_was_measured(cropped, tmp_path, counted):
    """Rows, columns and grey levels of the cropped picture and of the page; the points lie on the same labels.

    The overview is a JPEG file of the field, stretched to the display's range: grey levels follow it in proportion.
    """
    folder, measured_on = cropped
    assert ended_with("sheet", folder / counted, "--points", "100", "--out", tmp_path) == 0
    page = (tmp_path / "sheet.html").read_text()
    manifest = json.loads(re.search(r'id="manifest">(.*?)</script>', page, re.S)[1])
    assert {f["field"] for f in manifest["fields"]} == set(measured_on)
    for number, f in enumerate(manifest["fields"]):
        grey = measured_on[f["field"]]
        labels = tifffile.imread(folder / "results" / "labels" / f"{f['field']}.tif")
        assert (f["height_px"], f["width_px"]) == labels.shape == grey.shape
        overview = re.search(rf'id="overview-{number}">(.*?)</script>', page, re.S)[1]
        shown = cv2.imdecode(np.frombuffer(base64.b64decode(overview), np.uint8), cv2.IMREAD_GRAYSCALE)
        assert np.corrcoef(shown.ravel(), grey.ravel())[0, 1] > 0.99
        x, y = np.array(f["x_px"]).astype(int), np.array(f["y_px"]).astype(int)
        assert y.max() < len(grey)
        inside = labels[y, x] > 0
        assert 0 < inside.sum() < len(x) / 2
        assert shown[y, x][inside].mean() > shown[y, x][~inside].mean() + 60


def test_the_sheet_of_results_is_that_of_their_study(cropped, tmp_path):
    """The same bytes, the count as blind."""
    folder, _ = cropped
    for name in ("study.toml", "results"):
        ended_with("sheet", folder / name, "--points", "9", "--out", tmp_path / name)
    pages = [(tmp_path / name / "sheet.html").read_bytes() for name in ("study.toml", "results")]
    assert pages[0] == pages[1]


@pytest.mark.parametrize(
    ("args", "code", "line"),
    [
        (["sheet", "results", "a1.png"], 2, "results: stands beside other files; give one study file, one results"),
        (["sheet", "results/labels"], 1, "run.json: is missing; give the folder of a finished run"),
        (["sheet", "none.toml"], 2, "none.toml: cannot be read"),
        (["sheet", "none.png"], 1, "none.png: "),
        (["sheet", "study.toml", "a1.png"], 2, "study.toml: stands beside other files; give one study file"),
        (["sheet", "a1.png", "--expected-pct", "0"], 2, "Invalid value for '--expected-pct'"),
        (["sheet", "a1.png", "--out", "study.toml"], 2, "study.toml"),
        (["compare", "none.csv", "results"], 1, "none.csv: cannot be read"),
        (["compare", "study.toml", "results"], 1, "study.toml: "),
        (["compare", "a1.png", "results"], 1, "a1.png: is not UTF-8 text"),
        (["compare", "results/fields.csv", "results"], 1, "fields.csv: lacks the column 'sheet'"),
        (["compare", "results/fields.csv", "nowhere"], 1, "run.json: is missing; give the folder of a finished run"),
    ],
)  # fmt: skip
def test_bad_arguments_are_one_line_each(measured, monkeypatch, tmp_path, capsys, args, code, line):
    monkeypatch.chdir(measured)
    given = args if "--out" in args or args[0] == "compare" else [*args, "--out", str(tmp_path / "count")]
    assert ended_with(*given) == code
    said = capsys.readouterr().err
    assert line in said
    assert "Traceback" not in said


def test_a_tally_that_cannot_be_used_changes_nothing(measured, tmp_path, capsys):
    ended_with("sheet", measured / "study.toml", "--points", "9", "--out", tmp_path)
    tally = count(tmp_path / "sheet.html", measured / "results", tmp_path / "tally.csv")
    before = (measured / "results" / "specimens.csv").read_bytes()
    tally.write_text(tally.read_text().replace(",a1,", ",a9,"))
    capsys.readouterr()
    assert ended_with("compare", tally, measured / "results") == 1
    assert "counts field 'a9' of A, which" in capsys.readouterr().err
    assert (measured / "results" / "specimens.csv").read_bytes() == before


@pytest.mark.usefixtures("without_pages")
def test_kept_tallies_that_no_longer_fit_are_named_by_the_next_run(measured, tmp_path):
    """Another picture under the same name: the run goes on without the count and says so."""
    other = tmp_path / "study"
    other.mkdir()
    for name in ("study.toml", *(p.name for p in measured.glob("a*.png"))):
        (other / name).write_bytes((measured / name).read_bytes())
    study = read_study(other / "study.toml")
    run_study(study, other / "results", 1, lambda outcome: None)
    ended_with("sheet", other / "study.toml", "--points", "9", "--out", tmp_path / "count")
    tally = count(tmp_path / "count" / "sheet.html", other / "results", tmp_path / "tally.csv")
    assert ended_with("compare", tally, other / "results") == 0
    draw_field(other / "a2.png", 77)
    ending = run_study(study, other / "results", 1, lambda outcome: None)
    assert any("counts another picture of field 'a2' of A" in trouble for trouble in ending.troubles)
    assert not (other / "results" / results.POINTS).exists()
