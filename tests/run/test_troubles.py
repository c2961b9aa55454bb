"""Unusable arguments stop before anything is measured; what was changed after a run is found."""

import pytest

from micro.run.study import run_study
from micro.study.reader import read_study


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
def test_scale_troubles_are_said(study_folder, tmp_path, monkeypatch, run_micro, arguments, said):
    """No scale, a negative one, two at once or a missing file: one line, and no number without a scale."""
    monkeypatch.chdir(study_folder)
    status, _, trouble = run_micro("measure", *arguments, "--workers", 1, "--out", tmp_path / "out")
    assert status in (1, 2)
    assert said in trouble


@pytest.mark.usefixtures("without_pages")
def test_two_pictures_of_one_name_are_both_kept(study_folder, tmp_path, monkeypatch, run_micro):
    """The second gets a name of its own, and a line says so."""
    for place, picture in (("x", "a1.png"), ("y", "a2.png")):
        (tmp_path / place).mkdir()
        (tmp_path / place / "f.png").write_bytes((study_folder / picture).read_bytes())
    monkeypatch.chdir(tmp_path)
    status, _, said = run_micro("measure", "x/f.png", "y/f.png", "--um-per-px", 0.2, "--workers", 1, "--out", "out")
    assert status == 0
    assert "it is called f-2" in said
    assert {p.name for p in (tmp_path / "out" / "outlines").iterdir()} == {"f.png", "f-2.png"}


def test_verify_finds_what_changed(study_folder, tmp_path, run_micro):
    """A changed table, and a changed picture, is named; that a sound run verifies is held beside `verify`."""
    for name in ("a1.png", "b1.png", "study.toml"):
        (tmp_path / name).write_bytes((study_folder / name).read_bytes())
    out = tmp_path / "out"
    run_study(read_study(tmp_path / "study.toml"), out, 1, lambda outcome: None)
    (tmp_path / "a1.png").write_bytes((study_folder / "a2.png").read_bytes())
    (out / "specimens.csv").write_text("tampered\n")
    status, _, said = run_micro("verify", out, "--workers", 1)
    assert status == 1
    assert f"{out / 'specimens.csv'}: is not as the run left it" in said
    assert f"{tmp_path / 'a1.png'}: is not as the run read it" in said
    assert "fields.csv: measured again, it comes out otherwise" in said


@pytest.mark.usefixtures("without_pages")
def test_a_run_with_fewer_fields_than_the_last_says_which(study_folder, tmp_path, run_micro):
    """A picture that is gone from the folder of a pattern would otherwise be missed by nobody."""
    for name in ("a1.png", "a2.png", "b1.png", "study.toml"):
        (tmp_path / name).write_bytes((study_folder / name).read_bytes())
    out = tmp_path / "out"
    study = tmp_path / "study.toml"
    assert "of the last run" not in run_micro("run", study, "--workers", 1, "--out", out)[2]
    (tmp_path / "a2.png").unlink()
    status, _, said = run_micro("run", study, "--workers", 1, "--out", out)
    assert status == 0
    assert f"{out}: 1 field of the last run not in this one: a2" in said
    assert not (out / "labels" / "a2.tif").exists()
    assert "of the last run" not in run_micro("run", study, "--workers", 1, "--out", out)[2]


@pytest.mark.usefixtures("without_pages")
def test_a_bar_named_otherwise_in_the_coupon_file_is_said(study_folder, tmp_path, run_micro):
    """Its toughness would stand in the report beside no structure, and nobody would know why."""
    for name in ("a1.png", "b1.png"):
        (tmp_path / name).write_bytes((study_folder / name).read_bytes())
    bars = "".join(f'[[specimen]]\nname = "{n}"\nimages = ["{n.lower()}1.png"]\n' for n in "AB")
    (tmp_path / "study.toml").write_text(f'um_per_px = 0.2\nrolling_deg = 0\ncoupons = "c.csv"\n{bars}')
    rows = "A,L,20\nA,L,22\nA,T,10\nA,T,12\nbar B,L,30\nbar B,L,33\n"
    (tmp_path / "c.csv").write_text(f"specimen,direction,toughness_J\n{rows}")
    status, _, said = run_micro("run", tmp_path / "study.toml", "--workers", 1, "--out", tmp_path / "out")
    assert status == 1
    assert "c.csv: names bar B, which the study file does not, and no test bars of B; write the same name" in said
