"""A results folder that somebody changed by hand costs the commands that read it one line, and nothing is written."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from small_pictures import png

from micro import results
from micro.errors import InputError
from micro.run.study import count_again, run_study
from micro.run.verify import verify
from micro.segmentation.segmentation import SegmentationSettings
from micro.study.model import Specimen, study_of_images

FIELD = ("study", "specimens", 0, "fields", 0)
TALLY = """\
sheet,specimen,field,image_sha256,grid_points,point,x_px,y_px,verdict,carbide_class,counter
s,A,a1,{sha256},2,1,10.5,30.5,in,,me
s,A,a1,{sha256},2,2,40.5,30.5,out,,me
"""


@pytest.fixture(scope="module")
def finished(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give a small finished run, with a tally beside it."""
    folder = tmp_path_factory.mktemp("finished")
    (folder / "a1.png").write_bytes(png())
    specimen = Specimen("A", (), um_per_px=0.2, rolling_deg=0.0)
    study = study_of_images([folder / "a1.png"], specimen, SegmentationSettings(carbides="bright"))
    run_study(study, folder / "out", 1, lambda outcome: None)
    (folder / "t.csv").write_text(TALLY.format(sha256=results.hash_of_file(folder / "a1.png")))
    return folder


@pytest.fixture
def changed(finished: Path):
    """Give a way to change a file of the run, and put it back afterwards."""
    kept: dict[Path, bytes] = {}

    def change(name: str, content: bytes) -> Path:
        path = finished / "out" / name
        kept[path] = path.read_bytes()
        path.write_bytes(content)
        return finished

    yield change
    for path, content in kept.items():
        path.write_bytes(content)


@pytest.mark.parametrize("name", [results.PARTICLES, results.FIELDS, results.PROFILES])
def test_a_count_is_set_against_the_tables_of_the_run_only(finished: Path, changed, name: str) -> None:
    """A changed number in a table of the fields is found by its hash before anything is written."""
    text = (finished / "out" / name).read_bytes()
    folder = changed(name, text.replace(b"1", b"2", 3))
    before = (folder / "out" / results.SPECIMENS).read_bytes()
    with pytest.raises(InputError, match=f"{name}: is not as the run left it; run the study again"):
        count_again(folder / "out", [folder / "t.csv"], 10.0)
    assert (folder / "out" / results.SPECIMENS).read_bytes() == before


READ = {
    "compare": (results.PARTICLES, results.FIELDS, results.RECORD),
    "plan": (results.PARTICLES, results.FIELDS, results.PROFILES, results.SPECIMENS, results.RECORD),
    "points compare": (
        results.PARTICLES, results.FIELDS, results.PROFILES, results.SPECIMENS, results.RECORD, "labels/a1.tif",
    ),
    "points sheet": (results.RECORD,),
}  # fmt: skip


@pytest.mark.parametrize(("command", "name"), [(command, name) for command in READ for name in READ[command]])
def test_every_reader_sees_an_edited_file(changed, finished: Path, run_micro, command: str, name: str) -> None:
    """A digit changed by hand in a file that a command reads, as a spreadsheet would: one line names it."""
    content = bytearray((finished / "out" / name).read_bytes())
    digit = next(i for i in range(len(content) * 3 // 4, 0, -1) if chr(content[i]).isdigit())
    content[digit] = ord("3") if content[digit] != ord("3") else ord("4")
    folder = changed(name, bytes(content))
    tally = (folder / "t.csv",) if command == "points compare" else ()
    status, _, said = run_micro(*command.split(), *tally, folder / "out")
    assert status in (1, 2)  # 2 where no specimen is left to compare
    assert [line for line in said.splitlines() if f"{name}: is not as the run left it; run the study again" in line]


@pytest.mark.parametrize("command", READ)
def test_no_reader_takes_a_folder_that_is_half_measured(finished: Path, changed, run_micro, command: str) -> None:
    """A run that was killed leaves new files beside old tables: the folder says so, and no command reads it."""
    marker = json.loads((finished / "out" / results.OWNER).read_text())
    folder = changed(results.OWNER, json.dumps(marker | {"finished": False}).encode())
    tally = (folder / "t.csv",) if command == "points compare" else ()
    status, _, said = run_micro(*command.split(), *tally, folder / "out")
    assert status in (1, 2)
    assert "a run in this folder has not ended" in said


def test_a_folder_is_marked_before_its_first_file_changes(finished: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing is written or removed in a finished folder before its marker says that a run has begun."""
    seen: list[bool] = []

    def measuring(*_: object) -> None:
        seen.append(json.loads((finished / "out" / results.OWNER).read_text())["finished"])
        raise RuntimeError("killed")

    before = {p: p.read_bytes() for p in (finished / "out").rglob("*") if p.is_file()}
    monkeypatch.setattr("micro.run.study.measure_study", measuring)
    specimen = Specimen("A", (), um_per_px=0.2, rolling_deg=0.0)
    study = study_of_images([finished / "a1.png"], specimen, SegmentationSettings(carbides="bright"))
    with pytest.raises(RuntimeError):
        run_study(study, finished / "out", 1, lambda outcome: None)
    assert seen == [False]
    own = {results.OWNER, "manifest.txt", results.LOCK}
    assert {p.name for p, content in before.items() if p.read_bytes() != content} <= own
    for path, content in before.items():
        path.write_bytes(content)


@pytest.mark.parametrize("content", [b"", b"II*\0", b"no picture", b"II*\0\x08\0\0\0" + bytes(200)])
def test_damaged_labels_are_named(changed, content: bytes) -> None:
    """Whatever a decoder says of the label picture, the user reads one line."""
    folder = changed("labels/a1.tif", content)
    with pytest.raises(
        InputError, match=r"a1\.tif: is (missing or damaged|not a label picture|not as the run left it)"
    ):
        count_again(folder / "out", [folder / "t.csv"], 10.0)


@pytest.mark.parametrize(
    ("place", "value"),
    [
        ((*FIELD, "stem"), "../../a1"),
        ((*FIELD, "settings", "matrix_grey"), {"a": 1}),
        ((*FIELD, "settings", "carbides"), "green"),
        ((*FIELD, "settings", "min_area_px"), -1),
        ((*FIELD, "page"), 0),
        ((*FIELD, "name"), "a2"),
        (("outcomes", 0, "stem"), "../../a1"),
        (("outcomes",), []),
        (("study", "specimens", 0, "fields"), 3),
        (("study", "specimens"), None),
        (("study",), []),
    ],
)
def test_a_damaged_record_is_refused(finished: Path, changed, place: tuple, value: object) -> None:
    """What run.json says is checked as a study file is: names of files, kinds of numbers, words."""
    record = json.loads((finished / "out" / results.RECORD).read_text())
    target = record
    for key in place[:-1]:
        target = target[key]
    target[place[-1]] = value
    folder = changed(results.RECORD, json.dumps(record).encode())
    with pytest.raises(InputError, match=r"run\.json: is not a whole record of a run"):
        verify(folder / "out", 1, lambda outcome: None)
