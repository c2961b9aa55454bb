"""A folder is verified only if study and inputs give every file in it again."""

import hashlib
import json
import random
import shutil

import pytest

from micro import results
from micro.owned import listed
from micro.report.record import read_run
from micro.run.study import run_study
from micro.run.verify import BOOKKEEPING, strangers
from micro.study.reader import read_study

STUDY = """
title = "t"
um_per_px = 0.2
coupons = "coupons.csv"

[[specimen]]
name = "A"
route = "ingot-cast"
rolling_deg = 0
images = ["a1.png"]

[[specimen]]
name = "B"
route = "powder-made"
rolling_deg = 0
images = ["b1.png"]
composition = {C = 1.5, Cr = 12}
"""
COUPONS = "specimen,direction,toughness_J\nA,L,20\nA,L,22\nA,T,10\nA,T,12\nB,L,30\nB,T,29\n"


@pytest.fixture(scope="module")
def verified(study_folder, tmp_path_factory):
    """Give a small study with coupons and chemistry, and its results, only to be read."""
    folder = tmp_path_factory.mktemp("verified")
    for name in ("a1.png", "b1.png"):
        shutil.copy(study_folder / name, folder)
    (folder / "study.toml").write_text(STUDY)
    (folder / "coupons.csv").write_text(COUPONS)
    run_study(read_study(folder / "study.toml"), folder / "out", 1, lambda outcome: None)
    return folder


@pytest.fixture
def out(verified):
    """Give these results; whatever a test does to them is undone."""
    out = verified / "out"
    before = {path: path.read_bytes() for path in out.rglob("*") if path.is_file()}
    yield out
    for path in [path for path in out.rglob("*") if path.is_file() and path not in before]:
        path.unlink()
    for path, content in before.items():
        path.write_bytes(content)


def test_an_untouched_folder_verifies_and_has_one_digest(out, run_micro):
    """The digest is that of the lines of sha256sum over the files of the manifest: anyone can make it without us."""
    lines = "".join(
        f"{hashlib.sha256((out / name).read_bytes()).hexdigest()}  {name}\n" for name in sorted(listed(out))
    )
    status, said, troubles = run_micro("verify", out, "--workers", 1)
    assert status == 0, troubles
    assert hashlib.sha256(lines.encode()).hexdigest() in said


def test_a_missing_picture_is_no_difference_wherever_it_is_verified_from(verified, tmp_path, monkeypatch, run_micro):
    """The line that names it in the record starts with the path as it was typed."""
    for name in ("a1.png", "b1.png", "coupons.csv"):
        shutil.copy(verified / name, tmp_path)
    (tmp_path / "gap.toml").write_text(STUDY.replace('"b1.png"', '"b1.png", "b2.png"'))
    monkeypatch.chdir(tmp_path)
    assert run_micro("run", "gap.toml", "--workers", 1, "--out", "out")[0] == 1
    monkeypatch.chdir(verified)
    status, _, troubles = run_micro("verify", tmp_path / "out", "--workers", 1)
    assert status == 0, troubles


def test_a_page_of_review_takes_nothing_away(out, run_micro):
    """The page is put beside the results: figures, report and tables stay as they were, and it is no stranger."""
    before = {p: p.read_bytes() for p in out.rglob("*") if p.is_file() and p.name not in BOOKKEEPING}
    assert run_micro("review", out)[0] == 0
    assert {path: path.read_bytes() for path in before} == before
    assert (out / results.REVIEW_PAGE).exists()
    assert list(strangers(out)) == []


def add_file(out):
    (out / "figures" / "extra.png").write_bytes(b"x")
    return "figures/extra.png: is not of this run"


def change_figure(out):
    path = sorted((out / "figures").glob("*.svg"))[0]
    path.write_bytes(path.read_bytes() + b"<!-- -->")
    return f"{path.name}: measured again, it comes out otherwise"


def lose_figure(out):
    path = sorted((out / "figures").glob("*.png"))[0]
    path.unlink()
    return f"{path.name}: measured again, it comes out otherwise"


def forged(change):
    """Return a tampering that changes the record, and the marker's hash of it, as a forger would who knows both."""

    def tamper(out):
        record = json.loads((out / results.RECORD).read_text())
        change(out, record)
        (out / results.RECORD).write_text(json.dumps(record))
        marker = json.loads((out / results.OWNER).read_text())
        marker[results.RECORD_DIGEST] = results.hash_of_file(out / results.RECORD)
        (out / results.OWNER).write_text(json.dumps(marker))
        return "run.json: measured again, it comes out otherwise"

    return tamper


def forge_report(out, record):
    (out / results.REPORT).write_bytes((out / results.REPORT).read_bytes().replace(b"%", b"&permil;", 1))
    record["outputs"][results.REPORT] = results.hash_of_file(out / results.REPORT)


def set_title(out, record):
    record["study"]["title"] = "other"


def set_route(out, record):
    record["study"]["specimens"][0]["route"] = "powder-made"


def set_composition(out, record):
    record["study"]["specimens"][1]["composition"] = {"C": 1.5, "Cr": 13}


def set_message(out, record):
    record["outcomes"][0]["issues"] = []
    record["outcomes"][0]["scale_origin"] = "a certificate"


def report_only(out):
    forged(forge_report)(out)
    return "report.html: measured again, it comes out otherwise"


TAMPERINGS = {
    "title": forged(set_title),
    "route": forged(set_route),
    "composition": forged(set_composition),
    "outcome": forged(set_message),
}


def test_what_was_tampered_with_is_named(out, run_micro):
    """Figures changed, lost and put in; a report forged by somebody who put the hashes of record and marker right."""
    wanted = [report_only(out), change_figure(out), lose_figure(out), add_file(out)]
    status, _, said = run_micro("verify", out, "--workers", 1)
    assert status == 1
    for words in wanted:
        assert any(words in line for line in said.splitlines()), said


@pytest.mark.parametrize(
    "tamper",
    [pytest.param(change, marks=[pytest.mark.study] * (name != "composition")) for name, change in TAMPERINGS.items()],
)
def test_a_forged_record_is_seen(out, run_micro, tamper):
    """The record says what the study file does not: only making all again shows it."""
    wanted = tamper(out)
    status, _, said = run_micro("verify", out, "--workers", 1)
    assert status == 1
    assert any(wanted in line for line in said.splitlines()), said


def leaves(value, place=()):
    """Places of all values in nested lists and dictionaries."""
    if isinstance(value, dict | list):
        for key, inner in value.items() if isinstance(value, dict) else enumerate(value):
            yield from leaves(inner, (*place, key))
    yield place


def damage(out, seed):
    """Put another kind of thing into one place of run.json."""
    rng = random.Random(seed)
    record = json.loads((out / results.RECORD).read_text())
    *path, last = rng.choice([place for place in leaves(record) if place])
    target = record
    for key in path:
        target = target[key]
    strange = [None, -1, 1e308, "", "\0", "../x", "\ud800", [], {}, [[]], {"a": None}, True, "9" * 5000]
    target[last] = rng.choice([value for value in strange if value != target[last]])
    (out / results.RECORD).write_text(json.dumps(record))


@pytest.mark.parametrize("seed", range(40))
def test_a_damaged_record_is_one_line(out, run_micro, monkeypatch, seed):
    """A value of run.json becomes another kind of thing: lines that name it, never a traceback.

    Measuring is left out here, as each takes seconds; the study below has it in.
    """
    sound = read_run(out).outcomes
    for step in ("measure_study", "check_study"):
        monkeypatch.setattr(f"micro.run.verify.{step}", lambda *given: sound)
    monkeypatch.setattr("micro.run.verify.write_tables", lambda *given: ({}, None))
    monkeypatch.setattr("micro.run.verify.write_pages", lambda *given: None)
    damage(out, seed)
    status, _, said = run_micro("verify", out, "--workers", 1)
    assert status == 1
    assert "run.json" in said


@pytest.mark.study
@pytest.mark.parametrize("seed", range(40, 80))
def test_a_damaged_record_measured_again_is_one_line(out, run_micro, seed):
    """The same, with all of it measured again."""
    damage(out, seed)
    status, _, said = run_micro("verify", out, "--workers", 1)
    assert status == 1
    assert "run.json" in said
