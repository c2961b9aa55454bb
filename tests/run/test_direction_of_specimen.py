"""The rolling direction belongs to the specimen: its fields find it together, and all of them use it."""

import json

import cv2
import numpy as np
import pandas as pd
import pytest

from micro.phantom.picture import Optics
from micro.phantom.scenes import Population, Scene, make_field
from micro.run.study import run_study
from micro.study.reader import read_study

TEXT = 'um_per_px = 0.2\ncarbides = "bright"\n[[specimen]]\nname = "A"\nimages = ["f*.png"]\n'


def draw(path, seed, rolling_deg):
    carbides = Population(0.08, 9.0, aspect=2.5, misalignment_deg=12.0)
    scene = Scene((carbides,), rolling_deg=rolling_deg, optics=Optics(100, (200,), noise=4.0))
    cv2.imwrite(str(path), np.round(make_field(scene, (240, 320), np.random.default_rng(seed))[0]).astype(np.uint8))


def run(folder, workers=1):
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("micro.run.study.write_pages", lambda *given: None)  # no page tells more of a direction
        return run_study(read_study(folder / "study.toml"), folder / "out", workers, lambda outcome: None)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Four fields along 178° and one that was turned by 40°."""
    folder = tmp_path_factory.mktemp("directions")
    for number in range(4):
        draw(folder / f"f{number}.png", number, 178.0)
    draw(folder / "f9.png", 9, 38.0)
    (folder / "study.toml").write_text(TEXT)
    run(folder)
    return folder


def test_all_fields_use_the_direction_that_they_show_together(folder):
    """One angle, next to the one drawn across the turn at 180°; the field that was turned does not pull it away."""
    angles = pd.read_csv(folder / "out" / "fields.csv")["rolling_deg"].unique()
    assert len(angles) == 1
    assert abs((angles[0] - 178 + 90) % 180 - 90) < 12


def test_the_field_that_disagrees_is_named(folder):
    fields = pd.read_csv(folder / "out" / "fields.csv").drop_duplicates("field").set_index("field")
    named = fields.index[fields["flags"].str.split().apply(lambda flags: "rolling_disagrees" in flags)]
    assert list(named) == ["f9"]
    assert "rolling direction of the specimen estimated from 5 of its fields" in fields["message"].iloc[0]


def test_a_second_run_measures_nothing_again(folder):
    """The direction of each field is kept beside its tables."""
    before = (folder / "out" / "specimens.csv").read_bytes()
    assert all(outcome.reused for outcome in run(folder).outcomes)
    assert (folder / "out" / "specimens.csv").read_bytes() == before


def test_a_new_field_changes_the_direction_of_all(folder, tmp_path):
    """With another field the specimen's direction is another: every field is measured against it."""
    for path in folder.glob("f?.png"):
        (tmp_path / path.name).write_bytes(path.read_bytes())
    (tmp_path / "study.toml").write_text(TEXT)
    run(tmp_path)
    first = pd.read_csv(tmp_path / "out" / "fields.csv")["rolling_deg"].iloc[0]
    draw(tmp_path / "f5.png", 5, 178.0)
    run(tmp_path)
    angles = pd.read_csv(tmp_path / "out" / "fields.csv")["rolling_deg"].unique()
    assert len(angles) == 1
    assert angles[0] != first
    records = (tmp_path / "out" / "parts").glob("*/*.json")
    assert all("own_direction" in json.loads(path.read_text()) for path in records)
