"""A user's own files are never replaced or removed, whatever is given as --out, and whoever wrote there before."""

from __future__ import annotations

import hashlib
import json
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import cv2
import numpy as np
import pytest
from invented_rulings import BRIGHT_FIELD, Micrometer, photograph_micrometer
from small_pictures import png

from micro import owned, results

Run = Callable[..., tuple[int, str, str]]
STUDY = 'title = "t"\num_per_px = 0.2\ncarbides = "bright"\n[[specimen]]\nname = "A"\nrolling_deg = 0\nimages = [{}]\n'
COUPONS = "specimen,coupon,direction,toughness_J\n" + "".join(
    f"A,{n},{'LT'[n % 2]},{30 - 5 * (n % 2) + n}\n" for n in range(8)
)


def draw(path: Path, seed: int = 1) -> Path:
    """Draw a small invented field."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(png(seed))
    return path


def snapshot(folder: Path) -> dict[str, str]:
    """Hash every file below a folder; a link is what it points to."""
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Give a working folder with a study, its pictures in unlucky places, coupons, and a filled results folder."""
    for place in ("a.png", "parts/b/c.png", "outlines/d.png", "labels/a.png", "print/001.png", "figures/x.png"):
        draw(tmp_path / place)
    (tmp_path / "study.toml").write_text(STUDY.format('"a.png", "parts/b/c.png", "outlines/d.png"'))
    (tmp_path / "coupons.csv").write_text(COUPONS)
    (tmp_path / "form.csv").write_text("mine")
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.mark.parametrize(
    "arguments",
    [
        ("run", "study.toml", "--out", "."),
        ("run", "study.toml", "--out", "parts"),
        ("run", "study.toml", "--out", "outlines/../."),
        ("measure", "a.png", "--um-per-px", "0.2", "--out", "."),
        ("calibrate", "ruling.png", "--pitch-um", "10", "--out", "ruling.png"),
        ("calibrate", "ruling.png", "--pitch-um", "10", "--out", "form.csv"),
        ("calibrate", "ruling.png", "--pitch-um", "10", "--out", "linked.png"),
        ("coupons", "coupons.csv", "--out", "."),
        ("points", "sheet", "a.png", "--points", "9", "--out", "."),
        ("points", "sheet", "study.toml", "--points", "9", "--out", "print/.."),
        ("phantom", "--size", "64", "64", "--fields", "1", "--out", "."),
    ],
    ids=" ".join,
)
def test_a_folder_or_file_of_the_user_is_refused(here: Path, run_micro: Run, arguments: tuple[str, ...]) -> None:
    """Every command that writes: one line, status 2, and not a byte of what stood there is another."""
    ruling = photograph_micrometer(Micrometer(0.4), (200, 260), BRIGHT_FIELD, np.random.default_rng(1))
    cv2.imwrite("ruling.png", ruling.astype(np.uint8))
    Path("linked.png").symlink_to("ruling.png")
    before = snapshot(here)
    status, _, said = run_micro(*arguments)
    assert snapshot(here) == before
    assert status == 2
    lines = [line for line in said.splitlines() if not line.startswith("measuring")]
    assert len(lines) == 1, said
    assert "; " in lines[0]


@pytest.fixture(scope="module")
def finished(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give a small study that was run into `out`."""
    from micro.run.study import run_study
    from micro.study.reader import read_study

    folder = tmp_path_factory.mktemp("finished")
    draw(folder / "a.png")
    draw(folder / "b.png", 2)
    (folder / "study.toml").write_text(STUDY.format('"a.png", "b.png"'))
    run_study(read_study(folder / "study.toml"), folder / "out", 1, lambda outcome: None)
    return folder


@pytest.fixture
def study(finished: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """Give the study and its results in a working folder of their own."""
    work = tmp_path / "work"
    shutil.copytree(finished, work)
    marker = json.loads((work / "out" / results.OWNER).read_text())
    marker["sources"][0]["path"] = str((work / "study.toml").resolve())
    results.write_json(work / "out" / results.OWNER, marker)
    monkeypatch.chdir(work)
    yield work


RUN = ("run", "study.toml", "--workers", "1", "--out", "out")


def test_every_file_of_a_run_is_on_its_manifest(study: Path) -> None:
    """And nothing else is: what is not listed would be taken for somebody else's by the next run."""
    there = {path.relative_to("out").as_posix() for path in Path("out").rglob("*") if path.is_file()}
    assert set(owned.listed(Path("out"))) == there - {results.OWNER, results.LOCK, owned.MANIFEST}
    assert all(owned.listed(Path("out")).values())


def test_what_leaves_the_study_is_swept_and_notes_are_left(study: Path, run_micro: Run) -> None:
    """A field taken out of the study goes with all its files; the user's files beside them stay."""
    mine = [
        "out/notes.txt",
        "out/parts/b/notes.txt",
        "out/outlines/mine.png",
        "out/figures/mine.svg",
        "out/tallies/07.csv",
    ]
    for name in mine:
        Path(name).parent.mkdir(exist_ok=True)
        Path(name).write_text("mine")
    left = Path("out/figures/.unfinished-abcd1234")
    left.write_text("half a figure of a run that was killed")
    owned.own(Path("out"), ["figures/points/01.png"])
    Path("out/figures/points").mkdir()
    Path("out/figures/points/01.png").write_text("of a count that is no longer kept")
    Path("study.toml").write_text(STUDY.format('"a.png"'))
    assert run_micro(*RUN)[0] == 0
    assert [Path(name).read_text() for name in mine] == ["mine"] * len(mine)
    assert not left.exists()
    assert not Path("out/figures/points").exists()
    assert not [name for name in results.field_files("b") if Path("out", name).exists()]
    assert not set(results.field_files("b")) & set(owned.listed(Path("out")))


@pytest.mark.parametrize("name", ["coupons.csv", "figures/point_count.svg", "parts/c/run.json", "tallies"])
def test_a_file_in_the_way_is_refused(study: Path, run_micro: Run, name: str) -> None:
    """Also in a results folder of the study itself: the name is wanted, the file is not of the program."""
    draw(Path("c.png"), 3)
    Path("study.toml").write_text(STUDY.format('"a.png", "b.png", "c.png"'))
    Path("out", name).parent.mkdir(exist_ok=True)
    Path("out", name).write_text("mine")
    before = snapshot(Path("out"))
    status, _, said = run_micro(*RUN)
    if name.startswith(("figures", "tallies")):  # this study draws no such figure and keeps no count
        assert status == 0
        assert Path("out", name).read_text() == "mine"
    else:
        assert status == 2
        assert f"{Path('out', name)}: is not of this program and stands in the way; move it" in said
        assert snapshot(Path("out")) == before


def test_a_result_is_no_input(study: Path, run_micro: Run) -> None:
    """A pattern that takes in the outlines of the last run would have them measured and replaced."""
    Path("study.toml").write_text(STUDY.format('"a.png", "b.png", "out/outlines/*.png"'))
    before = snapshot(study)
    status, _, said = run_micro(*RUN)
    assert (status, snapshot(study)) == (2, before)
    assert "out/outlines/a.png: is read, and would be written over in out; choose another --out" in said


def test_a_study_of_the_same_name_is_another(study: Path, run_micro: Run) -> None:
    """The file's place tells one study from another, not its name; a whole copy of the folder stays what it is."""
    (study / "other").mkdir()
    for name in ("a.png", "b.png", "study.toml"):
        shutil.copy(study / name, study / "other" / name)
    before = snapshot(Path("out"))
    status, _, said = run_micro("run", "other/study.toml", "--workers", "1", "--out", "out")
    assert (status, snapshot(Path("out"))) == (2, before)
    assert "out: holds the results of other work (study " in said
    assert "choose another --out, or remove that folder" in said
    shutil.copytree("out", "other/out")
    assert run_micro("run", "other/study.toml", "--workers", "1", "--out", "other/out")[0] == 0


def test_results_moved_beside_another_study_stay(study: Path, run_micro: Run) -> None:
    """At the same place beside a study of the same name, but of other content: not its results."""
    (study / "other").mkdir()
    draw(study / "other" / "a.png", 5)
    (study / "other" / "study.toml").write_text(STUDY.format('"a.png"'))
    shutil.move("out", "other/out")
    before = snapshot(Path("other"))
    assert run_micro("run", "other/study.toml", "--workers", "1", "--out", "other/out")[0] == 2
    assert snapshot(Path("other")) == before


def test_other_pictures_do_not_take_the_place(here: Path, run_micro: Run) -> None:
    """Two quick looks into one folder: more pictures join, other or fewer are refused."""
    draw(here / "d.png", 4)
    measure = ("measure", "--um-per-px", "0.2", "--rolling-deg", "0", "--workers", "1", "--out", "look")
    assert run_micro(*measure, "a.png")[0] == 0
    before = snapshot(here / "look")
    status, _, said = run_micro(*measure, "d.png")
    assert (status, snapshot(here / "look")) == (2, before)
    assert "holds the results of other work (pictures " in said
    assert run_micro(*measure, "a.png", "d.png")[0] == 0
    before = snapshot(here / "look")
    assert run_micro(*measure, "d.png")[0] == 2
    assert run_micro("run", "study.toml", "--workers", "1", "--out", "look")[0] == 2
    assert snapshot(here / "look") == before


def test_a_filled_form_is_kept(here: Path, run_micro: Run) -> None:
    """A sheet is drawn again as long as nobody wrote into its form; then the hours of a person are in it."""
    sheet = ("points", "sheet", "a.png", "--points", "9", "--out", "count")
    assert run_micro(*sheet)[0] == 0
    assert run_micro(*sheet, "--seed", "2")[0] == 0
    form = here / "count" / "form.csv"
    form.write_text(form.read_text().rstrip("\n").removesuffix(",,") + "3,1,me\n")
    before = snapshot(here / "count")
    status, _, said = run_micro(*sheet, "--seed", "3")
    assert status == 2
    assert "form.csv: is filled in, and a new one would take its place" in said
    after = snapshot(here / "count")
    assert {name for name in before if before[name] != after[name]} <= {results.OWNER, owned.MANIFEST}


def test_a_kept_tally_is_no_input(study: Path, run_micro: Run) -> None:
    """A count from the folder's own copy would replace what it reads."""
    row = f"s,A,a,{results.hash_of_file(Path('a.png'))},2"
    head = "sheet,specimen,field,image_sha256,grid_points,point,x_px,y_px,verdict,carbide_class,counter\n"
    Path("t.csv").write_text(f"{head}{row},1,10.5,30.5,in,,me\n{row},2,40.5,30.5,out,,me\n")
    assert run_micro("points", "compare", "t.csv", "out")[0] == 0
    before = snapshot(Path("out"))
    assert run_micro("points", "compare", "out/tallies/01.csv", "out")[0] == 2
    assert snapshot(Path("out")) == before
    assert run_micro(*RUN)[0] == 0
    assert Path("out/tallies/01.csv").read_bytes() == Path("t.csv").read_bytes()


def test_results_of_an_earlier_version_are_refused(study: Path, run_micro: Run) -> None:
    """They have no manifest, so that nobody can tell what in them is the program's."""
    Path("out", owned.MANIFEST).unlink()
    Path("out", results.OWNER).write_text(json.dumps({"results_of": "study file study.toml"}))
    before = snapshot(Path("out"))
    status, _, said = run_micro(*RUN)
    assert (status, snapshot(Path("out"))) == (2, before)
    assert "out: holds the results of an earlier version of the program; run the study again with another --out" in said
    Path("out", results.OWNER).unlink()
    status, _, said = run_micro(*RUN)
    assert status == 2
    assert "out: is no results folder and holds files (" in said


@pytest.mark.parametrize("name", ["../a.png", "/tmp/a.png", "parts/../../a.png", "", "..", "x\\y"])
def test_a_manifest_from_somebody_else_leads_nowhere(study: Path, run_micro: Run, name: str) -> None:
    """What it lists outside of its folder is not removed: it is damaged, and the folder refused."""
    manifest = Path("out", owned.MANIFEST)
    manifest.write_text(f"own {name}\n" + manifest.read_text())
    status, _, said = run_micro(*RUN)
    assert status == 2
    assert "manifest.txt: is damaged" in said
    assert Path("a.png").exists()


def test_a_half_finished_run_is_not_read(study: Path, run_micro: Run) -> None:
    """Readers see by the marker that a run was killed between new fields and old tables."""
    marker = json.loads(Path("out", results.OWNER).read_text())
    results.write_json(Path("out", results.OWNER), marker | {"finished": False})
    for command in (("compare", "out"), ("verify", "out"), ("points", "sheet", "out", "--out", "count")):
        status, _, said = run_micro(*command)
        assert status in (1, 2)
        assert "out: a run in this folder has not ended; run the same command again" in said
    assert run_micro(*RUN)[0] == 0
    assert run_micro("verify", "out", "--workers", "1")[0] == 0
