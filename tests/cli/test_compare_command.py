"""`micro compare`: specimens of results folders, pair by pair."""

import numpy as np
import pandas as pd
import pytest

from micro import results
from micro.tables import columns


def field_row(specimen, number, rng, fraction):
    row = {c.name: "" if c.dtype == "str" else np.nan for c in columns.FIELDS}
    return row | {
        "specimen": specimen,
        "field": f"f{number}",
        "um_per_px": 0.1,
        "analysed_area_um2": 1e4,
        "carbide_class": "all",
        "area_fraction": fraction * (1 + 0.05 * rng.standard_normal()),
        "particles": 30,
        "number_per_mm2": 1000 * np.exp(0.05 * rng.standard_normal()),
    }


@pytest.fixture
def folder(tmp_path):
    def make(name, fractions, plane="longitudinal", picture=""):
        rng = np.random.default_rng(0)
        rows = [field_row(s, n, rng, f) for s, f in fractions.items() for n in range(6)]
        out = tmp_path / name
        results.write_table(out / "fields.csv", pd.DataFrame(rows))
        results.write_table(out / "particles.csv", columns.empty(columns.PARTICLES))
        told = {"specimens": [{"name": s, "plane": plane} for s in fractions]}
        outcomes = [
            {"specimen": s, "scale_relative_uncertainty": None, "image_sha256": picture and f"{picture}{k}"}
            for s in fractions
            for k in range(6)
        ]
        results.write_json(out / "run.json", {"study": told, "outcomes": outcomes})
        return str(out)

    return make


def test_two_folders_are_compared_and_written(folder, tmp_path, run_micro):
    one, two = folder("one", {"powder-made": 0.05}), folder("two", {"ingot-cast": 0.12})
    status, said, trouble = run_micro("compare", one, two, "--out", tmp_path / "out")
    assert (status, trouble) == (0, "")
    assert said.startswith("ingot-cast against powder-made: of 1 quantity judged, 1 differs")
    assert "- Area fraction: " in said
    table = pd.read_csv(tmp_path / "out" / "comparison.csv")
    assert list(table) == columns.names(columns.COMPARISON)


def test_planes_that_differ_are_refused_in_words(folder, run_micro):
    status, said, _ = run_micro("compare", folder("one", {"A": 0.1}), folder("two", {"B": 0.1}, "transverse"))
    assert status == 0
    assert "A was seen on the longitudinal plane, B on the transverse" in said


def test_a_folder_that_cannot_be_read_is_one_line_and_status_1(folder, tmp_path, run_micro):
    status, said, trouble = run_micro("compare", folder("one", {"A": 0.1, "B": 0.1}), tmp_path / "none")
    assert status == 1
    assert trouble == f"{tmp_path / 'none' / 'run.json'}: is missing; give the folder of a finished run\n"
    assert said.startswith("B against A")


def test_one_specimen_cannot_be_compared(folder, run_micro):
    said = "RESULTS: 1 specimen can be used; give folders that hold two or more\n"
    assert run_micro("compare", folder("one", {"A": 0.1})) == (2, "", said)


def test_a_table_that_cannot_be_written_is_one_line(folder, tmp_path, run_micro):
    (tmp_path / "file").touch()
    place = tmp_path / "file" / "out"
    status, _, said = run_micro("compare", folder("one", {"A": 0.1, "B": 0.2}), "--out", place)
    assert status == 2
    assert said == f"{place}: cannot be written (Not a directory); choose another --out\n"


def test_three_bars_are_told_by_letters(folder, run_micro):
    """A line a bar under each quantity; the two that are alike share a letter, the third has its own."""
    status, said, _ = run_micro("compare", folder("one", {"P": 0.05, "Q": 0.0505, "R": 0.12}))
    assert status == 0
    lines = said.splitlines()
    start = lines.index("Area fraction A_A, %")
    assert [line.split()[0] + line.split()[-1] for line in lines[start + 1 : start + 4]] == ["Pb", "Qb", "Ra"]
    assert "Area fraction: R a, P b, Q b; bars that share a letter are not told apart." in said
    assert " against " not in said


def test_pictures_that_both_bars_hold_are_said(folder, run_micro):
    """A run and its second are no two samples: that they are alike says nothing of the bar."""
    status, said, _ = run_micro(
        "compare", folder("one", {"P": 0.05}, picture="a"), folder("two", {"Q": 0.05}, picture="a")
    )
    assert status == 0
    assert "6 pictures the same in both: they are no two samples" in " ".join(said.split())
    assert "the same in both" not in run_micro("compare", folder("three", {"P": 0.05, "Q": 0.05}))[1]


def test_two_folders_with_bars_of_one_name_keep_them_apart(folder, run_micro):
    """The bars of January and June: each is named with its folder, and all are shown."""
    one, two = folder("january", {"P": 0.05, "Q": 0.05}), folder("june", {"P": 0.12, "Q": 0.05})
    status, said, _ = run_micro("compare", one, two)
    assert status == 0
    lines = said.splitlines()
    start = lines.index("Area fraction A_A, %")
    shown = [" ".join(line.split()[:2]) for line in lines[start + 1 : start + 5]]
    assert shown == [f"P ({one})", f"Q ({one})", f"P ({two})", f"Q ({two})"]


def test_others_are_set_against_the_reference(folder, run_micro):
    status, said, _ = run_micro("compare", folder("one", {"P": 0.05, "Q": 0.05, "R": 0.12}), "--reference", "R")
    assert status == 0
    assert "P against R: of" in said
    assert "Q against R: of" in said
    assert "against P" not in said


def test_a_reference_that_is_not_there_is_one_line(folder, run_micro):
    said = "--reference: 'X' is no specimen of these folders; name one of P, Q\n"
    assert run_micro("compare", folder("one", {"P": 0.05, "Q": 0.05}), "--reference", "X") == (2, "", said)
