"""A folder that the program writes: one origin, one run at a time, nothing left of a run that was killed."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

from micro import owned, results
from micro.errors import UsageError
from micro.owned import Origin, claimed


@pytest.fixture
def study(tmp_path):
    """Give the origin of a study file, and a folder for its results."""
    (tmp_path / "study.toml").write_text("title = 'a'")
    return Origin("study", (tmp_path / "study.toml",)), tmp_path / "out"


def test_two_studies_do_not_share_a_folder(study, tmp_path):
    one, out = study
    (tmp_path / "b.toml").write_text("title = 'a'")
    with claimed(out, one):
        pass
    with pytest.raises(UsageError, match=r"holds the results of other work \(study .*study.toml\)"), \
         claimed(out, Origin("study", (tmp_path / "b.toml",))):  # fmt: skip
        pass
    with claimed(out, one):
        pass


def test_results_of_unknown_origin_are_not_overwritten(study):
    origin, out = study
    out.mkdir()
    (out / "particles.csv").write_text("precious")
    with pytest.raises(UsageError, match=r"no results folder and holds files \(particles.csv\)"), claimed(out, origin):
        pass
    assert (out / "particles.csv").read_text() == "precious"
    assert [path.name for path in out.iterdir()] == ["particles.csv"]


def test_two_runs_at_once_are_refused(study):
    """The second process is told so in one line; the lock goes with the process that held it."""
    origin, out = study
    code = f"""
from pathlib import Path
from micro.errors import UsageError
from micro.owned import Origin, claimed
try:
    with claimed(Path({str(out)!r}), Origin("study", (Path({str(origin.sources[0])!r}),))):
        print("in")
except UsageError as trouble:
    print(trouble)
"""
    run = [sys.executable, "-c", code]
    with claimed(out, origin):
        second = subprocess.run(run, capture_output=True, text=True, check=True)
    assert "another run is writing here" in second.stdout
    assert subprocess.run(run, capture_output=True, text=True, check=True).stdout == "in\n"


def test_unfinished_files_of_a_killed_run_are_swept(study):
    """Wherever the program writes, and only files with the names that it gives to what is not yet whole."""
    origin, out = study
    names = ("a.csv", "labels/a.tif", "figures/points/01.png", "parts/x/run.json")
    with claimed(out, origin, names):
        for name in names:
            (out / name).parent.mkdir(parents=True, exist_ok=True)
            (out / name).write_text("whole")
    for name in names:
        (out / name).with_name(results.TEMPORARY + "abcd_123").write_text("half")
        (out / name).with_name(results.TEMPORARY + "thesis.doc").write_text("mine")
    with claimed(out, origin, names):
        assert list(out.rglob(results.TEMPORARY + "abcd_123")) == []
    assert len(list(out.rglob(results.TEMPORARY + "thesis.doc"))) == len(names)


def test_a_run_killed_at_its_start_leaves_an_empty_folder(study):
    """A lock and a half written marker are no files of somebody else."""
    origin, out = study
    out.mkdir()
    (out / results.LOCK).touch()
    (out / (results.TEMPORARY + "abcd1234")).write_text("{")
    with claimed(out, origin):
        pass
    assert {path.name for path in out.iterdir()} == {results.LOCK, results.OWNER, owned.MANIFEST}


def test_a_list_cut_off_in_the_middle_is_read(study):
    """The last name of a manifest without its line end was not yet promised."""
    origin, out = study
    with claimed(out, origin, ["a.csv"]):
        (out / "a.csv").touch()
    with (out / owned.MANIFEST).open("a") as stream:
        stream.write("own notes")
    (out / "notes").touch()
    with claimed(out, origin):
        pass
    assert (out / "notes").exists()
    assert not (out / "a.csv").exists()


@pytest.mark.parametrize(
    "content", ["", "[1]", "{", json.dumps({"results": 1}), json.dumps({"program": "micro", "format": 1, "kind": "x"})]
)
def test_a_damaged_marker_is_one_line(study, content):
    origin, out = study
    out.mkdir()
    (out / results.OWNER).write_text(content)
    with pytest.raises(UsageError, match="is damaged, or not of this program"), claimed(out, origin):
        pass
    assert (out / results.OWNER).read_text() == content


def test_a_folder_of_a_later_version_is_left(study):
    origin, out = study
    with claimed(out, origin):
        pass
    marker = json.loads((out / results.OWNER).read_text())
    results.write_json(out / results.OWNER, marker | {"format": owned.FORMAT + 1})
    with pytest.raises(UsageError, match="written by a later version"), claimed(out, origin):
        pass


@pytest.mark.parametrize("place", [results.LABELS, results.OUTLINES, results.PARTS, f"{results.PARTS}/a1"])
def test_a_link_out_of_the_results_folder_is_refused(study, tmp_path, place):
    """A results folder from somebody else may hold links: nothing is written through them."""
    origin, out = study
    with claimed(out, origin):
        pass
    (tmp_path / "elsewhere").mkdir()
    link = out / place
    link.parent.mkdir(parents=True, exist_ok=True)
    link.symlink_to(tmp_path / "elsewhere", target_is_directory=True)
    with pytest.raises(UsageError, match="leads out of the results folder"), claimed(out, origin):
        pass
    assert not list((tmp_path / "elsewhere").iterdir())


def test_a_refused_run_leaves_no_folder(tmp_path):
    """What is refused before it begins makes nothing."""
    (tmp_path / "a").write_text("file")
    with pytest.raises(UsageError), claimed(tmp_path / "a" / "out", Origin("study", (tmp_path / "a",))):
        pass
    assert [path.name for path in Path(tmp_path).iterdir()] == ["a"]
