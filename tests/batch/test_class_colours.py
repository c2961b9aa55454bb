"""A class that two specimens share looks the same in the outline pictures of both, whoever draws them."""

import cv2
import numpy as np
import pytest

from micro import results
from micro.batch.fields import measure_fields
from micro.phantom.picture import Optics
from micro.phantom.scenes import Population, Scene, make_field
from micro.pictures.outlines import CLASS_COLOURS
from micro.study.reader import read_study

STUDY = """
um_per_px = 0.2
carbides = "bright"
rolling_deg = 0

[[specimen]]
name = "ingot"
images = ["ingot.png"]
[[specimen.class]]
name = "M7C3"

[[specimen]]
name = "powder"
images = ["powder.png"]
[[specimen.class]]
name = "MC"
"""


@pytest.fixture
def study(tmp_path):
    """Two specimens with one class each."""
    for number, name in enumerate(("ingot", "powder")):
        scene = Scene((Population(0.1, 8.0),), optics=Optics(100, (200,), noise=4.0))
        grey, _ = make_field(scene, (96, 128), np.random.default_rng(number))
        cv2.imwrite(str(tmp_path / f"{name}.png"), grey.astype(np.uint8))
    path = tmp_path / "study.toml"
    path.write_text(STUDY)
    return path


def colours_in(path):
    picture = cv2.imread(str(path))[..., ::-1]
    return [k for k, colour in enumerate(CLASS_COLOURS) if (picture == colour).all(axis=2).any()]


@pytest.mark.parametrize("workers", [1, 2])
def test_colours_follow_the_classes_of_the_study(study, workers):
    """The only class of the second specimen has the study's second colour, in one process and in two."""
    out = study.parent / "out"
    measure_fields(read_study(study), out, workers, lambda outcome: None)
    assert colours_in(out / "outlines" / "ingot.png") == [0]
    assert colours_in(out / "outlines" / "powder.png") == [1]


def test_a_class_put_before_the_others_is_drawn_anew(study):
    """What an earlier run left is not taken for a picture in which the colours are other ones."""
    out = study.parent / "out"
    measure_fields(read_study(study), out, 1, lambda outcome: None)
    study.write_text(STUDY.replace('"M7C3"', '"MC"'))
    again = measure_fields(read_study(study), out, 1, lambda outcome: None)
    assert not any(outcome.reused for outcome in again)
    assert colours_in(out / "outlines" / "powder.png") == [0]


@pytest.mark.parametrize("record", ["{}", "[" * 100_000], ids=["empty", "nested"])
def test_a_field_whose_record_is_damaged_is_measured_again(study, record):
    out = study.parent / "out"
    first = measure_fields(read_study(study), out, 1, lambda outcome: None)
    (out / results.PARTS / first[0].stem / results.RECORD).write_text(record)
    again = measure_fields(read_study(study), out, 1, lambda outcome: None)
    assert [outcome.reused for outcome in again] == [False, True]
    assert not any(outcome.trouble for outcome in again)
