"""What the matrix of each bar keeps: a mass balance over the measured carbides, with intervals by Monte Carlo."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from micro.carbides import BALANCED, HEAVY_SHARE, CarbideRange
from micro.comparison.chemistry import (
    MATRIX_DENSITY,
    TRACE_PCT,
    UNBALANCED,
    carbide_ceilings,
    checked_composition,
    possible_classes,
)
from micro.statistics.sampling import FloatArray, student_t
from micro.tables.columns import MATRIX, empty, names

DOUBTFUL = 0.5
"""Share of possible combinations below which class names, fractions or composition are doubted. Chosen."""
LEFT_OUT = (
    "Left out: carbides that the picture does not resolve (those of tempering among them) and that the etch does not "
    "show, which are counted as matrix; the uncertainty of the composition given; and thermodynamics: nothing says "
    "where in the matrix an element lies. The ranges of what a carbide holds are from memory. Whether a steel resists "
    "corrosion is for tests to say."
)


def matrix_table(
    specimen: str, composition: Mapping[str, float], specimens: pd.DataFrame, ranges: Mapping[str, CarbideRange]
) -> pd.DataFrame:
    """Rows of matrix.csv for one specimen: an element of its composition each.

    Parameters
    ----------
    specimen, composition
        Name and wt %.
    specimens
        Columns SPECIMENS of `micro.tables.columns`.
    ranges
        From `carbide_ranges`.

    Raises
    ------
    UsageError
        As `carbide_ceilings`.
    """
    where = f"composition of {specimen}"
    checked_composition(composition, where)
    own = specimens[(specimens["specimen"] == specimen) & (specimens["quantity"] == "area_fraction")]
    measured = {str(row["carbide_class"]): row for row in own.to_dict("records")}
    classes = {name: row for name, row in measured.items() if name != "all"}
    refusal = _refusal(classes, composition, ranges, where)
    if refusal:
        found = _unknown(math.nan)
    else:
        found = matrix_composition(composition, {name: _measured(row) for name, row in classes.items()}, ranges)
    message = refusal or "; ".join(_doubts(found, classes, composition))
    one_field = [name for name, row in classes.items() if not math.isfinite(row["ci95_high"])]
    rows = [
        {
            "specimen": specimen,
            "element": element,
            "in_steel": composition[element],
            "in_matrix": found.value[number],
            "ci95_low": math.nan if one_field else found.low[number],
            "ci95_high": math.nan if one_field else found.high[number],
            "carbides": ", ".join(classes),
            "possible_share": found.possible,
            "message": message,
        }
        for number, element in enumerate(BALANCED)
        if composition.get(element, 0) > 0
    ]
    return pd.DataFrame(rows, columns=names(MATRIX)) if rows else empty(MATRIX)


def _measured(row: Mapping[Any, Any]) -> MeasuredFraction:
    value, low, high = (float(row[name]) for name in ("mean", "ci95_low", "ci95_high"))
    if not math.isfinite(high):
        return MeasuredFraction(value, value, value)
    return MeasuredFraction(value, low, high, max(int(row["fields"]) - 1, 1))


def _refusal(
    classes: Mapping[str, Mapping[Any, Any]], composition: Mapping[str, float], ranges: Mapping[str, CarbideRange],
    where: str,
) -> str:  # fmt: skip
    """Why nothing can be said; empty where something can."""
    if not classes:
        return "no carbide class was found"
    if unknown := [name for name, row in classes.items() if not math.isfinite(row["mean"])]:
        return f"the amount of {', '.join(unknown)} is unknown"
    said = []
    for name in (n for n in classes if n not in ranges):
        could = possible_classes(carbide_ceilings(composition, where), float(classes[name]["ci95_low"]))
        which = f"by its composition it may be {_or(could)}" if could else "its composition has no name for so much"
        said.append(f"what the class {name!r} is made of is not known: name it in the study file; {which}")
    return "; ".join(said)


def _doubts(
    found: MatrixComposition, classes: Mapping[str, Mapping[Any, Any]], composition: Mapping[str, float]
) -> Iterator[str]:
    if not math.isfinite(found.value[0]):
        yield (
            f"so much {' and '.join(classes)} cannot be made of this composition; check the names of the classes, the "
            "etch and the composition"
        )
    elif found.possible < DOUBTFUL:
        yield (
            f"only {100 * found.possible:.2g} % of the combinations drawn were possible: the names of the classes, the "
            "amounts or the composition are doubtful"
        )
    if any(not math.isfinite(row["ci95_high"]) for row in classes.values()):
        yield "one field gives no interval of the amount, and so none of what is left"
    left_out = [e for e in UNBALANCED if composition.get(e, 0) > TRACE_PCT]
    if left_out:
        yield f"carbide of {' and '.join(left_out)} is not in the balance"


def _or(words: list[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} or {words[-1]}"


DRAWS = 20_000
"""Combinations kept: the ends of a 95 % interval then repeat within 2 % of the standard uncertainty (derived)."""
MOST_BATCHES = 20
FEWEST_KEPT = 1000
"""Fewer of them tell no ends. Chosen."""
SEED = 20
"""Of the draws, so that the same tables give the same numbers. Chosen."""


@dataclass(frozen=True)
class MeasuredFraction:
    """Volume fraction of a class, 0 to 1, with its 95 % interval and the degrees of freedom behind that."""

    value: float
    low: float
    high: float
    degrees_of_freedom: float = np.inf


@dataclass(frozen=True, eq=False)
class MatrixComposition:
    """What is left in solution, wt % of the matrix, by element in the order of `BALANCED`.

    `value` is the mean of the combinations kept, `low` and `high` the ends of the 95 % interval; all NaN where too few
    of the combinations drawn were possible. `possible` is the share that was.
    """

    value: FloatArray
    low: FloatArray
    high: FloatArray
    possible: float


def matrix_composition(
    composition: Mapping[str, float],
    fractions: Mapping[str, MeasuredFraction],
    ranges: Mapping[str, CarbideRange],
    draws: int = DRAWS,
) -> MatrixComposition:
    """Composition of the matrix by mass balance.

    w_j = V_j·ρ_j/(Σ V_k·ρ_k + (1 − Σ V)·ρ_m), c_i = (c_i,steel − Σ w_j·c_ij)/(1 − Σ w_j). Fractions, densities and
    contents are drawn together (JCGM 101): fractions by Student's t scaled to each end of their interval, all else
    evenly within its range. Combinations that leave less than nothing of an element are no steel, and are rejected.

    Parameters
    ----------
    composition
        wt % of the steel by element, taken as exact.
    fractions
        Measured classes by name; each name stands in `ranges`.
    ranges
        What the carbides are made of.
    draws
        Combinations kept at most.
    """
    rng = np.random.default_rng(SEED)
    steel = np.array([float(composition.get(element, 0.0)) for element in BALANCED])
    kept: list[FloatArray] = []
    drawn = found = 0
    while found < draws and drawn < MOST_BATCHES * draws:
        left = _remainders(steel, fractions, ranges, rng, draws)
        # A share of an element that rounds to nothing is nothing.
        possible = left[(left >= -1e-9).all(axis=1)]
        kept.append(np.maximum(possible, 0.0))
        drawn, found = drawn + draws, found + len(possible)
    solved = np.concatenate(kept)[:draws]
    if found < min(FEWEST_KEPT, draws):
        return _unknown(found / drawn)
    low, high = np.quantile(solved, (0.025, 0.975), axis=0)
    return MatrixComposition(solved.mean(axis=0), low, high, found / drawn)


def _unknown(possible: float) -> MatrixComposition:
    nothing = np.full(len(BALANCED), math.nan)
    return MatrixComposition(nothing, nothing, nothing, possible)


def _remainders(
    steel: FloatArray, fractions: Mapping[str, MeasuredFraction], ranges: Mapping[str, CarbideRange],
    rng: np.random.Generator, draws: int,
) -> FloatArray:  # fmt: skip
    """(draws, elements) wt % left in the matrix, for as many combinations; NaN where no matrix is left."""
    volumes = {name: _fractions(one, rng, draws) for name, one in fractions.items()}
    kinds = [kind for name, v in volumes.items() for kind in _kinds(ranges[name], v, steel, ranges, rng)]
    matrix = rng.uniform(MATRIX_DENSITY[0], MATRIX_DENSITY[-1], draws)
    masses = [v * rng.uniform(*kind.density_g_cm3, draws) for kind, v in kinds]
    free = 1 - sum((v for _, v in kinds), np.zeros(draws))
    whole = sum(masses, np.maximum(free, 0.0) * matrix)
    taken, bound = np.zeros((draws, len(steel))), np.zeros(draws)
    for (kind, _), mass in zip(kinds, masses, strict=True):
        weight = mass / whole
        taken += weight[:, None] * _contents(kind, weight, steel, rng)
        bound += weight
    left = (steel - taken) / np.where(free > 0, 1 - bound, np.nan)[:, None]
    return np.asarray(left, float)


def _fractions(one: MeasuredFraction, rng: np.random.Generator, draws: int) -> FloatArray:
    """(draws,) possible fractions: 95 % of them between the ends of the interval, wherever the value lies in it."""
    t = rng.standard_t(one.degrees_of_freedom, draws) if np.isfinite(one.degrees_of_freedom) else rng.normal(size=draws)
    t /= student_t(one.degrees_of_freedom)
    reach = np.where(t > 0, one.high - one.value, one.value - one.low)
    return np.clip(one.value + t * reach, 0.0, 1.0)


def _kinds(
    kind: CarbideRange, volume: FloatArray, steel: FloatArray, ranges: Mapping[str, CarbideRange],
    rng: np.random.Generator,
) -> list[tuple[CarbideRange, FloatArray]]:  # fmt: skip
    """Split MC of a steel with niobium into those of vanadium and of niobium; all other classes are one carbide.

    How much of it is NbC a grey level does not tell: anything from none to what the steel's niobium can make.
    """
    niobium, vanadium = steel[BALANCED.index("Nb")], steel[BALANCED.index("V")]
    if kind.name != "MC" or niobium == 0 or "Nb" in kind.contents:
        return [(kind, volume)]
    nbc = ranges["NbC"]
    most = niobium / np.mean(nbc.contents["Nb"]) * MATRIX_DENSITY[1] / np.mean(nbc.density_g_cm3)
    share = 1.0 if vanadium == 0 else rng.uniform(size=len(volume)) * np.minimum(1.0, most / np.maximum(volume, 1e-9))
    return [(nbc, volume * share), (kind, volume * (1 - share))]


def _contents(kind: CarbideRange, weight: FloatArray, steel: FloatArray, rng: np.random.Generator) -> FloatArray:
    """(draws, elements) wt % in the carbide; none of what the steel has none of."""
    drawn = np.zeros((len(weight), len(steel)))
    for column, element in enumerate(BALANCED):
        low, high = kind.contents.get(element, (0.0, 0.0))
        if steel[column] > 0 and high > 0:
            scale = 1.0
            if element != "C" and element not in kind.formers:
                scale = np.minimum(1.0, steel[column] / np.maximum(weight * high, 1e-12))
            drawn[:, column] = scale * rng.uniform(low, high, len(weight))
    molybdenum, tungsten = BALANCED.index("Mo"), BALANCED.index("W")
    both = steel[molybdenum] + steel[tungsten]
    if kind.heavy and both > 0:
        together = rng.uniform(*kind.heavy, len(weight))
        share = steel[tungsten] / both + rng.uniform(-HEAVY_SHARE, HEAVY_SHARE, len(weight))
        share = np.clip(share, 0.0, 1.0) if min(steel[molybdenum], steel[tungsten]) > 0 else steel[tungsten] / both
        drawn[:, molybdenum], drawn[:, tungsten] = together * (1 - share), together * share
    # The upper ends of the ranges together may be more than a whole carbide.
    return drawn * np.minimum(1.0, 100 / np.maximum(drawn.sum(axis=1, keepdims=True), 1e-9))
