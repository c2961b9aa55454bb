"""Pictures that lie at an address, and on no disk of this machine: the same numbers, and nothing is reached unasked."""

import fsspec
import pandas as pd
import pytest

from micro import results
from micro.address import Address, is_address, leads_elsewhere, matching, place_of

STUDY = """
um_per_px = 0.2
carbides = "bright"

[[specimen]]
name = "A"
rolling_deg = 0
images = [{images}]
"""
pytestmark = pytest.mark.usefixtures("without_pages")


@pytest.fixture
def store(study_folder):
    """Give a place in memory that holds two pictures and a text; the scheme of it is fsspec's own."""
    place = fsspec.filesystem("memory")
    for name in ("a1.png", "a2.png"):
        place.pipe(f"/store/bar/{name}", (study_folder / name).read_bytes())
    place.pipe("/store/bar/notes.txt", b"polished on Monday")
    yield "memory://store/bar"
    place.rm("/store", recursive=True)


def written(folder, *images):
    folder.mkdir()
    (folder / "study.toml").write_text(STUDY.format(images=", ".join(f'"{image}"' for image in images)))
    return folder / "study.toml"


def test_the_numbers_are_those_of_the_files(store, study_folder, tmp_path, run_micro, monkeypatch):
    """To the byte; a second run takes all of them up again, and verify fetches them once more."""
    monkeypatch.setattr("micro.run.verify.write_pages", lambda *given: None)
    here = tmp_path / "here"
    study = written(here, "*.png")
    for name in ("a1.png", "a2.png"):
        (here / name).write_bytes((study_folder / name).read_bytes())
    there = written(tmp_path / "there", f"{store}/*.png")
    run = ("run", there, "--out", tmp_path / "far", "--workers", 1, "--allow", store)
    assert run_micro("run", study, "--out", tmp_path / "near", "--workers", 1)[0] == run_micro(*run)[0] == 0
    for name in (results.PARTICLES, results.SPECIMENS):
        assert (tmp_path / "far" / name).read_bytes() == (tmp_path / "near" / name).read_bytes()
    shown = pd.read_csv(tmp_path / "far" / results.FIELDS)["image"].unique().tolist()
    assert shown == [f"{store}/a1.png", f"{store}/a2.png"]
    labels = tmp_path / "far" / "labels" / "a1.tif"
    before = labels.stat().st_mtime_ns
    assert run_micro(*run)[0] == 0
    assert labels.stat().st_mtime_ns == before
    assert run_micro("verify", tmp_path / "far", "--workers", 1)[0] == 0


def test_a_changed_picture_is_measured_again(store, study_folder, tmp_path, run_micro):
    study = written(tmp_path / "there", f"{store}/a1.png")
    run = ("run", study, "--out", tmp_path / "out", "--workers", 1, "--allow", store)
    assert run_micro(*run)[0] == 0
    first = (tmp_path / "out" / results.PARTICLES).read_bytes()
    fsspec.filesystem("memory").pipe("/store/bar/a1.png", (study_folder / "a2.png").read_bytes())
    assert run_micro(*run)[0] == 0
    assert (tmp_path / "out" / results.PARTICLES).read_bytes() != first


def test_two_processes_fetch_for_themselves(study_folder, tmp_path, run_micro):
    study = written(tmp_path / "there", f"file://{study_folder}/a1.png", f"file://{study_folder}/a2.png")
    allowed = ("--allow", f"file://{study_folder}")
    for workers in (1, 2):
        assert run_micro("run", study, "--out", tmp_path / f"o{workers}", "--workers", workers, *allowed)[0] == 0
    one, two = ((tmp_path / f"o{workers}" / results.PARTICLES).read_bytes() for workers in (1, 2))
    assert one == two


@pytest.mark.parametrize("image", ["memory://store/bar/a1.png", "memory://store/barn/a1.png"])
def test_a_study_reaches_no_address_by_itself(image, store, tmp_path, run_micro):
    """A study file from somebody else shall make this machine ask nobody: the command line names what it may reach."""
    study = written(tmp_path / "there", image)
    allowed = () if image.startswith(f"{store}/") else ("--allow", store)
    status, _, said = run_micro("run", study, "--out", tmp_path / "out", *allowed)
    assert status == 2
    assert f"{image!r} is an address that was not allowed; give its beginning by --allow" in said


@pytest.mark.parametrize(
    "text",
    [
        "s3://bucket/bar/../secret.tif",
        "s3://bucket/bar/%2e%2E/secret.tif",
        "s3://bucket/bar/%2e%2e%2fsecret.tif",
        r"file:///c/bar\..\secret.tif",
        "zip://f.tif::s3://bucket/bar/a.zip",
    ],
)
def test_no_address_leads_out_of_the_place_it_begins_with(text):
    assert leads_elsewhere(text)
    assert not leads_elsewhere(text.replace("..", "b").replace("%2e%2E", "b").replace("%2e%2e", "b").replace("::", ":"))


def test_a_picture_that_is_not_there_costs_its_field_alone(store, tmp_path, run_micro):
    study = written(tmp_path / "there", f"{store}/a1.png", f"{store}/a9.png", f"{store}/notes.txt")
    status, _, said = run_micro("run", study, "--out", tmp_path / "out", "--workers", 1, "--allow", store)
    assert status == 1
    assert f"{store}/a9.png: there is no such file" in said
    assert f"{store}/notes.txt: is text" in said
    assert pd.read_csv(tmp_path / "out" / results.FIELDS)["field"].unique().tolist() == ["a1"]


@pytest.mark.parametrize("images", ["nowhere://bucket/*.tif", "nowhere://bucket/a.tif"])
def test_a_scheme_that_nothing_speaks_is_said(images, tmp_path, run_micro):
    study = written(tmp_path / "there", images)
    status, _, said = run_micro("run", study, "--out", tmp_path / "out", "--workers", 1, "--allow", "nowhere://bucket")
    assert status == (2 if "*" in images else 1)
    assert "protocol not known" in said.lower()
    assert "Traceback" not in said


def test_what_is_too_large_is_not_fetched(store, monkeypatch):
    address = Address(f"{store}/a1.png")
    monkeypatch.setattr("micro.address.MOST_BYTES", len(address.fetched()) - 1)
    with pytest.raises(OSError, match="is larger than"):
        address.fetched()


def test_what_signs_an_address_stands_in_no_table(study_folder, tmp_path, run_micro):
    fsspec.filesystem("memory").pipe("/signed/a1.png?key=secret", (study_folder / "a1.png").read_bytes())
    study = written(tmp_path / "there", "memory://signed/a1.png?key=secret")
    run_micro("run", study, "--out", tmp_path / "out", "--workers", 1, "--allow", "memory://signed")
    tables = list((tmp_path / "out").glob("*.csv"))
    assert len(tables) > 3
    assert [table.name for table in tables if b"secret" in table.read_bytes()] == []


def test_patterns_and_parts_of_an_address(store):
    """By the parts of a URI, RFC 3986: what follows the question mark is no part of the path."""
    assert [one.name for one in matching(Address(f"{store}/*"))] == ["a1.png", "a2.png", "notes.txt"]
    signed = Address("https://host/bar/a1.TIF?key=x/y.png")
    assert (signed.name, signed.stem, signed.suffix) == ("a1.TIF", "a1", ".TIF")
    assert signed.parent == "https://host/bar"
    assert [is_address(text) for text in ("s3://a", "C:/a", r"C:\a", "a/b.tif", "c://a")] == [True] + 4 * [False]
    assert isinstance(place_of("s3://a/b.tif"), Address)
    assert not isinstance(place_of("b.tif"), Address)
