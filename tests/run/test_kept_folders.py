"""Results folders of released versions: read as they are, or refused with what brings them up."""

import shutil
from pathlib import Path

import pytest

from micro import results

KEPT = sorted(path for path in (Path(__file__).parent / "kept").iterdir() if path.is_dir())
"""Each as its version left it, by its number, without report and figures; the places in its records are invented."""
COMMANDS = ("compare", "plan", "points sheet", "verify")


@pytest.fixture(params=KEPT, ids=lambda path: path.name)
def kept(request, tmp_path):
    return shutil.copytree(request.param, tmp_path / "results")


@pytest.mark.parametrize("command", COMMANDS)
def test_a_folder_of_an_earlier_version_is_read_or_brought_up(kept, run_micro, tmp_path, monkeypatch, command):
    """Every command ends with an answer, or with a line that says to run the study again; nothing in it changes."""
    monkeypatch.chdir(tmp_path)
    before = {path: path.read_bytes() for path in kept.rglob("*") if path.is_file()}
    status, said, troubles = run_micro(*command.split(), kept)
    if command == "verify":
        assert status == 1  # its pictures are not here, or what it says of a field has no longer all its values
        assert "run the study again" in troubles
    elif command == "points sheet":
        assert "there is no such file" in troubles or "run the study again" in troubles
    else:
        assert (status == 0 and said) or "run the study again" in troubles
    assert {path: path.read_bytes() for path in kept.rglob("*") if path.is_file()} == before


def test_a_folder_of_a_version_without_a_marker_is_not_run_into(kept, run_micro, tmp_path):
    """Files that no manifest lists are somebody's own: the run is refused with what to do, and nothing is changed."""
    (kept / results.OWNER).write_text('{"results_of": "study file study.toml"}')
    (tmp_path / "study.toml").write_text('um_per_px = 0.2\n[[specimen]]\nname = "A"\nimages = ["a.png"]\n')
    (tmp_path / "a.png").write_bytes(b"")
    status, _, said = run_micro("run", tmp_path / "study.toml", "--out", kept)
    assert status == 2
    assert "holds the results of an earlier version of the program" in said
    assert "run the study again with another --out" in said
