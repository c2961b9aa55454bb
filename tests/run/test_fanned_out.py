"""Studies of more than a thousand fields: their files lie in sub-folders, and all else is as in a short study."""

import json
import shutil

import pandas as pd
import pytest

from micro import results
from micro.errors import InputError, UsageError
from micro.report.record import read_run
from micro.run.study import run_study
from micro.study.model import fan_of, is_stem
from micro.study.reader import read_study

FANNED = ("labels/*/*.tif", "outlines/*/*.png", "parts/*/*/particles.csv")


def run(folder, out):
    return run_study(read_study(folder / "study.toml"), out, 1, lambda outcome: None)


pytestmark = pytest.mark.usefixtures("without_pages")


@pytest.fixture(scope="module")
def fanned_once(study_folder, tmp_path_factory):
    """Give the small study, measured as if its six fields were more than fit into one folder; only to be read."""
    out = tmp_path_factory.mktemp("fanned")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("micro.study.model.MOST_IN_FOLDER", 5)
        patch.setattr("micro.run.study.write_pages", lambda *given: None)
        run(study_folder, out)
    return out


@pytest.fixture
def fanned(fanned_once, tmp_path, monkeypatch):
    """Give a copy of it that a test may change."""
    monkeypatch.setattr("micro.study.model.MOST_IN_FOLDER", 5)
    return shutil.copytree(fanned_once, tmp_path / "out")


def test_the_tables_are_those_of_a_short_study(fanned, finished):
    """Only the names of the pictures differ, in the column `file`: the sub-folder stands before them."""
    for name in (results.PARTICLES, results.SPECIMENS, results.PROFILES):
        assert (fanned / name).read_bytes() == (finished / name).read_bytes()
    long, short = (pd.read_csv(folder / results.FIELDS) for folder in (fanned, finished))
    assert long.pop("file").str.split("/").str[1].tolist() == short.pop("file").tolist()
    pd.testing.assert_frame_equal(long, short)
    assert [len(list(fanned.glob(pattern))) for pattern in FANNED] == [6] * 3
    assert not list(fanned.glob("labels/*.tif"))


def test_the_sub_folder_does_not_depend_on_the_other_fields():
    """A study may grow without its fields being measured again: the folder follows from the name alone."""
    assert fan_of("a1") == "f5"  # the first figures of `printf a1 | sha256sum`
    assert is_stem("a1") and is_stem("f5/a1")
    assert not any(map(is_stem, ("../a1", "f5/../a1", "00/a1", "f5/", "/a1", "a:1", "f5/a/1")))


def test_it_is_taken_up_again_and_lost_files_are_found(fanned, study_folder):
    """Nothing is measured twice but what was damaged."""
    (lost,) = fanned.glob("labels/*/a1.tif")
    lost.write_bytes(b"damaged")
    again = run(study_folder, fanned)
    assert [o.field for o in again.outcomes if not o.reused] == ["a1"]
    assert len(read_run(fanned).outcomes) == 6


def test_a_study_that_outgrows_one_folder_leaves_none_of_the_old_files(study_folder, results_folder, monkeypatch):
    """Its files move; none stays behind under the old names."""
    monkeypatch.setattr("micro.study.model.MOST_IN_FOLDER", 5)
    run(study_folder, results_folder)
    assert not list(results_folder.glob("labels/*.tif")) and not list(results_folder.glob("parts/a1"))
    assert [len(list(results_folder.glob(pattern))) for pattern in FANNED] == [6] * 3


def test_a_sub_folder_that_leads_elsewhere_is_refused(fanned, study_folder, tmp_path):
    """A link in the place of a sub-folder would have the run write over files outside."""
    (sub,) = (path.parent for path in fanned.glob("labels/*/a1.tif"))
    sub.rename(tmp_path / "elsewhere")
    sub.symlink_to(tmp_path / "elsewhere")
    with pytest.raises(UsageError, match="leads out of the results folder"):
        run(study_folder, fanned)


def test_a_record_whose_names_lead_out_is_refused(fanned):
    """Names of files in a record are names that a study gives, sub-folder and all."""
    path = fanned / results.RECORD
    record = json.loads(path.read_text())
    for entry in (record["study"]["specimens"][0]["fields"][0], record["outcomes"][0]):
        entry["stem"] = "../a1"
    path.write_text(json.dumps(record))
    with pytest.raises(InputError):
        read_run(fanned)
