"""From pictures and the tally of the counting page to tables, by the commands that a user types."""

import cv2
import numpy as np
import pandas as pd
import pytest
import tifffile
from study import SIDE, measure, write_fields, write_tally

from micro import results
from micro.errors import MicroError
from micro.owned import listed
from micro.report.record import read_run
from micro.run.verify import changed_inputs, verify


def table(out, name, *index):
    found = pd.read_csv(out / name, dtype={"origin": str, "unit": str}).fillna({"origin": "", "unit": ""})
    return found[found["carbide_class"] == "all"].set_index(list(index))


@pytest.fixture(scope="module")
def hard(tmp_path_factory):
    """Five fields of a hard etch, four of them counted, measured with the count."""
    folder = tmp_path_factory.mktemp("hard")
    truth = write_fields(folder, 5, seed=3)
    write_tally(folder / "tally.csv", folder, {name: truth[name] for name in list(truth)[:4]})
    ended = measure(folder, folder / "out", "--taught-by", folder / "tally.csv")
    assert ended.exit_code == 0, ended.output
    return folder, truth


def overlap(labels, truth):
    return (labels & truth).sum() / (labels | truth).sum()


def test_taught_outlines_lie_on_the_carbides(hard):
    """Where the program's own outlines do not, in fields that were counted and in one that was not."""
    folder, truth = hard
    taught = [overlap(tifffile.imread(folder / f"out/labels/{name}.tif") > 0, t) for name, t in truth.items()]
    own = [overlap(tifffile.imread(folder / f"out/taught/own/labels/{n}.tif") > 0, t) for n, t in truth.items()]
    assert np.median(own) < 0.4
    assert np.median(taught) > 0.7
    assert taught[-1] > 0.6


def test_area_fraction_is_put_right_and_says_by_what(hard):
    folder, truth = hard
    own = table(folder / "out", "specimens.csv", "quantity")
    counted = np.mean([t.mean() for t in list(truth.values())[:4]])
    area, these = own.loc["area_fraction"], own.loc["area_fraction_of_these_fields"]
    assert area["origin"] == "corrected by 240 points of a count"
    assert area["fields"] == 4
    assert these["ci95_low"] <= counted <= these["ci95_high"]
    assert area["ci95_low"] <= counted <= area["ci95_high"]
    alone = own.loc["point_fraction_of_these_fields"]
    assert these["ci95_high"] - these["ci95_low"] < 0.75 * (alone["ci95_high"] - alone["ci95_low"])
    assert own.loc["area_fraction_by_outlines", "origin"] == "taught outlines"
    assert own.loc["number_per_mm2", "origin"].startswith("taught outlines")


def test_every_counted_field_has_its_own_corrected_value(hard):
    """A field that nobody counted has that of its outlines, in an interval wide enough for their errors."""
    folder, truth = hard
    fields = table(folder / "out", "fields.csv", "field")
    for name, carbide in list(truth.items())[:4]:
        row = fields.loc[name]
        assert row["area_fraction_low"] - 0.02 <= carbide.mean() <= row["area_fraction_high"] + 0.02
        assert row["origin"].startswith("corrected by")
        assert float(row["area_fraction_by_outlines"]) == pytest.approx(carbide.mean(), abs=0.06)
    last = fields.loc["f5"]
    assert last["origin"] == "taught outlines; nobody counted this field"
    assert last["area_fraction_low"] <= truth["f5"].mean() <= last["area_fraction_high"]


def test_area_of_a_taught_carbide_is_that_inside_its_outline(hard):
    folder, _ = hard
    carbides = pd.read_csv(folder / "out/particles.csv")
    np.testing.assert_allclose(carbides["area_um2"], carbides["outline_area_um2"])
    labels = tifffile.imread(folder / "out/labels/f1.tif")
    own = carbides[carbides["field"] == "f1"].sort_values("particle")
    np.testing.assert_allclose(own["area_um2"] / 0.01, np.bincount(labels.ravel())[1:], rtol=1e-6)


def test_report_tells_what_was_taught(hard):
    folder, _ = hard
    page = (folder / "out/report.html").read_text(encoding="utf-8")
    for words in ("Outlines taught by the count", "significantly better", "points alone", "map alone",
                  "Points at which map and answer differ most"):  # fmt: skip
        assert words in page
    assert "Nobody has counted" not in page


def test_a_second_run_leaves_the_same_bytes(hard):
    """Nothing is measured twice."""
    folder, _ = hard
    names = ("specimens.csv", "fields.csv", "particles.csv", "taught/taught.json", "taught/map.json", "labels/f2.tif")
    before = {name: (folder / "out" / name).read_bytes() for name in names}
    stamp = (folder / "out/parts/f2/run.json").stat().st_mtime_ns
    measure(folder, folder / "out", "--taught-by", folder / "tally.csv")
    assert (folder / "out/parts/f2/run.json").stat().st_mtime_ns == stamp
    assert {name: (folder / "out" / name).read_bytes() for name in names} == before


def test_verify_knows_the_tally_and_two_processes_learn_what_one_did(hard):
    """All files of the run are the same bytes when they are made again, by two workers."""
    folder, _ = hard
    record = read_run(folder / "out")
    tally = str((folder / "tally.csv").resolve())
    assert record.inputs[tally] == results.hash_of_file(folder / "tally.csv")
    assert {"taught/taught.json", "taught/map.json", "labels/f2.tif"} <= set(listed(folder / "out"))
    assert verify(folder / "out", 2, lambda outcome: None).differences == ()
    text = (folder / "tally.csv").read_bytes()
    try:
        (folder / "tally.csv").write_bytes(text.replace(b",out,", b",in,", 1))
        assert any("tally.csv" in line for line in changed_inputs(record))
    finally:
        (folder / "tally.csv").write_bytes(text)


def test_a_kept_map_outlines_new_fields(hard, tmp_path):
    """Of the same etch; nothing is corrected where nobody counted."""
    folder, _ = hard
    truth = write_fields(tmp_path, 1, seed=8)
    ended = measure(tmp_path, tmp_path / "out", "--taught-by", folder / "out/taught/map.json")
    assert ended.exit_code == 0, ended.output
    assert overlap(tifffile.imread(tmp_path / "out/labels/f1.tif") > 0, truth["f1"]) > 0.6
    own = table(tmp_path / "out", "specimens.csv", "quantity")
    assert "area_fraction_of_these_fields" not in own.index


def test_a_structure_that_was_not_taught_is_said(hard, tmp_path):
    folder, _ = hard
    rng = np.random.default_rng(2)
    stripes = np.tile(np.where(np.arange(SIDE) % 60 < 30, 40, 210), (SIDE, 1)) + rng.normal(0, 1, (SIDE, SIDE))
    cv2.imwrite(str(tmp_path / "f1.png"), stripes.astype(np.uint8))
    ended = measure(tmp_path, tmp_path / "out", "--taught-by", folder / "out/taught/map.json")
    assert "looks like nothing that was taught" in ended.output


def spheres(rng):
    """Bright round carbides on an even matrix: what the program reads by itself."""
    carbide = np.zeros((SIDE, SIDE), np.uint8)
    while carbide.mean() < 0.12:
        cv2.circle(carbide, tuple(int(v) for v in rng.integers(0, SIDE, 2)), int(rng.integers(5, 9)), 1, -1)
    grey = cv2.GaussianBlur(100 + 90.0 * carbide, (0, 0), 1.0) + rng.normal(0, 3, (SIDE, SIDE))
    return grey.astype(np.uint8), carbide > 0


def test_clean_pictures_keep_the_programs_own_outlines(tmp_path):
    """Label for label, and number, sizes and shapes with the intervals that they have without a count."""
    truth = write_fields(tmp_path, 3, seed=4, draw=spheres)
    tally = write_tally(tmp_path / "tally.csv", tmp_path, truth)
    assert measure(tmp_path, tmp_path / "plain").exit_code == 0
    assert measure(tmp_path, tmp_path / "taught", "--taught-by", tally).exit_code == 0
    for name in truth:
        plain, taught = (tmp_path / out / f"labels/{name}.tif" for out in ("plain", "taught"))
        assert plain.read_bytes() == taught.read_bytes()
    plain, taught = (table(tmp_path / out, "specimens.csv", "quantity") for out in ("plain", "taught"))
    for quantity in ("number_per_mm2", "ecd_d50", "mean_aspect_ratio"):
        assert plain.loc[quantity].to_dict() == taught.loc[quantity].to_dict()
    before = float(taught.loc["area_fraction_by_outlines", "mean"])
    assert before == pytest.approx(float(plain.loc["area_fraction", "mean"]), rel=1e-6)


@pytest.fixture
def one(tmp_path):
    """One field of a hard etch."""
    return tmp_path, write_fields(tmp_path, 1, seed=6)


def turned(text):
    """Lines of a second counter who says the contrary of the first."""
    turn = {b",in,": b",out,", b",out,": b",in,", b",boundary,": b",boundary,"}
    lines = []
    for line in text.splitlines(True)[1:]:
        (said,) = [word for word in turn if word in line]
        lines.append(line.replace(said, turn[said]).replace(b"A. Counter", b"B. Counter"))
    return b"".join(lines)


BAD = {
    "damaged": (lambda text: text.replace(b",out,", b",perhaps,", 1), "verdict 'perhaps' is unknown"),
    "foreign": (lambda text: text.replace(b",f1,", b",elsewhere,"), "counts none of these pictures"),
    "too small": (lambda text: b"".join(text.splitlines(True)[:1] + [
        line.replace(b",60,", b",20,", 1) for line in text.splitlines(True)[1:21]]), "40 are needed"),
    "one kind": (lambda text: text.replace(b",in,", b",out,"), "of either kind are needed"),
    "twice": (lambda text: text + text.splitlines(True)[1], "is given twice"),
    "contradictory": (lambda text: text + turned(text), "contradicts itself"),
}  # fmt: skip


@pytest.mark.parametrize("what", list(BAD))
def test_a_tally_that_cannot_teach_stops_with_one_line(one, what):
    """Before anything is measured; with --skip-bad-tallies the run goes on without it."""
    folder, truth = one
    tally = write_tally(folder / "tally.csv", folder, truth)
    spoil, words = BAD[what]
    tally.write_bytes(spoil(tally.read_bytes()))
    ended = measure(folder, folder / "out", "--taught-by", tally)
    assert isinstance(ended.exception, MicroError)
    assert words in str(ended.exception)
    assert "\n" not in str(ended.exception)
    assert not (folder / "out/specimens.csv").exists()


def test_on_demand_the_run_goes_on_without_a_bad_tally(one):
    folder, truth = one
    tally = write_tally(folder / "tally.csv", folder, truth, points=20)
    ended = measure(folder, folder / "out", "--taught-by", tally, "--skip-bad-tallies")
    assert ended.exit_code == 0
    assert "the run goes on without it" in ended.output
    assert not (folder / "out/taught").exists()
