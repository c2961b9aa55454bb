"""The contact sheet shows one field at several settings."""

import tomllib

import cv2
import numpy as np
import pytest

from micro.image.micrograph import Micrograph
from micro.phantom.picture import Optics
from micro.phantom.scenes import Population, Scene, make_field
from micro.report.settings_sheet import PANEL_PX, found_settings, settings_sheet, variants
from micro.segmentation.segmentation import SegmentationSettings
from micro.segmentation.stages import segment

SETTINGS = SegmentationSettings(carbides="bright")


@pytest.fixture(scope="module")
def field():
    scene = Scene((Population(0.1, 9.0),), optics=Optics(100, (200,), noise=3.0, shading=0.0))
    return make_field(scene, (200, 260), np.random.default_rng(5))[0]


def test_each_variant_changes_one_thing(field):
    """A panel that differs from the first in two settings would not tell which of them acts."""
    for _, changed in variants(SETTINGS, segment(field, SETTINGS)):
        differing = [k for k, v in vars(SETTINGS).items() if v != vars(changed)[k]]
        assert len(differing) == 1


def test_the_sheet_holds_the_bare_field_and_outlines(field):
    """The first panel is grey throughout; the others carry coloured outlines."""
    sheet, _ = settings_sheet(Micrograph(field), SETTINGS)
    coloured = (sheet.max(axis=2) - sheet.min(axis=2)) > 40
    third, first_row = sheet.shape[1] // 3, PANEL_PX[1]
    assert not coloured[:first_row, :third].any()
    assert coloured[:first_row, third : 2 * third].sum() > 100


def test_the_command_writes_the_sheet_and_nothing_else(field, tmp_path, monkeypatch, run_micro):
    """`micro measure --try` draws; it leaves no results folder."""
    cv2.imwrite(str(tmp_path / "f.png"), field.astype(np.uint8))
    monkeypatch.chdir(tmp_path)
    status, said, _ = run_micro("measure", "f.png", "--try", "sheet.png")
    assert status == 0
    assert "sheet.png" in said
    assert "matrix_grey = " in said and "grey = " in said
    assert sorted(p.name for p in tmp_path.iterdir()) == ["f.png", "sheet.png"]


def test_what_was_found_can_be_copied_into_a_study_file(field):
    """The lines are TOML with the true greys, 100 and 200 within two, and pinning them measures the same."""
    found = segment(field, SETTINGS)
    keys = tomllib.loads("\n".join(found_settings(found)))
    (own,) = keys.pop("class")
    assert keys["matrix_grey"] == pytest.approx(100, abs=2)
    assert own["grey"] == pytest.approx(200, abs=2)
    pinned = segment(field, SegmentationSettings("bright", (own["name"],), (own["grey"],), **keys))
    assert pinned.contrast_area_px.sum() == pytest.approx(found.contrast_area_px.sum(), rel=0.01)


def test_variants_differ_in_what_they_give(field):
    """The level of the outline and the smallest carbide move area or count: no two panels alike."""
    given = [segment(field, changed) for _, changed in variants(SETTINGS, segment(field, SETTINGS))]
    assert len({(s.count, int(s.outline_px.sum())) for s in given}) == len(given)
