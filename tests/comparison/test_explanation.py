"""What the transverse ratio goes with: nothing that chance, other quantities or the route give as well."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from micro.analysis import COARSE, structure_against_toughness
from micro.comparison.explanation import ROUTE, explanations, told_apart
from micro.report.explanation import explanation_sentence
from micro.statistics.ranks import closer_p_value


def points(ratio, half=0.0, route=None, **quantities):
    """Bars with these values, each ± `half` of the range of its quantity."""
    rows = []
    for quantity, values in quantities.items():
        wide = half * np.ptp(values)
        for bar, (x, y) in enumerate(zip(values, ratio, strict=True)):
            rows.append(
                {
                    "quantity": quantity,
                    "unit": "",
                    "specimen": f"S{bar}",
                    "route": route[bar] if route else "",
                    "x": x,
                    "x_low": x - wide,
                    "x_high": x + wide,
                    "ratio": y,
                    "ratio_low": y,
                    "ratio_high": y,
                }
            )
    return pd.DataFrame(rows)


FALLING = np.linspace(0.9, 0.4, 8)
MIXED = np.array([3.0, 7, 1, 5, 8, 2, 6, 4])


def test_a_cause_alone_is_named_and_told_from_the_rest():
    found = explanations(points(FALLING, banding_beyond_random=np.arange(8.0), area_fraction=MIXED))
    assert found["banding_beyond_random"].falls and found["banding_beyond_random"].rivals == ()
    assert not found["area_fraction"].falls
    told = explanation_sentence(points(FALLING, banding_beyond_random=np.arange(8.0), area_fraction=MIXED))
    assert "the ratio falls as the banding beyond random rises. It goes with the banding beyond random more clo" in told


def test_quantities_that_rank_alike_are_not_told_from_each_other():
    both = points(FALLING, banding_beyond_random=np.arange(8.0), anisotropy_index=np.arange(8.0) ** 2)
    found = explanations(both)
    assert found["banding_beyond_random"].rivals == ("anisotropy_index",)
    assert found["anisotropy_index"].rivals == ("banding_beyond_random",)
    assert "do not tell the anisotropy index from the banding beyond random" in explanation_sentence(both)


def test_powder_against_ingot_is_no_order_of_banding():
    """Six even and six banded bars: within a route neither banding nor the ratio goes any way."""
    banding = np.array([0.0, 0.002, 0.001, 0.003, 0.005, 0.004, 0.2, 0.22, 0.19, 0.21, 0.23, 0.24])
    ratio = np.array([0.95, 0.93, 0.9, 0.96, 0.94, 0.91, 0.52, 0.55, 0.5, 0.53, 0.54, 0.51])
    routes = ["powder-metallurgy"] * 6 + ["conventional"] * 6
    found = explanations(points(ratio, route=routes, banding_beyond_random=banding))["banding_beyond_random"]
    assert found.falls and found.rivals == (ROUTE,)
    told = explanation_sentence(points(ratio, route=routes, banding_beyond_random=banding))
    assert "do not tell the banding beyond random from the route (powder or ingot)" in told


def test_bars_that_are_not_told_apart_show_no_order():
    """Perfect order of values within each other's intervals: by chance, and so said."""
    alike = points(FALLING, half=1.0, anisotropy_index=1 + 0.001 * np.arange(8))
    assert not told_apart(alike)
    told = explanation_sentence(alike)
    assert "falls as" not in told
    assert "not told apart in the anisotropy index: whether that explains it they cannot tell" in told


def test_bars_of_one_value_are_told_apart_in_one_study_of_twenty():
    """Cochran's Q with known uncertainties is χ²: 2 000 studies of six bars, three standard errors."""
    rng = np.random.default_rng(1)
    rows = pd.DataFrame({"x_low": -1.96, "x_high": 1.96}, index=range(6))
    told = [told_apart(rows.add(x, axis=0).assign(x=x)) for x in rng.standard_normal((2000, 6))]
    assert np.mean(told) == pytest.approx(0.05, abs=0.015)


def test_p_is_that_among_all_that_is_asked():
    """Five bars in perfect order have p = 2/5! alone, and four times that among four questions: nothing is shown."""
    rng = np.random.default_rng(2)
    others = {
        name: rng.permutation(5.0 + np.arange(5)) for name in ("area_fraction", "anisotropy_index", "largest_ecd")
    }
    asked = points(FALLING[:5], banding_beyond_random=np.arange(5.0), **others)
    assert explanations(asked)["banding_beyond_random"].p_holm == pytest.approx(4 * 2 / 120)
    told = explanation_sentence(asked)
    assert "even a perfect order in one of the 4 quantities asked comes up by chance with p = 0.067" in told


@pytest.mark.parametrize(("bars", "most"), [(8, 0.08), (12, 0.07)])
def test_equal_correlations_are_seldom_told_apart(bars, most):
    """Trivariate normal, all three correlations 0.6: 5 % of samples, and three standard errors of 1 000 more."""
    rng = np.random.default_rng(bars)
    root = np.linalg.cholesky(np.full((3, 3), 0.6) + 0.4 * np.eye(3))
    found = [closer_p_value(*(root @ rng.standard_normal((3, bars)))) < 0.05 for _ in range(1000)]
    assert np.mean(found) < most


def test_williams_t_by_hand():
    """The formula with numpy's determinant, and Student's t with n - 3 degrees of freedom."""
    shared, first, second = [1, 2, 3, 4, 5], [5, 4, 3, 1, 2], [4, 3, 5, 2, 1]
    r = np.corrcoef([shared, first, second])
    determinant = np.linalg.det(r)
    mean = (r[0, 1] + r[0, 2]) / 2
    t = (r[0, 1] - r[0, 2]) * np.sqrt(4 * (1 + r[1, 2]) / (4 * determinant + mean**2 * (1 - r[1, 2]) ** 3))

    assert closer_p_value(shared, first, second) == pytest.approx(2 * stats.t.sf(abs(t), 2))


def test_unequal_numbers_of_fields_ask_for_coarse_carbides_in_place_of_the_largest():
    """The largest seen grows with the area searched."""
    names, ratios = ["A", "B", "C"], pd.DataFrame({"group": ["A", "B", "C"], "ratio": [0.9, 0.7, 0.5]})
    ratios = ratios.assign(ci95_low=0.4, ci95_high=1.0)
    rows = [
        {"specimen": n, "carbide_class": "all", "quantity": q, "unit": "µm", "mean": 5.0, "ci95_low": 4.0,
         "ci95_high": 6.0, "fields": fields}
        for q in ("largest_ecd", COARSE) for n, fields in zip(names, (4, 4, 8), strict=True)
    ]  # fmt: skip
    assert set(structure_against_toughness(pd.DataFrame(rows), ratios)["quantity"]) == {COARSE}
    alike = pd.DataFrame(rows).assign(fields=4)
    assert set(structure_against_toughness(alike, ratios)["quantity"]) == {"largest_ecd"}


def test_coarser_carbides_are_no_bands(specimen):
    """Both bars as chance has them, the one twice as contrasted: no difference in banding, which is what is judged."""
    from micro.comparison.pairs import compare

    rng = np.random.default_rng(5)
    even = [specimen(name, rng) for name in "AB"]
    for one, contrast in zip(even, (0.13, 0.27), strict=True):
        one.fields["band_contrast"] = contrast * (1 + 0.1 * rng.standard_normal(8))
        one.fields["band_contrast_at_random"] = contrast
    rows = compare(even).set_index("quantity")
    assert rows.loc["band_contrast", "p_value"] < 0.001
    assert rows.loc["band_contrast", "verdict"] == "shown only"
    assert rows.loc["banding_beyond_random", "verdict"] == "cannot tell"


def test_errors_of_the_points_widen_an_interval_outwards():
    """Bars whose x and ratio follow one law wholly, each read with an error: the interval holds 1 in 95 % or more.

    Errors as large as the bars scatter leave a rank correlation of 0.5; without, it would hold in one of five.
    """
    rng = np.random.default_rng(4)
    held = 0
    for _ in range(100):
        true = rng.standard_normal(10)
        x, log_ratio = true + rng.standard_normal(10), -0.2 * true
        rows = pd.DataFrame({"quantity": "area_fraction", "specimen": [f"S{i}" for i in range(10)], "route": "",
                             "x": x, "x_low": x - 1.96, "x_high": x + 1.96, "ratio": np.exp(log_ratio)})  # fmt: skip
        rows = rows.assign(ratio_low=rows["ratio"] * 0.999, ratio_high=rows["ratio"] * 1.001)
        held += explanations(rows)["area_fraction"].rank.ci95_low < -0.99
    assert held >= 90
