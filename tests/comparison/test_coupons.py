"""Toughness coupons: the gap between directions, further coupons, hardness, outliers."""

import math

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.power import TTestIndPower

from micro.comparison.coupon_file import Coupons
from micro.comparison.coupon_words import coupon_sentences
from micro.comparison.coupons import _factor_warnings, analyse_coupons
from micro.tables import columns


def coupons(*groups, scale="HRC", **factors):
    """Coupons from (specimen, direction, toughness, hardness) with one hardness or one a coupon."""
    rows = []
    for specimen, direction, toughness, hardness in groups:
        for j, h in zip(toughness, np.broadcast_to(hardness, len(toughness)), strict=True):
            rows.append(
                {
                    "specimen": specimen,
                    "coupon": str(len(rows) + 1),
                    "direction": direction,
                    "toughness": float(j),
                    "censored": False,
                    "hardness": float(h),
                    "line": len(rows) + 2,
                }
            )
    table = pd.DataFrame(rows).assign(**factors)
    return Coupons(table, scale, tuple(factors), ())


ALONG, ACROSS = [30.0, 33.0, 29.0, 31.0, 28.0], [21.0, 24.0, 20.0, 25.0]
BAR = (("P", "longitudinal", ALONG, 60.0), ("P", "transverse", ACROSS, 60.0))


@pytest.fixture
def ratio():
    return analyse_coupons(coupons(*BAR)).ratios.iloc[0]


def test_mean_and_interval_of_each_direction_are_students():
    summary = analyse_coupons(coupons(*BAR)).summary
    row = summary[(summary["direction"] == "transverse") & (summary["quantity"] == "toughness")].iloc[0]
    low, high = stats.t.interval(0.95, 3, np.mean(ACROSS), stats.sem(ACROSS))
    assert (row["mean"], row["ci95_low"], row["ci95_high"]) == pytest.approx((22.5, low, high))
    assert row["std"] == pytest.approx(np.std(ACROSS, ddof=1))
    assert list(summary) == columns.names(columns.COUPONS)


def test_the_transverse_ratio_is_welch_on_logarithms(ratio):
    reference = stats.ttest_ind(np.log(ACROSS), np.log(ALONG), equal_var=False)
    ends = np.exp(reference.confidence_interval(0.95))
    assert ratio["ratio"] == pytest.approx(stats.gmean(ACROSS) / stats.gmean(ALONG))
    assert (ratio["ci95_low"], ratio["ci95_high"]) == pytest.approx(tuple(ends))
    assert ratio["p_value"] == pytest.approx(reference.pvalue)
    assert ratio["verdict"] == "transverse lower"


def test_fieller_is_there_as_a_check(ratio):
    assert ratio["fieller_low"] == pytest.approx(ratio["ci95_low"], abs=0.03)
    assert ratio["fieller_high"] == pytest.approx(ratio["ci95_high"], abs=0.03)
    assert ratio["fieller_low"] < np.mean(ACROSS) / np.mean(ALONG) < ratio["fieller_high"]


def test_further_coupons_agree_with_statsmodels():
    """Equal scatter of the logarithms in both directions; a gap of 10 % is a shift of |ln 0.9|."""
    scatter = np.array([-0.1, 0.0, 0.1, 0.02, -0.02])
    groups = (("P", "longitudinal", 30 * np.exp(scatter), 60), ("P", "transverse", 28 * np.exp(scatter[:4] * 1.0), 60))
    a, b = (np.log(toughness).std(ddof=1) for _, _, toughness, _ in groups)
    row = analyse_coupons(coupons(*groups), gap_pct=10).ratios.iloc[0]
    effect = abs(math.log(0.9)) / math.sqrt((a * a + b * b) / 2)
    wanted = math.ceil(TTestIndPower().solve_power(effect, power=0.8, alpha=0.05))
    assert abs(row["more_longitudinal"] + 5 - wanted) <= 1  # Welch has slightly fewer degrees of freedom
    assert row["more_transverse"] == row["more_longitudinal"] + 1


def test_enough_coupons_need_no_more():
    row = analyse_coupons(coupons(*BAR), gap_pct=60).ratios.iloc[0]
    assert (row["more_longitudinal"], row["more_transverse"]) == (0, 0)


@pytest.mark.parametrize(
    ("groups", "told"),
    [
        ((BAR[0],), "no transverse test bars"),
        ((BAR[1],), "no longitudinal test bars"),
        ((BAR[0], ("P", "transverse", [22.0], 60.0)), "one test bar in a direction: scatter unknown"),
        ((BAR[0], ("P", "transverse", [22.0, 23.0], 60.0)), "only 2 test bars in a direction"),
    ],
)
def test_too_few_coupons_are_said(groups, told):
    analysis = analyse_coupons(coupons(*groups))
    assert told in analysis.ratios["warning"].iloc[0]
    assert any(told in sentence for sentence in coupon_sentences(analysis))


def test_equal_values_do_not_give_an_interval():
    analysis = analyse_coupons(coupons(("P", "longitudinal", [30, 30], 60), ("P", "transverse", [20, 20], 60)))
    row = analysis.ratios.iloc[0]
    assert (row["verdict"], math.isnan(row["ci95_low"])) == ("cannot tell", True)
    assert "no scatter between test bars to judge by" in row["warning"]
    assert all("nan" not in sentence for sentence in coupon_sentences(analysis))


def test_a_difference_in_hardness_is_noted_because_it_confounds():
    softer = np.array([58.0, 58.1, 57.9, 58.0])
    analysis = analyse_coupons(coupons((*BAR[0][:3], [60, 60.1, 59.9, 60, 60]), ("P", "transverse", ACROSS, softer)))
    row = analysis.ratios.iloc[0]
    assert row["hardness_difference"] == pytest.approx(-2.0)
    assert row["hardness_ci95_high"] < 0
    assert "the directions differ in hardness too, which changes toughness by itself" in row["warning"]


def test_an_outlier_is_flagged_and_kept():
    along = [30.0, 31.0, 29.5, 30.5, 30.2, 29.8, 12.0]
    analysis = analyse_coupons(coupons(("P", "longitudinal", along, 60), ("P", "transverse", ACROSS, 60)))
    flagged = analysis.coupons[analysis.coupons["outlier"] != ""]
    assert flagged["toughness"].tolist() == [12.0]
    assert analysis.ratios["coupons_longitudinal"].iloc[0] == 7
    (sentence,) = [s for s in coupon_sentences(analysis) if "it is kept" in s]
    assert "test bar 7 (12.0 J) lies" in sentence
    assert "generalised extreme studentised deviate test on logarithms, 5 %" in sentence


def test_groups_are_compared_with_holm():
    other = (("I", "longitudinal", [20, 22, 19, 21], 60.0), ("I", "transverse", [9, 10, 8, 9.5], 60.0))
    table = analyse_coupons(coupons(*BAR, *other)).groups
    assert table["direction"].tolist() == ["longitudinal", "transverse", "transverse over longitudinal"]
    assert table["p_holm"].to_numpy() == pytest.approx(multipletests(table["p_value"], method="holm")[1])
    assert table["ratio"].iloc[2] == pytest.approx(table["ratio"].iloc[1] / table["ratio"].iloc[0])
    assert (table["verdict"] == "differs").all()
    assert list(table) == columns.names(columns.GROUP_RATIOS)


def test_the_ratio_of_ratios_is_an_interaction():
    """With equal numbers and equal scatter it is the interaction of a 2 × 2 analysis of variance on logarithms."""
    d = np.array([-0.1, 0.0, 0.1])
    means = {("A", "longitudinal"): 3.4, ("A", "transverse"): 3.3, ("B", "longitudinal"): 3.2, ("B", "transverse"): 2.7}
    cells = [(*key, np.exp(mean + d), 60.0) for key, mean in means.items()]
    row = analyse_coupons(coupons(*cells)).groups.iloc[2]
    t = 0.4 / math.sqrt(4 * d.var(ddof=1) / 3)
    assert row["ratio"] == pytest.approx(math.exp(-0.4))
    assert row["p_value"] == pytest.approx(2 * stats.t.sf(t, 8))


def test_heat_treatment_mixed_with_direction_is_said():
    row = analyse_coupons(coupons(*BAR, temper_C=["540"] * 5 + ["200"] * 4)).ratios.iloc[0]
    assert "temper_C is not the same in both directions, so its effect is mixed with theirs" in row["warning"]


def test_grouping_by_heat_treatment_keeps_it_apart():
    table = coupons(*BAR, *BAR, temper_C=["540"] * 9 + ["200"] * 9)
    pooled = analyse_coupons(table).ratios
    assert pooled["warning"].iloc[0] == "test bars of several temper_C are pooled"
    apart = analyse_coupons(table, by=["temper_C"]).ratios
    assert apart["group"].tolist() == ["P, temper_C 540", "P, temper_C 200"]
    assert apart["warning"].tolist() == ["", ""]


def test_a_remark_of_its_own_for_each_coupon_is_no_factor():
    row = analyse_coupons(coupons(*BAR, remark=[str(i) for i in range(9)])).ratios.iloc[0]
    assert row["warning"] == ""


def test_words_say_gap_power_and_further_coupons():
    said = coupon_sentences(analyse_coupons(coupons(*BAR)))
    assert said[0] == (
        "P: transverse over longitudinal toughness 0.74 (95 % interval 0.63 to 0.87); the gap is beyond scatter."
    )
    assert "P, longitudinal: toughness 30.2 J (95 % interval 27.8 to 32.6; s = 1.92, 5 test bars)." in said
    assert any(s.startswith("P: such test bars show a gap of ") and "power of 80 %" in s for s in said)


@pytest.mark.study
def test_the_ratio_covers_the_truth_and_the_gap_is_found_as_computed():
    """2000 simulated sets of 5 coupons a direction, 8 % lognormal scatter, true ratio 0.85."""
    rng = np.random.default_rng(4)
    covered = fieller_covered = 0
    for _ in range(2000):
        along, across = 30 * np.exp(0.08 * rng.standard_normal(5)), 25.5 * np.exp(0.08 * rng.standard_normal(5))
        row = analyse_coupons(coupons(("P", "longitudinal", along, 60), ("P", "transverse", across, 60))).ratios.iloc[0]
        covered += row["ci95_low"] <= 0.85 <= row["ci95_high"]
        fieller_covered += row["fieller_low"] <= 0.85 <= row["fieller_high"]
    print(f"covered {covered / 2000:.3f}, Fieller {fieller_covered / 2000:.3f}")
    assert 0.93 <= covered / 2000 <= 0.97
    assert 0.93 <= fieller_covered / 2000 <= 0.97


def test_hardness_of_one_direction_alone_gives_no_difference():
    """Nothing to compare is nothing to warn of."""
    row = analyse_coupons(coupons(BAR[0], ("P", "transverse", ACROSS, np.nan))).ratios.iloc[0]
    assert math.isnan(row["hardness_difference"])
    assert "hardness" not in row["warning"]


def test_hardness_measured_once_in_each_direction_warns():
    """One value a direction has no scatter: a difference then cannot be ruled out."""
    once = [60.0, *[np.nan] * 4], [58.0, *[np.nan] * 3]
    analysis = analyse_coupons(coupons(("P", "longitudinal", ALONG, once[0]), ("P", "transverse", ACROSS, once[1])))
    row = analysis.ratios.iloc[0]
    assert row["hardness_difference"] == pytest.approx(-2)
    assert "a difference in hardness cannot be ruled out" in row["warning"]
    assert any("-2 HRC, without an interval" in line for line in coupon_sentences(analysis))


@pytest.mark.parametrize(
    ("across", "parted"),
    [([26.9, 13.3, 23.3, 27.3], True), ([20.6, 19.1, 24.5, 29.8], True), ([20.0, 21.0, 19.0, 20.0], False)],
)
def test_where_the_two_intervals_part_it_is_said(across, parted):
    """One of Welch on logarithms and Fieller on plain means holds 1, the other does not."""
    along = [31.5, 28.9, 38.0, 36.6] if across[0] > 25 else [26.8, 38.7, 28.7, 38.0]
    groups = (("P", "longitudinal", along, 60.0), ("P", "transverse", across, 60.0))
    row = analyse_coupons(coupons(*groups)).ratios.iloc[0]
    held = [row[f"{name}_low"] <= 1 <= row[f"{name}_high"] for name in ("ci95", "fieller")]
    assert (held[0] != held[1]) == parted
    assert ("the ratio of plain means (Fieller) does not agree" in row["warning"]) == parted


@pytest.mark.parametrize(
    ("scatter", "gap_pct", "words"),
    [(0.001, 10, "there are enough."), (1.5, 0.5, "no number of test bars that anyone would break suffices.")],
)
def test_whether_further_coupons_can_help_is_said(scatter, gap_pct, words):
    """A gap is seen at once with hardly any scatter, and never with a scatter of hundreds of times the gap."""
    steps = np.exp(scatter * np.array([-1.0, 0.5, -0.5, 1.0, 0.0]))
    groups = (("P", "longitudinal", 30 * steps, 60.0), ("P", "transverse", 25 * steps, 60.0))
    assert any(line.endswith(words) for line in coupon_sentences(analyse_coupons(coupons(*groups), gap_pct)))


def test_outliers_are_looked_for_on_logarithms():
    """Toughness scatters by a share: evenly rising logarithms hold no outlier, however far the last value lies."""
    along = [5.0, 8.0, 12.0, 20.0, 31.0, 48.0, 75.0, 300.0]
    analysis = analyse_coupons(coupons(("P", "longitudinal", along, 60), ("P", "transverse", ACROSS, 60)))
    assert (analysis.coupons["outlier"] == "").all()


@pytest.mark.parametrize(("coupons", "warned"), [(2, 1), (3, 0), (4, 0)])
def test_a_factor_that_only_names_the_coupons_is_no_factor(coupons, warned):
    """Three coupons and more, each with a value of its own: a running number. Two that differ may be two treatments."""
    own = pd.DataFrame({"direction": ["longitudinal", "transverse"] * 2, "oven": ["1", "2", "3", "4"]})[:coupons]
    assert len(_factor_warnings(own, ["oven"])) == warned
