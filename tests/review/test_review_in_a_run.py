"""A review in a run: told in the report, kept by resumption and verification, the same for any number of workers."""

import json
import os
import signal
import subprocess
import sys
import time

import cv2
import jsonschema
import pytest
import tifffile

from micro import results
from micro.cli import group
from micro.errors import UsageError
from micro.report.record import read_run
from micro.review.keys import review_schema
from micro.run.review import write_review_page
from micro.run.study import review_names
from micro.run.verify import changed_inputs
from micro.study.reader import read_study

TABLES = ("particles.csv", "fields.csv", "profiles.csv", "specimens.csv")


@pytest.fixture
def no_report(monkeypatch):
    """Leave the report undrawn, which takes most of the time of a small run: its numbers are those of the tables."""
    monkeypatch.setattr("micro.report.build.write_report", lambda *what: None)


@pytest.fixture
def study(tools, measured, tmp_path):
    """Write a study file with three pictures and a review of what was found on them: its folder."""
    for path in measured.paths:
        (tmp_path / path.name).write_bytes(path.read_bytes())
    labels = tifffile.imread(measured.out / "labels" / "f1.tif")
    acts = {
        ("specimen", "f1"): [
            {"act": "not_carbide", "points": [list(tools.middle_of(labels, 3))]},
            {"act": "draw", "points": [[20, 30], [40, 30], [40, 60], [20, 60]], "when": "2026-01-05T09:00:00Z"},
            {"act": "accept"},
        ],
        ("specimen", "f2"): [{"act": "reject", "reason": "a crack runs through it"}],
    }
    write_review(tmp_path / "review.json", tools.review_content(measured.out, acts))
    text = (
        f'um_per_px = {tools.um_per_px}\nrolling_deg = 0\ncarbides = "bright"\nreview = ["review.json"]\n'
        '[[specimen]]\nname = "specimen"\nimages = ["f*.png"]\n'
    )
    (tmp_path / "study.toml").write_text(text)
    return tmp_path


def write_review(path, content):
    path.write_text(json.dumps(content))


def run(folder, out="out", ends=0):
    """Run the study; return the results folder."""
    try:
        status = group.main(
            ["run", str(folder / "study.toml"), "--out", str(folder / out), "--workers", "1"], standalone_mode=False
        )
    except SystemExit as stop:
        status = stop.code
    assert (status or 0) == ends
    return folder / out


def bytes_of(out):
    return {name: (out / name).read_bytes() for name in TABLES}


def test_the_report_tells_acts_fields_and_area_fraction_with_and_without(study, capsys):
    """A rejected field is no failure: it is named with its reason, in words, in the report and in run.json."""
    out = run(study)
    said = " ".join(capsys.readouterr().out.split())
    assert "reviewed by KM, 2 of 3 fields: 1 not carbide, 1 drawn on f1." in said
    assert "1 of 3 fields left out by the review, f2 (a crack runs through it)" in said
    report = (out / "report.html").read_text()
    assert "Review by a person" in report
    assert "fields left out after seeing the result can bias it" in report
    assert "rejected: a crack runs through it" in report
    fields = results.read_table(out / "fields.csv", ["field", "carbide_class", "area_fraction", "flags"])
    assert set(fields["field"]) == {"f1", "f3"}
    assert fields["flags"].str.contains("reviewed").tolist() == (fields["field"] == "f1").tolist()
    record = json.loads((out / "run.json").read_text())
    assert str(study / "review.json") in record["inputs"]
    assert record["outcomes"][1]["reviewed"]["rejected"] == "a crack runs through it"
    particles = results.read_table(out / "particles.csv", ["field", "flags"])
    assert particles["flags"].fillna("").str.contains("by_hand").sum() == 1


def test_area_fraction_without_the_review_is_that_of_a_run_without_it(study, no_report, measured, tools):
    """Rejected fields are among those without; the two numbers that are set side by side come from one estimator."""
    record = json.loads((run(study) / "run.json").read_text())
    plain = results.read_table(measured.out / "fields.csv", ["field", "carbide_class", "area_fraction"])
    plain = plain[plain["carbide_class"] == "all"].set_index("field")["area_fraction"]
    for outcome in record["outcomes"][:2]:
        before = outcome["reviewed"]["area_fraction_before"]
        assert before == pytest.approx(plain[outcome["field"]], rel=1e-8)
    specimens = results.read_table(
        measured.out / "specimens.csv", ["carbide_class", "quantity", "mean", "ci95_low", "ci95_high"]
    )
    row = specimens[(specimens["carbide_class"] == "all") & (specimens["quantity"] == "area_fraction")].iloc[0]
    from micro.report.people_sections import _before
    from micro.report.record import read_run
    from micro.specimens.summary import area_fraction_of
    from micro.tables.columns import FIELDS, names

    fields = results.read_table(study / "out" / "fields.csv", names(FIELDS))
    budget = area_fraction_of(_before(read_run(study / "out").outcomes, fields))
    assert budget.estimate.value == pytest.approx(row["mean"], rel=1e-8)
    assert budget.interval == pytest.approx((row["ci95_low"], row["ci95_high"]), rel=1e-6)


def test_another_review_measures_only_the_fields_that_it_changes(study, no_report, tools, measured):
    """A field whose acts are the same is taken up; the others are measured anew."""
    run(study)
    content = json.loads((study / "review.json").read_text())
    content["fields"] = content["fields"][1:]
    write_review(study / "review.json", content)
    record = json.loads((run(study) / "run.json").read_text())
    assert [outcome["reused"] for outcome in record["outcomes"]] == [False, True, True]


def test_verify_knows_the_review(study, no_report, capsys):
    """It measures again with the acts, by two workers, to the same bytes, and a second run takes up what is there.

    Another file in the place of the review is named.
    """
    first = bytes_of(run(study))
    out = run(study)
    record = json.loads((out / "run.json").read_text())
    assert all(outcome["reused"] for outcome in record["outcomes"])  # rejected fields too
    assert bytes_of(out) == first
    capsys.readouterr()
    assert (group.main(["verify", str(out), "--workers", "2"], standalone_mode=False) or 0) == 0
    write_review(study / "review.json", json.loads((study / "review.json").read_text()) | {"who": "LN"})
    assert any("review.json: is not as the run read it" in line for line in changed_inputs(read_run(out)))


def test_acts_on_a_picture_that_changed_are_named_and_not_applied(study, no_report, measured, capsys):
    """One pixel is enough. The field is measured as the program finds it, also where it had been rejected."""
    for name in ("f1", "f2"):
        grey = cv2.imread(str(study / f"{name}.png"), cv2.IMREAD_UNCHANGED)
        grey[0, 0] ^= 1
        cv2.imwrite(str(study / f"{name}.png"), grey)
    out = run(study)
    said = "".join(capsys.readouterr())
    assert "3 acts in review.json were made on another picture and are not applied" in " ".join(said.split())
    fields = results.read_table(out / "fields.csv", ["field", "flags"])
    assert set(fields["field"]) == {"f1", "f2", "f3"}
    assert fields["flags"][fields["field"] != "f3"].str.contains("review_stale").all()
    assert not fields["flags"].fillna("").str.contains("reviewed").any()


def test_acts_on_outlines_that_changed_are_named_and_not_applied(study, no_report, capsys):
    """Another polarity or another pinned grey draws other outlines."""
    text = (study / "study.toml").read_text()
    (study / "study.toml").write_text(text.replace("rolling_deg", "min_area_px = 90\nrolling_deg", 1))
    run(study)
    said = " ".join("".join(capsys.readouterr()).split())
    assert "were made on other outlines and are not applied" in said


def test_fields_of_another_study_are_named(study, no_report, capsys):
    """A review that speaks of fields which are not here says so in one line, and the rest of it holds."""
    content = json.loads((study / "review.json").read_text())
    content["fields"].append(content["fields"][0] | {"field": "g7"})
    write_review(study / "review.json", content)
    run(study)
    assert "reviews fields that are not of this study (specimen g7)" in capsys.readouterr().err


def test_a_kill_in_the_middle_leaves_nothing_half(study, no_report):
    """Killed as soon as a field is there, and run again: the bytes of a run without a stop."""
    whole = bytes_of(run(study, "whole"))
    command = [
        sys.executable,
        "-m",
        "micro",
        "run",
        str(study / "study.toml"),
        "--out",
        str(study / "cut"),
        "--workers",
        "1",
    ]
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as process:
        until = time.monotonic() + 60
        while not (study / "cut" / "parts" / "f1" / "run.json").exists() and time.monotonic() < until:
            time.sleep(0.01)
        process.send_signal(signal.SIGKILL if os.name == "posix" else signal.SIGTERM)
    assert bytes_of(run(study, "cut")) == whole


def test_the_page_keeps_out_what_has_no_outlines(study, no_report, capsys):
    """A rejected field is named on the page; the next run removes the page, whose outlines are then old."""
    out = run(study)
    group.main(["review", str(out)], standalone_mode=False)
    page = (out / "review.html").read_text()
    assert "f2.png: is left out by the review of KM (a crack runs through it)" in page
    assert str(study) not in page  # who gets the page learns of no folder
    assert sorted(path.name for path in (out / "review").iterdir()) == ["f1.js", "f3.js"]
    assert set(review_names(out)) == {"review.html", "review/f1.js", "review/f3.js"}  # what a later count keeps
    run(study)
    assert not (out / "review.html").exists()


def test_a_stop_while_the_page_is_written_harms_nothing(study, no_report, monkeypatch):
    """What the run left stays, figures too, and the same command goes on."""
    out = run(study)
    (out / "figures").mkdir()
    (out / "figures" / "rose.svg").write_text("drawn by the run")
    with (out / "manifest.txt").open("a") as stream:
        stream.write("own figures/rose.svg\n")
    before = bytes_of(out)
    with monkeypatch.context() as patch:
        patch.setattr("micro.run.review.page", lambda *what: (_ for _ in ()).throw(KeyboardInterrupt))
        with pytest.raises(KeyboardInterrupt):
            write_review_page(out)
    assert not (out / "review.html").exists()
    assert write_review_page(out).fields == 2
    assert (out / "figures" / "rose.svg").exists()
    assert bytes_of(out) == before
    run(study)
    assert not (out / "review").exists()


def test_a_damaged_review_stops_the_run_before_anything_is_measured(study):
    """One line with the file and the place in it."""
    content = json.loads((study / "review.json").read_text())
    content["fields"][0]["acts"][0]["points"] = [[1, "two"]]
    write_review(study / "review.json", content)
    with pytest.raises(UsageError, match=r"review\.json: is damaged at fields\.0\.acts\.0\.points\.0\.1"):
        run(study)
    assert not (study / "out").exists()


def test_what_the_page_saves_is_what_the_schema_says(study):
    """The published schema takes the file, and refuses one with a key too many."""
    content = json.loads((study / "review.json").read_text())
    schema = review_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.validate(content, schema)
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(content | {"more": 1}, schema)


def test_the_key_names_files_within_the_folder_of_the_study(study):
    """As every path of a study file."""
    text = (study / "study.toml").read_text()
    assert read_study(study / "study.toml").specimens[0].review == (study / "review.json",)
    (study / "study.toml").write_text(text.replace("review.json", "../review.json"))
    with pytest.raises(UsageError, match="lies outside the study's folder"):
        read_study(study / "study.toml")
