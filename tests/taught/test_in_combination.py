"""Taught outlines beside what else a study may hold: boxes left out, several classes, mosaics, unknown fields."""

import csv
import hashlib
import json

import cv2
import numpy as np
import pandas as pd
import pytest
import tifffile
from study import SIDE, VERDICT, laths, micro, write_fields, write_tally

from micro.image import micrograph as mosaic
from micro.points.tally import TALLY

pytestmark = pytest.mark.usefixtures("without_pages")
BOX = {"x": 10, "y": 20, "width": 90, "height": 60}


def rows_of(out, carbide_class="all"):
    found = pd.read_csv(out / "specimens.csv")
    return found[found["carbide_class"] == carbide_class].set_index("quantity")


def overlap(labels, truth):
    return (labels & truth).sum() / (labels | truth).sum()


def tally_of(path, image, fields, points, rng):
    """Tally of one person on fields of one picture, each told by (rows, columns) class numbers, 0 matrix."""
    sha256 = hashlib.sha256(image.read_bytes()).hexdigest()
    names = ("", "MC", "M7C3")
    lines = []
    for name, kinds in fields.items():
        rows, columns = kinds.shape
        for k in range(1, points + 1):
            x, y = rng.uniform(0, columns), rng.uniform(0, rows)
            kind = int(kinds[int(y), int(x)])
            told = names[kind] if kinds.max() > 1 else ""
            lines.append(("sheet", "specimen", name, sha256, points, k, x, y, VERDICT[float(kind > 0)], told, "A"))
    new = not path.exists()
    with path.open("a", encoding="utf-8", newline="") as stream:
        out = csv.writer(stream)
        out.writerows([[column.name for column in TALLY]] * new + lines)
    return path


def test_points_in_what_is_left_out_teach_nothing(tmp_path):
    """A label burnt into the picture, every point on it answered wrongly: neither map nor area fraction know of it."""
    truth = write_fields(tmp_path, 3, seed=3)
    outside = np.ones((SIDE, SIDE), bool)
    outside[BOX["y"] : BOX["y"] + BOX["height"], BOX["x"] : BOX["x"] + BOX["width"]] = False
    for name in truth:
        grey = cv2.imread(str(tmp_path / f"{name}.png"), cv2.IMREAD_GRAYSCALE)
        cv2.imwrite(str(tmp_path / f"{name}.png"), np.where(outside, grey, 128).astype(np.uint8))
    tally = write_tally(tmp_path / "tally.csv", tmp_path, {n: t | ~outside for n, t in truth.items()}, points=80)
    box = ", ".join(f"{name} = {value}" for name, value in BOX.items())
    (tmp_path / "study.toml").write_text(
        f'um_per_px = 0.1\ntaught_by = ["{tally.name}"]\nleave_out = [{{{box}}}]\n'
        '[[specimen]]\nname = "specimen"\nimages = ["f*.png"]\n'
    )
    assert micro("run", tmp_path / "study.toml", "--out", tmp_path / "out", "--workers", 1).exit_code == 0
    lesson = json.loads((tmp_path / "out/taught/taught.json").read_text())["specimen"]
    points = pd.read_csv(tally)
    on_box = ~outside[points["y_px"].astype(int), points["x_px"].astype(int)]
    assert lesson["points"] == 240 - on_box.sum()
    these = rows_of(tmp_path / "out").loc["area_fraction_of_these_fields"]
    assert these["ci95_low"] <= np.mean([t[outside].mean() for t in truth.values()]) <= these["ci95_high"]
    for name, carbide in truth.items():
        labels = tifffile.imread(tmp_path / f"out/labels/{name}.tif") > 0
        assert not labels[~outside].any()
        assert overlap(labels[outside], carbide[outside]) > 0.5


def two_classes(rng):
    """(grey, kinds): smooth islands of two greys, one darker, one brighter than the laths about them."""
    grey, carbide = laths(rng, share=0.25)
    count, islands = cv2.connectedComponents(carbide.astype(np.uint8))
    kind = np.concatenate([[0], rng.integers(1, 3, count - 1)])[islands]
    shift = cv2.GaussianBlur(np.choose(kind, [0, -35, 35]).astype(np.float32), (0, 0), 0.8)
    return np.clip(grey + shift, 1, 254).astype(np.uint8), kind


def test_several_classes_are_taught_and_put_right_each(tmp_path):
    """Classes that the count told apart: areas, outlines and particles by class."""
    rng, kinds = np.random.default_rng(5), {}
    for k in (1, 2, 3):
        grey, kind = two_classes(np.random.default_rng([9, k]))
        cv2.imwrite(str(tmp_path / f"f{k}.png"), grey)
        kinds[f"f{k}"] = kind
        tally = tally_of(tmp_path / "tally.csv", tmp_path / f"f{k}.png", {f"f{k}": kind}, 120, rng)
    pictures = sorted(tmp_path.glob("f*.png"))
    words = ("measure", *pictures, "--um-per-px", 0.1, "--workers", 1, "--out", tmp_path / "out", "--taught-by", tally)
    assert micro(*words).exit_code == 0
    particles = pd.read_csv(tmp_path / "out/particles.csv")
    assert set(particles["carbide_class"]) == {"MC", "M7C3"}
    for number, name in ((1, "MC"), (2, "M7C3")):
        own = rows_of(tmp_path / "out", name).loc["area_fraction_of_these_fields"]
        true = np.mean([(kind == number).mean() for kind in kinds.values()])
        assert own["ci95_low"] <= true <= own["ci95_high"]
        assert own["ci95_high"] - own["ci95_low"] < 0.12
        of_class = particles[(particles["carbide_class"] == name) & (particles["field"] == "f1")]["particle"]
        labels = np.isin(tifffile.imread(tmp_path / "out/labels/f1.tif"), of_class)
        assert overlap(labels, kinds["f1"] == number) > 0.5


def test_parts_of_a_mosaic_are_fields_like_others(tmp_path, monkeypatch):
    """Two parts of one picture, counted part by part; further points are drawn in the part's own place."""
    halves = [laths(np.random.default_rng([7, k])) for k in (1, 2)]
    grey, carbide = (np.concatenate(both, axis=1) for both in zip(*halves, strict=True))
    tifffile.imwrite(tmp_path / "m.tif", grey, tile=(64, 64))
    monkeypatch.setattr("micro.study.model.SMALLEST_MOSAIC_BYTES", 0)
    monkeypatch.setattr(mosaic, "LARGEST_FIELD_PX", 50_000)
    monkeypatch.setattr(mosaic.sub_fields, "__defaults__", (SIDE, 32))
    fields = {f"m-r1c{k}": part.astype(int) for k, part in enumerate(np.split(carbide, 2, axis=1), 1)}
    tally = tally_of(tmp_path / "tally.csv", tmp_path / "m.tif", fields, 100, np.random.default_rng(2))
    out = tmp_path / "out"
    words = ("measure", tmp_path / "m.tif", "--um-per-px", 0.1, "--workers", 1, "--out", out, "--taught-by", tally)
    assert micro(*words).exit_code == 0
    these = rows_of(out).loc["area_fraction_of_these_fields"]
    assert these["ci95_low"] <= carbide.mean() <= these["ci95_high"]
    for name, part in fields.items():
        assert overlap(tifffile.imread(out / f"labels/{name}.tif") > 0, part > 0) > 0.5
    said = micro("points", "sheet", out, "--refine", "--out", tmp_path / "further")
    assert "another 150 points on 2 fields" in " ".join(said.output.split())


def test_a_specimen_that_is_unknown_can_be_planned_and_counted(tmp_path):
    """Laths that no rule reads: the plan says what to do, and a sheet is made, without a number that nobody knows."""
    write_fields(tmp_path, 2, seed=3)
    assert (
        micro("measure", *sorted(tmp_path.glob("f*.png")), "--um-per-px", 0.1, "--out", tmp_path / "out").exit_code == 0
    )
    assert np.isnan(rows_of(tmp_path / "out").loc["area_fraction", "mean"])
    planned = micro("plan", tmp_path / "out", "--accuracy-pct", 10)
    assert planned.exit_code == 0
    assert "nan" not in planned.output.lower()
    assert micro("points", "sheet", tmp_path / "out", "--points", 25, "--out", tmp_path / "count").exit_code == 0
