"""What cannot be used for the answer is one line; the rest of the answer stands."""

import dataclasses

import pandas as pd
import pytest

from micro import results
from micro.analysis import PointCount, analyse_study, write_analysis
from micro.study.model import Specimen, Study
from micro.tables import columns

EMPTY = {
    "particles": columns.empty(columns.PARTICLES),
    "fields": columns.empty(columns.FIELDS),
    "specimens": columns.empty(columns.SPECIMENS),
}
COUPONS = "specimen,direction,toughness_J\nP,longitudinal,30\nP,longitudinal,31\nP,transverse,20\nP,sideways,9\n"


@pytest.fixture
def study():
    return Study("A study", (Specimen("A", ()),), "pictures")


def test_a_study_without_measurements_compares_nothing(study):
    """Tables with their columns and no rows; nothing that the study does not name."""
    answer = analyse_study(study, (), EMPTY, PointCount(None, ("tally: cannot be read",)))
    assert answer.specimens == ()
    assert answer.comparison.empty
    assert list(answer.chemistry) == columns.names(columns.CHEMISTRY)
    assert (answer.coupons, answer.structure, answer.count) == (None, None, None)
    assert answer.troubles == ("tally: cannot be read",)


def test_coupons_that_cannot_be_read_are_one_line(study, tmp_path):
    """The study goes on without them."""
    study = dataclasses.replace(study, coupons=tmp_path / "none.csv")
    answer = analyse_study(study, (), EMPTY, PointCount(None))
    assert answer.coupons is None
    (trouble,) = answer.troubles
    assert trouble.startswith(f"{tmp_path / 'none.csv'}: cannot be read")


def test_a_composition_that_is_no_steel_is_one_line(study):
    """Chemistry of the other specimens stands."""
    rows = [{"specimen": name, "carbide_class": "all", "quantity": "area_fraction", "mean": 0.1} for name in ("A", "B")]
    specimens = pd.DataFrame(rows).reindex(columns=columns.names(columns.SPECIMENS))
    bars = (
        Specimen("A", (), composition={"C": 1.0, "Xx": 5.0}),
        Specimen("B", (), composition={"C": 1.5, "Cr": 12.0}),
        Specimen("C", (), composition={"C": 1.5, "Cr": 12.0}),
    )
    answer = analyse_study(
        dataclasses.replace(study, specimens=bars), (), EMPTY | {"specimens": specimens}, PointCount(None)
    )
    assert set(answer.chemistry["specimen"]) == {"B"}
    (trouble,) = answer.troubles
    assert "'Xx' is no element of steel" in trouble


def test_tables_of_an_earlier_answer_do_not_stay(study, tmp_path):
    """A study that no longer names coupons leaves none of their tables; one that does writes them."""
    path = tmp_path / "c.csv"
    path.write_text(COUPONS)
    named = analyse_study(dataclasses.replace(study, coupons=path), (), EMPTY, PointCount(None))
    assert ["sideways" in trouble for trouble in named.troubles] == [True, False]
    assert "direction 'sideways' is unknown" in named.troubles[0]
    out = tmp_path / "out"
    write_analysis(named, out)
    assert {p.name for p in out.iterdir()} == {"coupons.csv", "coupons_used.csv", "transverse_ratios.csv"}
    ratios = results.read_table(out / "transverse_ratios.csv", columns.names(columns.TRANSVERSE_RATIOS))
    assert ratios["ratio"][0] == pytest.approx(20 / (30 * 31) ** 0.5)
    write_analysis(analyse_study(study, (), EMPTY, PointCount(None)), out)
    assert list(out.iterdir()) == []
