"""Fields that find their rolling direction together are segmented once; what is kept meanwhile changes nothing."""

import shutil

import cv2
import numpy as np
import pytest

from micro.batch import frames as outlined
from micro.batch.fields import measure_fields
from micro.phantom.picture import Optics
from micro.phantom.scenes import Population, Scene, make_field
from micro.segmentation.stages import segment
from micro.study.reader import read_study

TWO = 'um_per_px = 0.2\ncarbides = "bright"\n[[specimen]]\nname = "A"\nimages = ["a*.png"]\n'
STUDY = TWO + '[[specimen]]\nname = "B"\nimages = ["b*.png"]\n'


@pytest.fixture(scope="module")
def pictures():
    """Four fields of carbides that lie along 30°."""
    scene = Scene(
        (Population(0.08, 9.0, aspect=2.5, misalignment_deg=12.0),),
        rolling_deg=30,
        optics=Optics(100, (200,), noise=4.0),
    )
    return [make_field(scene, (120, 160), np.random.default_rng(seed))[0].round() for seed in range(4)]


@pytest.fixture
def study(tmp_path, pictures):
    """Two specimens of two fields each, without a rolling direction."""
    for name, grey in zip(("a1", "a2", "b1", "b2"), pictures, strict=True):
        cv2.imwrite(str(tmp_path / f"{name}.png"), grey.astype(np.uint8))
    (tmp_path / "study.toml").write_text(STUDY)
    return read_study(tmp_path / "study.toml")


def results_of(study, out, monkeypatch, bytes_kept):
    """Files of a run that may keep so many bytes, how often it segmented, and which files it left beside them."""
    calls = []
    monkeypatch.setattr(outlined, "BYTES_KEPT", bytes_kept)
    monkeypatch.setattr("micro.field.segment", lambda *args: calls.append(1) or segment(*args))
    out.mkdir()
    measure_fields(study, out, 1, lambda outcome: None)
    files = {p.relative_to(out): p.read_bytes() for p in out.rglob("*") if p.is_file() and p.name != "record.json"}
    left = [path for path in files if path.name.startswith(".")]
    shutil.rmtree(out)
    return {path: content for path, content in files.items() if path.suffix == ".csv"}, len(calls), left


def test_what_is_kept_saves_half_of_the_segmenting_and_changes_no_table(study, tmp_path, monkeypatch):
    """Room for one specimen at a time, for one field of each, and for none: the same tables."""
    field = outlined.BYTES_A_PIXEL * 120 * 160
    found = [results_of(study, tmp_path / "out", monkeypatch, room * field) for room in (2, 1, 0)]
    assert [calls for _, calls, _ in found] == [4, 6, 8]
    assert all(tables == found[0][0] and len(tables) == 12 for tables, _, _ in found)
    assert not any(left for _, _, left in found)


def test_a_kept_field_is_what_was_segmented(pictures, tmp_path):
    """Pictures to the pixel, and what was computed from them; of another picture, or without its file, nothing."""
    before = segment(pictures[0])
    moments = before.outline_moments
    path = outlined.keep(before, "1234", tmp_path)
    after = outlined.kept(path, "1234")
    for name in ("labels", "basins", "contrast", "excluded", "class_index", "flags"):
        assert np.array_equal(getattr(before, name), getattr(after, name)), name
        assert getattr(before, name).dtype == getattr(after, name).dtype, name
    assert np.array_equal(vars(after)["outline_moments"].xx, moments.xx)
    assert (after.verdict, after.issues, after.classes) == (before.verdict, before.issues, before.classes)
    assert outlined.kept(path, "5678") is None
    path.write_bytes(path.read_bytes()[:1000])
    assert outlined.kept(path, "1234") is None
    path.unlink()
    assert outlined.kept(path, "1234") is None
    assert outlined.keep(before, "1234", tmp_path / "gone") is None
