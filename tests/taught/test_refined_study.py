"""Further points from a taught run: what is said before, the blind page, and the answers used with their weights."""

import json
import re

import numpy as np
import pandas as pd
import pytest
import study
from study import SIDE, VERDICT, micro, write_fields, write_tally

from micro.errors import MicroError
from micro.points.tally import DENSITY, TALLY


def measure(folder, out, *tallies):
    taught = [word for tally in tallies for word in ("--taught-by", tally)]
    return study.measure(folder, out, *taught)


def manifest_of(page):
    text = re.search(r'id="manifest"[^>]*>(.*?)</script>', page.read_text(encoding="utf-8"), re.S).group(1)
    return json.loads(text)


def answered(manifest, truth, path):
    """Tally of somebody who answers the page's points as they are; boundary within a pixel."""
    rows = []
    for field in manifest["fields"]:
        carbide = np.pad(truth[field["field"]], 1, mode="edge")
        points = zip(field["x_px"], field["y_px"], field["density"], strict=True)
        for number, (x, y, density) in enumerate(points, 1):
            row, column = min(int(y), SIDE - 1), min(int(x), SIDE - 1)
            about = carbide[row : row + 3, column : column + 3]
            score = float(about.all()) if about.all() == about.any() else 0.5
            rows.append((manifest["sheet"], field["specimen"], field["field"], field["image_sha256"],
                         len(field["x_px"]), number, x, y, VERDICT[score], "", "A. Counter", density))  # fmt: skip
    columns = [*(column.name for column in TALLY), DENSITY.name]
    pd.DataFrame(rows, columns=columns).to_csv(path, index=False)
    return path


def specimen_rows(out):
    found = pd.read_csv(out / "specimens.csv")
    return found[found["carbide_class"] == "all"].set_index("quantity")


@pytest.fixture(scope="module")
def refined(tmp_path_factory):
    """Three fields counted, further points drawn for them and answered: folder, truth, what was said, manifest."""
    folder = tmp_path_factory.mktemp("refined")
    truth = write_fields(folder, 3, seed=3)
    first = write_tally(folder / "tally.csv", folder, truth, points=60)
    assert measure(folder, folder / "out", first).exit_code == 0
    said = micro("points", "sheet", folder / "out", "--refine", "--points", 60, "--out", folder / "further")
    assert said.exit_code == 0, said.output
    manifest = manifest_of(folder / "further/sheet.html")
    further = answered(manifest, truth, folder / "further.csv")
    ended = measure(folder, folder / "refined", first, further)
    assert ended.exit_code == 0, ended.output
    return folder, truth, said.output, manifest


def test_what_the_points_are_worth_is_said_before(refined):
    """180 points of 1.6 s are 5 minutes; the half width said is that which comes, to a third."""
    folder, _, said, _ = refined
    text = " ".join(said.split())
    assert "another 180 points on 3 fields, about 5 minutes" in text
    now, then = (float(v) for v in re.search(r"just these fields from ± ([\d.]+) to about ± ([\d.]+)", text).groups())
    before, after = (specimen_rows(folder / out).loc["area_fraction_of_these_fields"] for out in ("out", "refined"))
    assert 50 * (before["ci95_high"] - before["ci95_low"]) == pytest.approx(now, abs=0.06)
    assert 50 * (after["ci95_high"] - after["ci95_low"]) == pytest.approx(then, rel=0.33)
    assert then < now


def test_the_page_is_blind(refined):
    """Points in the order of the draw with the density of the draw, which is the same for carbide and for matrix."""
    folder, truth, _, manifest = refined
    assert {name for field in manifest["fields"] for name in field} == {
        "specimen", "field", "image_sha256", "width_px", "height_px", "grid_columns", "x_px", "y_px", "density",
    }  # fmt: skip
    assert not (folder / "further/form.csv").exists()
    carbide, matrix = [], []
    for field in manifest["fields"]:
        inside = truth[field["field"]][np.array(field["y_px"]).astype(int), np.array(field["x_px"]).astype(int)]
        carbide += list(np.array(field["density"])[inside])
        matrix += list(np.array(field["density"])[~inside])
    assert min(carbide) < 1 < max(matrix)


def test_answers_enter_with_their_weights(refined):
    """One over the density each: the value holds the truth, where equal weights would favour the rims of carbides."""
    folder, truth, _, _ = refined
    counted = np.mean([t.mean() for t in truth.values()])
    own = specimen_rows(folder / "refined")
    these, alone = own.loc["area_fraction_of_these_fields"], own.loc["point_fraction_of_these_fields"]
    assert these["ci95_low"] <= counted <= these["ci95_high"]
    assert alone["ci95_low"] <= counted <= alone["ci95_high"]
    assert own.loc["area_fraction", "origin"] == "corrected by 360 points of a count"
    lesson = json.loads((folder / "refined/taught/taught.json").read_text())["specimen"]
    assert (lesson["points"], lesson["further"]) == (360, 180)
    assert lesson["for_taught"] + lesson["for_own"] <= 180
    page = (folder / "refined/report.html").read_text(encoding="utf-8")
    assert "180 of the points were drawn where the map was unsure" in page


def test_further_points_alone_cannot_judge(refined, tmp_path):
    folder, _, _, _ = refined
    ended = measure(folder, tmp_path / "out", folder / "further.csv")
    assert isinstance(ended.exception, MicroError)
    assert "give the tally of the first sheet beside it" in str(ended.exception)


def test_further_points_are_not_counted_alike(refined):
    """Their totals are no point fraction: the comparison with the outlines refuses them."""
    folder, _, _, _ = refined
    ended = micro("points", "compare", folder / "further.csv", folder / "refined")
    assert "drawn where the outlines were unsure" in str(ended.exception)


def test_only_what_a_count_taught_can_be_refined(refined, tmp_path):
    folder, _, _, _ = refined
    assert measure(folder, tmp_path / "plain").exit_code == 0
    ended = micro("points", "sheet", tmp_path / "plain", "--refine", "--out", tmp_path / "further")
    assert "holds no fields that a count taught" in str(ended.exception)
    ended = micro("points", "sheet", folder / "f1.png", "--refine", "--out", tmp_path / "further")
    assert "needs one results folder" in str(ended.exception)


def test_a_tally_that_changed_is_told(refined, tmp_path):
    folder, _, _, _ = refined
    text = (folder / "tally.csv").read_bytes()
    try:
        (folder / "tally.csv").write_bytes(text.replace(b",out,", b",in,", 1))
        ended = micro("points", "sheet", folder / "out", "--refine", "--out", tmp_path / "further")
        assert "is not as the run read it" in str(ended.exception)
    finally:
        (folder / "tally.csv").write_bytes(text)
