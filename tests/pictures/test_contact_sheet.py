"""The contact sheet shows one field at several settings."""

import subprocess
import sys

import cv2
import numpy as np

from micro.micrograph import Micrograph
from micro.phantom import Optics, Population, Scene, make_field
from micro.pictures.contact_sheet import contact_sheet, variants
from micro.segmentation import SegmentationSettings, segment


def field(shape=(200, 260)):
    scene = Scene((Population(0.1, 9.0),), optics=Optics(100, (200,), noise=3.0))
    return make_field(scene, shape, np.random.default_rng(5))[0]


def test_each_variant_changes_one_thing():
    """A panel that differs from the first in two settings would not tell which of them acts."""
    settings = SegmentationSettings(carbides="bright")
    for _, changed in variants(settings, segment(field(), settings)):
        differing = [k for k, v in vars(settings).items() if v != vars(changed)[k]]
        assert len(differing) == 1


def test_the_sheet_holds_the_bare_field_and_outlines():
    """The first panel is grey throughout; the others carry coloured outlines."""
    sheet = contact_sheet(Micrograph(field()), SegmentationSettings(carbides="bright"))
    coloured = (sheet.max(axis=2) - sheet.min(axis=2)) > 40
    third = sheet.shape[1] // 3
    assert not coloured[: sheet.shape[0] // 2, :third].any()
    assert coloured[: sheet.shape[0] // 2, third : 2 * third].sum() > 100


def test_the_command_writes_the_sheet_and_nothing_else(tmp_path):
    """`micro measure --try` draws; it leaves no results folder."""
    cv2.imwrite(str(tmp_path / "f.png"), field().astype(np.uint8))
    command = [sys.executable, "-m", "micro", "measure", "f.png", "--try", "sheet.png"]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=True)
    assert "sheet.png" in done.stdout
    assert sorted(p.name for p in tmp_path.iterdir()) == ["f.png", "sheet.png"]
