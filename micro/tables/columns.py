"""Every column of every table once: name, unit, dtype and meaning."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd
    from numpy.typing import NDArray


@dataclass(frozen=True)
class Column:
    """One column of a table; `unit` is empty for text, counts and ratios."""

    name: str
    unit: str
    dtype: str
    meaning: str


def _ends(name: str, of: str = "its 95 % interval", unit: str = "") -> tuple[Column, Column]:
    return (
        Column(f"{name}_low", unit, "float64", f"lower end of {of}"),
        Column(f"{name}_high", unit, "float64", f"upper end of {of}"),
    )


def _with_interval(name: str, unit: str, meaning: str) -> tuple[Column, Column, Column]:
    return Column(name, unit, "float64", meaning), *_ends(name, unit=unit)


ELEMENTS = ("C", "Cr", "Mo", "W", "V", "Nb")
"""Elements of the mass balance."""

PARTICLES = (
    Column("specimen", "", "str", "specimen the field belongs to"),
    Column("field", "", "str", "field the carbide was found in"),
    Column("particle", "", "int64", "number of the carbide in its field; equals its value in labels/FIELD.tif"),
    Column("carbide_class", "", "str", "carbide class by grey level"),
    Column("x_um", "µm", "float64", "centroid from the left edge of the picture"),
    Column("y_um", "µm", "float64", "centroid from the top edge of the picture, downwards"),
    Column("area_um2", "µm²", "float64", "area by integrated contrast"),
    Column("ecd_um", "µm", "float64", "equivalent circle diameter, 2·√(area/π)"),
    Column("feret_max_um", "µm", "float64", "largest Feret diameter"),
    Column("feret_min_um", "µm", "float64", "smallest Feret diameter"),
    Column("major_um", "µm", "float64", "full major axis of the ellipse with the same second moments"),
    Column("minor_um", "µm", "float64", "full minor axis of the ellipse with the same second moments"),
    Column("aspect_ratio", "", "float64", "major over minor axis, 1 or more"),
    Column("angle_deg", "°", "float64", "major axis from the rolling direction, counter-clockwise, -90 to 90]"),
    Column("angle_standard_uncertainty_deg", "°", "float64", "of that angle, from pixels and noise; 52: any direction"),
    Column("length_along_um", "µm", "float64", "Feret diameter along the rolling direction"),
    Column("width_across_um", "µm", "float64", "Feret diameter across the rolling direction"),
    Column("perimeter_um", "µm", "float64", "length of the outline"),
    Column("mean_grey", "", "float64", "mean grey level inside the outline, as in the file"),
    Column("touches_edge", "", "int64", "1 where the carbide is cut by the edge of the analysed frame"),
    Column("weight", "", "float64", "edge correction (Miles-Lantuejoul); 0 at the edge of the frame"),
    Column("outline_area_um2", "µm²", "float64", "area inside the half-height outline"),
    Column("flags", "", "str", "names of the troubles met, separated by a space"),
)


def _within(name: str, meaning: str) -> Column:
    return Column(f"{name}_within_relative_uncertainty", "", "float64", meaning)


SAMPLED = {
    "area_fraction": _within(
        "area_fraction", "of area_fraction by sampling, if the bar is like this field; empty where it cannot tell"
    ),
    "number_per_mm2": _within("number", "of number_per_mm2, likewise"),
    "mean_ecd": _within("mean_ecd", "of mean_ecd_um, likewise"),
    "intercepts_along": _within("intercepts_along", "of intercepts_along_per_mm, likewise"),
    "intercepts_across": _within("intercepts_across", "of intercepts_across_per_mm, likewise"),
    "anisotropy_index": _within("anisotropy", "of anisotropy_index, likewise"),
    "mean_free_path": _within("mean_free_path", "of mean_free_path_um, likewise"),
    "mean_chord_along": _within("mean_chord_along", "of mean_chord_along_um, likewise"),
    "mean_chord_across": _within("mean_chord_across", "of mean_chord_across_um, likewise"),
    "surface_per_volume": _within("surface_per_volume", "of surface_per_volume_per_mm, likewise"),
    "orientation_order": _within("orientation_order", "of 1 + orientation_order, likewise"),
    "area_weighted_ecd": _within("area_weighted_ecd", "of the area-weighted diameter, likewise"),
    "mean_aspect_ratio": _within("mean_aspect", "of the mean aspect ratio, likewise"),
    "elongation_along_rolling": _within("elongation", "of elongation_along_rolling, likewise"),
    "ecd_d10": _within("ecd_d10", "of ecd_d10, likewise"),
    "ecd_d50": _within("ecd_d50", "of ecd_d50, likewise"),
    "ecd_d90": _within("ecd_d90", "of ecd_d90, likewise"),
    "ecd_d10_by_area": _within("ecd_d10_by_area", "of ecd_d10_by_area, likewise"),
    "ecd_d50_by_area": _within("ecd_d50_by_area", "of ecd_d50_by_area, likewise"),
    "ecd_d90_by_area": _within("ecd_d90_by_area", "of ecd_d90_by_area, likewise"),
}
"""Sampling error that one field tells of a quantity, by its name."""

FIELDS = (
    Column("specimen", "", "str", "specimen the field belongs to"),
    Column("field", "", "str", "name of the field"),
    Column("image", "", "str", "image file"),
    Column("um_per_px", "µm", "float64", "size of a pixel"),
    Column("pixel_height_over_width", "", "float64", "of a pixel, put right in what follows; empty: not measured"),
    Column("pixel_height_over_width_standard_uncertainty", "", "float64", "of it; empty: not measured"),
    Column("analysed_area_um2", "µm²", "float64", "area of the frame less what was left out"),
    Column("rolling_deg", "°", "float64", "rolling direction used, from the horizontal, counter-clockwise"),
    Column("carbide_class", "", "str", "'all', or one carbide class"),
    Column("area_fraction", "", "float64", "A_A by integrated contrast, 0 to 1"),
    *_ends("area_fraction", "the 95 % interval of this field's segmentation"),
    Column("particles", "", "float64", "carbides that touch the frame; empty where none can be outlined"),
    Column("number_per_mm2", "1/mm²", "float64", "N_A, edge corrected"),
    Column("mean_ecd_um", "µm", "float64", "mean equivalent circle diameter, edge corrected"),
    Column("intercepts_along_per_mm", "1/mm", "float64", "N_L on lines along the rolling direction"),
    Column("intercepts_across_per_mm", "1/mm", "float64", "N_L on lines across the rolling direction"),
    Column("lobes_along", "", "float64", "share of intercepts_along_per_mm that lobes and corners add, hidden by blur"),
    Column("lobes_across", "", "float64", "of intercepts_across_per_mm, likewise"),
    Column("anisotropy_index", "", "float64", "AI, N_L across over N_L along (ASTM E1268)"),
    Column("degree_of_orientation", "", "float64", "Ω12 (ASTM E1268)"),
    *SAMPLED.values(),
    Column("mean_free_path_um", "µm", "float64", "mean free path across the rolling direction"),
    Column("mean_chord_along_um", "µm", "float64", "mean chord of carbide along the rolling direction"),
    Column("mean_chord_across_um", "µm", "float64", "mean chord of carbide across the rolling direction"),
    Column("surface_per_volume_per_mm", "1/mm", "float64", "S_V, 4/π times outline length per area, without the frame"),
    Column("orientation_order", "", "float64", "mean cos 2·angle from rolling, by length: 1 all along, 0 none"),
    Column(
        "order_by_outlines",
        "",
        "float64",
        "standard uncertainty of it by noise and directed edges",
    ),
    Column("proportion_by_edges", "", "float64", "of lengths along over across rolling, likewise, relative"),
    Column("band_contrast", "", "float64", "relative scatter of the area fraction across rolling, at long spacings"),
    Column("band_contrast_at_random", "", "float64", "the same for the same carbides placed at random"),
    Column("band_p_value", "", "float64", "chance that carbides placed at random show bands as strong"),
    Column("band_spacing_um", "µm", "float64", "spacing of the strongest bands; empty where not banded or too wide"),
    Column(
        "band_spacing_standard_uncertainty_um", "µm", "float64", "of it, as half a cycle more or less fits the field"
    ),
    Column("bands_too_wide", "", "float64", "1 where the strongest bands are wider than half of the field, else 0"),
    Column("row_power", "", "float64", "power at short spacings over that without rows along rolling; 1: no rows"),
    Column("lane_width_um", "µm", "float64", "mean width of the lanes poor in carbides; empty where not banded"),
    Column("nearest_neighbour_um", "µm", "float64", "mean distance of the centroids of nearest neighbours"),
    Column("neighbour_ratio", "", "float64", "the same over that of the carbides placed at random without overlap"),
    Column("neighbour_alignment", "", "float64", "mean cos 2·angle from rolling of the line to the nearest neighbour"),
    Column("stringer_share", "", "float64", "share of the carbides that lie in rows along rolling"),
    Column("stringer_share_at_random", "", "float64", "the same for the carbides placed at random"),
    Column("resolved_diameter_um", "µm", "float64", "diameter below which the blur hides a carbide's shape"),
    Column("unresolved_share", "", "float64", "share of the carbide area in carbides below that diameter"),
    Column(
        "concave_share",
        "",
        "float64",
        "share of the carbide area in outlines that stay concave: carbides may touch there",
    ),
    Column("film_area_fraction", "", "float64", "of it in films of carbide; empty where films were not asked for"),
    *_ends("film_area_fraction", "the 95 % interval of this field's segmentation"),
    Column("film_length_per_mm", "1/mm", "float64", "length of the films per area"),
    Column("film_thickness_um", "µm", "float64", "mean thickness of the films, their area over their length"),
    Column("origin", "", "str", "what put area_fraction right; empty where it comes from the picture alone"),
    Column("area_fraction_by_outlines", "", "float64", "what it was before; empty where nothing put it right"),
    *_ends("area_fraction_by_outlines", "the 95 % interval of that segmentation"),
    Column("matrix_grey", "", "float64", "mean grey level of the matrix, as in the file"),
    Column("class_grey", "", "float64", "grey level of the carbide class where the light is average, as in the file"),
    Column("threshold_grey", "", "float64", "grey level of the outline: half way between the two, or as pinned"),
    Column("blur_px", "px", "float64", "edge spread, standard deviation; empty where no edge could be measured"),
    Column("noise_grey", "", "float64", "standard deviation of the matrix about its level, grey levels of a pixel"),
    Column(
        "file",
        "",
        "str",
        "name of the field's pictures in labels/ and outlines/, from 1001 fields on with their sub-folder",
    ),
    Column("flags", "", "str", "names of the troubles met, separated by a space"),
    Column("message", "", "str", "what to know before trusting the row"),
)

SPECIMENS = (
    Column("specimen", "", "str", "name of the specimen"),
    Column("carbide_class", "", "str", "'all', or one carbide class"),
    Column("quantity", "", "str", "what was measured"),
    Column("unit", "", "str", "unit of mean, std and interval"),
    Column("mean", "", "float64", "estimate for the specimen"),
    Column("std", "", "float64", "standard deviation between fields"),
    *_ends("ci95", "the 95 % interval"),
    Column("relative_accuracy_pct", "%", "float64", "%RA, half width of the interval over the mean (ASTM E562)"),
    Column("fields", "", "int64", "fields that entered"),
    Column("origin", "", "str", "what put the number right, or widened its interval; empty: the pictures alone"),
    Column(
        "interval_of",
        "",
        "str",
        "specimen: by its fields (of up to four also by what each shows); field: if the bar is like it; these fields",
    ),
)


COMPARISON = (
    Column("specimen_a", "", "str", "the specimen compared against"),
    Column("specimen_b", "", "str", "the specimen compared with it"),
    Column("carbide_class", "", "str", "'all', or one carbide class"),
    Column("quantity", "", "str", "what is compared"),
    Column("unit", "", "str", "unit of the two values, and of a difference"),
    Column("kind", "", "str", "ratio (b over a), difference (b less a), or not compared"),
    Column("primary", "", "int64", "1 where the quantity answers a question and gets a verdict"),
    Column("value_a", "", "float64", "value of specimen a, from the sums of its fields"),
    Column("value_b", "", "float64", "value of specimen b, from the sums of its fields"),
    Column("fields_a", "", "int64", "fields of specimen a that entered"),
    Column("fields_b", "", "int64", "fields of specimen b that entered"),
    Column("estimate", "", "float64", "ratio or difference"),
    *_ends("ci95"),
    Column("p_value", "", "float64", "of no difference, Student's t on ratios of field sums"),
    Column(
        "p_joint", "", "float64", "the same, adjusted for all primary quantities by exchange of fields, and for pairs"
    ),
    Column("p_holm", "", "float64", "the same, adjusted for all primary rows of the table (Holm)"),
    Column("p_permutation", "", "float64", "the same as p_value, by exchange of fields"),
    Column(
        "detectable", "", "float64", "smallest true ratio or difference found with a power of 80 % after adjustment"
    ),
    Column("verdict", "", "str", "differs, may differ, alike (within 10 %), cannot tell, shown only, not compared"),
    Column("warning", "", "str", "what to know before trusting the row"),
)

SIZES = (
    Column("specimen", "", "str", "name of the specimen"),
    Column("quantity", "", "str", "median and spread of the sections, spheres in space, largest carbide on an area"),
    Column("unit", "", "str", "unit of value and interval"),
    Column("value", "", "float64", "by a lognormal law above the detection limit; of the largest the median to expect"),
    *_ends("ci95", "the 95 % interval; of the largest, of what is to come"),
    Column("fields", "", "int64", "fields that entered"),
    Column("message", "", "str", "how well the law fits, or why there is no value"),
)

COUPONS = (
    Column("group", "", "str", "specimen, and heat treatment where the coupons are grouped by it"),
    Column("direction", "", "str", "longitudinal or transverse: the long side of the coupon from rolling"),
    Column("quantity", "", "str", "toughness or hardness"),
    Column("unit", "", "str", "unit of mean, std and interval"),
    Column("coupons", "", "int64", "coupons that entered"),
    Column("mean", "", "float64", "mean over the coupons"),
    Column("std", "", "float64", "standard deviation between coupons"),
    *_ends("ci95", "the 95 % interval of the mean"),
    Column("beyond", "", "int64", 'those of them that are only known to be tougher than their value (">300")'),
)

TRANSVERSE_RATIOS = (
    Column("group", "", "str", "specimen, and heat treatment where the coupons are grouped by it"),
    Column("coupons_longitudinal", "", "int64", "coupons along the rolling direction"),
    Column("coupons_transverse", "", "int64", "coupons across the rolling direction"),
    Column("ratio", "", "float64", "transverse over longitudinal toughness, of geometric means"),
    *_ends("ci95", "its 95 % interval (Welch on logarithms)"),
    Column("p_value", "", "float64", "of no gap"),
    *_ends("fieller", "the 95 % interval of the ratio of plain means (Fieller)"),
    Column("hardness_difference", "", "float64", "mean hardness transverse less longitudinal"),
    *_ends("hardness_ci95"),
    Column("detectable_gap_pct", "%", "float64", "smallest gap such coupons show with a power of 80 %"),
    Column("gap_pct", "%", "float64", "gap asked about"),
    Column("more_longitudinal", "", "float64", "more coupons needed to show that gap with a power of 80 %"),
    Column("more_transverse", "", "float64", "more coupons needed to show that gap with a power of 80 %"),
    Column("equal_hardness_ratio", "", "float64", "the ratio at equal hardness; empty where hardness cannot tell"),
    *_ends("equal_hardness_ci95"),
    Column("equal_hardness_p_value", "", "float64", "of no difference at equal hardness"),
    Column("verdict", "", "str", "transverse lower, transverse higher, within scatter, cannot tell"),
    Column("warning", "", "str", "what to know before trusting the row"),
)

GROUP_RATIOS = (
    Column("group_a", "", "str", "the group compared against"),
    Column("group_b", "", "str", "the group compared with it"),
    Column("direction", "", "str", "longitudinal, transverse, or the ratio of the two"),
    Column("coupons_a", "", "int64", "coupons of group a"),
    Column("coupons_b", "", "int64", "coupons of group b"),
    Column("ratio", "", "float64", "toughness of b over a, of geometric means"),
    *_ends("ci95", "its 95 % interval (Welch on logarithms)"),
    Column("p_value", "", "float64", "of no difference"),
    Column("p_holm", "", "float64", "the same, adjusted for all tests of the table (Holm)"),
    Column("hardness_difference", "", "float64", "mean hardness of b less a"),
    *_ends("hardness_ci95"),
    Column("equal_hardness_ratio", "", "float64", "the ratio at equal hardness; empty where hardness cannot tell"),
    *_ends("equal_hardness_ci95"),
    Column("equal_hardness_p_value", "", "float64", "of no difference at equal hardness"),
    Column("verdict", "", "str", "differs, may differ, cannot tell"),
    Column("warning", "", "str", "what to know before trusting the row"),
)

CHEMISTRY = (
    Column("specimen", "", "str", "specimen whose composition was given"),
    Column("carbide_class", "", "str", "MC, M7C3, M6C, M23C6, M3C, M2C, or 'all' together"),
    Column("ceiling", "", "float64", "largest volume fraction by mass balance, pure carbides, 0 to 1"),
    Column("ceiling_low", "", "float64", "the same with densities at the end that gives least"),
    Column("ceiling_high", "", "float64", "the same with densities and foreign metal at the end that gives most"),
    Column("beside_mc", "", "float64", "largest volume fraction once MC has taken its carbon"),
    Column("limited_by", "", "str", "what runs out first: carbon, or the metals of the class"),
    *_with_interval("measured", "", "area fraction measured"),
    Column("message", "", "str", "where the measurement lies above the ceiling, and other cautions"),
)

MOSAICS = (
    Column("specimen", "", "str", "specimen the mosaic belongs to"),
    Column("image", "", "str", "image file"),
    Column("parts", "", "int64", "parts that the mosaic was measured in"),
    Column("parts_used", "", "int64", "those of them that were analysed whole, which enter here"),
    Column("parts_banded", "", "float64", "those of them that are banded on their own, as in fields.csv"),
    Column("particles", "", "float64", "carbides with their centroid in these parts"),
    Column("rolling_deg", "°", "float64", "rolling direction used, from the horizontal, counter-clockwise"),
    Column("extent_um", "µm", "float64", "extent of these parts across the rolling direction"),
    Column("band_contrast", "", "float64", "as in fields.csv, of all these parts together"),
    Column("band_contrast_at_random", "", "float64", "likewise"),
    Column("band_p_value", "", "float64", "likewise"),
    Column("band_shortest_um", "µm", "float64", "shortest spacing searched; narrower bands show in the parts only"),
    Column("band_spacing_um", "µm", "float64", "likewise"),
    Column("band_spacing_low_um", "µm", "float64", "with half a cycle more in the extent: so far waves are told apart"),
    Column("band_spacing_high_um", "µm", "float64", "with half a cycle less"),
    Column("bands_too_wide", "", "float64", "1 where the strongest bands are wider than half of the extent, else 0"),
)

DETECTION = (
    Column("specimen", "", "str", "specimen, or the picture, that carbides were set into"),
    Column("ecd_um", "µm", "float64", "equivalent circle diameter, geometric mean of the class of size"),
    Column("set_in", "", "int64", "invented carbides set into the picture"),
    Column("found", "", "int64", "those of them that were found"),
    *_with_interval("probability", "", "probability of detection, logistic in the logarithm of the diameter"),
    Column("area_error", "", "float64", "median of measured over true area, less 1"),
)

MATRIX = (
    Column("specimen", "", "str", "specimen whose composition was given"),
    Column("element", "", "str", "C, Cr, Mo, W, V or Nb, where the composition names it"),
    Column("in_steel", "wt %", "float64", "what the steel holds, as given"),
    Column("in_matrix", "wt %", "float64", "what its matrix keeps in solution, by mass balance over the carbides"),
    *_ends("ci95", "its 95 % interval (Monte Carlo)", "wt %"),
    Column("carbides", "", "str", "classes in the balance, by the names that the user gave them"),
    Column("possible_share", "", "float64", "combinations drawn that left no element negative, 0 to 1"),
    Column("message", "", "str", "why it is unknown, and other cautions"),
)

POINTS = (
    Column("specimen", "", "str", "specimen the field belongs to"),
    Column("field", "", "str", "name of the field"),
    Column("carbide_class", "", "str", "'all', or one carbide class"),
    Column("grid_points", "", "int64", "points of the field's grid"),
    Column("counters", "", "int64", "people who counted the field"),
    Column("inside", "", "int64", "points inside a carbide, all counters together"),
    Column("boundary", "", "int64", "points on a boundary, all counters together"),
    Column("point_fraction", "", "float64", "P_P, a point on a boundary as one half, mean of the counters"),
    Column("area_fraction", "", "float64", "A_A as measured, 0 to 1"),
    Column("own_point_fraction", "", "float64", "P_P of the program's own count: the same points on its outlines"),
    Column("own_expected_fraction", "", "float64", "the same with points everywhere: no counting noise"),
    Column("points_above", "", "float64", "points at which the counters saw more carbide than the program outlined"),
    Column("points_below", "", "float64", "points at which the counters saw less carbide than the program outlined"),
    Column("difference", "", "float64", "point_fraction less area_fraction"),
    Column("judged_difference", "", "float64", "the same without counting noise: both less their own count"),
)

COUNTERS = (
    Column("counter_a", "", "str", "first counter of a pair; empty where all are taken together"),
    Column("counter_b", "", "str", "second counter of a pair; empty where all are taken together"),
    Column("counters", "", "int64", "counters taken together"),
    Column("fields", "", "int64", "fields that each of them counted"),
    Column("points", "", "int64", "points that each of them judged"),
    Column("kappa", "", "float64", "agreement beyond chance: Cohen's, weighted, for a pair, Fleiss' for three or more"),
    *_ends("ci95", "its 95 % interval, from the scatter between fields"),
)


ATLAS = (
    Column("bar", "", "str", "name of the specimen; with its folder where two folders have one of that name"),
    Column("folder", "", "str", "results folder that the bar was read from, as given"),
    Column("date", "", "str", "when its run ended, ISO 8601"),
    Column("version", "", "str", "version of the program that measured it"),
    Column("steel", "", "str", "steel as the study file names it"),
    Column("route", "", "str", "conventional or powder-metallurgy, as given"),
    Column("heat_treatment", "", "str", "factors with their numbers; several where its test bars had several"),
    Column("plane", "", "str", "plane of the section"),
    Column("fields", "", "int64", "fields measured"),
    Column("um_per_px", "µm", "float64", "size of a pixel; the largest where fields differ"),
    Column("settings", "", "str", "settings of the measuring that the user gave"),
    Column("unlike", "", "str", "what was measured unlike most bars: plane, scale, version, settings, polarity"),
    Column("same_pictures_as", "", "str", "an earlier row that measured the same pictures; this one joins nothing"),
    Column("carbide_classes", "", "str", "classes found, by the names that the user gave them"),
    *_with_interval("area_fraction", "", "area fraction of all carbides, 0 to 1"),
    *_with_interval("mean_ecd", "µm", "mean equivalent circle diameter"),
    *_with_interval("largest_ecd", "µm", "largest equivalent circle diameter seen"),
    *_with_interval("elongation_along_rolling", "", "length along over width across rolling"),
    *_with_interval("anisotropy_index", "", "intercepts across over along rolling"),
    *_with_interval("banding_beyond_random", "", "squared band contrast less that at random; 0 none"),
    *_with_interval("hardness", "", "mean hardness of its test bars, in the scale beside it"),
    Column("hardness_scale", "", "str", "HRC, HV, ..."),
    *_with_interval("toughness_longitudinal", "", "mean toughness along rolling, in the unit beside it"),
    *_with_interval("toughness_transverse", "", "mean toughness across rolling, in the unit beside it"),
    Column("toughness_unit", "", "str", "J, J/cm² or MPa·√m"),
    *_with_interval("transverse_ratio", "", "transverse over longitudinal toughness"),
    *(Column(f"{e}_in_steel", "wt %", "float64", f"{e} of the steel, as given") for e in ELEMENTS),
    *(c for e in ELEMENTS for c in _with_interval(f"{e}_in_matrix", "wt %", f"{e} that the matrix keeps")),
)

SERIES = (
    Column("steel", "", "str", "steel, or the one bar, that is followed"),
    Column("factor", "", "str", "factor of the heat treatment that changes"),
    Column("held", "", "str", "the other factors, which do not"),
    Column("bar", "", "str", "bar of the point"),
    Column("folder", "", "str", "results folder of the bar"),
    Column("value", "", "float64", "value of the factor"),
    Column("quantity", "", "str", "area_fraction, hardness, toughness_longitudinal or toughness_transverse"),
    Column("unit", "", "str", "unit of the mean"),
    Column("mean", "", "float64", "the point"),
    *_ends("ci95"),
    Column("line", "", "int64", "points of one number were measured alike and are joined"),
)

CORRELATIONS = (
    Column("y", "", "str", "column of atlas.csv: toughness, or the transverse ratio"),
    Column("x", "", "str", "column of atlas.csv: the structure"),
    Column("held", "", "str", "hardness where its rank is held, else empty"),
    Column("bars", "", "str", "alike: those measured like most; all: of any scale, version and settings, one plane"),
    Column("points", "", "int64", "bars that enter"),
    Column("rho", "", "float64", "Spearman's rank correlation, -1 to 1; partial where hardness is held"),
    *_ends("ci95"),
    Column("p_value", "", "float64", "of no association, by exchange of the ranks"),
    Column("p_holm", "", "float64", "the same, adjusted for all questions asked in this way (Holm)"),
)


def names(columns: tuple[Column, ...]) -> list[str]:
    """Names of the columns, in order."""
    return [column.name for column in columns]


def empty(columns: tuple[Column, ...]) -> pd.DataFrame:
    """Return a table with all the columns, typed, and no rows."""
    import pandas as pd

    return pd.DataFrame({column.name: pd.Series(dtype=column.dtype) for column in columns})


def typed(columns: tuple[Column, ...], values: Mapping[str, object], rows: int) -> pd.DataFrame:
    """Return a table with all the columns, typed; text may be given once for all `rows`."""
    import numpy as np
    import pandas as pd

    def of(column: Column) -> object:
        # Columns need no index of their own, which takes longer than they do.
        value = values[column.name]
        if column.dtype == "str":
            return pd.array([value] * rows if isinstance(value, str) else np.asarray(value, object), dtype="str")
        return np.asarray(value, column.dtype)

    return pd.DataFrame({column.name: of(column) for column in columns})


def filled(columns: tuple[Column, ...], rows: list[dict[str, Any]]) -> pd.DataFrame:
    """Return a table with all the columns, typed; what a row does not tell is empty text, or unknown."""
    import pandas as pd

    if not rows:
        return empty(columns)
    blank = {column.name: "" if column.dtype == "str" else math.nan for column in columns}
    table = pd.DataFrame([blank | row for row in rows])[names(columns)]
    return table.astype({column.name: column.dtype for column in columns})


def rows_where(table: pd.DataFrame, wanted: pd.Series) -> pd.DataFrame:
    """Rows that are wanted; where they follow each other, as those of a specimen or of all do, without a copy."""
    import numpy as np

    chosen = np.asarray(wanted)
    number, first = np.count_nonzero(chosen), int(chosen.argmax()) if len(chosen) else 0
    return table.iloc[first : first + number] if chosen[first : first + number].all() else table[wanted]


def flagged(flags: pd.Series, *names: str) -> NDArray[np.bool_]:
    """(rows,) True where a column `flags` holds one of these names; an empty cell holds none."""
    import numpy as np
    import pandas as pd

    code, texts = pd.factorize(flags)
    # The code of an empty cell is -1.
    return np.array([*(not set(names).isdisjoint(str(text).split()) for text in texts), False])[code]
