"""Micrograph and outlines of a field lie over each other on the page, or are left out together."""

import base64

import cv2
import numpy as np
import pytest

from micro import results
from micro.report.fields import WIDEST_PX, data_address, field_pictures, same_scale_pictures
from micro.segmentation.segmentation import SegmentationSettings
from micro.study.model import Field, Specimen, Study


def decoded(address):
    kind, data = address.split(",")
    assert kind in ("data:image/webp;base64", "data:image/jpeg;base64")
    return cv2.imdecode(np.frombuffer(base64.b64decode(data), np.uint8), cv2.IMREAD_COLOR)


@pytest.fixture
def field(tmp_path):
    """Field of a picture with a data bar, and a results folder with its outlines."""
    grey = np.random.default_rng(1).normal(100, 20, (200, 260)).astype(np.uint8)
    picture = np.vstack([grey, np.full((30, 260), 10, np.uint8)])
    cv2.imwrite(str(tmp_path / "f.png"), picture)
    (tmp_path / results.OUTLINES).mkdir()
    cv2.imwrite(str(tmp_path / results.OUTLINES / "f.png"), picture)
    return Field("f", tmp_path / "f.png", "f.png", "f", SegmentationSettings(), crop_bottom_px=30)


def test_the_data_bar_stands_below_the_field(field, tmp_path):
    """Rows of the picture stay where they are, so that bare and outlined lie over each other."""
    made = field_pictures(field, 0.2, "said", tmp_path, 1e6)
    bare, outlined = decoded(made.bare), decoded(made.outlined)
    assert bare.shape[0] >= outlined.shape[0] == 230
    assert bare.shape[1] == outlined.shape[1] == 260
    assert bare[:200].std() > 30
    assert np.median(bare[205:228, :, 0]) < 30
    assert made.message == "said"
    assert made.full == "outlines/f.png"


@pytest.mark.parametrize("lost", ["f.png", "outlines/f.png"])
def test_a_field_whose_pictures_are_gone_is_left_out(field, tmp_path, lost):
    """The report of a later day is made from what is still there."""
    (tmp_path / lost).unlink()
    assert field_pictures(field, 0.2, "", tmp_path, 1e6) is None


def test_wide_pictures_shrink_for_the_page():
    """To the widest that a page takes, with their shape kept; smaller ones stay as they are."""
    wide = decoded(data_address(np.full((300, 2 * WIDEST_PX, 3), 90, np.uint8)))
    assert wide.shape == (150, WIDEST_PX, 3)
    assert decoded(data_address(np.full((30, 40, 3), 90, np.uint8))).shape == (30, 40, 3)


def test_one_specimen_has_nothing_to_stand_beside(field, tmp_path):
    """Pictures at one scale need two; a specimen without a measured field has none."""
    import pandas as pd

    from micro.tables.columns import FIELDS, names

    row = {"specimen": "A", "field": "f", "carbide_class": "all", "um_per_px": 0.2, "area_fraction": 0.1}
    fields = pd.DataFrame([row]).reindex(columns=names(FIELDS))
    study = Study("s", (Specimen("A", (field,)), Specimen("B", ())), "pictures")
    assert same_scale_pictures(study, fields) == []
