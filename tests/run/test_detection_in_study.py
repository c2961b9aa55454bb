"""A study with `detection = true` says what its pictures can show, and puts the number of carbides right."""

import json

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner

from micro.cli import group
from micro.phantom.picture import Optics, field_rows, write_tiff
from micro.phantom.scenes import Population, Scene, make_field
from micro.run.verify import verify

UM_PER_PX = 0.2


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    """Two fields of fine carbides in a rough matrix: folder, true number per mm²."""
    folder = tmp_path_factory.mktemp("study")
    optics = Optics(90, (180,), blur_px=1.2, noise=6, texture=8, texture_px=1.5)
    scene = Scene((Population(0.05, 6, spread=0.4),), optics=optics)
    true = []
    for number in (1, 2):
        grey, truth = make_field(scene, (256, 320), np.random.default_rng([4, number]))
        write_tiff(folder / f"f{number}.tif", grey, UM_PER_PX)
        rows = pd.DataFrame(field_rows(truth, scene.class_names, UM_PER_PX))
        true.append(float(rows[rows["carbide_class"] == "all"]["number_per_mm2"].iloc[0]))
    text = '[[specimen]]\nname = "bar"\nimages = ["f*.tif"]\num_per_px = 0.2\nrolling_deg = 0\ndetection = true\n'
    (folder / "study.toml").write_text(text)
    ended = run(folder)
    assert ended.exit_code == 0, ended.output
    return folder, float(np.mean(true)), ended.output


def run(folder):
    return CliRunner().invoke(
        group, ["run", str(folder / "study.toml"), "--out", str(folder / "out"), "--workers", "1"]
    )


def rows_of(folder):
    found = pd.read_csv(folder / "out/specimens.csv")
    return found[found["carbide_class"] == "all"].set_index("quantity")


def test_the_sentence_stands_in_print_and_report(study):
    folder, _, printed = study
    page = (folder / "out/report.html").read_text(encoding="utf-8")
    assert "In these pictures carbides above" in " ".join(printed.split())
    assert "In these pictures carbides above" in page
    assert "What these pictures can show" in page
    assert (folder / "out/figures/detection.svg").is_file()


def test_the_number_put_right_holds_the_truth(study):
    """With a line of its own in the uncertainty budget."""
    folder, true, _ = study
    rows = rows_of(folder)
    raw, right = rows.loc["number_per_mm2"], rows.loc["number_per_mm2_put_right"]
    assert right["ci95_low"] < true < right["ci95_high"]
    assert raw["mean"] < right["mean"]
    assert right["ci95_high"] - right["ci95_low"] > raw["ci95_high"] - raw["ci95_low"]
    page = (folder / "out/report.html").read_text(encoding="utf-8")
    assert "bar, number of carbides per area, put right for those missed" in page


def test_size_and_false_calls_have_their_intervals(study):
    folder, _, _ = study
    rows, table = rows_of(folder), pd.read_csv(folder / "out/detection.csv")
    a90, calls = rows.loc["detection_a90"], rows.loc["false_call_share"]
    assert table["ecd_um"].min() < a90["ci95_low"] < a90["mean"] < a90["ci95_high"] < table["ecd_um"].max()
    assert 0 <= calls["ci95_low"] <= calls["mean"] < calls["ci95_high"] < 0.1
    assert set(table["specimen"]) == {"bar"}


def test_it_is_kept_and_verified(study):
    """A second run sets nothing in again, and a new measurement from the record leaves the same bytes."""
    folder, _, _ = study
    record = folder / "out/detection.json"
    before, stamp = record.read_bytes(), record.stat().st_mtime_ns
    assert run(folder).exit_code == 0
    assert (record.read_bytes(), record.stat().st_mtime_ns) == (before, stamp)
    assert verify(folder / "out", 1, lambda outcome: None).differences == ()


def test_the_plan_speaks_of_what_is_missed(study):
    folder, _, _ = study
    ended = CliRunner().invoke(group, ["plan", str(folder / "out"), "--accuracy-pct", "10"])
    assert "are found nine times in ten" in " ".join(ended.output.split())


def test_a_damaged_record_is_one_line(study, tmp_path):
    from micro.errors import InputError
    from micro.specimens.detected import read_detected

    folder, _, _ = study
    (tmp_path / "detection.json").write_text(json.dumps({"key": "", "specimens": [{"specimen": "bar"}]}))
    with pytest.raises(InputError, match="is damaged"):
        read_detected(tmp_path)
    assert list(read_detected(folder / "out")) == ["bar"]


def test_without_the_key_nothing_of_it_stays(study):
    folder, _, _ = study
    text = (folder / "study.toml").read_text()
    kept = {name: (folder / "out" / name).read_bytes() for name in ("detection.csv", "detection.json")}
    try:
        (folder / "study.toml").write_text(text.replace("detection = true\n", ""))
        assert run(folder).exit_code == 0
        assert not any((folder / "out" / name).exists() for name in kept)
        assert "number_per_mm2_put_right" not in rows_of(folder).index
    finally:
        (folder / "study.toml").write_text(text)
