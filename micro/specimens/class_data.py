"""One class of a specimen as arrays: what its outlines add up to, what all its fields share, what may touch unseen."""

from __future__ import annotations

import math
from collections.abc import Set
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from micro.specimens.sizes import Curve, shares_below
from micro.statistics.sampling import NORMAL_95, FloatArray
from micro.tables.columns import flagged, rows_where

PER_MM2 = 1e6  # from 1/µm²
PIXEL_SHAPE = 0.003
"""Standard uncertainty of a pixel's height over its width where nobody measured it: evenly within ± 0.5 %, by 0.5 %/√3
(common practice, no source)."""


@dataclass(frozen=True)
class OutlineTotals:
    """What one class of carbides adds up to, per area or length analysed; any one unit of length.

    Outlines moved outwards by δ lengthen each by 2πδ and widen its projection in every direction by 2δ (J. Steiner
    1840, for outlines without holes, lobed ones too; from memory), while the area grows by δ times their length.
    A relative change of area then moves the totals by as much as these say. Discs of one size give ½ for both. Carbides
    of unequal size give more, as the large ones hold the area and the small ones the outlines; lines that meet carbides
    at their long side less, and those that meet them at their ends more.

    Parameters
    ----------
    surface
        S_V = 4/π times the length of outlines per area.
    """

    fraction: float
    number: float
    surface: float

    @property
    def shift(self) -> float:
        """Distance that outlines move by per relative change of area."""
        return self.fraction / (math.pi / 4 * self.surface) if self.surface > 0 else math.nan

    def of_intercepts(self, per_length: float) -> float:
        """Relative change of intercepts per length, per relative change of area."""
        return self.shift * 2 * self.number / per_length if per_length > 0 else math.nan

    def of_mean_diameter(self, diameter: float) -> float:
        """Relative change of the mean diameter, in that unit of length, per relative change of area; ½ where unknown.

        Every diameter grows by twice the distance.
        """
        change = 2 * self.shift / diameter if diameter > 0 else math.nan
        return change if math.isfinite(change) else 0.5

    @property
    def of_surface(self) -> float:
        """Relative change of surface per volume, per relative change of area."""
        return self.shift * 8 * self.number / self.surface if self.surface > 0 else math.nan


@dataclass(frozen=True, eq=False)
class ClassData:
    """Carbides and fields of one class as arrays; `field` numbers the fields from 0."""

    fields: pd.DataFrame
    carbides: pd.DataFrame
    field: np.ndarray
    unknown: pd.DataFrame
    """Fields whose area fraction is unknown; they are not among `fields`."""

    @property
    def unknown_share(self) -> float:
        """Share of all fields that are unknown."""
        every = len(self.fields) + len(self.unknown)
        return len(self.unknown) / every if every else 0.0

    @cached_property
    def _columns(self) -> dict[str, FloatArray]:
        return {}

    def column(self, name: str) -> FloatArray:
        """Return (fields,) a column of the fields."""
        if name not in self._columns:
            self._columns[name] = self.fields[name].to_numpy(float)
        return self._columns[name]

    def sums(self, values: FloatArray) -> FloatArray:
        """(fields,) sum over the carbides of each field."""
        summed = np.bincount(self.field, values, len(self.fields)).astype(float)
        # Where a field's carbides cannot be outlined it does not hold none.
        return np.where(np.isnan(self.column("number_per_mm2")), np.nan, summed)

    def carbide(self, name: str) -> FloatArray:
        """(carbides,) a column of the carbides."""
        return self.carbides[name].to_numpy(float)

    @property
    def area(self) -> FloatArray:
        """(fields,) area analysed, µm²."""
        return self.column("analysed_area_um2")

    def by_outlines(self, end: str = "") -> FloatArray:
        """(fields,) area fraction, or an end of its interval, by the outlines alone: before points put it right."""
        values = self.column(f"area_fraction{end}")
        if not self._put_right.any():
            return values
        return np.where(self._put_right, self.column(f"area_fraction_by_outlines{end}"), values)

    @cached_property
    def _put_right(self) -> NDArray[np.bool_]:
        """(fields,) whether something else than the picture put the area fraction right."""
        if "origin" not in self.fields:
            return np.zeros(len(self.fields), bool)
        return self.fields["origin"].astype(object).fillna("").to_numpy(str) != ""

    def total(self, name: str) -> float:
        """Mean of a column over the fields by the area analysed; NaN without."""
        values, area = self.by_outlines() if name == "area_fraction" else self.column(name), self.area
        known = np.isfinite(values)
        return float(values[known] @ area[known] / area[known].sum()) if area[known].sum() > 0 else math.nan

    @cached_property
    def outlines(self) -> OutlineTotals:
        """What the outlines add up to per area, in mm."""
        totals = ("area_fraction", "number_per_mm2", "surface_per_volume_per_mm")
        return OutlineTotals(*(self.total(name) for name in totals))

    @property
    def weight(self) -> FloatArray:
        """(carbides,) edge correction."""
        return self.carbide("weight")

    @cached_property
    def sizes_by_number(self) -> Curve | None:
        """Shares of the carbides below each size."""
        return shares_below(self.carbide("ecd_um"), self.weight, self.field, len(self.fields))

    @cached_property
    def sizes_by_area(self) -> Curve | None:
        """Shares of the area of the carbides below each size."""
        weight = self.weight * self.carbide("area_um2")
        return shares_below(self.carbide("ecd_um"), weight, self.field, len(self.fields))

    @cached_property
    def too_small(self) -> NDArray[np.bool_]:
        """(carbides,) whether a carbide is too small for its shape to be resolved."""
        return flagged(self.carbides["flags"], "small")

    @cached_property
    def doubtful(self) -> NDArray[np.bool_]:
        """(carbides,) whether an outline may be no carbide; not where a kind is so as a whole: its own rows are its."""
        found = flagged(self.carbides["flags"], "doubtful")
        of_all = bool((self.fields["carbide_class"] == "all").any())
        return found if of_all or not found.all() else np.zeros(len(found), bool)

    @cached_property
    def faint(self) -> NDArray[np.bool_]:
        """(carbides,) whether an outline only just stands out of the matrix: others like it may be missed."""
        return flagged(self.carbides["flags"], "faint")

    @property
    def shape_weight(self) -> FloatArray:
        """(carbides,) edge correction; 0 for carbides too small for their shape to be resolved, or misshapen."""
        return np.where(self.too_small | flagged(self.carbides["flags"], "blunt"), 0.0, self.weight)


def class_data(particles: pd.DataFrame, fields: pd.DataFrame, carbide_class: str) -> ClassData:
    """One class as arrays; where a field shows none of the class, its totals are 0. Unknown fields stand aside."""
    every = _rows_of_class(fields, "all")
    is_unknown = every["area_fraction"].isna().to_numpy()
    every, unknown = every[~is_unknown].reset_index(drop=True), every[is_unknown].reset_index(drop=True)
    rows, carbides = every, particles
    if carbide_class != "all":
        rows = _rows_of_class(fields, carbide_class).set_index("field").reindex(every["field"]).reset_index()
        missing = rows["analysed_area_um2"].isna()
        if missing.any():
            rows.loc[missing, "analysed_area_um2"] = every.loc[missing, "analysed_area_um2"]
            for total in ("area_fraction", "number_per_mm2", "intercepts_along_per_mm", "intercepts_across_per_mm"):
                rows.loc[missing & every["number_per_mm2"].notna(), total] = 0.0
        carbides = rows_where(particles, particles["carbide_class"] == carbide_class)
    field = _numbers(pd.Index(rows["field"]), carbides["field"])
    known = field >= 0
    if not known.all():
        carbides, field = carbides[known], field[known]
    return ClassData(rows, carbides, field, unknown)


def _rows_of_class(fields: pd.DataFrame, carbide_class: str) -> pd.DataFrame:
    """Rows of a class, the first of each field."""
    of_class = np.flatnonzero(fields["carbide_class"] == carbide_class)
    return fields.iloc[of_class[~fields["field"].iloc[of_class].duplicated().to_numpy()]]


def _numbers(fields: pd.Index, of_carbides: pd.Series) -> NDArray[np.intp]:
    """(carbides,) place of the field of each among the fields; -1 where it is none of them."""
    codes, found = pd.factorize(of_carbides)
    return np.append(fields.get_indexer(pd.Index(found)), -1)[codes]


def area_relative_uncertainty(data: ClassData) -> float:
    """Relative standard uncertainty of carbide area that the fields share, the mean of both sides; NaN if unknown."""
    return sum(area_relative_sides(data)) / 2


def area_relative_sides(data: ClassData) -> tuple[float, float]:
    """Relative standard uncertainty of carbide area towards less and more, from the fields' segmentation intervals.

    NaN where they state none. What points put right errs in each field on its own, which is in the scatter between
    fields: there the outlines' own interval counts, if they have one.
    """
    low, fraction, high = (data.by_outlines(end) for end in ("_low", "", "_high"))
    known = np.isfinite(low) & np.isfinite(high) & np.isfinite(fraction)
    total = fraction[known].sum()
    if not total > 0:
        return math.nan, math.nan
    below, above = (float(np.abs(end - fraction)[known].sum() / NORMAL_95 / total) for end in (low, high))
    return below, above


def film_sides(data: ClassData) -> float | None:
    """Relative standard uncertainty of the films' area that the fields share; None where nobody asked for films."""
    if "film_area_fraction" not in data.fields:
        return None
    low, value, high = (data.column(f"film_area_fraction{end}") for end in ("_low", "", "_high"))
    known = np.isfinite(value)
    if not known.any():
        return None
    total = value[known].sum()
    return float((high - low)[known].sum() / 2 / NORMAL_95 / total) if total > 0 else math.nan


def turned_from_rows(data: ClassData) -> float:
    """Mean cos 2φ of the rolling direction φ in the pictures: 1 along the rows, -1 across them."""
    rolling = data.column("rolling_deg")
    known = rolling[np.isfinite(rolling)]
    return float(np.cos(2 * np.radians(known)).mean()) if len(known) else 1.0


def pixel_shape_uncertainty(data: ClassData) -> float:
    """Relative standard uncertainty of a pixel's height over its width: as measured, else what cameras usually have."""
    name = "pixel_height_over_width_standard_uncertainty"
    measured = data.column(name) if name in data.fields else np.full(len(data.fields), np.nan)
    told = np.where(np.isfinite(measured), measured, PIXEL_SHAPE)
    return float(told.max()) if len(told) else PIXEL_SHAPE


UNRESOLVED = 0.25
"""Share of the carbide area below the resolved diameter from which the magnification is in question (chosen). Drawn
fields of 5 to 20 % carbide under a blur of 1 px: up to it the number reads 2 to 6 % low, beyond it (4 and 5 px) 3 to
23 %, and the aspect ratio 4 to 65 % high; `tests/specimens/test_unresolved.py`."""
SHAPES: Set[str] = frozenset({"mean_aspect_ratio", "elongation_along_rolling"})
"""Quantities that carbides which touch unseen make up: they are withheld."""
BIASED: Set[str] = SHAPES | {"number_per_mm2", "mean_ecd"}
"""Quantities that get no verdict."""
MOSTLY_OPEN = 0.5
"""Share, by number, of outlines that only just stand out or may be no carbide from which what weighs all alike is
unknown (chosen: there may be as many of them as not). The few large carbides beside them still tell sizes by area."""
BY_NUMBER: Set[str] = BIASED | {"ecd_d10", "ecd_d50", "ecd_d90"}
"""Quantities in which all carbides weigh alike."""


def is_unresolved(data: ClassData) -> bool:
    """Whether more of the carbide area lies below the resolved diameter than lets carbides be told apart."""
    return "unresolved_share" in data.fields and data.total("unresolved_share") > UNRESOLVED


def is_mostly_open(data: ClassData) -> bool:
    """Whether most of the outlines only just stand out of the matrix or may be no carbide."""
    weight = data.weight
    return bool(weight @ (data.faint | data.doubtful) > MOSTLY_OPEN * weight.sum())


def withheld(data: ClassData) -> Set[str]:
    """Return the quantities that these carbides do not tell."""
    told = SHAPES if is_unresolved(data) else frozenset()
    return told | BY_NUMBER if is_mostly_open(data) else told
