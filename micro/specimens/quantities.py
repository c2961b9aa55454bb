"""The one table of quantities of a specimen: words, unit, definition, powers, bounds, comparison."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from micro.measures.banding import SIGNIFICANCE as BANDED
from micro.measures.intercepts import UNRELATED
from micro.specimens.class_data import PER_MM2, ClassData
from micro.specimens.largest import largest_of_fields
from micro.specimens.sizes import quantile
from micro.statistics.sampling import UNKNOWN, Estimate, FloatArray, ratio_of_fields, share_of_fields
from micro.statistics.skewed import mean_of_carbides

SPACING_KNOWN = "band_spacing_standard_uncertainty_um"
LOBES = ("lobes_along", "lobes_across")
LOBES_LEFT, LOBES_ALIKE = 0.5, 0.75
"""Standard uncertainty of what lobes were found to add, as a share of it, and how alike it is along and across
(correlation): drawn carbides of 8 to 22 px with three or four lobes of 10 to 30 %, rough ones and polygons lie within
twice as much (tests/measures/test_lobes.py)."""


Values = Callable[[ClassData], FloatArray]


@dataclass(frozen=True)
class Ratio:
    """Sum of the numerators of the fields over that of their denominators.

    Parameters
    ----------
    numerator, denominator
        From the arrays of one class to (fields,) sums of each field; NaN, or no denominator, where a field has none.
    of_fields
        From both to the estimate of the specimen.
    of_carbides
        Whether it follows from the carbides alone, so that it can be taken anew from those above a diameter.
    terms
        What each carbide adds to numerator and denominator, (carbides,) each, where a field's sums are such: their
        unequal weights then enter the interval.
    parts
        What each carbide adds to the numerator, (carbides,), where only that is a sum over carbides: their skewness
        then enters comparisons.
    """

    numerator: Values
    denominator: Values
    of_fields: Callable[[FloatArray, FloatArray], Estimate] = ratio_of_fields
    of_carbides: bool = False
    terms: Callable[[ClassData], tuple[FloatArray, FloatArray]] | None = None
    parts: Values | None = None

    def estimate(self, data: ClassData) -> Estimate:
        """Estimate of the specimen."""
        if self.terms is not None:
            return mean_of_carbides(*self.terms(data), data.field, len(data.fields))
        return self.of_fields(self.numerator(data), self.denominator(data))


@dataclass(frozen=True)
class Quantile:
    """Equivalent circle diameter below which a share of the carbides lies, by number or by area."""

    share: float
    by_area: bool = False

    def estimate(self, data: ClassData) -> Estimate:
        """Estimate of the specimen."""
        return quantile(data.sizes_by_area if self.by_area else data.sizes_by_number, self.share)


def field_mean(name: str) -> Ratio:
    """Mean of a column over the fields, each weighted by the area analysed."""
    return field_ratio(_of_fields(name), _each)


def field_ratio(numerator: Values, denominator: Values) -> Ratio:
    """Ratio of two totals per area or length, each summed over the area analysed."""
    return Ratio(lambda d: numerator(d) * d.area, lambda d: denominator(d) * d.area)


def carbide_mean(value: Values, weight: Values) -> Ratio:
    """Weighted mean over the carbides; carbides without a value do not enter."""

    def terms(data: ClassData) -> tuple[FloatArray, FloatArray]:
        each = value(data)
        has_value = np.isfinite(each)
        known = np.where(has_value, weight(data), 0.0)
        return np.multiply(known, each, out=np.zeros(len(known)), where=has_value), known

    return of_terms(terms, of_carbides=True)


def of_terms(terms: Callable[[ClassData], tuple[FloatArray, FloatArray]], of_carbides: bool = False) -> Ratio:
    """Ratio of two sums over the carbides."""
    return Ratio(lambda d: d.sums(terms(d)[0]), lambda d: d.sums(terms(d)[1]), of_carbides=of_carbides, terms=terms)


def area_weight(data: ClassData) -> FloatArray:
    """(carbides,) edge correction times area."""
    return data.weight * data.carbide("area_um2")


def _weight(data: ClassData) -> FloatArray:
    return data.weight


def _ecd(data: ClassData) -> FloatArray:
    return data.carbide("ecd_um")


def _largest(data: ClassData) -> FloatArray:
    """(fields,) largest diameter of each field, cut by the edge or not; NaN where it has no carbide."""
    top = np.full(len(data.fields), -np.inf)
    np.maximum.at(top, data.field, _ecd(data))
    return np.where(np.isfinite(top), top, np.nan)


def _banded(data: ClassData) -> FloatArray:
    """(fields,) 1 where a field is banded beyond chance, 0 where not, NaN where it cannot tell."""
    p_value = data.column("band_p_value")
    return np.where(np.isfinite(p_value), p_value <= BANDED, np.nan)


def banding_shown(banded: int, fields: int) -> bool:
    """Whether more fields are banded than chance would have it: binomial, one in twenty, at 5 %."""
    from scipy import special

    return banded > 0 and bool(special.bdtrc(banded - 1, fields, CHANCE) <= CHANCE * (1 + 1e-9))


def banded_mean(name: str) -> Ratio:
    """Mean over the banded fields; unknown where so many may be banded by chance."""

    def values(data: ClassData) -> FloatArray:
        banded = _banded(data)
        shown = banding_shown(int(np.nansum(banded)), int(np.isfinite(banded).sum()))
        return data.column(name) * data.area if shown else np.full(len(banded), np.nan)

    return Ratio(values, lambda d: d.area)


def _beyond_random(data: ClassData) -> FloatArray:
    """(fields,) variance across rolling, over the squared mean, that chance does not give; below 0 by chance.

    Variances add: few or coarse carbides have a high band contrast wherever they lie, which both terms hold alike.
    """
    return np.square(data.column("band_contrast")) - np.square(data.column("band_contrast_at_random"))


def _each(data: ClassData) -> FloatArray:
    return np.ones(len(data.fields))


def _every(data: ClassData) -> FloatArray:
    """(fields and unknown fields,) ones."""
    return np.ones(len(data.fields) + len(data.unknown))


def _unknown(data: ClassData) -> FloatArray:
    """(fields and unknown fields,) 1 where the area fraction is unknown, 0 where not."""
    return np.repeat([0.0, 1.0], [len(data.fields), len(data.unknown)])


def _of_fields(name: str) -> Values:
    """(fields,) that column of the fields."""
    return lambda data: data.column(name)


_along, _across = _of_fields("intercepts_along_per_mm"), _of_fields("intercepts_across_per_mm")
_fraction = _of_fields("area_fraction")


def _along_by_area(data: ClassData) -> float:
    return data.outlines.of_intercepts(data.total("intercepts_along_per_mm"))


def _across_by_area(data: ClassData) -> float:
    return data.outlines.of_intercepts(data.total("intercepts_across_per_mm"))


def _index_by_area(data: ClassData) -> float:
    return _across_by_area(data) - _along_by_area(data)


def _diameter_by_area(data: ClassData) -> float:
    weight = data.weight.sum()
    mean_mm = float(data.weight @ data.carbide("ecd_um")) / weight / 1e3 if weight > 0 else math.nan
    return data.outlines.of_mean_diameter(mean_mm)


def _aspect_by_area(data: ClassData) -> float:
    """Axes a ≥ b that grow by twice the distance s lose 2s·(a/b - 1)/b of a/b; b is ECD/√(a/b)."""
    weight, aspect, ecd = data.shape_weight, data.carbide("aspect_ratio"), data.carbide("ecd_um")
    known = np.isfinite(aspect) & (weight > 0)
    weight, aspect, ecd = weight[known], aspect[known], ecd[known]
    lost = 2e3 * data.outlines.shift * float(weight @ ((aspect - 1) * np.sqrt(aspect) / ecd))
    return -lost / float(weight @ aspect) if len(aspect) else math.nan


def _elongation_by_area(data: ClassData) -> float:
    """Lengths and widths that grow by twice the distance."""
    length, width = (float(data.shape_weight @ data.carbide(f"{name}_um")) for name in ("length_along", "width_across"))
    more = 2e3 * data.outlines.shift * data.shape_weight.sum()
    return more / length - more / width if length > 0 and width > 0 else math.nan


def _free_path_by_area(data: ClassData) -> float:
    fraction = data.outlines.fraction
    return -fraction / (1 - fraction) - _across_by_area(data) if fraction < 1 else math.nan


def _contrast_by_area(data: ClassData) -> float:
    """√Σa²/Σa of carbides whose outlines move alike: a grows by 4δ/d of itself, so that large ones gain least."""
    area, ecd = data.carbide("area_um2"), data.carbide("ecd_um")
    if not len(area):
        return math.nan
    grown = 4e3 * data.outlines.shift / np.maximum(ecd, 1e-9)
    return float((area**2) @ grown / (area @ area) - area @ grown / area.sum())


KEPT_APART = 0.4
"""Times the root of the area fraction: relative change of the distance of neighbours at random per relative change of
area, as carbides cannot overlap. Placed at random without overlap, 3 to 27 % of lognormal diameters of σ 0.25 and 0.45
have 0.35 to 0.46 of it (simulated: tests/measures/test_neighbours.py)."""
ROWS_LEFT, FULL = 4.0, 0.2
"""The same of the share in rows at random, per area fraction up to that one (simulated as above: 2 to 6)."""


def _orientation_by_ai(degree: float) -> float:
    """Change of Ω12 = (AI - 1)/(AI + c), c = π/2 - 1, per relative change of AI: AI·(1 + c)/(AI + c)²."""
    index = (1 + UNRELATED * degree) / (1 - degree) if degree < 1 else math.inf
    return index * (1 + UNRELATED) / (index + UNRELATED) ** 2 if math.isfinite(index) else 0.0


@dataclass(frozen=True)
class Quantity:
    """One quantity of a specimen.

    Parameters
    ----------
    name, unit
        As in the tables.
    words, detail
        As in a sentence, and what a table or a figure adds: symbol, or how to read it.
    measure
        Its definition; None where people count it.
    scale_power, area_power
        It goes as the size of a pixel, and as the measured area of all carbides, to this power; where the carbides tell
        how it moves with their outlines, what they tell: the relative change per relative change of area.
    lowest, highest
        Limits of what it can be.
    compared
        "ratio" for positive sizes and counts, compared by their logarithms; "difference" for fractions; "share" for
        the share of fields that show something; empty where specimens are not compared in it.
    margin
        Specimens whose whole interval lies within it are called alike: relative to the mean, or absolute where
        the quantity may be below 0. Common practice, no source.
    above
        Definition from the carbides above a diameter, where that is another than `measure`.
    primary
        Whether it answers one of the questions amount, size, largest, elongation, banding: only these get a verdict.
    by_proportion
        From its value to how far it moves per relative change of its numerator across over that along rolling: where
        the height of pixels over their width does that, and where moved outlines do.
    lobe_powers
        It goes as the intercepts along and across, which lobes add to, to these powers.
    """

    name: str
    words: str
    group: str
    unit: str
    measure: Ratio | Quantile | None
    scale_power: float = 0.0
    area_power: float | Callable[[ClassData], float] = 0.0
    detail: str = ""
    lowest: float = 0.0
    highest: float = math.inf
    compared: str = ""
    margin: float = 0.1
    above: Ratio | None = None
    primary: bool = False
    by_proportion: Callable[[float], float] | None = None
    lobe_powers: tuple[int, int] = (0, 0)

    @property
    def title(self) -> str:
        """Name in a table."""
        return f"{self.words} {self.detail}".strip()

    @property
    def words_of_fields(self) -> str:
        """Words for the mean of the field values, which for some quantities is not what the specimen has."""
        plain = isinstance(self.measure, Ratio) and self.measure.of_fields is ratio_of_fields
        return self.words if plain or self.compared == "share" else f"{self.words} of a field"

    @property
    def is_share(self) -> bool:
        """Whether it runs from 0 to 1 and is printed in percent."""
        return (self.lowest, self.highest) == (0, 1)

    def estimate(self, data: ClassData) -> Estimate:
        """Estimate of the specimen from the arrays of one class."""
        return UNKNOWN if self.measure is None else self.measure.estimate(data)

    def by_field(self, above_a_diameter: bool) -> Ratio | None:
        """Definition that the comparison takes, where it can: counts of intercepts know no diameter of a carbide."""
        if not (self.compared and isinstance(self.measure, Ratio)):
            return None
        if not above_a_diameter or self.measure.of_carbides:
            return self.measure
        return self.above

    def moved_by_area(self, value: float, data: ClassData) -> float:
        """How far it moves per relative change of the carbides' area; NaN where that is unknown."""
        power = self.area_power if isinstance(self.area_power, int | float) else self.area_power(data)
        if isinstance(self.measure, Quantile) and not self.measure.by_area:
            # Levels change all diameters by one share, moved outlines those of small carbides by more.
            power = max(power, data.outlines.of_mean_diameter(value / 1e3))
        each = value if self.by_proportion is None else self.by_proportion(value)
        return abs(power * each) if power else 0.0

    def moved_by_lobes(self, value: float, data: ClassData) -> float:
        """Return the standard uncertainty by lobes and corners that blur hides; 0 where nobody measured them."""
        if not any(self.lobe_powers) or "lobes_along" not in data.fields:
            return 0.0
        along, across = (p * LOBES_LEFT * data.total(name) for p, name in zip(self.lobe_powers, LOBES, strict=True))
        each = value if self.by_proportion is None else self.by_proportion(value)
        return float(np.nan_to_num(abs(each) * math.sqrt(along**2 + across**2 + 2 * LOBES_ALIKE * along * across)))

    def moved_by_edges(self, value: float, data: ClassData) -> float:
        """Return the standard uncertainty by edges that are others in one direction; 0 where nobody measured them."""
        if "proportion_by_edges" not in data.fields:
            return 0.0
        if self.name == "orientation_order":
            return float(np.nan_to_num(data.total("order_by_outlines")))
        power = abs(self.lobe_powers[1] - self.lobe_powers[0]) / 2
        each = value * power if self.by_proportion is None else self.by_proportion(value)
        return abs(each) * float(np.nan_to_num(data.total("proportion_by_edges"))) if each else 0.0

    def moved_by_shapes(self, value: float, data: ClassData) -> float:
        """Return the standard uncertainty by what is known of outlines beside their area, or of waves in a field."""
        of_waves = 0.0
        if self.name == "band_spacing" and SPACING_KNOWN in data.fields:
            own = data.column(SPACING_KNOWN)[np.isfinite(data.column("band_spacing_um"))]
            of_waves = math.sqrt(float(own @ own)) / max(len(own), 1)
        return math.hypot(self.moved_by_lobes(value, data), self.moved_by_edges(value, data), of_waves)

    @property
    def margin_is_absolute(self) -> bool:
        """Whether the margin is in the quantity's own unit: a share of a mean that may be 0 would tell nothing."""
        return self.lowest < 0

    def alike(self, kind: str, mean: float) -> tuple[float, float]:
        """Lower and upper limit of a ratio or difference between which two specimens are called alike."""
        if kind == "ratio":
            return 1 / (1 + self.margin), 1 + self.margin
        half = self.margin if self.margin_is_absolute else self.margin * abs(mean)
        return -half, half


READ_COLUMNS = [
    "specimen", "field", "carbide_class", "area_um2", "ecd_um", "aspect_ratio", "length_along_um", "width_across_um",
    "weight", "flags",
]  # fmt: skip
"""Columns of the carbides that the quantities read; those of all fields are in memory together."""
SUMMED_COLUMNS = ("area_um2", "aspect_ratio", "length_along_um", "width_across_um", "weight")
"""Those of them that enter sums only. Ends of a quantile of ECD lie so close together with many fields that 6e-8 of it
would be 4e-5 of their distance (seen with 5 000 fields)."""

AMOUNT, SIZE, SHAPE = "Amount", "Size", "Elongation and direction"
BANDS, RESOLUTION = "Bands and spacing", "Resolution"
CHANCE = 0.05
PER_MM = 1000.0  # µm in a mm: a length in µm from a number per mm

QUANTITIES = (
    Quantity("area_fraction", "area fraction", AMOUNT, "",
             replace(field_mean("area_fraction"), parts=lambda d: d.carbide("area_um2")), 0, 1, "A_A", highest=1,
             primary=True, compared="difference",
             above=Ratio(lambda d: d.sums(area_weight(d)), lambda d: d.area, parts=area_weight)),
    Quantity("number_per_mm2", "number of carbides per area", AMOUNT, "1/mm²", field_mean("number_per_mm2"), -2, 0,
             "N_A", compared="ratio", above=Ratio(lambda d: PER_MM2 * d.sums(d.weight), lambda d: d.area)),
    Quantity("mean_ecd", "mean carbide diameter", SIZE, "µm", carbide_mean(_ecd, _weight), 1,
             _diameter_by_area, "(ECD)", compared="ratio", primary=True),
    Quantity("area_weighted_ecd", "area-weighted carbide diameter", SIZE, "µm", carbide_mean(_ecd, area_weight), 1, 0.5,
             compared="ratio"),
    Quantity("ecd_d10", "10 % of the carbides are smaller than", SIZE, "µm", Quantile(0.1), 1, 0.5),
    Quantity("ecd_d50", "half of the carbides are smaller than", SIZE, "µm", Quantile(0.5), 1, 0.5),
    Quantity("ecd_d90", "90 % of the carbides are smaller than", SIZE, "µm", Quantile(0.9), 1, 0.5),
    Quantity("ecd_d10_by_area", "10 % of the carbide area is in those below", SIZE, "µm", Quantile(0.1, True), 1, 0.5),
    Quantity("ecd_d50_by_area", "half of the carbide area is in those below", SIZE, "µm", Quantile(0.5, True), 1, 0.5),
    Quantity("ecd_d90_by_area", "90 % of the carbide area is in those below", SIZE, "µm", Quantile(0.9, True), 1, 0.5),
    Quantity("largest_ecd", "largest carbide", SIZE, "µm",
             Ratio(_largest, _each, lambda top, _: largest_of_fields(top), of_carbides=True), 1, 0.5, "seen",
             compared="ratio", primary=True),
    Quantity("mean_aspect_ratio", "mean aspect ratio", SHAPE, "",
             carbide_mean(lambda d: d.carbide("aspect_ratio"), lambda d: d.shape_weight), 0, _aspect_by_area, lowest=1,
             compared="ratio"),
    Quantity("elongation_along_rolling", "length along over width across rolling", SHAPE, "",
             of_terms(lambda d: (d.shape_weight * d.carbide("length_along_um"),
                                 d.shape_weight * d.carbide("width_across_um"))), 0, _elongation_by_area,
             by_proportion=float),
    Quantity("intercepts_along", "intercepts per length along rolling", SHAPE, "1/mm", field_ratio(_along, _each), -1,
             _along_by_area, "N_L", compared="ratio", lobe_powers=(1, 0)),
    Quantity("intercepts_across", "intercepts per length across rolling", SHAPE, "1/mm", field_ratio(_across, _each),
             -1, _across_by_area, "N_L", compared="ratio", lobe_powers=(0, 1)),
    Quantity("anisotropy_index", "anisotropy index", SHAPE, "", field_ratio(_across, _along), 0,
             _index_by_area, "AI", compared="ratio", primary=True, by_proportion=float, lobe_powers=(-1, 1)),
    Quantity("degree_of_orientation", "degree of orientation", SHAPE, "",
             field_ratio(lambda d: _across(d) - _along(d), lambda d: _across(d) + UNRELATED * _along(d)), 0,
             _index_by_area, "Ω12", -math.inf, 1, compared="difference", margin=0.05, by_proportion=_orientation_by_ai,
             lobe_powers=(-1, 1)),
    Quantity("mean_free_path", "mean free path across rolling", BANDS, "µm",
             field_ratio(lambda d: PER_MM * (1 - _fraction(d)), _across), 1, _free_path_by_area,
             compared="ratio", lobe_powers=(0, -1)),
    Quantity("mean_band_spacing", "mean band spacing", BANDS, "µm", field_ratio(lambda d: PER_MM * _each(d), _across),
             1, _across_by_area, "SB⊥", lobe_powers=(0, -1)),
    Quantity("mean_chord_along", "mean chord along rolling", SIZE, "µm",
             field_ratio(lambda d: PER_MM * _fraction(d), _along), 1, lambda d: 1 - _along_by_area(d),
             lobe_powers=(-1, 0)),
    Quantity("mean_chord_across", "mean chord across rolling", SIZE, "µm",
             field_ratio(lambda d: PER_MM * _fraction(d), _across), 1, lambda d: 1 - _across_by_area(d),
             lobe_powers=(0, -1)),
    Quantity("surface_per_volume", "carbide surface per volume", AMOUNT, "1/mm",
             field_mean("surface_per_volume_per_mm"), -1, lambda d: d.outlines.of_surface, "S_V"),
    Quantity("orientation_order", "order of long axes", SHAPE, "", field_mean("orientation_order"), 0, 0,
             "(1 along, 0 none, −1 across)", -1, 1),
    Quantity("banded_fields_share", "fields banded beyond chance", BANDS, "",
             Ratio(_banded, _each, lambda banded, _: share_of_fields(banded[np.isfinite(banded)])), highest=1,
             compared="share"),
    Quantity("unknown_fields_share", "fields whose area fraction is unknown", AMOUNT, "",
             Ratio(_unknown, _every, lambda unknown, _: share_of_fields(unknown)), highest=1),
    Quantity("banding_beyond_random", "banding beyond random", BANDS, "", field_ratio(_beyond_random, _each), 0,
             lambda d: 2 * _contrast_by_area(d), "(band contrast² less that at random; 0 none)", -math.inf,
             compared="difference", margin=0.01, primary=True),
    Quantity("band_contrast", "band contrast", BANDS, "", field_mean("band_contrast"), 0, _contrast_by_area,
             "(relative scatter across rolling)", compared="ratio"),
    Quantity("band_contrast_at_random", "band contrast at random", BANDS, "", field_mean("band_contrast_at_random"), 0,
             _contrast_by_area),
    Quantity("band_spacing", "spacing of the strongest bands, banded fields", BANDS, "µm",
             banded_mean("band_spacing_um"), 1, compared="ratio"),
    Quantity("lane_width", "width of carbide-poor lanes, banded fields", BANDS, "µm", banded_mean("lane_width_um"), 1),
    Quantity("bands_too_wide_share", "fields with bands wider than half of them", BANDS, "",
             Ratio(lambda d: d.column("bands_too_wide"), _each,
                   lambda wide, _: share_of_fields(wide[np.isfinite(wide)])),
             highest=1, compared="share"),
    Quantity("row_power", "power of rows along rolling", BANDS, "", field_mean("row_power"), 0, 0,
             "(1 none, else about the carbides in a row)", 1, compared="ratio"),
    Quantity("nearest_neighbour", "distance of nearest neighbours", BANDS, "µm", field_mean("nearest_neighbour_um"), 1),
    Quantity("neighbour_ratio", "neighbour distance over random", BANDS, "", field_mean("neighbour_ratio"), 0,
             lambda d: -KEPT_APART * math.sqrt(max(d.outlines.fraction, 0.0)),
             "(below 1 clustered)"),
    Quantity("neighbour_alignment", "neighbours along rolling", BANDS, "", field_mean("neighbour_alignment"), 0, 0,
             "(1 all, 0 none)", -1, 1),
    Quantity("stringer_share", "carbides in rows along rolling", BANDS, "", field_mean("stringer_share"), highest=1),
    Quantity("stringer_share_at_random", "carbides in such rows at random", BANDS, "",
             field_mean("stringer_share_at_random"), 0, lambda d: -ROWS_LEFT * min(d.outlines.fraction, FULL),
             highest=1),
    Quantity("resolved_diameter", "smallest resolved diameter", RESOLUTION, "µm", field_mean("resolved_diameter_um"),
             1),
    Quantity("unresolved_share", "share of carbide area below it", RESOLUTION, "", field_mean("unresolved_share"),
             highest=1),
    Quantity("film_area_fraction", "area fraction of films", AMOUNT, "", field_mean("film_area_fraction"), highest=1),
    Quantity("film_length_per_area", "length of films per area", AMOUNT, "1/mm", field_mean("film_length_per_mm"), -1),
    Quantity("film_thickness", "mean thickness of films", SIZE, "µm",
             field_ratio(lambda d: PER_MM * d.column("film_area_fraction"), lambda d: d.column("film_length_per_mm")),
             1),
    Quantity("concave_share", "share of carbide area in concave outlines", RESOLUTION, "", field_mean("concave_share"),
             highest=1),
)  # fmt: skip
COUNTED = (
    Quantity("point_fraction", "point fraction", AMOUNT, "", None, detail="P_P, counted by a person", highest=1),
    Quantity("area_fraction_of_these_fields", "area fraction of just these fields", AMOUNT, "", None, highest=1),
    Quantity("area_fraction_by_outlines", "area fraction by the outlines, not put right", AMOUNT, "", None, highest=1),
    Quantity("point_fraction_of_these_fields", "point fraction of just these fields", AMOUNT, "", None, highest=1),
)
"""What rests on the points that a person counted; they have no definition from carbides and fields alone."""
SET_IN = (
    Quantity("number_per_mm2_put_right", "number of carbides per area, put right for those missed", AMOUNT, "1/mm²",
             None),
    Quantity("detection_a90", "diameter found nine times in ten", RESOLUTION, "µm", None, detail="(a90)"),
    Quantity("false_call_share", "share of what is found that is not there", RESOLUTION, "", None, highest=1),
)  # fmt: skip
"""What carbides of known size tell that were set into the pictures."""
BY_NAME = {quantity.name: quantity for quantity in (*QUANTITIES, *COUNTED, *SET_IN)}
