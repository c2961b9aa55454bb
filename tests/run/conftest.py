"""A small study of invented fields, made and measured once: two specimens, three fields each."""

import shutil

import cv2
import numpy as np
import pytest

from micro.phantom.picture import Optics
from micro.phantom.scenes import Population, Scene, make_field
from micro.run.study import run_study
from micro.study.reader import read_study

TEXT = """
title = "A small study"
um_per_px = 0.2
carbides = "bright"

[[specimen]]
name = "A"
route = "ingot-cast"
plane = "longitudinal"
rolling_deg = 0
images = ["a*.png"]

[[specimen]]
name = "B"
route = "powder-made"
plane = "longitudinal"
rolling_deg = 0
images = ["b*.png"]
"""


def write_field(path, seed, ecd_px=8.0, fraction=0.08):
    scene = Scene((Population(fraction, ecd_px),), optics=Optics(100, (200,), noise=4.0))
    grey, _ = make_field(scene, (160, 208), np.random.default_rng(seed))
    cv2.imwrite(str(path), grey.astype(np.uint8))


@pytest.fixture(scope="session")
def study_folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("study")
    for number in range(1, 4):
        write_field(folder / f"a{number}.png", number)
        write_field(folder / f"b{number}.png", 10 + number, ecd_px=6.0)
    (folder / "study.toml").write_text(TEXT)
    return folder


@pytest.fixture(scope="session")
def finished(study_folder, tmp_path_factory):
    """Results of that study, measured by one process; only to be read."""
    out = tmp_path_factory.mktemp("finished")
    run_study(read_study(study_folder / "study.toml"), out, 1, lambda outcome: None)
    return out


@pytest.fixture
def results_folder(finished, tmp_path):
    """Give a copy of these results that a test may change."""
    return shutil.copytree(finished, tmp_path / "results")
