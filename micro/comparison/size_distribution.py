"""Size distributions of several specimens on one axis, with bands between fields."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from micro.comparison.quantities import MeasuredSpecimen, class_of, common_diameter
from micro.specimens.sampling import FloatArray, student_t, uncertainty_of_ratio
from micro.specimens.summary import ClassData

CLASSES_A_DECADE = 25
COLUMNS = ("specimen", "weighting", "ecd_um", "share", "ci95_low", "ci95_high")


def size_distributions(specimens: Sequence[MeasuredSpecimen]) -> pd.DataFrame:
    """Cumulative distributions of the equivalent circle diameter by number and by area, all on the same diameters.

    Only carbides above the coarsest of the specimens' resolutions enter where these differ. Bands are 95 % at each
    diameter, by leaving out one field at a time and Student's t on the logit scale: with 5 fields a bootstrap of
    whole fields covers 92 %.

    Parameters
    ----------
    specimens
        With their carbides.

    Returns
    -------
    pandas.DataFrame
        specimen, weighting ("number", "area"), ecd_um, share (in carbides smaller than ecd_um, 0 to 1), ci95_low,
        ci95_high. Bands are NaN for one field, and where the share is 0 or 1.
    """
    above = max((common_diameter(a, b) for a in specimens for b in specimens), default=0.0)
    classes = [class_of(s, "all", above) for s in specimens]
    sizes = np.concatenate([c.carbide("ecd_um")[c.weight > 0] for c in classes] or [np.empty(0)])
    if not len(sizes):
        return pd.DataFrame({name: pd.Series(dtype="str" if name in COLUMNS[:2] else "float64") for name in COLUMNS})
    edges = _edges(sizes)
    tables = []
    for specimen, data in zip(specimens, classes, strict=True):
        for weighting, weight in (("number", data.weight), ("area", data.weight * data.carbide("area_um2"))):
            if weight.sum() > 0:
                below, whole = _by_field(data, weight, edges)
                share, low, high = share_band(below, whole)
                curve = (specimen.name, weighting, edges, share, low, high)
                tables.append(pd.DataFrame(dict(zip(COLUMNS, curve, strict=True))))
    return pd.concat(tables, ignore_index=True)


def _edges(sizes: FloatArray) -> FloatArray:
    low = np.floor(CLASSES_A_DECADE * np.log10(sizes.min()))
    high = np.floor(CLASSES_A_DECADE * np.log10(sizes.max())) + 1
    return 10 ** (np.arange(low, high + 1) / CLASSES_A_DECADE)


def _by_field(data: ClassData, weight: FloatArray, edges: FloatArray) -> tuple[FloatArray, FloatArray]:
    """(fields, edges) weight below each edge, and (fields,) weight in all."""
    # A cut carbide may be smaller or larger than every whole one; it weighs nothing.
    size_class = np.searchsorted(edges, data.carbide("ecd_um"), side="right")
    table = np.zeros((len(data.fields), len(edges) + 1))
    np.add.at(table, (data.field, size_class), weight)
    return table.cumsum(axis=1)[:, :-1], table.sum(axis=1)


def share_band(parts: FloatArray, whole: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Shares Σ parts over Σ whole of the fields, and the ends of their 95 % intervals on the logit scale.

    Parameters
    ----------
    parts
        (fields, m) weight in each of m shares.
    whole
        (fields,) weight of the field.
    """
    parts, whole = parts[whole > 0], whole[whole > 0]
    n = len(whole)
    share = np.clip(parts.sum(axis=0) / whole.sum(), 0, 1)
    if n < 2:
        unknown = np.full(len(share), np.nan)
        return share, unknown, unknown
    inside = (share > 1e-12) & (share < 1 - 1e-12)
    s = np.where(inside, share, 0.5)
    logit, half = np.log(s / (1 - s)), student_t(n - 1) * uncertainty_of_ratio(parts, whole) / (s * (1 - s))
    low, high = (1 / (1 + np.exp(-np.clip(logit + side * half, -700, 700))) for side in (-1, 1))
    # Where no carbide, or every one, has been seen, the fields do not tell how far the share may lie from that.
    return share, np.where(inside, low, np.nan), np.where(inside, high, np.nan)
