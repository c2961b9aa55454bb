"""How much carbide a composition could hold: a mass balance, no thermodynamics."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from micro.errors import UsageError
from micro.tables.columns import CHEMISTRY, names

ATOMIC_MASS = {
    "C": 12.011, "V": 50.9415, "Cr": 51.9961, "Fe": 55.845, "Nb": 92.90637, "Mo": 95.95, "W": 183.84,
}  # fmt: skip
"""g/mol: IUPAC standard atomic weights, abridged; from memory."""

MATRIX_DENSITY = (7.7, 7.775, 7.85)
"""Tool-steel matrix, g/cm³: least, middle, most (handbook value, from memory)."""

ELEMENTS = frozenset(
    ("Fe", "C", "Si", "Mn", "P", "S", "Cr", "Mo", "W", "V", "Nb", "Ni", "Co", "Cu", "Al", "Ti", "Ta", "Zr",
     "B", "N", "O", "H", "Sn", "As", "Sb", "Pb", "Ca", "Mg", "Ce", "La", "Y", "Hf", "Se", "Te", "Bi", "Zn")
)  # fmt: skip
UNBALANCED = ("Ti", "Ta", "Zr", "N")
"""They form MC, or carbonitride, and are left out of the balance."""

TRACE_PCT = 0.1
LEAST_IRON_PCT = 50.0
NATURE = (
    "Ceiling by mass balance: all of a class's metal and the carbon go into it, whatever the heat treatment; of all "
    "carbides together, whichever of them fill most. It is no thermodynamics; the matrix keeps some of both, so the "
    "true fraction lies below. Classes bear the names that you gave them: no grey level proves a carbide."
)


@dataclass(frozen=True)
class Carbide:
    """One pure carbide that stands for its class.

    Parameters
    ----------
    carbide_class
        Class it belongs to.
    metal
        Element that forms it, with `metal_atoms` in the formula, besides `iron_atoms` of iron and
        `carbon_atoms` of carbon.
    density
        g/cm³: least, middle, most (handbook values, from memory).
    foreign_share
        Most of the metal's atoms that other metals replace; they stretch the metal. Common practice, no source.
    """

    carbide_class: str
    metal: str
    metal_atoms: int
    iron_atoms: int
    carbon_atoms: int
    density: tuple[float, float, float]
    foreign_share: float

    @property
    def molar_mass(self) -> float:
        """Mass of one formula, g/mol."""
        atoms = ((self.metal, self.metal_atoms), ("Fe", self.iron_atoms), ("C", self.carbon_atoms))
        return sum(count * ATOMIC_MASS[element] for element, count in atoms)


CARBIDES = (
    Carbide("MC", "V", 1, 0, 1, (5.5, 5.7, 5.9), 0.2),
    Carbide("MC", "Nb", 1, 0, 1, (7.6, 7.8, 8.0), 0.2),
    Carbide("M7C3", "Cr", 7, 0, 3, (6.7, 6.9, 7.1), 0.5),
    Carbide("M6C", "Mo", 3, 3, 1, (8.8, 9.1, 9.4), 0.2),
    Carbide("M6C", "W", 3, 3, 1, (14.0, 14.5, 15.0), 0.2),
    Carbide("M23C6", "Cr", 23, 0, 6, (6.8, 7.0, 7.2), 0.5),
    Carbide("M3C", "Fe", 3, 0, 1, (7.6, 7.7, 7.8), 0.0),
    Carbide("M2C", "Mo", 2, 0, 1, (8.0, 9.1, 9.2), 0.2),
    Carbide("M2C", "W", 2, 0, 1, (16.8, 17.2, 17.4), 0.2),
)
"""VC, NbC, Cr7C3, Fe3W3C, Cr23C6, Fe3C, Mo2C and W2C by handbook densities; Fe3Mo3C by that of Mo2C, which its lattice
gives too; Mo2C with much vanadium and chromium is lighter. From memory."""

CLASSES = tuple(dict.fromkeys(carbide.carbide_class for carbide in CARBIDES))


@dataclass(frozen=True)
class _Case:
    """One end of the tolerances: which densities, and whether foreign metal stretches the carbide."""

    carbide_density: int
    matrix_density: int
    foreign: bool


LEAST, MIDDLE, MOST = _Case(2, 0, False), _Case(1, 1, False), _Case(0, 2, True)


def carbide_ceilings(composition: Mapping[str, float], where: str = "composition") -> pd.DataFrame:
    """Largest volume fraction of each carbide class, and of all together, that a composition can hold.

    V and Nb form MC, Cr forms M7C3 or M23C6, Mo and W form M6C or M2C, iron forms M3C, each class as if it had all the
    carbon. Of all together carbon goes to the carbides with most volume for it while their metal lasts, and what is
    left of it to M3C: no other sharing of carbon and metal fills more, because iron never runs out.

    Parameters
    ----------
    composition
        wt % by element; iron is the balance where not given.
    where
        What an error names.

    Returns
    -------
    pandas.DataFrame
        carbide_class, ceiling, ceiling_low, ceiling_high, beside_mc, limited_by; fractions 0 to 1.

    Raises
    ------
    UsageError
        For unknown elements, values that are no wt %, a sum over 100, missing carbon, or less than 50 % iron.
    """
    checked = checked_composition(composition, where)
    carbon = checked["C"] / ATOMIC_MASS["C"]
    mc = [c for c in CARBIDES if c.carbide_class == "MC"]
    left = max(carbon - _carbon_wanted(checked, mc), 0.0)
    rows = []
    for name in (*CLASSES, "all"):
        chosen = [c for c in CARBIDES if name in (c.carbide_class, "all")]
        rows.append(
            {
                "carbide_class": name,
                "ceiling": _fraction(checked, chosen, carbon, MIDDLE),
                "ceiling_low": _fraction(checked, chosen, carbon, LEAST),
                "ceiling_high": _fraction(checked, chosen, carbon, MOST),
                "beside_mc": math.nan if name in ("MC", "all") else _fraction(checked, chosen, left, MIDDLE),
                "limited_by": _limit(checked, chosen, carbon),
            }
        )
    return pd.DataFrame(rows)


def chemistry_check(specimen: str, composition: Mapping[str, float], specimens: pd.DataFrame) -> pd.DataFrame:
    """Ceilings beside the measured area fractions of a specimen.

    Parameters
    ----------
    specimen, composition
        Name and wt %.
    specimens
        Columns SPECIMENS of `micro.tables.columns`. Classes with one of the names in `CLASSES` are compared, and all
        together.

    Returns
    -------
    pandas.DataFrame
        Columns CHEMISTRY of `micro.tables.columns`.

    Raises
    ------
    UsageError
        As `carbide_ceilings`.
    """
    table = carbide_ceilings(composition, f"composition of {specimen}")
    own = specimens[(specimens["specimen"] == specimen) & (specimens["quantity"] == "area_fraction")]
    measured = own.drop_duplicates("carbide_class").set_index("carbide_class")[["mean", "ci95_low", "ci95_high"]]
    measured = measured.reindex(table["carbide_class"])
    table.insert(0, "specimen", specimen)
    table[["measured", "measured_low", "measured_high"]] = measured.to_numpy(float)
    uncounted = [e for e in UNBALANCED if composition.get(e, 0) > TRACE_PCT]
    could = [possible_classes(table, low) for low in table["measured_low"]]
    rows = zip(table.to_dict("records"), could, strict=True)
    table["message"] = [_message(row, uncounted, others) for row, others in rows]
    return table[names(CHEMISTRY)]


def possible_classes(ceilings: pd.DataFrame, least: float) -> list[str]:
    """Names of the classes of which a composition with these ceilings can hold `least`, 0 to 1; at all where NaN."""
    rows = ceilings[ceilings["carbide_class"] != "all"].to_dict("records")
    return [str(r["carbide_class"]) for r in rows if r["ceiling_high"] > 0 and not r["ceiling_high"] < least]


def checked_composition(composition: Mapping[str, float], where: str) -> dict[str, float]:
    """Composition with every element of the balance, iron as the rest.

    Raises
    ------
    UsageError
        As `carbide_ceilings`.
    """
    for element, amount in composition.items():
        if element not in ELEMENTS:
            raise UsageError(where, f"{element!r} is no element of steel", "write symbols such as C, Cr, Mo, V, W, Nb")
        if isinstance(amount, bool) or not isinstance(amount, int | float) or not 0 <= amount <= 100:
            raise UsageError(where, f"{element} is {amount!r}, not a wt %", "give a number from 0 to 100")
    total = math.fsum(composition.values())
    if total > 100.05:
        raise UsageError(where, f"the elements add up to {total:.4g} %", "give wt % that add up to 100 or less")
    if "C" not in composition:
        raise UsageError(where, "gives no carbon", "add C in wt %")
    iron = composition.get("Fe", 100 - total)
    if iron < LEAST_IRON_PCT:
        raise UsageError(where, f"holds {iron:.4g} % iron, less than half", "give the composition of a steel in wt %")
    return dict.fromkeys(ATOMIC_MASS, 0.0) | dict(composition) | {"Fe": float(iron)}


def _formulas(composition: Mapping[str, float], carbide: Carbide, case: _Case) -> float:
    """Mol of carbide that its metal allows in 100 g of steel."""
    stretch = 1 / (1 - carbide.foreign_share) if case.foreign else 1.0
    return composition[carbide.metal] / ATOMIC_MASS[carbide.metal] / carbide.metal_atoms * stretch


def _carbon_wanted(composition: Mapping[str, float], carbides: Sequence[Carbide]) -> float:
    return sum(_formulas(composition, c, MIDDLE) * c.carbon_atoms for c in carbides)


def _fraction(composition: Mapping[str, float], carbides: Sequence[Carbide], carbon: float, case: _Case) -> float:
    """Volume fraction when `carbon` mol goes to the carbides in the order of their volume for it.

    A metal that two carbides want goes to the first of them.
    """
    volume = mass = 0.0
    shares = dict.fromkeys((c.metal for c in carbides), 1.0)
    for c in sorted(carbides, key=lambda c: -c.molar_mass / c.density[case.carbide_density] / c.carbon_atoms):
        allowed = _formulas(composition, c, case)
        formulas = min(shares[c.metal] * allowed, carbon / c.carbon_atoms)
        shares[c.metal] -= formulas / allowed if allowed > 0 else 0.0
        carbon -= formulas * c.carbon_atoms
        mass += formulas * c.molar_mass
        volume += formulas * c.molar_mass / c.density[case.carbide_density]
    return volume / (volume + (100 - mass) / MATRIX_DENSITY[case.matrix_density])


def _limit(composition: Mapping[str, float], carbides: Sequence[Carbide], carbon: float) -> str:
    present = [c.metal for c in carbides if composition[c.metal] > 0]
    if not present:
        return "no metal for it"
    return "carbon" if _carbon_wanted(composition, carbides) > carbon else " and ".join(present)


def _message(row: dict, uncounted: Sequence[str], possible: Sequence[str]) -> str:
    messages = []
    if np.isfinite(row["measured"]) and row["measured"] > row["ceiling_high"]:
        sure = row["measured_low"] > row["ceiling_high"]
        what = "all carbides" if row["carbide_class"] == "all" else row["carbide_class"]
        verb = "lies above" if sure else "reaches beyond"
        messages.append(
            f"measured {100 * row['measured']:.3g} % of {what} {verb} the ceiling of {100 * row['ceiling_high']:.3g} %"
            + ("; check etch, focus, class names and composition" if sure else ", its interval does not")
        )
        if sure and possible and row["carbide_class"] != "all":
            messages.append(f"by its composition it may be {' or '.join(possible)}")
    if uncounted and row["carbide_class"] in ("MC", "all"):
        messages.append(f"carbide of {' and '.join(uncounted)} is not in the balance")
    return "; ".join(messages)
