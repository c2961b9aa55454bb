"""One table of sizes that no field shows: the law of the sections, spheres in space, the largest carbide to expect."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
import pandas as pd

from micro.specimens.largest import FARTHEST, FEWEST_TO_CHECK, fit_gumbel, gumbel_p_value
from micro.specimens.quantities import ClassData
from micro.specimens.spheres import FEWEST_SECTIONS, fit_spheres
from micro.statistics.lognormal import fit_lognormal, lognormal_ci95
from micro.tables.columns import SIZES, names

AREAS_MM2 = (1.0, 10.0, 100.0)
REFUSED_LAW = 0.05
Cells = tuple[str, str, float, float, float, str]


def sizes_in_space(specimen: str, data: ClassData, limit_um: float) -> pd.DataFrame:
    """Rows of sizes.csv for all carbides of one specimen.

    Parameters
    ----------
    specimen
        Its name.
    data
        Its carbides and fields.
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
