"""What the matrix keeps in solution: a mass balance over the measured carbides, with intervals by Monte Carlo."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from micro.carbides import BALANCED, HEAVY_SHARE, CarbideRange
from micro.comparison.chemistry import MATRIX_DENSITY
from micro.statistics.sampling import student_t

FloatArray = NDArray[np.float64]

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
    seed: int = SEED,
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
    seed
        Of the draws.
    """
    rng = np.random.default_rng(seed)
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
        unknown = np.full(len(BALANCED), np.nan)
        return MatrixComposition(unknown, unknown, unknown, found / drawn)
    low, high = np.quantile(solved, (0.025, 0.975), axis=0)
    return MatrixComposition(solved.mean(axis=0), low, high, found / drawn)


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
