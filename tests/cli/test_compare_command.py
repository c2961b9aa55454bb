"""`micro compare`: specimens of results folders, pair by pair."""

import numpy as np
import pandas as pd
import pytest

from micro import columns, results
from micro.cli import main


def field_row(specimen, number, rng, fraction):
    row = {c.name: "" if c.dtype == "str" else np.nan for c in columns.FIELDS}
    return row | {
        "specimen": specimen,
        "field": f"f{number}",
        "um_per_px": 0.1,
        "analysed_area_um2": 1e4,
        "carbide_class": "all",
        "area_fraction": fraction * (1 + 0.05 * rng.standard_normal()),
        "particles": 10,
        "number_per_mm2": 1000 * np.exp(0.05 * rng.standard_normal()),
    }


@pytest.fixture
def folder(tmp_path):
    def make(name, fractions, plane="longitudinal"):
        rng = np.random.default_rng(0)
        rows = [field_row(s, n, rng, f) for s, f in fractions.items() for n in range(6)]
        out = tmp_path / name
        results.write_table(out / "fields.csv", pd.DataFrame(rows))
        results.write_table(out / "particles.csv", columns.empty(columns.PARTICLES))
        told = [{"name": s, "plane": plane, "fields": []} for s in fractions]
        results.write_json(out / "run.json", {"specimens": told})
        return str(out)

    return make


def ended_with(*args):
    with pytest.raises(SystemExit) as ended:
        main(["compare", *args])
    return ended.value.code


def test_two_folders_are_compared_and_written(folder, tmp_path, capsys):
    one, two = folder("one", {"powder-made": 0.05}), folder("two", {"ingot-cast": 0.12})
    assert ended_with(one, two, "--out", str(tmp_path / "out")) == 0
    said = capsys.readouterr()
    assert said.err == ""
    assert said.out.startswith("ingot-cast against powder-made: of 2 quantities compared, 1 differs")
    assert "- Area fraction: " in said.out
    table = pd.read_csv(tmp_path / "out" / "comparison.csv")
    assert list(table) == columns.names(columns.COMPARISON)


def test_planes_that_differ_are_refused_in_words(folder, capsys):
    assert ended_with(folder("one", {"A": 0.1}), folder("two", {"B": 0.1}, "transverse")) == 0
    assert "A was seen on the longitudinal plane, B on the transverse" in capsys.readouterr().out


def test_a_folder_that_cannot_be_read_is_one_line_and_status_1(folder, tmp_path, capsys):
    assert ended_with(folder("one", {"A": 0.1, "B": 0.1}), str(tmp_path / "none")) == 1
    said = capsys.readouterr()
    assert said.err == f"{tmp_path / 'none' / 'run.json'}: is missing; give the folder of a finished run\n"
    assert said.out.startswith("B against A")


def test_one_specimen_cannot_be_compared(folder, capsys):
    assert ended_with(folder("one", {"A": 0.1})) == 2
    assert capsys.readouterr().err == "RESULTS: 1 specimen can be used; give folders that hold two or more\n"


def test_a_table_that_cannot_be_written_is_one_line(folder, tmp_path, capsys):
    (tmp_path / "file").touch()
    place = tmp_path / "file" / "out"
    assert ended_with(folder("one", {"A": 0.1, "B": 0.2}), "--out", str(place)) == 2
    assert capsys.readouterr().err == f"{place}: cannot be written (Not a directory); choose another --out\n"
