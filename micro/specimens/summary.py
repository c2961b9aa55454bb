"""Specimens from their fields: quantities, intervals and uncertainty budget."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd

from micro.measures.banding import SIGNIFICANCE as BANDED
from micro.measures.intercepts import UNRELATED
from micro.measures.totals import NONE_SEEN
from micro.scale.scale import NORMAL_95
from micro.specimens.largest import largest_of_fields
from micro.specimens.sizes import quantile
from micro.statistics.sampling import Estimate, FloatArray, ratio_of_fields, share_of_fields, student_t
from micro.tables.columns import SPECIMENS, empty, names


@dataclass(frozen=True)
class Budget:
    """One quantity with everything that makes it uncertain.

    Parameters
    ----------
    estimate
        Value and scatter between fields.
    segmentation
        Standard uncertainty that all fields share through levels, noise and blur; NaN where unknown.
    scale
        Standard uncertainty from the size of a pixel; NaN where the scale states none.
    lowest, highest
        Limits of what the quantity can be; the interval ends there.
    """

    estimate: Estimate
    segmentation: float = 0.0
    scale: float = 0.0
    lowest: float = 0.0
    highest: float = math.inf

    @property
    def standard_uncertainty(self) -> float:
        """Combined; sources that are unknown are left out, those of the fields cannot be."""
        return math.hypot(self.estimate.standard_uncertainty, self._shared)

    @property
    def degrees_of_freedom(self) -> float:
        """Effective degrees of freedom (Welch-Satterthwaite); segmentation and scale count as known."""
        u = self.estimate.standard_uncertainty
        if not u > 0:
            return self.estimate.degrees_of_freedom if self._shared == 0 else math.inf * (u + 1)
        return self.estimate.degrees_of_freedom * (self.standard_uncertainty / u) ** 4

    @property
    def interval(self) -> tuple[float, float]:
        """95 % interval; NaN with fewer than two fields."""
        t = student_t(self.degrees_of_freedom)
        low = self.estimate.value - t * math.hypot(self.estimate.below, self._shared)
        high = self.estimate.value + t * math.hypot(self.estimate.above, self._shared)
        return float(np.clip(low, self.lowest, self.highest)), float(np.clip(high, self.lowest, self.highest))

    @property
    def _shared(self) -> float:
        return math.hypot(*np.nan_to_num([self.segmentation, self.scale]))

    def rows(self) -> list[tuple[str, float, float]]:
        """(source, standard uncertainty, degrees of freedom) of each source and of them together."""
        return [
            ("field scatter", self.estimate.standard_uncertainty, self.estimate.degrees_of_freedom),
            ("segmentation", self.segmentation, math.inf),
            ("scale", self.scale, math.inf),
            ("combined", self.standard_uncertainty, self.degrees_of_freedom),
        ]


@dataclass(frozen=True, eq=False)
class ClassData:
    """Carbides and fields of one class as arrays; `field` numbers the fields from 0."""

    fields: pd.DataFrame
    carbides: pd.DataFrame
    field: np.ndarray

    def column(self, name: str) -> FloatArray:
        """Return (fields,) a column of the fields."""
        return self.fields[name].to_numpy(float)

    def sums(self, values: FloatArray) -> FloatArray:
        """(fields,) sum over the carbides of each field."""
        return np.bincount(self.field, values, len(self.fields)).astype(float)

    def carbide(self, name: str) -> FloatArray:
        """(carbides,) a column of the carbides."""
        return self.carbides[name].to_numpy(float)

    @property
    def weight(self) -> FloatArray:
        """(carbides,) edge correction."""
        return self.carbide("weight")

    @cached_property
    def shape_weight(self) -> FloatArray:
        """(carbides,) edge correction; 0 for carbides too small for their shape to be resolved."""
        code, flags = pd.factorize(self.carbides["flags"].astype(object).fillna(""))
        small = np.array(["small" in str(f).split() for f in flags], bool)
        return np.where(small[code], 0.0, self.weight) if len(code) else self.weight


@dataclass(frozen=True)
class Quantity:
    """One quantity of specimens.csv.

    Parameters
    ----------
    name, unit
        As printed.
    estimate
        From the arrays of one class to the estimate.
    scale_power
        The quantity goes as the size of a pixel to this power.
    area_power
        The quantity goes as the measured area of all carbides to this power.
    highest
        Largest value the quantity can have.
    """

    name: str
    unit: str
    estimate: Callable[[ClassData], Estimate]
    scale_power: float = 0.0
    area_power: float = 0.0
    lowest: float = 0.0
    highest: float = math.inf


def field_mean(name: str) -> Callable[[ClassData], Estimate]:
    """Mean of a column over the fields, each weighted by the area analysed."""
    return field_ratio(lambda data: data.column(name), lambda data: np.ones(len(data.fields)))


def field_ratio(
    numerator: Callable[[ClassData], FloatArray], denominator: Callable[[ClassData], FloatArray]
) -> Callable[[ClassData], Estimate]:
    """Ratio of two totals per area or length, each summed over the area analysed."""

    def estimate(data: ClassData) -> Estimate:
        area = data.column("analysed_area_um2")
        return ratio_of_fields(numerator(data) * area, denominator(data) * area)

    return estimate


def carbide_mean(
    value: Callable[[ClassData], FloatArray], weight: Callable[[ClassData], FloatArray]
) -> Callable[[ClassData], Estimate]:
    """Weighted mean over the carbides, by field sums; carbides without a value do not enter."""

    def estimate(data: ClassData) -> Estimate:
        v, w = value(data), weight(data)
        w = np.where(np.isfinite(v), w, 0.0)
        return ratio_of_fields(data.sums(w * np.nan_to_num(v)), data.sums(w))

    return estimate


def carbide_quantile(share: float, *, by_area: bool = False) -> Callable[[ClassData], Estimate]:
    """Quantile of the equivalent circle diameter by number or by area."""

    def estimate(data: ClassData) -> Estimate:
        weight = data.weight * data.carbide("area_um2") if by_area else data.weight
        return quantile(data.carbide("ecd_um"), weight, data.field, len(data.fields), share)

    return estimate


def elongation(data: ClassData) -> Estimate:
    """Sum of the lengths along the rolling direction over the sum of the widths across it."""
    w = data.shape_weight
    along, across = data.carbide("length_along_um"), data.carbide("width_across_um")
    return ratio_of_fields(data.sums(w * along), data.sums(w * across))


def largest(data: ClassData) -> Estimate:
    """Largest diameter seen, cut by the edge or not, with the interval of the largest on as many fields."""
    return largest_of_fields(pd.Series(data.carbide("ecd_um")).groupby(data.field).max())


def banded_share(data: ClassData) -> Estimate:
    """Share of the fields that are banded beyond chance, of those that can tell; interval of Clopper and Pearson."""
    p_value = data.column("band_p_value")
    known = np.isfinite(p_value)
    return share_of_fields(p_value[known] <= BANDED)


def _along(data: ClassData) -> FloatArray:
    return data.column("intercepts_along_per_mm")


def _across(data: ClassData) -> FloatArray:
    return data.column("intercepts_across_per_mm")


READ_COLUMNS = [
    "specimen", "field", "carbide_class", "area_um2", "ecd_um", "aspect_ratio", "length_along_um", "width_across_um",
    "weight", "flags",
]  # fmt: skip
"""Columns of the carbides that the quantities read; those of all fields are in memory together."""

QUANTITIES = (
    Quantity("area_fraction", "", field_mean("area_fraction"), area_power=1, highest=1),
    Quantity("number_per_mm2", "1/mm²", field_mean("number_per_mm2"), scale_power=-2),
    Quantity("mean_ecd", "µm", carbide_mean(lambda d: d.carbide("ecd_um"), lambda d: d.weight), 1, 0.5),
    Quantity(
        "area_weighted_ecd",
        "µm",
        carbide_mean(lambda d: d.carbide("ecd_um"), lambda d: d.weight * d.carbide("area_um2")),
        1,
        0.5,
    ),
    Quantity("ecd_d10", "µm", carbide_quantile(0.1), 1, 0.5),
    Quantity("ecd_d50", "µm", carbide_quantile(0.5), 1, 0.5),
    Quantity("ecd_d90", "µm", carbide_quantile(0.9), 1, 0.5),
    Quantity("ecd_d10_by_area", "µm", carbide_quantile(0.1, by_area=True), 1, 0.5),
    Quantity("ecd_d50_by_area", "µm", carbide_quantile(0.5, by_area=True), 1, 0.5),
    Quantity("ecd_d90_by_area", "µm", carbide_quantile(0.9, by_area=True), 1, 0.5),
    Quantity("largest_ecd", "µm", largest, 1, 0.5),
    Quantity(
        "mean_aspect_ratio", "", carbide_mean(lambda d: d.carbide("aspect_ratio"), lambda d: d.shape_weight), lowest=1
    ),
    Quantity("elongation_along_rolling", "", elongation),
    Quantity("intercepts_along", "1/mm", field_mean("intercepts_along_per_mm"), -1),
    Quantity("intercepts_across", "1/mm", field_mean("intercepts_across_per_mm"), -1),
    Quantity("anisotropy_index", "", field_ratio(_across, _along)),
    Quantity(
        "degree_of_orientation",
        "",
        field_ratio(lambda d: _across(d) - _along(d), lambda d: _across(d) + UNRELATED * _along(d)),
        lowest=-math.inf,
        highest=1,
    ),
    Quantity("mean_free_path", "µm", field_ratio(lambda d: 1000 * (1 - d.column("area_fraction")), _across), 1),
    Quantity("mean_band_spacing", "µm", field_ratio(lambda d: np.full(len(d.fields), 1000.0), _across), 1),
    Quantity("mean_chord_along", "µm", field_ratio(lambda d: 1000 * d.column("area_fraction"), _along), 1, 1),
    Quantity("mean_chord_across", "µm", field_ratio(lambda d: 1000 * d.column("area_fraction"), _across), 1, 1),
    Quantity("surface_per_volume", "1/mm", field_mean("surface_per_volume_per_mm"), -1, 0.5),
    Quantity("orientation_order", "", field_mean("orientation_order"), lowest=-1, highest=1),
    Quantity("banded_fields_share", "", banded_share, highest=1),
    Quantity("band_contrast", "", field_mean("band_contrast")),
    Quantity("band_contrast_at_random", "", field_mean("band_contrast_at_random")),
    Quantity("band_spacing", "µm", field_mean("band_spacing_um"), 1),
    Quantity("lane_width", "µm", field_mean("lane_width_um"), 1),
    Quantity("nearest_neighbour", "µm", field_mean("nearest_neighbour_um"), 1),
    Quantity("neighbour_ratio", "", field_mean("neighbour_ratio")),
    Quantity("neighbour_alignment", "", field_mean("neighbour_alignment"), lowest=-1, highest=1),
    Quantity("stringer_share", "", field_mean("stringer_share"), highest=1),
    Quantity("stringer_share_at_random", "", field_mean("stringer_share_at_random"), highest=1),
    Quantity("resolved_diameter", "µm", field_mean("resolved_diameter_um"), 1),
    Quantity("unresolved_share", "", field_mean("unresolved_share"), highest=1),
)


def summarise(particles: pd.DataFrame, fields: pd.DataFrame, scale_relative_uncertainty: float | None) -> pd.DataFrame:
    """Rows of specimens.csv for the fields of one specimen.

    With one field the scatter is unknown, and so are standard deviation and interval.

    Parameters
    ----------
    particles, fields
        Tables with the columns PARTICLES and FIELDS of `micro.tables.columns`.
    scale_relative_uncertainty
        Standard uncertainty of the size of a pixel over its value; None where the scale states none: the
        intervals then leave it out.

    Returns
    -------
    pandas.DataFrame
        Columns SPECIMENS; for "all" and each carbide class one row a quantity.
    """
    rows = [
        _row(carbide_class, quantity, budget, fields)
        for carbide_class, quantity, budget in budgets(particles, fields, scale_relative_uncertainty)
    ]
    return pd.DataFrame(rows, columns=names(SPECIMENS)) if rows else empty(SPECIMENS)


def uncertainty_budget(
    particles: pd.DataFrame, fields: pd.DataFrame, scale_relative_uncertainty: float | None
) -> pd.DataFrame:
    """Return how much field scatter, segmentation and scale each add to the intervals of `summarise`.

    Returns
    -------
    pandas.DataFrame
        carbide_class, quantity, unit, source, standard_uncertainty, degrees_of_freedom; NaN where a source
        is unknown and so left out.
    """
    head = ("carbide_class", "quantity", "unit", "source", "standard_uncertainty", "degrees_of_freedom")
    rows = [
        (carbide_class, quantity.name, quantity.unit, *row)
        for carbide_class, quantity, budget in budgets(particles, fields, scale_relative_uncertainty)
        for row in budget.rows()
    ]
    return pd.DataFrame(rows, columns=list(head))


def budgets(
    particles: pd.DataFrame, fields: pd.DataFrame, scale_relative_uncertainty: float | None
) -> Iterator[tuple[str, Quantity, Budget]]:
    """Every class and quantity with its uncertainty budget."""
    classes = [name for name in dict.fromkeys(fields["carbide_class"]) if name != "all"]
    for carbide_class in ["all", *classes] if len(fields) else []:
        data = class_data(particles, fields, carbide_class)
        area_relative = area_relative_uncertainty(data)
        for quantity in QUANTITIES:
            estimate = quantity.estimate(data)
            if not len(data.carbides):
                estimate = none_seen(quantity.name, estimate, data)
            size = abs(estimate.value)
            yield (
                carbide_class,
                quantity,
                Budget(
                    estimate,
                    segmentation=abs(quantity.area_power) * size * area_relative if quantity.area_power else 0.0,
                    scale=_scale_part(quantity, size, scale_relative_uncertainty),
                    lowest=quantity.lowest,
                    highest=quantity.highest,
                ),
            )


def none_seen(quantity: str, estimate: Estimate, data: ClassData) -> Estimate:
    """Estimate of a class without a carbide: fields that agree on 0 do not prove it.

    With none seen, up to three are expected at 95 % on all fields together (Poisson): so many per area, and as much
    area as three of the smallest that count. Intervals of all else are unknown.
    """
    fields = len(data.fields)
    highest = {
        "area_fraction": data.column("area_fraction_high").mean() / fields,
        "number_per_mm2": NONE_SEEN / data.column("analysed_area_um2").sum() * 1e6,
    }.get(quantity, math.nan)
    below = 0.0 if math.isfinite(highest) else math.nan
    return replace(estimate, below=below, above=float(highest) / student_t(estimate.degrees_of_freedom))


def class_data(particles: pd.DataFrame, fields: pd.DataFrame, carbide_class: str) -> ClassData:
    """One class as arrays; where a field shows none of the class, its totals are 0."""
    every = fields[fields["carbide_class"] == "all"].drop_duplicates("field").set_index("field")
    if carbide_class == "all":
        rows, carbides = every, particles
    else:
        rows = fields[fields["carbide_class"] == carbide_class].drop_duplicates("field").set_index("field")
        rows = rows.reindex(every.index)
        missing = rows["analysed_area_um2"].isna()
        rows.loc[missing, "analysed_area_um2"] = every.loc[missing, "analysed_area_um2"]
        for total in ("area_fraction", "number_per_mm2", "intercepts_along_per_mm", "intercepts_across_per_mm"):
            rows.loc[missing, total] = 0.0
        carbides = particles[particles["carbide_class"] == carbide_class]
    field = rows.index.get_indexer(pd.Index(carbides["field"]))
    return ClassData(rows.reset_index(), carbides[field >= 0], field[field >= 0])


def area_relative_uncertainty(data: ClassData) -> float:
    """Relative standard uncertainty of carbide area that the fields share, from their segmentation intervals.

    NaN where they state none. What points put right errs in each field on its own, which is in the scatter between
    fields: there the outlines' own interval counts, if they have one.
    """
    low, fraction, high = (data.column(f"area_fraction{end}") for end in ("_low", "", "_high"))
    if "origin" in data.fields:
        told = data.fields["origin"].fillna("").to_numpy(str) != ""
        own_low, own, own_high = (data.column(f"area_fraction_by_outlines{end}") for end in ("_low", "", "_high"))
        low, fraction, high = (np.where(told, o, v) for o, v in ((own_low, low), (own, fraction), (own_high, high)))
    half = (high - low) / 2
    known = np.isfinite(half) & np.isfinite(fraction)
    total = fraction[known].sum()
    return float(half[known].sum() / NORMAL_95 / total) if total > 0 else math.nan


def _scale_part(quantity: Quantity, size: float, scale_relative_uncertainty: float | None) -> float:
    if quantity.scale_power == 0:
        return 0.0
    return (
        math.nan
        if scale_relative_uncertainty is None
        else abs(quantity.scale_power) * size * scale_relative_uncertainty
    )


def _row(carbide_class: str, quantity: Quantity, budget: Budget, fields: pd.DataFrame) -> tuple:
    low, high = budget.interval
    value = budget.estimate.value
    accuracy = 100 * (high - low) / 2 / abs(value) if value else math.nan
    specimen = str(fields["specimen"].iloc[0])
    return (
        specimen,
        carbide_class,
        quantity.name,
        quantity.unit,
        value,
        budget.estimate.std,
        low,
        high,
        accuracy,
        budget.estimate.fields,
        "",
    )
