"""Sizes that no field shows: the law of the sections, spheres in space, the largest carbide to expect.

Spheres follow a lognormal law by largest likelihood. Sections too small to be seen are missing, not absent: only those
above the limit enter, and the law says how many lie below. Between two classes nothing is known, so the result does not
hang on their number.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from micro.specimens.class_data import ClassData
from micro.specimens.largest import FARTHEST, FEWEST_TO_CHECK, fit_gumbel, gumbel_p_value
from micro.specimens.unfolding import ELONGATED
from micro.statistics.lognormal import fit_lognormal, grouped, jackknife_ends, lognormal_ci95
from micro.statistics.sampling import FloatArray
from micro.tables.columns import SIZES, names

AREAS_MM2 = (1.0, 10.0, 100.0)
REFUSED_LAW = 0.05
Cells = tuple[str, str, float, float, float, str]


def sizes_in_space(specimen: str, data: ClassData, limit_um: float) -> pd.DataFrame:
    """Rows of sizes.csv for all carbides of one specimen.

    Parameters
    ----------
    limit_um
        Diameter from which on every carbide is seen; smaller ones enter no law.

    Returns
    -------
    pandas.DataFrame
        Columns SIZES of `micro.tables.columns`.
    """
    fields = len(data.fields)
    rows = [(specimen, *cells, fields) for cells in (*_laws(data, limit_um), *_largest(data))]
    order = ["specimen", "quantity", "unit", "value", "ci95_low", "ci95_high", "message", "fields"]
    return pd.DataFrame(rows, columns=order)[names(SIZES)].astype({c.name: c.dtype for c in SIZES})


def _laws(data: ClassData, limit_um: float) -> Iterator[Cells]:
    size, weight = data.carbide("ecd_um"), data.weight
    above = (size >= limit_um) & (weight > 0)
    if above.sum() < FEWEST_SECTIONS:
        return
    fitted = fit_lognormal(size, weight, limit_um)
    if math.isfinite(fitted.sigma) and fitted.sigma > 0:
        ends = lognormal_ci95(size, weight, data.field, limit_um)
        refused = fitted.median < limit_um
        told = f"sections of {limit_um:.2g} µm and more lie up to {100 * fitted.greatest_gap:.2g} % from lognormal"
        if refused:  # more than half would lie unseen
            told = f"the median of the sections would lie below {limit_um:.2g} µm, from where on they are seen"
        nothing = (math.nan,) * 3
        yield "section_median", "µm", *(nothing if refused else (fitted.median, *ends[0])), told
        yield "section_log_std", "", *(nothing if refused else (fitted.sigma, *ends[1])), told
    known = np.isfinite(data.carbide("aspect_ratio"))
    shown = np.where(known, data.shape_weight, 0.0)
    aspect = float(shown @ np.nan_to_num(data.carbide("aspect_ratio")) / shown.sum()) if shown.sum() > 0 else 1.0
    spheres = fit_spheres(size, weight, data.field, data.area, limit_um, aspect)
    if spheres is not None:
        yield "sphere_mean", "µm", *spheres.mean, spheres.warning
        yield "sphere_std", "µm", *spheres.std, spheres.warning
        yield "spheres_per_mm3", "1/mm³", *spheres.number, spheres.warning


def _largest(data: ClassData) -> Iterator[Cells]:
    top = np.full(len(data.fields), np.nan)
    np.fmax.at(top, data.field, data.carbide("ecd_um"))
    gumbel, area_mm2 = fit_gumbel(top), float(data.area.mean()) / 1e6
    law = _law_message(top)
    for area in AREAS_MM2:
        expected = gumbel.expected(area / area_mm2)
        beyond = area / area_mm2 > FARTHEST * gumbel.fields
        told = f"more than {FARTHEST:g} times the area measured" if beyond else law
        yield f"largest_on_{area:g}_mm2", "µm", expected.value, *expected.interval(), told


def _law_message(top: np.ndarray) -> str:
    seen = int(np.isfinite(top).sum())
    if seen < FEWEST_TO_CHECK:
        return f"{seen} fields: whether the Gumbel law fits cannot be checked"
    p_value = gumbel_p_value(top)
    told = f"Gumbel law, p = {p_value:.2g}"
    return f"{told}: it does not fit, do not rely on this" if p_value < REFUSED_LAW else told


CLASSES = 40
"""Classes of section diameter; 20 or 80 move mean and number by less than 0.5 % (`tests/specimens/test_spheres.py`)."""
NODES = 240
FEWEST_SECTIONS = 50
"""Sections above the limit below which no law is fitted. Chosen."""
POOR_FIT = 0.06
"""Greatest distance of the shares of sections from those of the law, above which there is no result. Chosen."""
LEAST_SEEN = 0.7
"""Share of the sections that must lie above the limit by the law itself; 15 % unseen were simulated. Chosen."""


@dataclass(frozen=True)
class LognormalSpheres:
    """Lognormal spheres; diameters in µm, number per mm³, each with the ends of its 95 % interval.

    Parameters
    ----------
    mean, std, number
        Value, lower and upper end; ends are NaN with one field.
    greatest_gap
        Largest distance of the measured cumulative share of sections from that of the law, 0 to 1.
    warning
        What to know before trusting it, or why there is none and all is NaN; empty where nothing.
    """

    mean: tuple[float, float, float]
    std: tuple[float, float, float]
    number: tuple[float, float, float]
    greatest_gap: float
    warning: str


@dataclass(frozen=True, eq=False)
class _Law:
    """Classes of sections above the limit, and spheres on a grid of diameters."""

    edges: FloatArray
    log_diameter: FloatArray
    seen: FloatArray

    @classmethod
    def of(cls, sizes: FloatArray, limit: float) -> _Law:
        edges = np.geomspace(limit, sizes.max() * (1 + 1e-9), CLASSES + 1)
        logs = np.linspace(math.log(limit) - 2.0, math.log(sizes.max()) + 2.0, NODES)
        chord = np.sqrt(np.maximum(np.exp(2 * logs)[None] - np.square(edges)[:, None], 0.0))
        return cls(edges, logs, np.vstack([chord[:-1] - chord[1:], chord[-1]]))

    def shares(self, middle: float, spread: float) -> tuple[FloatArray, float]:
        """(classes + 1,) sections of each class, the last above all, and all of them, per sphere and unit of area."""
        density = np.exp(-0.5 * ((self.log_diameter - middle) / spread) ** 2) / (spread * math.sqrt(2 * math.pi))
        found = self.seen @ density * (self.log_diameter[1] - self.log_diameter[0])
        return found, float(found.sum())

    def fit(self, counts: FloatArray, start: tuple[float, float]) -> tuple[float, float]:
        """Return middle and spread of the logarithm of the sphere diameter, by largest likelihood of the classes."""
        from scipy import optimize

        def misfit(parameters: FloatArray) -> float:
            found, whole = self.shares(float(parameters[0]), math.exp(float(parameters[1])))
            return -float(counts @ np.log(np.maximum(found[:-1] / whole, 1e-300)))

        lowest, highest = float(self.log_diameter[0]), float(self.log_diameter[-1])
        bounds = ((lowest, highest), (math.log(0.05), math.log(1.5)))
        first = np.array([np.clip(start[0], lowest, highest), math.log(np.clip(start[1], 0.05, 1.5))])
        found = optimize.minimize(misfit, first, method="Nelder-Mead", bounds=bounds, options={"xatol": 1e-5})
        return float(found.x[0]), math.exp(float(found.x[1]))


def fit_spheres(
    section: FloatArray,
    weight: FloatArray,
    field: np.ndarray,
    area_um2: FloatArray,
    limit_um: float,
    aspect: float = 1.0,
) -> LognormalSpheres | None:
    """Fit lognormal spheres to the sections of at least `limit_um`.

    Parameters
    ----------
    section, weight, field
        (carbides,) diameter of each section, edge correction, and field from 0.
    area_um2
        (fields,) area analysed.
    limit_um
        Diameter from which on every section is seen.
    aspect
        Mean aspect ratio; above 1.5 they are no spheres, and the result says so.

    Returns
    -------
    None with fewer than 50 sections above the limit.
    """
    enters = (section >= limit_um) & (weight > 0)
    sizes = section[enters]
    if len(sizes) < FEWEST_SECTIONS:
        return None
    law, fields = _Law.of(sizes, limit_um), len(area_um2)
    place = np.clip(np.searchsorted(law.edges, sizes, side="right") - 1, 0, CLASSES - 1)
    table = np.bincount(field[enters] * CLASSES + place, weight[enters], fields * CLASSES).astype(float)
    table = table.reshape(fields, CLASSES)
    logs = np.log(sizes)
    whole = law.fit(table.sum(axis=0), (float(logs.mean()) - 0.1, float(logs.std())))
    value = _told(law, whole, table.sum(), area_um2.sum())
    left = np.empty((0, 3))
    if fields > 1:
        left_out = zip(grouped(table), grouped(area_um2), strict=True)
        rest = [(table.sum(axis=0) - own, area_um2.sum() - area) for own, area in left_out]
        left = np.array([_told(law, law.fit(counts, whole), counts.sum(), area) for counts, area in rest])
    ends = [jackknife_ends(value[k], left[:, k], len(left)) if fields > 1 else (math.nan, math.nan) for k in range(3)]
    shares, all_seen = law.shares(*whole)
    gap = float(np.abs(np.cumsum(table.sum(axis=0)) / table.sum() - np.cumsum(shares[:-1]) / all_seen).max())
    mean, std, number = ((math.exp(v), low, high) for v, (low, high) in zip(value, ends, strict=True))
    refused = _refusal(gap, all_seen / math.exp(value[0]))
    if refused:
        nothing = (math.nan,) * 3
        return LognormalSpheres(nothing, nothing, nothing, gap, refused)
    warning = f"carbides are elongated (mean aspect ratio {aspect:.1f}): they are no spheres" * (aspect > ELONGATED)
    return LognormalSpheres(mean, std, number, gap, warning)


def _told(law: _Law, fitted: tuple[float, float], sections: float, area_um2: float) -> FloatArray:
    """(3,) logarithms of mean and standard deviation in µm, and of the number per mm³."""
    middle, spread = fitted
    mean = middle + spread**2 / 2
    number = sections / area_um2 / law.shares(middle, spread)[1] * 1e9
    return np.array([mean, mean + 0.5 * math.log(math.expm1(spread**2)), math.log(number)])


def _refusal(gap: float, seen: float) -> str:
    """Say why the law cannot be trusted; empty where it can."""
    if gap > POOR_FIT:
        return f"the sections lie up to {100 * gap:.0f} % from those of lognormal spheres: no such law"
    if seen < LEAST_SEEN:
        return f"by the law itself {100 * (1 - seen):.0f} % of the sections would lie unseen below the limit: no result"
    return ""
