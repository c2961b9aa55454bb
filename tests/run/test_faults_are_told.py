"""What the checks find stands in fields.csv, on the terminal, beside the field in the report, and survives a rerun."""

import html
import json

import cv2
import numpy as np
import tifffile

from micro.cli.options import issue_lines
from micro.issues import Issue, message_text
from micro.results import FIELDS, read_table
from micro.run.study import run_study
from micro.run.verify import verify
from micro.study.reader import read_study
from micro.tables import columns

STUDY = """
um_per_px = 0.2
carbides = "bright"

[[specimen]]
name = "A"
rolling_deg = 0
images = ["a*.tif"]
"""


def test_a_picture_given_twice_and_a_scale_that_disagrees_are_told_everywhere(study_folder, tmp_path):
    for number in (1, 2):
        grey = cv2.imread(str(study_folder / f"a{number}.png"), cv2.IMREAD_GRAYSCALE)
        stated = {"resolution": (1e4 / 0.5, 1e4 / 0.5), "resolutionunit": "CENTIMETER"} if number == 1 else {}
        tifffile.imwrite(tmp_path / f"a{number}.tif", grey, **stated)
    (tmp_path / "a3.tif").write_bytes((tmp_path / "a2.tif").read_bytes())
    (tmp_path / "study.toml").write_text(STUDY)
    study, out = read_study(tmp_path / "study.toml"), tmp_path / "out"
    ending = run_study(study, out, 1, lambda outcome: None)
    fields = read_table(out / FIELDS, columns.names(columns.FIELDS))
    every = fields[fields["carbide_class"] == "all"].set_index("field")
    message, flags = every["message"], every["flags"].str.split()
    assert "the file states 0.5 µm per px (TIFF resolution tags), 0.2 is used" in message["a1"]
    assert "the same picture as A a3" in message["a2"] and "the same picture as A a2" in message["a3"]
    assert "the same picture" not in message["a1"] and "states" not in message["a2"]
    assert "scale_disagrees" in flags["a1"] and "duplicated" in flags["a2"] and "duplicated" not in flags["a1"]
    outcomes = json.loads((out / "run.json").read_text(encoding="utf8"))["outcomes"]
    assert [message_text(map(Issue.from_json, field["issues"])) for field in outcomes] == message.tolist()
    terminal = issue_lines(ending.outcomes)
    assert any(line.startswith("a1.tif: the file states 0.5 µm per px") for line in terminal)
    assert any(line.startswith("a2.tif: the same picture as A a3") for line in terminal)
    report = html.unescape((out / "report.html").read_text(encoding="utf8"))
    told = [Issue.from_json(one) for field in outcomes for one in field["issues"]]
    told = [one.text for one in told if one.kind != "rims_untold"]  # which all fields share
    assert len(told) == 3 and all(text in report for text in told)
    before = (out / FIELDS).read_bytes()
    again = run_study(study, out, 1, lambda outcome: None)
    assert all(outcome.reused for outcome in again.outcomes)
    assert (out / FIELDS).read_bytes() == before
    assert verify(out, 1, lambda outcome: None).differences == ()
    assert np.isfinite(fields["area_fraction"]).all()
