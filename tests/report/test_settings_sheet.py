"""The contact sheet shows one field at several settings."""

import cv2
import numpy as np
import pytest

from micro.image.micrograph import Micrograph
from micro.phantom.picture import Optics
from micro.phantom.scenes import Population, Scene, make_field
from micro.report.settings_sheet import settings_sheet, variants
from micro.segmentation.segmentation import SegmentationSettings
from micro.segmentation.stages import segment

SETTINGS = SegmentationSettings(carbides="bright")


@pytest.fixture(scope="module")
def field():
    scene = Scene((Population(0.1, 9.0),), optics=Optics(100, (200,), noise=3.0))
    return make_field(scene, (200, 260), np.random.default_rng(5))[0]


def test_each_variant_changes_one_thing(field):
    """A panel that differs from the first in two settings would not tell which of them acts."""
    for _, changed in variants(SETTINGS, segment(field, SETTINGS)):
        differing = [k for k, v in vars(SETTINGS).items() if v != vars(changed)[k]]
        assert len(differing) == 1


def test_the_sheet_holds_the_bare_field_and_outlines(field):
    """The first panel is grey throughout; the others carry coloured outlines."""
    sheet = settings_sheet(Micrograph(field), SETTINGS)
    coloured = (sheet.max(axis=2) - sheet.min(axis=2)) > 40
    third = sheet.shape[1] // 3
    assert not coloured[: sheet.shape[0] // 2, :third].any()
    assert coloured[: sheet.shape[0] // 2, third : 2 * third].sum() > 100


def test_the_command_writes_the_sheet_and_nothing_else(field, tmp_path, monkeypatch, run_micro):
    """`micro measure --try` draws; it leaves no results folder."""
    cv2.imwrite(str(tmp_path / "f.png"), field.astype(np.uint8))
    monkeypatch.chdir(tmp_path)
    status, said, _ = run_micro("measure", "f.png", "--try", "sheet.png")
    assert status == 0
    assert "sheet.png" in said
    assert sorted(p.name for p in tmp_path.iterdir()) == ["f.png", "sheet.png"]
