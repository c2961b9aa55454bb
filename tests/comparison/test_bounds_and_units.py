"""Test bars that did not break, and toughness in other units than J."""

import math

import numpy as np
import pytest
from scipy import stats

from micro.comparison.coupon_file import read_coupons
from micro.comparison.coupon_words import coupon_sentences
from micro.comparison.coupons import analyse_coupons
from micro.errors import InputError

HEAD = "specimen,coupon,direction,toughness_J\n"


def written(tmp_path, text):
    path = tmp_path / "c.csv"
    path.write_text(text, encoding="utf8")
    return path


def bars(direction, cells):
    return "".join(f"A,{direction[0]}{n},{direction},{cell}\n" for n, cell in enumerate(cells))


def test_more_than_is_kept_as_more_than(tmp_path):
    coupons = read_coupons(written(tmp_path, HEAD + bars("longitudinal", [">300", "> 300", "≥250", "280", "1e2"])))
    assert coupons.problems == ()
    assert coupons.table["toughness"].tolist() == [300, 300, 250, 280, 100]
    assert coupons.table["censored"].tolist() == [True, True, True, False, False]


def test_less_than_is_refused_in_words(tmp_path):
    path = written(tmp_path, HEAD + bars("longitudinal", ["<5", "20"]))
    assert "toughness_J is '<5', known only to be less" in read_coupons(path).problems[0]


def test_the_mean_with_bounds_is_that_of_largest_likelihood(tmp_path):
    """Leaving the bars out, or taking 300 for their toughness, would both read too low (SciPy's censored fit)."""
    values, beyond = [210.0, 240.0, 265.0, 290.0], 2
    text = HEAD + bars("longitudinal", [*map(str, values), *[">300"] * beyond])
    analysis = analyse_coupons(read_coupons(written(tmp_path, text)))
    row = analysis.summary.iloc[0]
    expected, _ = stats.norm.fit(stats.CensoredData(uncensored=values, right=[300.0] * beyond))
    assert row["mean"] == pytest.approx(expected, rel=1e-4)
    assert row["mean"] > np.mean([*values, 300, 300])
    assert row["ci95_high"] - row["mean"] == pytest.approx(row["mean"] - row["ci95_low"])
    assert row["ci95_low"] < row["mean"]
    assert (row["coupons"], row["beyond"]) == (6, 2)
    assert "2 of 6 test bars only known to be more than their value" in " ".join(coupon_sentences(analysis))


def test_the_ratio_with_bounds_holds_the_truth_and_says_so(tmp_path):
    rng = np.random.default_rng(4)
    along, across = 250 * np.exp(0.1 * rng.standard_normal(8)), 150 * np.exp(0.1 * rng.standard_normal(8))
    cells = [f"{v:.1f}" if v < 260 else ">260" for v in along]
    text = HEAD + bars("longitudinal", cells) + bars("transverse", [f"{v:.1f}" for v in across])
    row = analyse_coupons(read_coupons(written(tmp_path, text))).ratios.iloc[0]
    assert any(cell.startswith(">") for cell in cells)
    assert row["ci95_low"] < 0.6 < row["ci95_high"] < 1
    assert row["verdict"] == "transverse lower"
    assert "are only known to be tougher than their value" in row["warning"]


def test_a_direction_of_which_nothing_broke_has_no_ratio(tmp_path):
    text = HEAD + bars("longitudinal", [">300"] * 4) + bars("transverse", ["200", "220", "180", "190"])
    analysis = analyse_coupons(read_coupons(written(tmp_path, text)))
    row = analysis.ratios.iloc[0]
    assert math.isnan(row["ratio"])
    assert row["verdict"] == "cannot tell"
    assert "too few broke to tell a mean" in row["warning"]
    assert "no mean: 4 of 4 test bars" in " ".join(coupon_sentences(analysis))


UNITS = {
    "toughness_ft_lbf": ("J", 0.3048 * 4.4482216152605),
    "toughness_J/cm²": ("J/cm²", 1.0),
    "toughness_kJ_per_m2": ("J/cm²", 0.1),
    "toughness_ft_lbf_per_in2": ("J/cm²", 0.3048 * 4.4482216152605 / 2.54**2),
    "K_Ic_MPa_sqrt_m": ("MPa·√m", 1.0),
    "K_Ic (ksi·√in)": ("MPa·√m", 4448.2216152605 / 0.0254**2 * 1e-6 * math.sqrt(0.0254)),
}


@pytest.mark.parametrize("header", UNITS)
def test_every_unit_is_read_and_told(header, tmp_path):
    """Factors from the inch of 25.4 mm, the foot of 12 inches and the pound-force of 4.448... N, all exact."""
    unit, factor = UNITS[header]
    text = (
        f"specimen,coupon,direction,{header}\n" + bars("longitudinal", ["20", "22"]) + bars("transverse", ["9", "10"])
    )
    coupons = read_coupons(written(tmp_path, text))
    assert coupons.unit == unit
    assert coupons.table["toughness"].iloc[0] == pytest.approx(20 * factor, rel=1e-9)
    analysis = analyse_coupons(coupons)
    assert set(analysis.summary["unit"]) == {unit}
    assert f" {unit} (95 % interval" in " ".join(coupon_sentences(analysis))


def test_two_kinds_of_test_in_one_file_are_refused(tmp_path):
    text = "specimen,direction,toughness_J,K_Ic_MPa_sqrt_m\nA,L,30,20\n"
    with pytest.raises(InputError, match=r"holds toughness in J and in MPa·√m; keep one kind of test in a file"):
        read_coupons(written(tmp_path, text))


def test_the_table_of_what_was_used_names_the_unit(tmp_path):
    text = "specimen,direction,K_Ic_MPa_sqrt_m\nA,L,>30\nA,T,20\n"
    used = analyse_coupons(read_coupons(written(tmp_path, text))).used
    assert used["K_Ic_MPa_sqrt_m"].tolist() == [30, 20]
    assert used["censored"].tolist() == [1, 0]
