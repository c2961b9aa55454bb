"""`micro atlas`: one row a bar from any number of folders, and nothing joined silently."""

import json
import math

import numpy as np
import pandas as pd
import pytest

from micro import results
from micro.atlas.bars import read_atlas
from micro.atlas.relations import correlations, sentences, series_table
from micro.tables import columns

from .conftest import Bar, write_folder


def test_a_row_holds_structure_beside_toughness_treatment_composition_and_matrix(tmp_path):
    """Every value comes from the folder's own tables, with the ends of its interval."""
    bar = Bar("A", steel="Q", treatment={"austenitising_C": 1040}, factors={"tempering_C": [525]}, matrix_cr=7.5)
    atlas = read_atlas([write_folder(tmp_path / "one", [bar])])
    assert list(atlas.bars) == columns.names(columns.ATLAS)
    row = atlas.bars.iloc[0]
    assert (row["steel"], row["heat_treatment"]) == ("Q", "austenitising_C 1040, tempering_C 525")
    assert (row["area_fraction"], row["area_fraction_low"]) == (0.10, pytest.approx(0.094))
    assert row["Cr_in_matrix"] == 7.5
    assert row["Cr_in_steel"] == 12.0
    used = pd.read_csv(tmp_path / "one" / results.COUPONS_USED)
    along = used.loc[used["direction"] == "longitudinal", "toughness_J"]
    assert row["toughness_longitudinal"] == pytest.approx(along.mean())
    assert row["hardness"] == pytest.approx(used["hardness"].mean())
    pooled = math.sqrt(used.groupby("direction")["hardness"].var().mean() / len(used))
    assert row["hardness_high"] - row["hardness"] == pytest.approx(2.4469 * pooled, rel=1e-4)  # t of 6, tabled


def test_two_bars_of_one_name_keep_their_folders(tmp_path):
    folders = [write_folder(tmp_path / name, [Bar("A")]) for name in ("one", "two")]
    assert read_atlas(folders).bars["bar"].tolist() == [f"A ({folder})" for folder in folders]


UNLIKE = {
    "plane": {"plane": "transverse"},
    "scale": {"um_per_px": 0.1},
    "settings": {"settings": {"min_area_px": 20.0}},
}


@pytest.mark.parametrize("what", UNLIKE)
def test_a_bar_measured_unlike_most_is_marked_and_enters_no_ranks_of_the_others(what, tmp_path):
    rng = np.random.default_rng(0)
    bars = [Bar(f"A{n}", area_fraction=0.05 + 0.01 * n, hardness=60 + rng.normal()) for n in range(8)]
    atlas = read_atlas([write_folder(tmp_path / "one", [*bars, Bar("odd", **UNLIKE[what])])])
    assert atlas.bars.set_index("bar")["unlike"].to_dict()["odd"] == what
    assert (atlas.bars["unlike"] == "").sum() == 8
    ranks = correlations(atlas.bars)
    assert set(ranks.loc[ranks["bars"] == "alike", "points"]) == {8}
    assert set(ranks.loc[ranks["bars"] == "all", "points"]) == (set() if what == "plane" else {9})
    assert sentences(atlas.bars, ranks)[-1].startswith("1 bars with toughness were measured unlike most")


def test_an_order_is_said_with_what_else_it_may_be(tmp_path):
    """Banding and elongation rank alike and differ with the route; the amount goes its own way."""
    bars = [
        Bar(f"A{n}", banding_beyond_random=0.02 * (n + 1), anisotropy_index=1 + 0.05 * n, transverse=36 - 3 * n,
            area_fraction=0.1 + 0.01 * (n * 5 % 8), route="powder-metallurgy" if n < 4 else "conventional",
            hardness=60 + 0.3 * (n * 3 % 8))
        for n in range(8)
    ]  # fmt: skip
    atlas = read_atlas([write_folder(tmp_path / "one", bars)])
    said = " ".join(sentences(atlas.bars, correlations(atlas.bars)))
    assert "falls as the banding beyond random rises" in said
    assert "do not tell the banding beyond random from the anisotropy index" in said
    assert "from the amount of carbide" not in said


def test_another_version_is_marked(tmp_path):
    new = write_folder(tmp_path / "new", [Bar("A"), Bar("B")])
    old = write_folder(tmp_path / "old", [Bar("C")], version="0.0.1", date="2019-01-01T00:00:00+00:00")
    assert read_atlas([new, old]).bars.set_index("bar")["unlike"].to_dict() == {"A": "", "B": "", "C": "version"}


def test_the_same_pictures_count_once(tmp_path):
    """A bar measured again is no second bar: it would make every order look surer."""
    bars = [Bar(f"A{n}", area_fraction=0.05 + 0.01 * n) for n in range(6)]
    again = [Bar(f"B{n}", area_fraction=0.05 + 0.01 * n, pictures=("one", f"A{n}")) for n in range(6)]
    atlas = read_atlas(
        [write_folder(tmp_path / "one", bars), write_folder(tmp_path / "two", again, "2026-02-01T00:00:00+00:00")]
    )
    assert atlas.bars.set_index("bar")["same_pictures_as"]["B3"] == "A3"
    assert correlations(atlas.bars)["points"].max() == 6


def test_ranks_find_what_acts_and_not_what_only_follows_hardness(many_folders):
    """Toughness follows the amount of carbide; an index that only follows hardness shows nothing once that is held."""
    atlas = read_atlas(many_folders)
    n = 10 * len(many_folders)
    assert len(atlas.bars) == n
    bars = atlas.bars.assign(largest_ecd=100 - atlas.bars["hardness"] + np.random.default_rng(1).normal(0, 0.3, n))
    bars["toughness_longitudinal"] = 200 - 3 * bars["hardness"] + np.random.default_rng(2).normal(0, 1, n)
    ranks = correlations(bars)
    own = ranks[(ranks["y"] == "toughness_longitudinal") & (ranks["x"] == "largest_ecd") & (ranks["bars"] == "alike")]
    plain, held = own.set_index("held")["p_value"][["", "hardness"]]
    assert plain < 0.001
    assert held > 0.05
    true = correlations(atlas.bars).set_index(["y", "x", "held", "bars"])["rho"]
    assert true["toughness_longitudinal", "area_fraction", "hardness", "alike"] < -0.8


def test_a_series_of_one_steel_joins_only_what_was_measured_alike(tmp_path):
    """Carbide amounts of another scale are no part of the line; test bars of all of them are."""
    scales = {980: 0.2, 1010: 0.2, 1040: 0.2, 1070: 0.1}
    bars = [Bar(f"Q{t}", steel="Q", treatment={"austenitising_C": t}, um_per_px=s) for t, s in scales.items()]
    series = series_table(read_atlas([write_folder(tmp_path / "one", bars)]))
    assert set(series["factor"]) == {"austenitising_C"}
    lines = series.groupby("quantity")["line"].apply(list).to_dict()
    assert lines["area_fraction"] == [1, 1, 1, 2]
    assert lines["toughness_longitudinal"] == lines["hardness"] == [1, 1, 1, 1]


def test_another_factor_that_changes_too_makes_another_series(tmp_path):
    bars = [Bar(f"Q{a}{t}", steel="Q", treatment={"austenitising_C": a, "tempering_C": t})
            for a in (1000, 1050) for t in (200, 525)]  # fmt: skip
    series = series_table(read_atlas([write_folder(tmp_path / "one", bars)]))
    found = series[["factor", "held"]].drop_duplicates().to_records(index=False).tolist()
    assert set(found) == {
        ("austenitising_C", "tempering_C 200"), ("austenitising_C", "tempering_C 525"),
        ("tempering_C", "austenitising_C 1000"), ("tempering_C", "austenitising_C 1050"),
    }  # fmt: skip


def test_test_bars_of_one_bar_make_a_series_without_its_carbide(tmp_path):
    """Its pictures show one treatment, nobody knows which: only what was tested at each is drawn."""
    bar = Bar("R", factors={"tempering_C": [180, 400, 525]}, longitudinal=lambda t: 20 + t / 20)
    atlas = read_atlas([write_folder(tmp_path / "one", [bar])])
    assert atlas.bars["heat_treatment"].tolist() == ["several tempering_C"]
    series = series_table(atlas)
    assert set(series["quantity"]) == {"hardness", "toughness_longitudinal", "toughness_transverse"}
    used = pd.read_csv(tmp_path / "one" / results.COUPONS_USED)
    own = used[(used["direction"] == "longitudinal") & (used["tempering_C"] == 400)]["toughness_J"]
    row = series[(series["quantity"] == "toughness_longitudinal") & (series["value"] == 400)].iloc[0]
    assert row["mean"] == pytest.approx(own.mean())
    half = 3.1824 * own.std() / math.sqrt(len(own))  # t of 3, tabled
    assert row["ci95_high"] - row["mean"] == pytest.approx(half, rel=1e-4)


def test_the_command_writes_page_tables_and_figures_and_may_grow(tmp_path, run_micro):
    bars = [Bar(f"A{n}", area_fraction=0.05 + 0.01 * n) for n in range(6)]
    one, two = write_folder(tmp_path / "one", bars), write_folder(tmp_path / "two", [Bar("B")])
    out = tmp_path / "atlas"
    status, said, trouble = run_micro("atlas", one, "--out", out)
    assert (status, trouble) == (0, "")
    assert said.startswith("6 bars of 1 results folder, measured 2026-01-05; 6 of them with toughness.")
    assert {"atlas.html", "atlas.csv", "correlations.csv", "figures"} <= {p.name for p in out.iterdir()}
    assert run_micro("atlas", one, two, "--out", out)[0] == 0
    assert len(pd.read_csv(out / "atlas.csv")) == 7
    status, _, trouble = run_micro("atlas", two, "--out", out)
    assert status == 2
    assert "holds the results of other work (atlas" in trouble


def test_it_never_writes_into_a_results_folder(tmp_path, run_micro):
    one = write_folder(tmp_path / "one", [Bar("A")])
    status, _, trouble = run_micro("atlas", one, "--out", one)
    assert status == 2
    assert trouble.count("\n") == 1
    assert not (one / "atlas.html").exists()


def damaged(path, name, change):
    folder = write_folder(path, [Bar("A")])
    change(folder / name)
    return folder


def _text_for_a_number(path):
    path.write_text(path.read_text().replace("0.1,", "much,", 1))


TROUBLES = {
    "is missing": (results.RECORD, lambda path: path.unlink()),
    "does not tell what was measured": (results.RECORD, lambda path: path.write_text('{"study": 3}')),
    "holds a text where a number stands": (results.SPECIMENS, _text_for_a_number),
    "lacks the column um_per_px": (results.FIELDS, lambda path: path.write_text("specimen\nA\n")),
    "holds a pixel without a size": (results.FIELDS, lambda path: path.write_text("specimen,um_per_px\nA,0\n")),
    "holds no field of": (results.FIELDS, lambda path: path.write_text("specimen,um_per_px\nB,0.1\n")),
    "is damaged": (results.COUPONS_USED, lambda path: path.write_text("specimen\nA\n")),
    "lacks the column ratio": (results.RATIOS, lambda path: path.write_text("group\nA\n")),
}


@pytest.mark.parametrize("said", TROUBLES)
def test_a_folder_that_does_not_hold_up_is_one_line_and_the_others_stay(said, tmp_path, run_micro):
    whole = write_folder(tmp_path / "whole", [Bar("A"), Bar("B")])
    bad = damaged(tmp_path / "bad", *TROUBLES[said])
    status, told, trouble = run_micro("atlas", whole, bad, "--out", tmp_path / "out")
    assert status == 1
    assert trouble.count("\n") == 1
    assert str(bad) in trouble
    assert said in trouble
    assert told.startswith("2 bars of 1 results folder")
    assert said in (tmp_path / "out" / "atlas.html").read_text()


def test_folders_without_any_bar_are_refused(tmp_path, run_micro):
    status, _, trouble = run_micro("atlas", tmp_path, "--out", tmp_path / "out")
    assert status == 2
    assert trouble.startswith("RESULTS: no bar can be used (")
    assert not (tmp_path / "out").exists()


def test_a_run_that_has_not_ended_is_not_read(tmp_path, run_micro):
    one = write_folder(tmp_path / "one", [Bar("A")])
    (one / results.OWNER).write_text(json.dumps({"finished": False}))
    assert "has not ended" in run_micro("atlas", one, "--out", tmp_path / "out")[2]


def test_numbers_read_back_from_the_csv_are_those_of_the_folders(tmp_path, run_micro):
    bar = Bar("=A", area_fraction=0.123456)
    run_micro("atlas", write_folder(tmp_path / "one", [bar]), "--out", tmp_path / "out")
    table = results.read_table(tmp_path / "out" / "atlas.csv", ["bar", "area_fraction"])
    assert table.iloc[0].to_list() == ["=A", 0.123456]
