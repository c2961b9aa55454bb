"""What the matrix keeps, against the mass balance by hand, values of the trade, and truths drawn by the test itself."""

import numpy as np
import pandas as pd
import pytest

from micro.carbides import BALANCED, CarbideOverride, CarbideRange, carbide_ranges
from micro.comparison.matrix import MeasuredFraction, matrix_composition, matrix_table
from micro.errors import UsageError
from micro.tables import columns

INGOT_CAST = {"C": 1.5, "Cr": 12.0}
POWDER_MADE = {"C": 0.8, "V": 2.75, "Cr": 7.5}
EXACT = {"Pure": CarbideRange("Pure", (6.9, 6.9), {"Cr": (46, 46), "C": (8.7, 8.7)}, frozenset({"Cr"}))}


def kept(composition, ranges=None, **fractions):
    """Rows (value, low, high) by element."""
    given = {
        name: MeasuredFraction(*v) if isinstance(v, tuple) else MeasuredFraction(v, v, v)
        for name, v in fractions.items()
    }
    found = matrix_composition(composition, given, ranges or carbide_ranges())
    return dict(zip(BALANCED, zip(found.value, found.low, found.high, strict=True), strict=True)) | {
        "possible": found.possible
    }


def test_the_balance_by_hand():
    """12 vol% at 6.9 in a matrix of 7.7 to 7.85 g/cm³: w = 0.828/(0.828 + 0.88 ρ), and Cr = (12 − 46 w)/(1 − w)."""
    ends = [(12 - 46 * w) / (1 - w) for w in (0.828 / (0.828 + 0.88 * rho) for rho in (7.7, 7.85))]
    value, low, high = kept(INGOT_CAST, EXACT, Pure=0.12)["Cr"]
    assert ends[0] < low < value < high < ends[1]
    assert value == pytest.approx(np.mean(ends), abs=0.002)


def test_a_steel_of_12_chromium_with_12_percent_m7c3():
    """About 7.5 % Cr (6.6 to 8.4) and 0.67 % C (0.57 to 0.76) stay in solution (handbook ranges, from memory)."""
    found = kept(INGOT_CAST, M7C3=0.12)
    assert 6.6 < found["Cr"][0] < 8.4
    assert 0.57 < found["C"][0] < 0.76
    assert found["Cr"][1] < 7.5 < found["Cr"][2]
    assert found["possible"] == 1


def test_a_steel_whose_only_carbide_is_mc_keeps_its_chromium():
    """7.5 % Cr with 5 vol% MC keeps about all of it, no less than the steel of 12 % Cr surely does (practice)."""
    powder, ingot = kept(POWDER_MADE, MC=0.05)["Cr"], kept(INGOT_CAST, M7C3=0.12)["Cr"]
    assert powder[0] == pytest.approx(7.5, abs=0.05)
    assert powder[1] > ingot[1]


def test_the_balance_by_hand_says_the_same_of_it_and_rejection_moves_nothing():
    """W = 0.05·5.85/(0.05·5.85 + 0.95·7.775) = 3.81 %; (7.5 - 0.0381·c)/(1 - 0.0381) for c of 4, 7 and 10 % Cr in MC.

    The fraction known to 6 % leaves 99.5 in 100 combinations possible; the mean stays.
    """
    weight = 0.05 * 5.85 / (0.05 * 5.85 + 0.95 * 7.775)
    most, middle, least = ((7.5 - weight * c) / (1 - weight) for c in (4, 7, 10))
    exact, measured = kept(POWDER_MADE, MC=0.05), kept(POWDER_MADE, MC=(0.05, 0.047, 0.053, 7))
    assert exact["Cr"][0] == pytest.approx(middle, abs=0.003)
    assert (exact["Cr"][1], exact["Cr"][2]) == pytest.approx((least, most), abs=0.02)
    assert measured["Cr"][0] == pytest.approx(exact["Cr"][0], abs=0.002)
    assert 0.98 < measured["possible"] < 1


def test_no_carbide_holds_more_than_all_of_itself():
    """V 68, Cr 10, Mo 9, W 12, C 17: upper ends that add up to 116 % are scaled to 100."""
    tops = {"V": (68, 68), "Cr": (10, 10), "Mo": (9, 9), "W": (12, 12), "C": (17, 17)}
    full = CarbideRange("Full", (5.85, 5.85), tops, frozenset(tops))
    steel = {"C": 2.0, "Cr": 8.0, "Mo": 3.0, "W": 3.0, "V": 6.0}
    found = kept(steel, {"Full": full}, Full=0.05)
    shares = {e: tops[e][0] / 1.16 for e in tops}
    weights = [0.05 * 5.85 / (0.05 * 5.85 + 0.95 * rho) for rho in (7.85, 7.7)]
    low, high = sorted((8.0 - w * shares["Cr"]) / (1 - w) for w in weights)
    assert low - 1e-6 <= found["Cr"][0] <= high + 1e-6


def test_without_carbide_the_matrix_is_the_steel():
    found = kept(INGOT_CAST, M7C3=0.0)
    assert found["Cr"] == pytest.approx((12, 12, 12))


def test_a_wider_interval_of_the_fraction_widens_what_is_left():
    sure, unsure = kept(INGOT_CAST, M7C3=0.12)["C"], kept(INGOT_CAST, M7C3=(0.12, 0.10, 0.14, 7))["C"]
    assert unsure[2] - unsure[1] > 1.5 * (sure[2] - sure[1])


def test_combinations_that_leave_less_than_nothing_are_rejected():
    """So much vanadium carbide cannot be: 2.75 % V make at most about 5.9 vol% (mass balance of pure VC)."""
    some = kept(POWDER_MADE, MC=(0.06, 0.05, 0.07))
    assert 0.05 < some["possible"] < 0.95
    assert min(some[e][1] for e in BALANCED) >= 0
    none = kept(POWDER_MADE, MC=0.12)
    assert none["possible"] == 0
    assert np.isnan(none["Cr"]).all()


def test_an_element_that_the_steel_lacks_is_in_no_carbide():
    found = kept(INGOT_CAST, M7C3=0.12)
    assert found["V"] == found["Mo"] == (0, 0, 0)


def test_accompanying_metal_is_no_more_than_the_steel_has():
    """M7C3 of a steel with 0.1 % V holds less than the 3 % V of richer steels; the balance does not break on it."""
    found = kept(INGOT_CAST | {"V": 0.1}, M7C3=0.12)
    assert found["possible"] == 1
    assert 0 <= found["V"][1] < found["V"][2] < 0.1 / 0.88


def test_niobium_goes_into_mc_up_to_all_there_is():
    found = kept({"C": 0.95, "Cr": 4, "V": 2.0, "Nb": 0.5}, MC=0.02)
    assert found["Nb"][1] < 0.05
    assert found["Nb"][2] > 0.45


def test_the_same_tables_give_the_same_numbers():
    once, again = kept(INGOT_CAST, M7C3=0.12), kept(INGOT_CAST, M7C3=0.12)
    assert once == again


def drawn_studies(rng, studies, fields=8):
    """Steels with a known matrix: contents and densities even in their ranges, fractions seen by so many fields."""
    kind = carbide_ranges()["M7C3"]
    for _ in range(studies):
        volume = rng.uniform(0.08, 0.14)
        carbide = np.array([rng.uniform(*kind.contents[e]) if e in kind.contents else 0.0 for e in BALANCED])
        matrix = np.array(
            [rng.uniform(5, 9), rng.uniform(0.6, 1.2), 0, rng.uniform(0.3, 0.8), 0, rng.uniform(0.4, 0.8)]
        )
        carbide[2] = 0.0
        mass = volume * rng.uniform(*kind.density_g_cm3)
        weight = mass / (mass + (1 - volume) * rng.uniform(7.7, 7.85))
        steel = weight * carbide + (1 - weight) * matrix
        seen = volume * (1 + 0.12 * rng.standard_normal(fields))
        half = 2.3646 * seen.std(ddof=1) / np.sqrt(fields)  # t(0.975, 7)
        measured = MeasuredFraction(seen.mean(), seen.mean() - half, seen.mean() + half, fields - 1)
        yield dict(zip(BALANCED, steel, strict=True)), measured, matrix


def test_intervals_hold_the_truth():
    """Of 600 invented steels of M7C3, 95 % intervals of Cr, Mo, V and C hold the true matrix 93 to 97 times in 100."""
    held = []
    for steel, measured, truth in drawn_studies(np.random.default_rng(7), 600):
        found = matrix_composition(steel, {"M7C3": measured}, carbide_ranges(), draws=2000)
        held.append((found.low <= truth) & (truth <= found.high))
    share = dict(zip(BALANCED, np.mean(held, axis=0), strict=True))
    assert all(0.93 <= share[element] <= 0.97 for element in ("Cr", "Mo", "V", "C")), share


def test_ranges_can_be_replaced():
    """A user's range comes before the program's, element by element; an unknown class needs density and carbon."""
    known = carbide_ranges([CarbideOverride("M7C3", None, {"Cr": (48.0, 50.0)})])["M7C3"]
    assert known.contents["Cr"] == (48, 50)
    assert known.contents["C"] == (8.4, 8.9)
    assert known.density_g_cm3 == (6.9, 7.2)
    assert "chi" in carbide_ranges([CarbideOverride("chi", (7.5, 7.8), {"C": (1.0, 2.0)})])
    with pytest.raises(UsageError, match="lacks its density or carbon"):
        carbide_ranges([CarbideOverride("chi", None, {"Cr": (1.0, 2.0)})])


def measured(*rows, fields=8):
    """Table of area fractions, rows of (class, mean, low, high)."""
    cells = dict.fromkeys(columns.names(columns.SPECIMENS))
    keys = ("carbide_class", "mean", "ci95_low", "ci95_high")
    whole = ("all", *np.sum([row[1:] for row in rows], axis=0)) if rows else ("all", 0.0, 0.0, 0.001)
    head = cells | {"specimen": "bar", "quantity": "area_fraction", "fields": fields}
    return pd.DataFrame([head | dict(zip(keys, row, strict=True)) for row in (whole, *rows)])


def test_a_row_an_element_of_the_composition():
    table = matrix_table("bar", INGOT_CAST, measured(("M7C3", 0.12, 0.11, 0.13)), carbide_ranges())
    assert list(table) == columns.names(columns.MATRIX)
    assert list(table["element"]) == ["Cr", "C"]
    assert set(table["carbides"]) == {"M7C3"}
    assert (table["message"] == "").all()
    assert ((table["ci95_low"] < table["in_matrix"]) & (table["in_matrix"] < table["ci95_high"])).all()


@pytest.mark.parametrize(
    ("rows", "told"),
    [
        ([], "no carbide class was found"),
        ([("carbide", 0.12, 0.11, 0.13)], "by its composition it may be M7C3, M23C6 or M3C"),
        ([("M7C3", np.nan, np.nan, 0.5)], "the amount of M7C3 is unknown"),
        ([("M7C3", 0.4, 0.39, 0.41)], "so much M7C3 cannot be made of this composition"),
    ],
)  # fmt: skip
def test_what_cannot_be_known_is_left_empty_and_said(rows, told):
    table = matrix_table("bar", INGOT_CAST, measured(*rows), carbide_ranges())
    assert table["in_matrix"].isna().all()
    assert table["message"].str.contains(told, regex=False).all()


def test_one_field_gives_no_interval():
    table = matrix_table("bar", INGOT_CAST, measured(("M7C3", 0.12, np.nan, np.nan), fields=1), carbide_ranges())
    assert table["in_matrix"].notna().all()
    assert table["ci95_low"].isna().all()
    assert table["message"].str.contains("one field gives no interval").all()


def test_titanium_is_said_to_be_left_out():
    table = matrix_table("bar", INGOT_CAST | {"Ti": 0.4}, measured(("M7C3", 0.12, 0.11, 0.13)), carbide_ranges())
    assert table["message"].str.contains("carbide of Ti is not in the balance").all()
