"""Each unusable picture gets one line and the rest goes on; unusable arguments stop before anything is measured."""

import subprocess
import sys

import cv2
import numpy as np
import pytest
import tifffile

from micro.run import run_study
from micro.study import read_study


def micro(*arguments, cwd):
    return subprocess.run(
        [sys.executable, "-m", "micro", *map(str, arguments)], cwd=cwd, capture_output=True, text=True, check=False
    )


@pytest.fixture
def bad(tmp_path, study_folder):
    """One good picture and every kind of bad one that a day at the microscope brings."""
    good = cv2.imread(str(study_folder / "a1.png"), cv2.IMREAD_GRAYSCALE)
    cv2.imwrite(str(tmp_path / "good.png"), good)
    (tmp_path / "empty.tif").touch()
    (tmp_path / "text.tif").write_text("Dear reader,")
    tifffile.imwrite(tmp_path / "whole.tif", good)
    (tmp_path / "cut.tif").write_bytes((tmp_path / "whole.tif").read_bytes()[: good.size // 2])
    (tmp_path / "whole.tif").unlink()
    cv2.imwrite(str(tmp_path / "black.png"), np.zeros_like(good))
    cv2.imwrite(str(tmp_path / "constant.png"), np.full_like(good, 90))
    cv2.imwrite(str(tmp_path / "one.png"), np.zeros((1, 1), np.uint8))
    holed = good.astype(np.float32)
    holed[5, 5] = np.nan
    tifffile.imwrite(tmp_path / "nan.tif", holed)
    tifffile.imwrite(tmp_path / "stack.tif", np.stack([good] * 4), photometric="minisblack")
    return tmp_path


def test_bad_pictures_get_one_line_each(bad):
    """Every bad picture is named with what is wrong and what to do; the good one is measured; the status is 1."""
    pictures = sorted(p.name for p in bad.iterdir())
    done = micro(
        "measure", *pictures, "missing.png", "--um-per-px", "0.2", "--rolling-deg", "0", "--out", "out", cwd=bad
    )
    assert done.returncode == 1
    assert "Traceback" not in done.stderr
    for name in [*pictures, "missing.png"]:
        lines = [line for line in done.stderr.splitlines() if line.startswith(f"{name}: ")]
        assert len(lines) == (name != "good.png"), (name, lines)
        assert all(";" in line for line in lines)
    assert f"1 of {len(pictures) + 1} fields measured" in done.stdout


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["a1.png"], "has no scale"),
        (["a1.png", "--um-per-px", "-1"], "not a size from 1e-05 to 50"),
        (["a1.png", "--um-per-px", "nan"], "not a size from 1e-05 to 50"),
        (["a1.png", "--um-per-px", "0.2", "--calibration", "x.toml"], "one of the two"),
        (["a1.png", "--calibration", "missing.toml"], "there is no such file"),
    ],
)
def test_scale_troubles_are_said(study_folder, tmp_path, arguments, said):
    """No scale, a negative one, two at once or a missing file: one line, and no number without a scale."""
    done = micro("measure", *arguments, "--out", tmp_path / "out", cwd=study_folder)
    assert done.returncode in (1, 2)
    assert said in done.stderr
    assert "Traceback" not in done.stderr


def test_two_pictures_of_one_name_are_both_kept(study_folder, tmp_path):
    """The second gets a name of its own, and a line says so."""
    for place in ("x", "y"):
        (tmp_path / place).mkdir()
        (tmp_path / place / "f.png").write_bytes((study_folder / f"a{'xy'.index(place) + 1}.png").read_bytes())
    done = micro("measure", "x/f.png", "y/f.png", "--um-per-px", "0.2", "--out", "out", cwd=tmp_path)
    assert done.returncode == 0
    assert "it is called f-2" in done.stderr
    assert {p.name for p in (tmp_path / "out" / "outlines").iterdir()} == {"f.png", "f-2.png"}


def test_another_studys_folder_is_left_alone(study_folder, tmp_path):
    """A results folder belongs to one study; another is refused with status 2."""
    run_study(read_study(study_folder / "study.toml"), tmp_path, 1, lambda outcome: None)
    before = (tmp_path / "fields.csv").read_bytes()
    done = micro("measure", "a1.png", "--um-per-px", "0.2", "--out", tmp_path, cwd=study_folder)
    assert done.returncode == 2
    assert "holds the results of another study" in done.stderr
    assert (tmp_path / "fields.csv").read_bytes() == before


def test_verify_finds_what_changed(study_folder, tmp_path):
    """A finished run verifies; a changed table, or a changed picture, is named."""
    for picture in study_folder.glob("*.png"):
        (tmp_path / picture.name).write_bytes(picture.read_bytes())
    (tmp_path / "study.toml").write_bytes((study_folder / "study.toml").read_bytes())
    out = tmp_path / "out"
    run_study(read_study(tmp_path / "study.toml"), out, 1, lambda outcome: None)
    assert micro("verify", out, cwd=tmp_path).returncode == 0
    (tmp_path / "a1.png").write_bytes((tmp_path / "a2.png").read_bytes())
    (out / "specimens.csv").write_text("tampered\n")
    done = micro("verify", out, cwd=tmp_path)
    assert done.returncode == 1
    assert "specimens.csv" in done.stdout + done.stderr
    assert "a1.png" in done.stdout + done.stderr
