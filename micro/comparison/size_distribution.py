"""Size distributions of several specimens on one axis, with bands between fields."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from micro.comparison.quantities import MeasuredSpecimen, class_of, common_diameter
from micro.specimens.sampling import FloatArray, student_t
from micro.specimens.summary import ClassData

CLASSES_A_DECADE = 10
COLUMNS = ("specimen", "carbide_class", "weighting", "curve", "ecd_um", "value", "ci95_low", "ci95_high")


def size_distributions(
    specimens: Sequence[MeasuredSpecimen], carbide_class: str = "all", seed: int = 0
) -> pd.DataFrame:
    """Distribution of the equivalent circle diameter by number and by area, all specimens on the same classes.

    Only carbides above the coarsest of the specimens' resolutions enter where these differ. Bands are 95 % at each
    diameter, by leaving out one field at a time and Student's t on the logit scale: with 5 fields a bootstrap of
    whole fields covers 92 %.

    Parameters
    ----------
    specimens
        With their carbides.
    carbide_class
        "all", or one class.

    Returns
    -------
    pandas.DataFrame
        specimen, carbide_class, weighting ("number", "area"), curve, ecd_um, value, ci95_low, ci95_high. The curve
        "cumulative" is the share in carbides up to ecd_um, 0 to 1; "density" is the share per decade of
        diameter in the class around ecd_um. Bands are NaN for one field, and where the share is 0 or 1.
    """
    above = max((common_diameter(a, b) for a in specimens for b in specimens), default=0.0)
    classes = [class_of(s, carbide_class, above) for s in specimens]
    sizes = np.concatenate([c.carbide("ecd_um")[c.weight > 0] for c in classes] or [np.empty(0)])
    if not len(sizes):
        return pd.DataFrame({name: pd.Series(dtype="str" if name in COLUMNS[:4] else "float64") for name in COLUMNS})
    edges = _edges(sizes)
    tables = []
    for specimen, data in zip(specimens, classes, strict=True):
        for weighting, weight in (("number", data.weight), ("area", data.weight * data.carbide("area_um2"))):
            if weight.sum() > 0:
                tables += _curves(_by_field(data, weight, edges), edges, (specimen.name, carbide_class, weighting))
    return pd.concat(tables, ignore_index=True)


def _edges(sizes: FloatArray) -> FloatArray:
    low = np.floor(CLASSES_A_DECADE * np.log10(sizes.min()))
    high = np.floor(CLASSES_A_DECADE * np.log10(sizes.max())) + 1
    return 10 ** (np.arange(low, high + 1) / CLASSES_A_DECADE)


def _by_field(data: ClassData, weight: FloatArray, edges: FloatArray) -> FloatArray:
    """(fields, classes) weight in each size class."""
    size_class = np.searchsorted(edges, data.carbide("ecd_um"), side="right") - 1
    # A cut carbide may be smaller than every whole one; it weighs nothing.
    table = np.zeros((len(data.fields), len(edges) - 1))
    np.add.at(table, (data.field, np.clip(size_class, 0, len(edges) - 2)), weight)
    return table


def _curves(table: FloatArray, edges: FloatArray, head: tuple[str, str, str]) -> list[pd.DataFrame]:
    """Return density and cumulative curve of (fields, classes) weights, with their bands."""
    whole = table.sum(axis=1)
    density = [CLASSES_A_DECADE * curve for curve in share_band(table, whole)]
    cumulative = share_band(table.cumsum(axis=1), whole)
    named = dict(zip(COLUMNS[:3], head, strict=True))
    return [
        pd.DataFrame({**named, "curve": curve, "ecd_um": ecd_um, "value": value, "ci95_low": low, "ci95_high": high})
        for curve, ecd_um, (value, low, high) in (
            ("density", np.sqrt(edges[1:] * edges[:-1]), density),
            ("cumulative", edges[1:], cumulative),
        )
    ]


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
    moves = (parts - share * whole[:, None]) / (whole.sum() - whole)[:, None]
    uncertainty = np.sqrt((n - 1) / n * np.square(moves - moves.mean(axis=0)).sum(axis=0))
    inside = (share > 1e-12) & (share < 1 - 1e-12)
    s = np.where(inside, share, 0.5)
    logit, half = np.log(s / (1 - s)), student_t(n - 1) * uncertainty / (s * (1 - s))
    low, high = (1 / (1 + np.exp(-np.clip(logit + side * half, -700, 700))) for side in (-1, 1))
    # Where no carbide, or every one, has been seen, the fields do not tell how far the share may lie from that.
    return share, np.where(inside, low, np.nan), np.where(inside, high, np.nan)
