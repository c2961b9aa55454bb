"""Size distributions of several specimens on one axis, with bands between fields."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from micro.comparison.quantities import MeasuredSpecimen, class_of, common_diameter
from micro.specimens.sampling import FloatArray, resamples, student_t
from micro.specimens.summary import ClassData

CLASSES_A_DECADE = 10
DRAWS = 2000
COLUMNS = ("specimen", "carbide_class", "weighting", "curve", "ecd_um", "value", "ci95_low", "ci95_high")


def size_distributions(
    specimens: Sequence[MeasuredSpecimen], carbide_class: str = "all", seed: int = 0
) -> pd.DataFrame:
    """Distribution of the equivalent circle diameter by number and by area, all specimens on the same classes.

    Only carbides above the coarsest of the specimens' resolutions enter where these differ. Bands are 95 % at each
    diameter, by a bootstrap of whole fields with its percentiles moved out for few fields (T. Hesterberg 2015).

    Parameters
    ----------
    specimens
        With their carbides.
    carbide_class
        "all", or one class.
    seed
        Of the bootstrap.

    Returns
    -------
    pandas.DataFrame
        specimen, carbide_class, weighting ("number", "area"), curve, ecd_um, value, ci95_low, ci95_high. The curve
        "cumulative" is the share in carbides up to ecd_um, 0 to 1; "density" is the share per decade of
        diameter in the class around ecd_um. NaN bands for one field.
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
                tables += _curves(
                    _by_field(data, weight, edges), edges, (specimen.name, carbide_class, weighting), seed
                )
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


def _curves(table: FloatArray, edges: FloatArray, head: tuple[str, str, str], seed: int) -> list[pd.DataFrame]:
    draws = resamples(len(table), DRAWS, np.random.default_rng(seed)) @ table
    draws = draws[draws.sum(axis=1) > 0]
    share, drawn = table.sum(axis=0) / table.sum(), draws / draws.sum(axis=1, keepdims=True)
    return [
        _banded(
            (*head, "density"),
            np.sqrt(edges[1:] * edges[:-1]),
            share * CLASSES_A_DECADE,
            drawn * CLASSES_A_DECADE,
            len(table),
        ),
        _banded((*head, "cumulative"), edges[1:], share.cumsum(), drawn.cumsum(axis=1), len(table)),
    ]


def _banded(
    head: tuple[str, ...], ecd_um: FloatArray, value: FloatArray, drawn: FloatArray, fields: int
) -> pd.DataFrame:
    low, high = _band(drawn, fields)
    columns = dict(zip(COLUMNS[:4], head, strict=True))
    return pd.DataFrame({**columns, "ecd_um": ecd_um, "value": value, "ci95_low": low, "ci95_high": high})


def _band(drawn: FloatArray, fields: int) -> tuple[FloatArray, FloatArray]:
    """Lower and upper 95 % limits from bootstrap draws (draws, m)."""
    from scipy import special

    if fields < 2:
        return np.full(drawn.shape[1], np.nan), np.full(drawn.shape[1], np.nan)
    tail = float(special.ndtr(-student_t(fields - 1) * np.sqrt(fields / (fields - 1))))
    low, high = np.quantile(drawn, [tail, 1 - tail], axis=0)
    return low, high
