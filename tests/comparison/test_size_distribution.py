"""Size distributions of several specimens on one axis."""

import dataclasses

import numpy as np
import pytest
from scipy import special, stats

from micro.comparison.pairs import size_distributions


@pytest.fixture
def specimens(specimen):
    rng = np.random.default_rng(3)
    return [specimen("A", rng, carbides={}), specimen("B", rng, carbides={"middle_um": 4.0})]


def curve(table, specimen, weighting):
    chosen = (table["specimen"] == specimen) & (table["weighting"] == weighting)
    return table[chosen].reset_index(drop=True)


@pytest.mark.parametrize("weighting", ["number", "area"])
def test_the_cumulative_share_counts_carbides(specimens, weighting):
    found = curve(size_distributions(specimens), "A", weighting)
    d = specimens[0].particles["ecd_um"].to_numpy()
    weight = d**2 if weighting == "area" else np.ones_like(d)
    by_hand = [weight[d < edge].sum() / weight.sum() for edge in found["ecd_um"]]
    assert found["share"].to_numpy() == pytest.approx(by_hand)
    assert found["share"].iloc[-1] == pytest.approx(1)


def test_both_specimens_stand_on_one_axis_inside_their_bands(specimens):
    table = size_distributions(specimens)
    a, b = (curve(table, name, "area") for name in "AB")
    assert a["ecd_um"].tolist() == b["ecd_um"].tolist()
    for one in (a, b):
        seen = one[one["ci95_low"].notna()]
        assert len(seen) > 8
        assert ((seen["ci95_low"] < seen["share"]) & (seen["share"] < seen["ci95_high"])).all()
        assert one.loc[one["ci95_low"].isna(), "share"].isin([0.0, 1.0]).all()


def test_the_band_is_the_jackknife_over_fields(specimens):
    """At one diameter, leaving out one field at a time by hand; Student's t with 7 degrees of freedom on the logit."""
    found = curve(size_distributions(specimens), "A", "number")
    row = found.iloc[len(found) // 2]
    carbides = specimens[0].particles
    below = carbides["ecd_um"] < row["ecd_um"]
    left_out = [below[carbides["field"] != field].mean() for field in carbides["field"].unique()]
    error = np.sqrt(7 / 8 * np.square(left_out - np.mean(left_out)).sum())
    share = below.mean()
    half = stats.t.ppf(0.975, 7) * error / (share * (1 - share))
    ends = special.expit(special.logit(share) + np.array([-half, half]))
    assert (row["ci95_low"], row["ci95_high"]) == pytest.approx(tuple(ends))


def test_only_carbides_above_the_coarser_resolution_enter(specimen):
    rng = np.random.default_rng(3)
    table = size_distributions([specimen("A", rng, carbides={}), specimen("B", rng, carbides={}, um_per_px=0.5)])
    found = curve(table, "A", "number")
    # 1.4 µm is the smallest diameter that 0.5 µm pixels count.
    assert (found["share"] > 0).tolist() == (found["ecd_um"] > 1.4).tolist()


def test_one_field_has_no_band(specimen):
    one = specimen("A", np.random.default_rng(3), fields=1, carbides={})
    assert size_distributions([one])[["ci95_low", "ci95_high"]].isna().all(axis=None)


def test_no_carbides_give_an_empty_table(specimen):
    one = specimen("A", np.random.default_rng(3))
    table = size_distributions([one])
    assert table.empty
    assert "ecd_um" in table
    assert size_distributions([]).empty


def test_cut_carbides_weigh_nothing(specimens):
    one = specimens[0]
    cut = one.particles.assign(ecd_um=0.01, weight=0.0)
    both = dataclasses.replace(one, particles=type(cut)(np.concatenate([one.particles, cut]), columns=cut.columns))
    both = dataclasses.replace(both, particles=both.particles.infer_objects())
    whole = curve(size_distributions([one]), "A", "number")
    assert curve(size_distributions([both]), "A", "number").equals(whole)


def test_a_specimen_whose_carbides_are_all_cut_has_no_curve(specimens):
    a, b = specimens
    a.particles["weight"] = 0.0
    assert set(size_distributions([a, b])["specimen"]) == {"B"}


def covered(specimen, studies, fields):
    """Share of studies whose band holds the true cumulative share, at the classes near 20, 50 and 80 %."""
    rng = np.random.default_rng(5)
    hits = []
    for _ in range(studies):
        table = size_distributions([specimen("A", rng, fields=fields, carbides={})])
        found = curve(table, "A", "number")
        truth = stats.lognorm(0.4, scale=2.0).cdf(found["ecd_um"])
        inside = (found["ci95_low"] <= truth) & (truth <= found["ci95_high"])
        hits += [inside[np.argmin(abs(truth - share))] for share in (0.2, 0.5, 0.8)]
    return np.mean(hits)


def test_bands_cover_the_truth(specimen):
    assert covered(specimen, 25, 8) >= 0.85


@pytest.mark.study
@pytest.mark.parametrize("fields", [5, 8, 20])
def test_bands_cover_the_truth_in_93_to_97_percent(specimen, fields):
    """300 studies at three sizes each."""
    share = covered(specimen, 300, fields)
    print(f"{fields} fields: covered {share:.3f}")
    assert 0.93 <= share <= 0.97
