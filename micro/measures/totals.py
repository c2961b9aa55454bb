"""One row a field and class: totals, greys, curves, intercepts, banding, neighbours."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from micro.issues import Issue, issue
from micro.measures.banding import Banding, banding
from micro.measures.intercepts import Intercepts, intercept_columns, outline_length, over, scan, surface_per_volume
from micro.measures.lobes import find_lobes
from micro.measures.neighbours import Neighbours, neighbours
from micro.measures.orientation import (
    RollingDirection,
    doubt_of_given,
    estimate_rolling_direction,
    orientation,
    orientation_order,
)
from micro.measures.particles import (
    OutlineShapes,
    along_over_across,
    edge_position_variance,
    flagged_share,
    outlines_of,
)
from micro.measures.striped_light import Stripes, find_stripes
from micro.measures.within_field import WITHIN, Carbides
from micro.segmentation.blurred_shapes import resolved_diameter_px
from micro.segmentation.segmentation import EdgeProfile, Segmentation
from micro.segmentation.uncertainty import area_fraction_uncertainty
from micro.statistics.sampling import NORMAL_95, FloatArray
from micro.tables.columns import FIELDS, flagged, typed
from micro.tables.units import pixel_columns

# With none seen, up to three are expected at 95 % (Poisson).
NONE_SEEN = 3.0
SMALLEST_PX = 6.0
MOST_FILMS = 0.1
"""Of the area: beyond it one field cannot tell how the amount scatters (chosen)."""
OF_FILMS = ("area_fraction", "mean_free_path", "mean_chord_along", "mean_chord_across")
"""Quantities whose area the films are in."""
TOLD = 0.01
"""Half width of lengths along over across by directed edges from which the field says so; they are then changed by
about twice as much (chosen)."""
NOISE_LEFT = 1.0
"""Standard uncertainty of what turns angles and takes off the order, over what their noise takes at most (chosen)."""
DECILES = (10, 50, 90)  # % of the carbides, or of their area, that are smaller
PIXEL_FIELDS = pixel_columns(FIELDS)


@dataclass(frozen=True)
class Totals:
    """Totals of one class, or of all, in one field; px."""

    area_fraction: float
    low: float
    high: float
    particles: float
    number_per_px: float
    mean_ecd: float


def all_totals(segmentation: Segmentation, particles: pd.DataFrame) -> dict[str, Totals]:
    """Totals of all carbides ("all") and of each class.

    Where nothing is found the upper end is the area of three of the smallest carbides that would have been counted.
    Where carbides cannot be outlined, all that is counted is NaN; `number_per_px` tells it.
    """
    uncertainty = area_fraction_uncertainty(segmentation)
    whole = _totals(segmentation, particles, (uncertainty.of_all_below, uncertainty.of_all), segmentation.verdict.less)
    found = {"all": _with_films(whole, segmentation)}
    if segmentation.verdict.instead is not None:
        value, low, high = segmentation.verdict.instead
        found["all"] = Totals(value, low, high, np.nan, np.nan, np.nan)
        return found | {c.name: Totals(np.nan, 0.0, high, np.nan, np.nan, np.nan) for c in segmentation.classes}
    sides = zip(uncertainty.of_class_below.tolist(), uncertainty.of_class.tolist(), strict=True)
    for carbide_class, own in zip(segmentation.classes, sides, strict=True):
        rows = particles[particles["carbide_class"] == carbide_class.name]
        found[carbide_class.name] = _totals(segmentation, rows, own)
    return found


def _with_films(carbides: Totals, segmentation: Segmentation) -> Totals:
    """Add the films to the amount of all carbides; they are none of the carbides counted."""
    films, frame = segmentation.films, segmentation.analysed_px
    if films is None or not frame or not films.area_px:
        return carbides
    own, doubt = films.area_px / frame, films.doubt_px / frame
    value = carbides.area_fraction + own
    low = value - np.hypot(carbides.area_fraction - carbides.low, doubt)
    high = value + np.hypot(carbides.high - carbides.area_fraction, doubt)
    return replace(carbides, area_fraction=value, low=max(low, 0.0), high=min(high, 1.0))


def film_columns(segmentation: Segmentation) -> dict[str, float]:
    """Columns of a field about its films; none where nobody asked for them, or none could be outlined."""
    films, frame = segmentation.films, segmentation.analysed_px
    if films is None or not films.length_px or not frame or segmentation.verdict.instead is not None:
        return {}
    found = (films.area_px - films.doubt_px, films.area_px, films.area_px + films.doubt_px + films.more_px)
    low, value, high = (min(max(area / frame, 0.0), 1.0) for area in found)
    return {
        "film_area_fraction": value,
        "film_area_fraction_low": low,
        "film_area_fraction_high": high,
        "film_length_per_px": films.length_px / frame,
        "film_thickness_px": over(films.area_px, films.length_px),
    }


def grey_columns(
    segmentation: Segmentation, carbide_classes: Sequence[str], threshold_grey: float | None = None
) -> dict[str, FloatArray]:
    """Columns of the fields table: matrix, class and outline grey, edge spread and noise; NaN where there is none.

    Parameters
    ----------
    carbide_classes
        Of each row: "all" or the name of a class. The row of all has the greys of a class where there is only one.
    threshold_grey
        Pinned grey of the outline; None: half way between matrix and class.
    """
    contrast = {c.name: c.contrast for c in segmentation.classes}
    if len(contrast) == 1:
        contrast["all"] = next(iter(contrast.values()))
    own = np.array([contrast.get(name, np.nan) for name in carbide_classes])
    half = segmentation.matrix_grey + own / 2
    pinned = half if threshold_grey is None else np.where(np.isnan(own), np.nan, threshold_grey)
    blur = np.nan if segmentation.blur_px is None else segmentation.blur_px
    return {
        "matrix_grey": np.full(len(own), segmentation.matrix_grey),
        "class_grey": segmentation.matrix_grey + own,
        "threshold_grey": pinned,
        "blur_px": np.full(len(own), blur),
        "noise_grey": np.full(len(own), segmentation.noise),
    }


def _totals(
    segmentation: Segmentation, rows: pd.DataFrame, uncertainty: tuple[float, float], less: float = 0.0
) -> Totals:
    frame = segmentation.analysed_px
    if not frame:
        return Totals(np.nan, np.nan, np.nan, 0, np.nan, np.nan)
    weight, ecd = rows["weight"].to_numpy(float), rows["ecd_px"].to_numpy(float)
    fraction = float(rows["area_px2"].sum() / frame)
    none_seen = NONE_SEEN * SMALLEST_PX / frame
    below, above = (NORMAL_95 * u for u in uncertainty) if len(rows) else (none_seen, none_seen)
    mean = float(weight @ ecd / weight.sum()) if weight.sum() else np.nan
    low, high = max(fraction - below - less, 0.0), min(fraction + above + segmentation.verdict.more, 1.0)
    return Totals(fraction, low, high, len(rows), weight.sum() / frame, mean)


COLUMNS = ["curve", "carbide_class", "x", "x_unit", "y", "y_unit"]
CHORD_CLASSES = 40
PROFILE_POINTS = 128
"""Of a curve across rolling: finer ones, which no figure shows, were most of the table. Chosen."""


def curves(
    particles: pd.DataFrame,
    along: Intercepts,
    across: Intercepts,
    bands: Banding,
    near: Neighbours,
    edge: EdgeProfile | None = None,
) -> pd.DataFrame:
    """Return the curves of all carbides of a field; x of a class is its middle, of an edge the distance outwards."""
    drawn = [("rose", *_rose(particles), "°")]
    if edge is not None:
        drawn += [("edge", edge.distance_px, edge.height, "px"), ("edge_of_lens", edge.lens_px, edge.height, "px")]
    every = -(-len(bands.position) // PROFILE_POINTS)
    for name, values in (
        ("band_profile", bands.fraction),
        ("band_profile_smoothed", bands.smoothed),
        ("band_profile_random_low", bands.random_low),
        ("band_profile_random_high", bands.random_high),
    ):
        drawn.append((name, _coarser(bands.position, every), _coarser(values, every), "px"))
    for phase in ("carbide", "matrix"):
        pair = [getattr(lines, f"{phase}_chords") for lines in (along, across)]
        longest = max((float(np.quantile(chords, 0.995)) for chords in pair if len(chords)), default=0.0)
        # Chords are whole numbers of pixels: classes hold as many of them each.
        step = max(1, round(longest / CHORD_CLASSES))
        middles = _middles(np.arange(0.5, longest + step + 0.5, step))
        for direction, chords in zip(("along", "across"), pair, strict=True):
            if len(chords) and len(middles) > 1:
                number = np.bincount(((chords - 0.5) / step).astype(np.intp), minlength=len(middles))
                share = number[: len(middles)] / len(chords)
                drawn.append((f"{phase}_chord_{direction}", middles, share, "px"))
    if len(near.edges):
        for name, share in (("neighbour", near.share), ("neighbour_at_random", near.share_at_random)):
            drawn.append((name, _middles(near.edges), share, "px"))
    return _tidy(drawn)


def _rose(particles: pd.DataFrame) -> tuple[FloatArray, FloatArray]:
    unsure = particles["angle_standard_uncertainty_deg"]
    rose = orientation(particles["angle_deg"], particles["major_px"], particles["weight"], unsure)
    return rose.angle_deg, rose.share


def _coarser(values: FloatArray, every: int) -> FloatArray:
    """Means of so many values each, without the rest at the end."""
    every = max(1, every)
    whole = len(values) // every
    return values[: whole * every].reshape(whole, every).mean(axis=1)


def _middles(edges: FloatArray) -> FloatArray:
    return (edges[:-1] + edges[1:]) / 2


def _tidy(drawn: list[tuple[str, FloatArray, FloatArray, str]]) -> pd.DataFrame:
    """One row a point of every curve (name, x, y, unit of x) whose y is known."""
    known = [np.isfinite(y) for _, _, y, _ in drawn]
    points = [int(k.sum()) for k in known]
    x, y = (np.concatenate([curve[axis][k] for curve, k in zip(drawn, known, strict=True)]) for axis in (1, 2))
    name, unit = (np.repeat(np.array([curve[i] for curve in drawn], object), points) for i in (0, 3))
    table = {"curve": name, "carbide_class": "all", "x": x, "x_unit": unit, "y": y, "y_unit": ""}
    return pd.DataFrame(table)[COLUMNS]


@dataclass(frozen=True, eq=False)
class FieldMeasures:
    """Measures of one field.

    Parameters
    ----------
    table
        Every column of PIXEL_FIELDS: FIELDS of `micro.tables.columns` in pixels; the row "all", then one a class.
    profiles
        Curves for figures: curve, carbide_class, x, x_unit, y, y_unit; which, see `micro.measures.totals`.
    issues
        What was found on the way that a reader must know.
    """

    table: pd.DataFrame
    profiles: pd.DataFrame
    issues: tuple[Issue, ...] = ()


def rolling_direction(particles: pd.DataFrame, measured_from_deg: float = 0.0) -> RollingDirection:
    """Estimate the rolling direction from carbides measured against the horizontal, or against another direction."""
    whole = particles[particles["weight"] > 0]
    owed = whole.get("owed_px", 0.0)
    return estimate_rolling_direction(
        whole["angle_deg"] + measured_from_deg, whole["major_px"], whole["minor_px"], owed
    )


def measure_field(segmentation: Segmentation, particles: pd.DataFrame, rolling_deg: float | None) -> FieldMeasures:
    """Measure one field as a whole.

    Parameters
    ----------
    segmentation
        Carbides of the field, in pixels.
    particles
        The field's table from `measure_particles`, measured against the same rolling direction.
    rolling_deg
        Rolling direction from the horizontal, counter-clockwise as seen; None: the horizontal stands in;
        `rolling_direction` estimates it first.
    """
    rolling = 0.0 if rolling_deg is None else rolling_deg
    found = segmentation.labels, segmentation.excluded, segmentation.runs
    outline = outlines_of(segmentation)
    along, across = scan(*found, rolling, outline, find_lobes(segmentation, rolling, outline))
    outlines = outline_length(outline, segmentation.perimeters[1])
    totals = all_totals(segmentation, particles)
    twice = np.radians(2 * rolling)
    doubted = outlines_of(segmentation, edge_position_variance(segmentation), (np.cos(twice), np.sin(twice)))
    stripes = find_stripes(segmentation, rolling)
    rows: list[dict[str, object]] = []
    for name, total in totals.items():
        if len(totals) == 2 and rows:
            rows.append(rows[0] | {"carbide_class": name})  # one class alone is all carbides
            continue
        field = _OneClass(segmentation, particles, name, rolling_deg, outlines, stripes, doubted)
        bands, near = field.banding(), field.neighbours()
        rows.append(field.row(total, along, across, bands, near))
        if name == "all":
            drawn = curves(particles, along, across, bands, near, segmentation.verdict.profile)
    values = {c.name: [row.get(c.name, "" if c.dtype == "str" else np.nan) for row in rows] for c in PIXEL_FIELDS}
    doubts = () if rolling_deg is None else doubt_of_given(rolling_direction(particles, rolling_deg), rolling_deg)
    table = typed(PIXEL_FIELDS, values, len(rows))
    unsure = NORMAL_95 * float(table["proportion_by_edges"].iloc[0])
    edges = (issue("directed_edges", unsure=unsure),) if unsure > TOLD else ()
    return FieldMeasures(table, drawn, (*doubts, *edges, *stripes.issues))


@dataclass(frozen=True, eq=False)
class _OneClass:
    """The carbides of one class, or of all, of a field."""

    segmentation: Segmentation
    every: pd.DataFrame
    name: str
    rolling_deg: float | None
    outline_px: FloatArray
    stripes: Stripes
    doubted: OutlineShapes
    """Outlines as if they owed the uncertainty of directed edges to the rolling direction."""

    @property
    def rolling(self) -> float:
        """The horizontal stands in where no direction is known."""
        return 0.0 if self.rolling_deg is None else self.rolling_deg

    @property
    def particles(self) -> pd.DataFrame:
        return self.every if self.name == "all" else self.every[self.every["carbide_class"] == self.name]

    @property
    def members(self) -> np.ndarray:
        """(n,) True for the labels of the class."""
        if self.name == "all":
            return np.ones(self.segmentation.count, bool)
        index = [c.name for c in self.segmentation.classes].index(self.name)
        return self.segmentation.class_index == index

    def points(self) -> np.ndarray:
        """(m, 2) centroids, px."""
        return np.column_stack([self.particles["x_px"], self.particles["y_px"]])

    def banding(self) -> Banding:
        labels = self.segmentation.labels
        carbide = labels > 0 if self.name == "all" else np.append(False, self.members)[labels]
        x, y = self.points().T
        label = self.particles["particle"].to_numpy(np.intp) - 1
        area = self.stripes.evened(self.particles["area_px2"].to_numpy(float), label)
        return banding(carbide, self.segmentation.excluded, (x, y, area), self.rolling)

    def neighbours(self) -> Neighbours:
        ecd = self.particles["ecd_px"].to_numpy(float)
        return neighbours(self.points(), ecd, self.segmentation.labels.shape, self.rolling)

    def row(
        self, total: Totals, along: Intercepts, across: Intercepts, bands: Banding, near: Neighbours
    ) -> dict[str, object]:
        frame = self.segmentation.analysed_px
        own = self.particles
        known = {
            "analysed_area_px2": frame,
            "rolling_deg": self.rolling,
            "carbide_class": self.name,
            "area_fraction": total.area_fraction,
            "area_fraction_low": total.low,
            "area_fraction_high": total.high,
            "particles": total.particles,
        }
        if np.isnan(total.number_per_px):
            return known
        return known | {
            "number_per_px2": total.number_per_px,
            "mean_ecd_px": total.mean_ecd,
            **self.lines_met(total.area_fraction, along, across),
            **self.within_columns(total, along, across),
            "surface_per_volume_per_px": surface_per_volume(self.outline_px[self.members].sum(), frame),
            "orientation_order": orientation_order(own["angle_deg"], own["major_px"], own["weight"]),
            **self.doubt_of_edges(),
            "band_contrast": bands.contrast,
            "band_contrast_at_random": bands.contrast_at_random,
            "band_p_value": bands.p_value,
            "band_spacing_px": bands.spacing,
            "band_spacing_standard_uncertainty_px": bands.spacing_uncertainty,
            "bands_too_wide": float(bands.too_wide) if np.isfinite(bands.p_value) else np.nan,
            "row_power": bands.rows,
            "lane_width_px": bands.lane,
            "nearest_neighbour_px": near.distance,
            "neighbour_ratio": near.ratio,
            "neighbour_alignment": near.alignment,
            "stringer_share": near.stringer_share,
            "stringer_share_at_random": near.stringer_share_at_random,
            "resolved_diameter_px": resolved_diameter_px(self.segmentation.blur_px),
            "unresolved_share": flagged_share(own, "small"),
            "concave_share": flagged_share(own, "concave"),
            **(film_columns(self.segmentation) if self.name == "all" else {}),
        }

    def doubt_of_edges(self) -> dict[str, float]:
        """Return the standard uncertainty of order, and the relative one of lengths along over across.

        Angles that noise turns by u show exp(−2u²) of cos 2·angle (derived, normal); of round carbides there is nothing
        to lose, so that no number between none and all of it can be put right.
        """
        own, weight = self.particles, self.particles["weight"].to_numpy(float)
        label = own["particle"].to_numpy(np.intp) - 1
        angle, major, minor = (own[name].to_numpy(float) for name in ("angle_deg", "major_px", "minor_px"))
        moved, longer, wider = (one[label] for one in (self.doubted.angle_deg, self.doubted.major, self.doubted.minor))
        moved = moved - self.rolling
        order = orientation_order(angle, major, weight)
        by_edges = orientation_order(moved, longer, weight) - order
        shown = np.exp(-2 * np.radians(own["angle_standard_uncertainty_deg"].to_numpy(float)) ** 2)
        length = np.where(np.isfinite(shown), weight * major, 0.0)
        by_noise = NOISE_LEFT * order * (1 - over(float(length @ np.nan_to_num(shown)), float(length.sum())))
        proportions = along_over_across(moved, longer, wider, weight), along_over_across(angle, major, minor, weight)
        return {
            "order_by_outlines": float(np.hypot(by_edges, by_noise)),
            "proportion_by_edges": abs(over(*proportions) - 1),
        }

    def mostly_films(self, total: Totals) -> bool:
        """Whether films are too much of the amount for the places of the carbides to tell its sampling error."""
        films = self.segmentation.films
        return films is not None and films.area_px > MOST_FILMS * total.area_fraction * self.segmentation.analysed_px

    def lines_met(self, area_fraction: float, along: Intercepts, across: Intercepts) -> dict[str, float]:
        frame = self.segmentation.analysed_px
        lines, hidden = (
            [float(getattr(i, name)[self.members].sum()) for i in (along, across)]
            for name in ("per_carbide", "by_lobes")
        )
        shares = {
            name: over(own, met) for name, own, met in zip(("lobes_along", "lobes_across"), hidden, lines, strict=True)
        }
        return shares | intercept_columns(area_fraction, *(over(number, frame) for number in lines))

    def within_columns(self, total: Totals, along: Intercepts, across: Intercepts) -> dict[str, float]:
        """Relative sampling uncertainty of each total that WITHIN names, were the bar like this field."""
        own = self.particles
        x, y = self.points().T
        carbides = Carbides(x, y, self.segmentation.excluded, self.rolling_deg)
        weight, label = own["weight"].to_numpy(float), own["particle"].to_numpy(int) - 1
        met_along, met_across = (lines.per_carbide[label] for lines in (along, across))
        sums: dict[str, tuple[FloatArray, FloatArray | None]] = {
            "area_fraction": (own["area_px2"].to_numpy(float), None),
            "number_per_mm2": (weight, None),
            "mean_ecd": (weight * own["ecd_px"].to_numpy(float), weight),
            "intercepts_along": (met_along, None),
            "intercepts_across": (met_across, None),
            "anisotropy_index": (met_across, met_along),
            "mean_chord_along": (own["area_px2"].to_numpy(float), met_along),
            "mean_chord_across": (own["area_px2"].to_numpy(float), met_across),
            "surface_per_volume": (self.outline_px[label], None),
            **self.weighted_sums(weight),
        }
        ecd, area = own["ecd_px"].to_numpy(float), own["area_px2"].to_numpy(float)
        totals = {quantity: (*own_sums, 0.0) for quantity, own_sums in sums.items()}
        # Of the path between them, which is matrix over intercepts, as of intercepts over matrix.
        totals["mean_free_path"] = (met_across, -area, 1.0)
        found = dict(zip(totals, carbides.relative_uncertainties([*totals.values()]).tolist(), strict=True))
        asked = [(of_each, pct, end) for end, of_each in (("", weight), ("_by_area", weight * area)) for pct in DECILES]
        of_sizes = carbides.uncertainties_of_quantiles(ecd, [(of_each, pct / 100) for of_each, pct, _ in asked])
        found |= {f"ecd_d{pct}{end}": one for (_, pct, end), one in zip(asked, of_sizes, strict=True)}
        if self.mostly_films(total):
            found |= dict.fromkeys(OF_FILMS, np.nan)
        return {column: found[quantity] for quantity, column in WITHIN.items()}

    def weighted_sums(self, weight: FloatArray) -> dict[str, tuple[FloatArray, FloatArray]]:
        """Numerator and denominator of each carbide for means over carbides; shapes only where they are resolved."""
        own = self.particles
        by_area = weight * own["area_px2"].to_numpy(float)
        shaped = np.where(flagged(own["flags"], "small", "blunt"), 0.0, weight)
        aspect = own["aspect_ratio"].to_numpy(float)
        known = np.where(np.isfinite(aspect), shaped, 0.0)
        angle = np.radians(own["angle_deg"].to_numpy(float))
        directed = np.where(np.isfinite(angle), weight * own["major_px"].to_numpy(float), 0.0)
        return {
            "orientation_order": (directed * 2 * np.nan_to_num(np.cos(angle)) ** 2, directed),
            "area_weighted_ecd": (by_area * own["ecd_px"].to_numpy(float), by_area),
            "mean_aspect_ratio": (known * np.nan_to_num(aspect), known),
            "elongation_along_rolling": (
                shaped * own["length_along_px"].to_numpy(float),
                shaped * own["width_across_px"].to_numpy(float),
            ),
        }
