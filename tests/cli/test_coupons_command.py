"""`micro coupons`: words on stdout, one line a problem on stderr, tables and a figure in a folder."""

import pandas as pd
import pytest

from micro.tables import columns

ROWS = """specimen,coupon,direction,toughness_J,hardness_HRC,temper_C
=bar,1,L,30,60.1,540
=bar,2,L,33,60.2,540
bar P,3,L,30,60.1,540
bar P,4,L,33,60.2,540
bar P,5,L,29,60.0,540
bar P,6,T,21,60.1,540
bar P,7,T,24,60.0,540
bar P,8,T,20,60.3,540
"""


@pytest.fixture
def file(tmp_path):
    path = tmp_path / "coupons.csv"
    path.write_text(ROWS.replace("=bar", "bar Q"))
    return path


def test_words_and_cautions(file, run_micro):
    """The ratio, and who decides about parts."""
    status, said, trouble = run_micro("coupons", file)
    assert (status, trouble) == (0, "")
    assert "bar P: transverse over longitudinal toughness 0.71" in said
    assert "not a certificate" in said
    assert "licensed engineer" in said


def test_tables_and_figure_are_written(file, tmp_path, run_micro):
    out = tmp_path / "out"
    assert run_micro("coupons", file, "--out", out)[0] == 0
    assert {p.name for p in out.iterdir()} == {
        "coupons.csv", "coupons_used.csv", "transverse_ratios.csv", "group_ratios.csv", "coupons.svg", "coupons.png",
    }  # fmt: skip
    assert list(pd.read_csv(out / "transverse_ratios.csv")) == columns.names(columns.TRANSVERSE_RATIOS)
    assert (out / "coupons.png").read_bytes().startswith(b"\x89PNG")
    assert b"<svg" in (out / "coupons.svg").read_bytes()


def test_the_figure_holds_every_coupon_as_a_dot(file):
    from matplotlib.collections import PathCollection
    from matplotlib.figure import Figure

    from micro.comparison.coupon_file import read_coupons
    from micro.comparison.coupons import analyse_coupons
    from micro.report.study_figures import draw_coupons

    axis = Figure().subplots()
    draw_coupons([axis], analyse_coupons(read_coupons(file)))
    dots = [c for c in axis.collections if isinstance(c, PathCollection)]
    heights = sorted(float(y) for group in dots for _, y in group.get_offsets())
    assert heights == [20, 21, 24, 29, 30, 30, 33, 33]


def test_a_problem_is_one_line_and_status_1_and_the_rest_is_told(file, run_micro):
    file.write_text(ROWS)
    status, said, trouble = run_micro("coupons", file)
    assert status == 1
    assert trouble.splitlines() == [
        f"{file} line 2: specimen holds a formula, '=bar'; give its value",
        f"{file} line 3: specimen holds a formula, '=bar'; give its value",
    ]
    assert "bar P, longitudinal: toughness" in said


def test_an_unknown_column_to_group_by_is_status_2(file, run_micro):
    told = f"--by: 'quench' is not a heat-treatment column of {file}; columns there: temper_C\n"
    assert run_micro("coupons", file, "--by", "quench") == (2, "", told)


def test_a_file_that_cannot_be_used_is_one_line(tmp_path, run_micro):
    status, _, said = run_micro("coupons", tmp_path / "none.csv")
    assert status == 1
    assert said.count("\n") == 1
