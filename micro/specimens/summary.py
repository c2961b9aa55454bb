"""Specimens from their fields: quantities, intervals and uncertainty budget."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from micro.measures.banding import rows_unseen
from micro.measures.neighbours import LINKED
from micro.measures.totals import NONE_SEEN
from micro.measures.within_field import EVEN_WAVES, WITHIN, ends_of_field
from micro.specimens.class_data import (
    ClassData,
    area_relative_sides,
    class_data,
    film_sides,
    is_unresolved,
    pixel_shape_uncertainty,
    turned_from_rows,
    withheld,
)
from micro.specimens.largest import largest_of_another
from micro.specimens.open_outlines import moved_across_limit, open_ends, other_readings
from micro.specimens.quantities import QUANTITIES, Quantity
from micro.statistics.sampling import NORMAL_95, UNKNOWN, Estimate, accuracy_pct, joined_with_within, student_t
from micro.tables.columns import PARTICLES, SPECIMENS, empty, names

MOST_UNKNOWN = 1 / 3
"""Share of unknown fields above which the specimen is unknown itself (chosen)."""

LOWER_BOUND = "lower bound: too fine to be told apart"
"""Origin of a number of carbides that is at least so large."""


@dataclass(frozen=True)
class Budget:
    """One quantity with everything that makes it uncertain.

    Parameters
    ----------
    segmentation
        Standard uncertainty that all fields share through levels, noise and blur; NaN where unknown.
    missed
        Standard uncertainty from carbides that may have been missed, towards more carbide only.
    scale
        Standard uncertainty from the size of a pixel, NaN where the scale states none, and from its shape.
    lowest, highest
        Limits of what the quantity can be; the interval ends there.
    """

    estimate: Estimate
    segmentation: float = 0.0
    missed: float = 0.0
    scale: float = 0.0
    lowest: float = 0.0
    highest: float = math.inf
    bounds: tuple[float, float] | None = None
    """Ends of the interval of a quantity whose value is unknown."""
    open_ends: tuple[float, float] = (0.0, 0.0)
    """How much further the ends lie, by what may be there unseen and what may be no carbide; below and above."""
    lower_bound: bool = False

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
        if self.bounds is not None:
            return self.bounds
        t = student_t(self.degrees_of_freedom)
        low = self.estimate.value - t * math.hypot(self.estimate.below, self._shared) + self.open_ends[0]
        high = self.estimate.value + t * math.hypot(self.estimate.above, self._shared, self.missed) + self.open_ends[1]
        return float(np.clip(low, self.lowest, self.highest)), float(np.clip(high, self.lowest, self.highest))

    @property
    def _shared(self) -> float:
        parts = self.segmentation, self.scale
        return math.hypot(*(parts if all(map(math.isfinite, parts)) else np.nan_to_num(parts)))

    def rows(self) -> list[tuple[str, float, float]]:
        """(source, standard uncertainty, degrees of freedom) of each source and of them together."""
        return [
            (
                "field scatter" if self.estimate.fields > 1 else "within the field",
                self.estimate.standard_uncertainty,
                self.estimate.degrees_of_freedom,
            ),
            ("segmentation", self.segmentation, math.inf),
            ("missed, upward only", self.missed, math.inf),
            ("scale", self.scale, math.inf),
            ("combined", self.standard_uncertainty, self.degrees_of_freedom),
        ]


def summarise(particles: pd.DataFrame, fields: pd.DataFrame, scale_relative_uncertainty: float | None) -> pd.DataFrame:
    """Rows of specimens.csv for the fields of one specimen.

    With one field the standard deviation is unknown, and the interval is that of the field by itself where it can tell.

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
    specimen = str(fields["specimen"].iloc[0]) if len(fields) else ""
    rows = [
        _row(specimen, carbide_class, quantity, budget)
        for carbide_class, quantity, budget in budgets(particles, fields, scale_relative_uncertainty)
    ]
    return pd.DataFrame(rows, columns=names(SPECIMENS)) if rows else empty(SPECIMENS)


def area_fraction_of(fields: pd.DataFrame) -> Budget:
    """Budget of the area fraction of a specimen from the rows "all" of its fields alone.

    Parameters
    ----------
    fields
        specimen, field, carbide_class, analysed_area_um2, area_fraction and its ends, number_per_mm2, particles.
    """
    data = class_data(empty(PARTICLES), fields, "all")
    if data.unknown_share > MOST_UNKNOWN:
        return unknown_budget("area_fraction", data)
    quantity = next(one for one in QUANTITIES if one.name == "area_fraction")
    estimate = quantity.estimate(data)
    estimate = of_few_fields(quantity, estimate, data)
    below, above = area_relative_sides(data)
    size = abs(estimate.value)
    missed = _missed(quantity, size, below, above)
    return Budget(estimate, size * below, missed, lowest=quantity.lowest, highest=quantity.highest)


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
    particles: pd.DataFrame, fields: pd.DataFrame, scale_relative_uncertainty: float | None,
    of_all: Collection[str] = (),
) -> Iterator[tuple[str, Quantity, Budget]]:  # fmt: skip
    """Every class and quantity with its uncertainty budget; with `of_all` those of all carbides together only."""
    classes = [] if of_all else [name for name in dict.fromkeys(fields["carbide_class"]) if name != "all"]
    wanted = [quantity for quantity in QUANTITIES if not of_all or quantity.name in of_all]
    for carbide_class in ["all", *classes] if len(fields) else []:
        data = class_data(particles, fields, carbide_class)
        area_below, area_above = area_relative_sides(data)
        too_fine, films, readings = is_unresolved(data), film_sides(data), other_readings(data)
        not_told = withheld(data)
        for quantity in wanted:
            if quantity.name in FILMS and (films is None or carbide_class != "all"):
                continue
            if data.unknown_share > MOST_UNKNOWN and quantity.name != "unknown_fields_share":
                yield carbide_class, quantity, unknown_budget(quantity.name, data)
                continue
            estimate = UNKNOWN if quantity.name in not_told else quantity.estimate(data)
            if _is_bare(quantity, data, films):
                estimate = none_seen(quantity.name, estimate, data)
            else:
                estimate = of_few_fields(quantity, at_the_least(quantity, estimate, data), data)
            size = abs(estimate.value)
            yield (
                carbide_class,
                quantity,
                Budget(
                    estimate,
                    segmentation=_segmentation_part(quantity, estimate.value, data, area_below, films),
                    missed=_missed(quantity, size, area_below, area_above),
                    scale=_scale_part(quantity, estimate.value, scale_relative_uncertainty, data),
                    lowest=quantity.lowest,
                    highest=quantity.highest,
                    open_ends=open_ends(quantity, estimate.value, data, readings),
                    lower_bound=too_fine and quantity.name == "number_per_mm2",
                ),
            )


def unknown_budget(quantity: str, data: ClassData) -> Budget:
    """Return the budget of a specimen of which too many fields are unknown: of the area fraction its bounds."""
    if quantity != "area_fraction":
        return Budget(UNKNOWN)
    every = pd.concat([data.fields, data.unknown])
    low, high, area = (
        every[n].to_numpy(float) for n in ("area_fraction_low", "area_fraction_high", "analysed_area_um2")
    )
    bounds = (np.average(np.nan_to_num(low), weights=area), np.average(np.where(np.isnan(high), 1, high), weights=area))
    return Budget(UNKNOWN, bounds=(bounds[0], bounds[1]))


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


def at_the_least(quantity: Quantity, estimate: Estimate, data: ClassData) -> Estimate:
    """Estimate where all fields have the least that the quantity can be: that they agree does not prove it.

    Where no carbide of a kind is seen, up to three are expected (as in `none_seen`), of rows three; the power of rows
    is open as far as its test would not have seen them.
    """
    if not (estimate.fields > 1 and estimate.value == quantity.lowest and estimate.std == 0):
        return estimate
    carbides = data.column("particles")
    unseen = NONE_SEEN / max(float(np.nansum(carbides)), 1.0)
    highest = {
        "row_power": rows_unseen(carbides, data.column("area_fraction")),
        "concave_share": unseen, "unresolved_share": unseen,
        "stringer_share": LINKED * unseen, "stringer_share_at_random": LINKED * unseen,
    }.get(quantity.name)  # fmt: skip
    if highest is None:
        return estimate
    return replace(estimate, above=(highest - estimate.value) / student_t(estimate.degrees_of_freedom))


MOST_UNSURE_NUMBER = 0.4
"""Relative uncertainty of the number of carbides up to which one field tells of the largest of another: beyond, with a
few clusters only, 78 to 82 % of the intervals hold, below 92 % and more (simulated; docs/methods/)."""
# 1/N_L across goes as its intercepts.
SAMPLED_LIKE = {"mean_band_spacing": "intercepts_across", "degree_of_orientation": "anisotropy_index"}


FEW_FIELDS = 4
"""Fields up to which what they show within themselves is heard beside their scatter. Chosen: more know it well."""


def of_few_fields(quantity: Quantity, estimate: Estimate, data: ClassData) -> Estimate:
    """Estimate with the sampling error that fields show within themselves.

    One field: in place of the scatter between fields; it holds if the bar is like this field, which one field cannot
    tell, and of the largest carbide it is that of the largest of another such field, and of the one seen. Up to
    FEW_FIELDS: the mean of both, by how well the fields agree.
    """
    if quantity.name == "largest_ecd" and len(data.fields) == 1:
        return _with_ends(estimate, *_largest_of_another(data))
    column, fields = WITHIN.get(SAMPLED_LIKE.get(quantity.name, quantity.name)), len(data.fields)
    scattering = _that_scatters(quantity, estimate.value)
    if column is None or not 1 <= fields <= FEW_FIELDS or not scattering > 0:
        return estimate
    relative = data.column(column)
    if not np.isfinite(relative).all():
        return estimate
    if fields > 1:
        # Each is widened for the degrees of freedom of its waves, which all fields together have so many times.
        narrow = NORMAL_95 / student_t(EVEN_WAVES) / fields
        within = scattering * narrow * float(np.sqrt((relative**2).sum()))
        return joined_with_within(estimate, within, EVEN_WAVES * fields)
    low, high = ends_of_field(scattering, float(relative[0]))
    return _with_ends(estimate, estimate.value + low - scattering, estimate.value + high - scattering)


def _that_scatters(quantity: Quantity, value: float) -> float:
    """Return what the relative sampling error of a field is a share of.

    The value; for Ω12 what it moves by per relative change of AI; for the order of axes, which may be 0, 1 + order.
    """
    if quantity.name == "orientation_order":
        return 1 + value
    return value if quantity.by_proportion is None else quantity.by_proportion(value)


def _with_ends(estimate: Estimate, low: float, high: float) -> Estimate:
    """Estimate with that 95 % interval."""
    below, above = (estimate.value - low) / NORMAL_95, (high - estimate.value) / NORMAL_95
    return replace(estimate, below=below, above=above, degrees_of_freedom=math.inf)


def _largest_of_another(data: ClassData) -> tuple[float, float]:
    """Interval of the largest carbide of another field like the only one; NaN where that one cannot tell.

    Another field holds as many carbides as far as their number is known: by few clusters it is not.
    """
    number = float(data.column(WITHIN["number_per_mm2"])[0])
    if not number <= MOST_UNSURE_NUMBER:
        return math.nan, math.nan
    return largest_of_another(data.carbide("ecd_um"))


FILMS = ("film_area_fraction", "film_length_per_area", "film_thickness")
OF_FILM_AREA = ("film_area_fraction", "film_thickness")


def _is_bare(quantity: Quantity, data: ClassData, films: float | None) -> bool:
    """Whether the fields hold nothing that the quantity speaks of, though all of them could be read."""
    if len(data.carbides) or not len(data.fields) or (films is not None and quantity.name in ("area_fraction", *FILMS)):
        return False
    return bool(np.isfinite(data.column("number_per_mm2")).all())


def _segmentation_part(
    quantity: Quantity, value: float, data: ClassData, relative: float, films: float | None
) -> float:
    """Return what the area's relative uncertainty adds, where the quantity moves with it, and what lobes leave open.

    `films`: relative standard uncertainty of the films' area.
    """
    if films is not None and quantity.name in OF_FILM_AREA:
        return abs(value) * films
    moved = quantity.moved_by_area(value, data) if quantity.area_power else 0.0
    # Outlines that move do both at once.
    by_area = (moved * relative if moved else 0.0) + moved_across_limit(quantity, value, data, relative)
    return math.hypot(by_area, quantity.moved_by_shapes(value, data))


def _missed(quantity: Quantity, size: float, below: float, above: float) -> float:
    """Return what adds upward only to a total of area; sizes may be moved either way by it, by less."""
    if quantity.name != "area_fraction" or not above > below:
        return 0.0
    return size * math.sqrt(above**2 - below**2)


def interval_of(budget: Budget) -> str:
    """Return what the interval speaks of: "specimen", "field" if the bar is like it, or empty where unknown."""
    if not math.isfinite(budget.interval[0] + budget.interval[1]):
        return ""
    return "specimen" if budget.estimate.fields > 1 else "field"


def _scale_part(quantity: Quantity, value: float, relative_uncertainty: float | None, data: ClassData) -> float:
    """Return what the size of pixels adds, or their shape: all along or across the rows, nothing at 45°."""
    if quantity.by_proportion is not None:
        moved = turned_from_rows(data) * quantity.by_proportion(value) if math.isfinite(value) else 0.0
        return abs(moved) * pixel_shape_uncertainty(data)
    if quantity.scale_power == 0:
        return 0.0
    return math.nan if relative_uncertainty is None else abs(quantity.scale_power * value) * relative_uncertainty


def _row(specimen: str, carbide_class: str, quantity: Quantity, budget: Budget) -> tuple:
    low, high = budget.interval
    value = budget.estimate.value
    return (
        specimen,
        carbide_class,
        quantity.name,
        quantity.unit,
        value,
        budget.estimate.std,
        low,
        high,
        accuracy_pct(value, low, high),
        budget.estimate.fields,
        LOWER_BOUND if budget.lower_bound else "",
        interval_of(budget),
    )
