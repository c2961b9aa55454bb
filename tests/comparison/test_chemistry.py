"""The carbide that a composition can hold, against hand calculation.

Atomic weights (IUPAC, abridged) and densities in g/cm³ (handbooks) are from memory.
"""

import math

import pandas as pd
import pytest

from micro.comparison.chemistry import ATOMIC_MASS, CARBIDES, carbide_ceilings, chemistry_check, possible_classes
from micro.errors import UsageError
from micro.tables import columns

POWDER_MADE = {"C": 0.8, "V": 2.75, "Cr": 7.5}
INGOT_CAST = {"C": 1.5, "Cr": 12.0}
EIGHT_CR = {"C": 1.1, "Cr": 8.0, "Mo": 2.0, "V": 0.5}


def ceilings(composition):
    return carbide_ceilings(composition).set_index("carbide_class")


def test_vanadium_carbide_of_a_powder_made_steel_by_hand():
    """2.75 g V is 0.053984 mol (V 50.9415).

    It binds 0.64840 g C to 3.39840 g VC, 0.59621 cm³ at 5.7; 96.60160 g matrix fill 12.42464 cm³ at 7.775.
    """
    row = ceilings(POWDER_MADE).loc["MC"]
    assert row["ceiling"] == pytest.approx(0.59621 / (0.59621 + 12.42464), abs=2e-5)
    assert row["limited_by"] == "V"


def test_chromium_carbide_of_an_ingot_cast_steel_by_hand():
    """12 g Cr is 0.230787 mol (Cr 51.9961), 0.032970 mol Cr7C3 of 400.006 g/mol: 13.1880 g, 1.91130 cm³ at 6.9.

    It takes 1.188 % of the 1.5 % C; 86.8120 g matrix fill 11.16553 cm³.
    """
    row = ceilings(INGOT_CAST).loc["M7C3"]
    assert row["ceiling"] == pytest.approx(1.91130 / (1.91130 + 11.16553), abs=2e-5)
    assert row["limited_by"] == "Cr"


def test_carbon_is_the_limit_where_it_runs_out_by_hand():
    """0.3 % C is 0.024977 mol, enough for 0.0083257 mol Cr7C3: 3.33033 g, 0.482656 cm³; matrix 96.66967 g."""
    row = ceilings({"C": 0.3, "Cr": 12.0}).loc["M7C3"]
    assert row["ceiling"] == pytest.approx(0.482656 / (0.482656 + 96.66967 / 7.775), abs=2e-5)
    assert row["limited_by"] == "carbon"


def test_what_mc_leaves_of_the_carbon_by_hand():
    """0.8 - 0.6484 = 0.1516 g C, 0.012622 mol, 0.0042072 mol Cr7C3: 1.68291 g, 0.243900 cm³; matrix 98.31709 g."""
    row = ceilings(POWDER_MADE).loc["M7C3"]
    assert row["beside_mc"] == pytest.approx(0.243900 / (0.243900 + 98.31709 / 7.775), abs=2e-5)


@pytest.mark.parametrize(
    ("composition", "carbide_class", "usual"),
    [(POWDER_MADE, "MC", 0.05), (INGOT_CAST, "M7C3", 0.15), (EIGHT_CR, "M7C3", 0.03), (EIGHT_CR, "MC", 0.01)],
)
def test_what_such_steels_usually_hold_lies_below_the_ceiling(composition, carbide_class, usual):
    """Common practice, no source: 5 vol% MC; up to 15 vol% M7C3; 3 vol% chromium carbide with 1 vol% MC."""
    assert usual <= ceilings(composition).loc[carbide_class, "ceiling_high"]


@pytest.mark.parametrize(
    ("metal", "formulas", "edge_angstrom"), [("V", 4, 4.17), ("Nb", 4, 4.47), ("Mo", 16, 11.1), ("W", 16, 11.09)]
)
def test_handbook_densities_agree_with_the_lattice(metal, formulas, edge_angstrom):
    """Mass of a cubic cell over its volume; rock salt MC and eta Fe3M3C, lattice parameters from memory."""
    carbide = next(c for c in CARBIDES if c.metal == metal)
    density = formulas * carbide.molar_mass / 6.02214076e23 / (edge_angstrom * 1e-8) ** 3
    assert carbide.density[0] <= density <= carbide.density[2]


def test_the_band_holds_the_ceiling_and_the_sum_is_no_more_than_its_parts():
    for composition in (POWDER_MADE, INGOT_CAST, EIGHT_CR, {"C": 0.9, "Cr": 4, "Mo": 5, "W": 6, "V": 2, "Nb": 0.3}):
        table = ceilings(composition)
        assert (table["ceiling_low"] <= table["ceiling"]).all()
        assert (table["ceiling"] <= table["ceiling_high"]).all()
        parts = table.drop("all")["ceiling"]
        assert parts.max() - 1e-12 <= table.loc["all", "ceiling"] <= parts.sum() + 1e-12


def test_no_carbon_or_no_metal_means_no_carbide():
    assert (ceilings({"C": 0.0, "Cr": 12.0})["ceiling_high"] == 0).all()
    table = ceilings({"C": 1.0}).drop(["M3C", "all"])
    assert (table["ceiling_high"] == 0).all()
    assert (table["limited_by"] == "no metal for it").all()


def test_cementite_of_a_bearing_steel_by_hand():
    """1 g C is 0.083257 mol Fe3C of 179.546 g/mol: 14.9485 g, 1.94136 cm³ at 7.7; 85.0515 g matrix fill 10.93910 cm³.

    All the carbon of an annealed steel of 1 % C and 1.5 % Cr as M3C is about 15 vol% (handbook value, from memory).
    """
    table = ceilings({"C": 1.0, "Cr": 1.5})
    assert table.loc["M3C", "ceiling"] == pytest.approx(1.94136 / (1.94136 + 10.93910), abs=2e-5)
    assert table.loc["M3C", "ceiling"] == pytest.approx(0.15, abs=0.005)
    assert table.loc["all", "ceiling_high"] >= 0.15
    assert table.loc["M3C", "limited_by"] == "carbon"


def test_chromium_makes_more_m23c6_than_m7c3_of_little_carbon_by_hand():
    """0.3 % C is 0.024977 mol, 0.0041628 mol Cr23C6 of 1267.98 g/mol: 5.27838 g, 0.754054 cm³ at 7.0."""
    row = ceilings({"C": 0.3, "Cr": 12.0}).loc["M23C6"]
    assert row["ceiling"] == pytest.approx(0.754054 / (0.754054 + 94.72162 / 7.775), abs=2e-5)


@pytest.mark.parametrize(
    "composition", [POWDER_MADE, INGOT_CAST, EIGHT_CR, {"C": 0.9, "Cr": 4, "Mo": 5, "W": 6, "V": 2}]
)
def test_no_sharing_of_carbon_and_metal_holds_more_than_the_ceiling_of_all(composition):
    """A linear programme (scipy) over all carbides and metals finds the largest carbide volume; the ceiling is that."""
    from scipy.optimize import linprog

    metals = sorted({c.metal for c in CARBIDES})
    held = dict.fromkeys(ATOMIC_MASS, 0.0) | composition | {"Fe": 100 - sum(composition.values())}
    volumes = [c.molar_mass / c.density[1] for c in CARBIDES]
    uses = [[c.metal_atoms * (c.metal == m) for c in CARBIDES] for m in metals] + [[c.carbon_atoms for c in CARBIDES]]
    limits = [held[m] / ATOMIC_MASS[m] for m in (*metals, "C")]
    best = linprog([-v for v in volumes], uses, limits)
    volume = -best.fun
    mass = float(sum(n * c.molar_mass for n, c in zip(best.x, CARBIDES, strict=True)))
    filled = volume / (volume + (100 - mass) / 7.775)
    assert ceilings(composition).loc["all", "ceiling"] == pytest.approx(filled, rel=1e-6)


def test_names_that_a_composition_leaves_open():
    """A steel of 1 % C and 1.5 % Cr can hold 12 % of M3C, and of no chromium, vanadium or molybdenum carbide."""
    table = carbide_ceilings({"C": 1.0, "Cr": 1.5})
    assert possible_classes(table, 0.12) == ["M3C"]
    assert possible_classes(table, 0.01) == ["M7C3", "M23C6", "M3C"]


@pytest.mark.parametrize(
    ("composition", "told"),
    [
        ({"C": 1, "Xx": 2}, "'Xx' is no element of steel"),
        ({"C": -0.1}, "C is -0.1, not a wt %"),
        ({"C": math.nan}, "C is nan, not a wt %"),
        ({"C": "1.5"}, "C is '1.5', not a wt %"),
        ({"C": 1.0, "Fe": 99.0, "Cr": 12.0}, "the elements add up to 112 %"),
        ({"Cr": 12.0}, "gives no carbon"),
        ({"C": 1.0, "Cr": 60.0}, "holds 39 % iron, less than half"),
    ],
)
def test_impossible_compositions_are_refused(composition, told):
    with pytest.raises(UsageError, match="composition") as refused:
        carbide_ceilings(composition)
    assert told in str(refused.value)


def measured(carbide_class, mean, low, high):
    cells = dict.fromkeys(columns.names(columns.SPECIMENS))
    row = {"specimen": "bar", "carbide_class": carbide_class, "quantity": "area_fraction"}
    row |= {"mean": mean, "ci95_low": low, "ci95_high": high}
    return pd.DataFrame([cells | row])


@pytest.mark.parametrize(
    ("fraction", "told"),
    [
        ((0.09, 0.08, 0.10), "lies above the ceiling of 5.88 %; check etch"),
        ((0.06, 0.05, 0.07), "reaches beyond the ceiling of 5.88 %, its interval does not"),
        ((0.05, 0.04, 0.06), ""),
    ],
)
def test_a_measurement_above_the_ceiling_is_said(fraction, told):
    table = chemistry_check("bar", POWDER_MADE, measured("MC", *fraction)).set_index("carbide_class")
    assert told in table.loc["MC", "message"]
    assert bool(table.loc["MC", "message"]) == bool(told)
    assert math.isnan(table.loc["M7C3", "measured"])


def test_elements_outside_the_balance_are_named():
    table = chemistry_check("bar", POWDER_MADE | {"Ti": 0.3}, measured("all", 0.05, 0.04, 0.06)).set_index(
        "carbide_class"
    )
    assert table.loc["all", "message"] == "carbide of Ti is not in the balance"
    assert list(chemistry_check("bar", POWDER_MADE, measured("all", 0.05, 0.04, 0.06))) == columns.names(
        columns.CHEMISTRY
    )
