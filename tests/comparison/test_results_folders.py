"""Specimens read back from results folders."""

import numpy as np
import pandas as pd
import pytest

from micro import results
from micro.comparison.measured import read_folders
from micro.tables import columns

EVERY_TABLE = (("fields", columns.FIELDS), ("particles", columns.PARTICLES))


@pytest.fixture
def folder(tmp_path, specimen):
    """Write a results folder with the specimens named: folder(name, "A", "B")."""
    rng = np.random.default_rng(0)

    def make(name, *names, uncertainties=(0.01, 0.02)):
        own = [specimen(n, rng, carbides={}) for n in names]
        out = tmp_path / name
        out.mkdir()
        results.write_table(out / "fields.csv", pd.concat([s.fields for s in own]))
        results.write_table(out / "particles.csv", pd.concat([s.particles for s in own]))
        outcomes = [{"specimen": n, "scale_relative_uncertainty": u} for n in names for u in uncertainties]
        told = {"specimens": [{"name": n, "plane": "planar"} for n in names]}
        results.write_json(out / "run.json", {"study": told, "outcomes": outcomes})
        return out

    return make


def test_plane_and_scale_come_from_the_record(folder):
    (specimen,), problems = read_folders([folder("one", "A")])
    assert problems == []
    assert (specimen.name, specimen.plane, specimen.scale_relative_uncertainty) == ("A", "planar", 0.02)
    assert len(specimen.fields) == 8


def test_one_field_without_a_stated_scale_leaves_it_unknown(folder):
    (specimen,), _ = read_folders([folder("one", "A", uncertainties=(0.01, None))])
    assert specimen.scale_relative_uncertainty is None


def test_a_name_that_looks_like_a_number_stays(folder):
    (specimen,), _ = read_folders([folder("one", "007")])
    assert specimen.name == "007"


def test_specimens_of_one_name_carry_their_folder(folder):
    one, two = folder("one", "A", "B"), folder("two", "A")
    specimens, problems = read_folders([one, two, one])
    assert [s.name for s in specimens] == [f"A ({one})", "B", f"A ({two})"]
    assert problems == []


@pytest.mark.parametrize(
    ("damage", "told"),
    [
        (lambda f: (f / "run.json").unlink(), "run.json: is missing; give the folder of a finished run"),
        (lambda f: (f / "run.json").write_text("[]"), "run.json: is not a record of a run"),
        (lambda f: (f / "run.json").write_text("{}"), "run.json: does not list its specimens"),
        (lambda f: (f / "fields.csv").unlink(), "fields.csv: is missing"),
        (lambda f: (f / "particles.csv").write_text("a\n1\n"), "particles.csv: lacks the column specimen"),
        (
            lambda f: results.write_table(f / "fields.csv", columns.empty(columns.FIELDS)),
            "names a specimen without fields",
        ),
        (lambda f: [results.write_table(f / f"{n}.csv", columns.empty(c)) for n, c in EVERY_TABLE], "holds no fields"),
    ],
)
def test_a_damaged_folder_is_one_line_and_the_others_go_on(folder, damage, told):
    bad, good = folder("bad", "A"), folder("good", "B")
    damage(bad)
    specimens, problems = read_folders([bad, good])
    assert [s.name for s in specimens] == ["B"]
    assert len(problems) == 1
    assert told in problems[0]


@pytest.mark.parametrize(("name", "value"), [("area_fraction", "lots"), ("um_per_px", "0"), ("number_per_mm2", "inf")])
def test_a_cell_that_is_no_number_names_its_line(folder, name, value):
    bad = folder("bad", "A")
    table = pd.read_csv(bad / "fields.csv", dtype=str)
    table.loc[2, name] = value
    table.to_csv(bad / "fields.csv", index=False)
    specimens, (problem,) = read_folders([bad])
    assert specimens == []
    assert f"fields.csv line 4: {name} is '{value}" in problem
