"""The record of a run gives the study back whole, or says in one line that it cannot; changes are found by hashes."""

import json
from pathlib import Path

import pytest

from micro import results
from micro.batch.fields import gather
from micro.batch.job import Outcome
from micro.errors import InputError
from micro.image.micrograph import SubField
from micro.report.record import outcomes_from_record, run_record, study_from_record
from micro.run.verify import changed_inputs, changed_outputs, changed_versions
from micro.segmentation.segmentation import SegmentationSettings
from micro.study.model import Field, Specimen, Study


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
    """Content of run.json of that study, through JSON and back."""
    digest = results.hash_of_file(tmp_path / "m.tif")
    outcome = Outcome("A", "m-r1c1", "m-r1c1", "m.tif", digest, "", ("said",), "file", 0.01, 1.5)
    return json.loads(json.dumps(run_record(study, (outcome,), tmp_path, "2026-01-01T00:00:00+00:00", 2.0)))


def test_the_study_comes_back_as_it_went(study, record, tmp_path):
    """Every setting of every field, so that measuring again measures the same."""
    again = study_from_record(record, tmp_path)
    assert again == study
    (outcome,) = outcomes_from_record(record, tmp_path)
    assert (outcome.messages, outcome.scale_relative_uncertainty, outcome.trouble) == (("said",), 0.01, "")


@pytest.mark.parametrize("key", ["study", "specimens"])
@pytest.mark.parametrize("value", [None, [], {}, "text", [{}]])
def test_a_record_that_is_not_whole_is_one_line(record, tmp_path, key, value):
    """Whatever took the place of a part of it; an empty list of specimens is a whole record of no field."""
    record[key] = value
    for read in (study_from_record, outcomes_from_record):
        if (key, value) in (("specimens", []), ("specimens", {})) or (key == "study" and read is outcomes_from_record):
            continue
        with pytest.raises(InputError, match=r"run\.json: is not a whole record of a run; run the study again"):
            read(record, tmp_path)


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


def test_a_changed_or_lost_output_is_named(tmp_path):
    """Tables of the study and files of its fields."""
    for name in ("fields.csv", "f.tif"):
        (tmp_path / name).write_text(name)
    hashes = {name: results.hash_of_file(tmp_path / name) for name in ("fields.csv", "f.tif")}
    fields = [{"outputs": {"f.tif": hashes["f.tif"], "lost.png": "0" * 64}}]
    record = {"outputs": {"fields.csv": hashes["fields.csv"]}, "specimens": [{"fields": fields}]}
    assert [Path(line.split(":")[0]).name for line in changed_outputs(record, tmp_path)] == ["lost.png"]
    (tmp_path / "fields.csv").write_text("other")
    assert len(changed_outputs(record, tmp_path)) == 2


def test_another_library_is_a_remark(record):
    """It can change a number without being wrong."""
    assert changed_versions(record) == []
    record["versions"]["numpy"] = "1.0"
    del record["versions"]["scipy"]
    said = changed_versions(record)
    assert said[0].startswith("numpy: 1.0 then, ")
    assert said[1].startswith("scipy: unknown then, ")


def test_files_of_a_field_that_left_the_study_are_removed(tmp_path):
    """Labels, outlines and tables; the joined tables keep their headers."""
    for name in ("parts/old/run.json", "labels/old.tif", "outlines/old.png", "labels/other.txt"):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_text("x")
    gather((), tmp_path)
    left = {p.relative_to(tmp_path).as_posix() for p in tmp_path.rglob("*") if p.is_file()}
    assert left == {"labels/other.txt", "fields.csv", "particles.csv", "profiles.csv"}
    assert (tmp_path / "fields.csv").read_text().startswith("specimen,field,")
