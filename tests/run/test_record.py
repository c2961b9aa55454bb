"""The record of a run gives the study back whole, or says in one line that it cannot; changes are found by hashes."""

import dataclasses
import json
from pathlib import Path

import pytest

from micro import results
from micro.batch.fields import gather
from micro.batch.job import Outcome
from micro.errors import InputError
from micro.image.micrograph import SubField
from micro.issues import issue
from micro.report.record import RunRecord, read_run, run_record, write_record
from micro.run.verify import changed_inputs, changed_outputs, changed_versions
from micro.segmentation.segmentation import SegmentationSettings
from micro.study.model import Field, Specimen, Study

SAID = issue("rolling_estimated", angle_deg=1 / 3, half_width_deg=float("nan"))


@pytest.fixture
def study(tmp_path):
    """Study with everything that one can hold: classes, a part of a mosaic, a page, a calibration, coupons."""
    for name in ("study.toml", "coupons.csv", "scale.toml", "m.tif"):
        (tmp_path / name).write_text(name)
    settings = SegmentationSettings(carbides="bright", class_names=("MC", "M7C3"), class_greys=(120.0, 200.0))
    part = SubField(0, 0, 100, 200, 300, 400)
    field = Field("m-r1c1", tmp_path / "m.tif", "m.tif", "m-r1c1", settings, crop_bottom_px=3, page=2, sub_field=part)
    bar = Specimen(
        "A", (field,), "ingot-cast", "planar", 12.5, tmp_path / "scale.toml", None, 2, {"C": 1.5, "Cr": 12.0}
    )
    return Study("Title", (bar,), "study file", tmp_path / "study.toml", tmp_path / "coupons.csv")


@pytest.fixture
def record(study, tmp_path):
    """Record of that study, written to run.json and read again."""
    digest = results.hash_of_file(tmp_path / "m.tif")
    outcome = Outcome("A", "m-r1c1", "m-r1c1", "m.tif", digest, "", (SAID,), "file", 0.01, 1.5)
    write_record(run_record(study, (outcome,), tmp_path, "2026-01-01T00:00:00+00:00", 2.0), tmp_path)
    return read_run(tmp_path)


def test_the_study_comes_back_as_it_went(study, record):
    """Every setting of every field, so that measuring again measures the same."""
    assert record.study == study
    (outcome,) = record.outcomes
    assert (outcome.issues, outcome.scale_relative_uncertainty, outcome.trouble) == ((SAID,), 0.01, "")
    given = {"carbides": "bright", "class_names": ["MC", "M7C3"], "class_greys": [120.0, 200.0]}
    assert record.pinned == {"m-r1c1": given | {"crop_bottom_px": 3, "page": 2}}


KEYS = [*(f.name for f in dataclasses.fields(RunRecord)), "every"]
OF_THE_RIGHT_KIND = [("date", "text"), ("program", "text"), ("seconds", 3)]
WRONG = [(k, v) for k in KEYS for v in (None, [], "text", [{}], 3) if (k, v) not in OF_THE_RIGHT_KIND]


@pytest.mark.parametrize(("key", "value"), WRONG)
def test_a_record_that_is_not_whole_is_one_line(record, tmp_path, key, value):
    """Whatever took the place of a part of it, or of every part."""
    path = tmp_path / results.RECORD
    content = json.loads(path.read_text())
    path.write_text(json.dumps(dict.fromkeys(content, value) if key == "every" else content | {key: value}))
    with pytest.raises(InputError, match=r"run\.json: is not a whole record of a run; run the study again"):
        read_run(tmp_path)


@pytest.mark.parametrize("content", [{}, {"study": {"title": "t"}, "specimens": [{"name": "A"}], "outputs": {}}])
def test_a_record_of_another_version_is_one_line(tmp_path, content):
    """Without the keys that this one writes."""
    (tmp_path / results.RECORD).write_text(json.dumps(content))
    with pytest.raises(InputError, match=r"run\.json: is not a whole record of a run; run the study again"):
        read_run(tmp_path)


@pytest.mark.parametrize("name", ["study.toml", "coupons.csv", "scale.toml", "m.tif"])
@pytest.mark.parametrize("lost", [False, True])
def test_a_changed_or_lost_input_is_named(record, tmp_path, name, lost):
    """Study file, coupons, calibration and pictures alike."""
    assert changed_inputs(record) == []
    if lost:
        (tmp_path / name).unlink()
    else:
        (tmp_path / name).write_text("other")
    assert changed_inputs(record) == [
        f"{tmp_path / name}: is not as the run read it; bring it back, or run the study again"
    ]


def test_a_changed_or_lost_output_is_named(record, tmp_path):
    """Tables of the study and files of its fields."""
    for name in ("fields.csv", "f.tif"):
        (tmp_path / name).write_text(name)
    hashes = {name: results.hash_of_file(tmp_path / name) for name in ("fields.csv", "f.tif")}
    outcome = dataclasses.replace(record.outcomes[0], outputs={"f.tif": hashes["f.tif"], "lost.png": "0" * 64})
    record = dataclasses.replace(record, outputs={"fields.csv": hashes["fields.csv"]}, outcomes=(outcome,))
    assert [Path(line.split(":")[0]).name for line in changed_outputs(record, tmp_path)] == ["lost.png"]
    (tmp_path / "fields.csv").write_text("other")
    assert len(changed_outputs(record, tmp_path)) == 2


def test_another_library_is_a_remark(record):
    """It can change a number without being wrong."""
    assert changed_versions(record) == []
    then = {name: number for name, number in record.versions.items() if name != "scipy"} | {"numpy": "1.0"}
    said = changed_versions(dataclasses.replace(record, versions=then))
    assert said[0].startswith("numpy: 1.0 then, ")
    assert said[1].startswith("scipy: unknown then, ")


def test_without_a_measured_field_the_joined_tables_keep_their_headers(tmp_path):
    gather((), tmp_path)
    assert {p.name for p in tmp_path.iterdir()} == {"fields.csv", "particles.csv", "profiles.csv"}
    assert (tmp_path / "fields.csv").read_text().startswith("specimen,field,")
