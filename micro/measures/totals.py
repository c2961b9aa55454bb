"""One row a field and class: totals, curves, intercepts, banding, neighbours."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from micro.issues import flag_text, message_text
from micro.measures.banding import Banding, banding
from micro.measures.intercepts import UNRELATED, FloatArray, Intercepts, scan
from micro.measures.neighbours import Neighbours, neighbours
from micro.measures.orientation import RollingDirection, estimate_rolling_direction, orientation, orientation_order
from micro.scale.scale import NORMAL_95, Scale
from micro.segmentation.blurred_shapes import resolved_diameter_px
from micro.segmentation.segmentation import Segmentation
from micro.segmentation.uncertainty import area_fraction_uncertainty
from micro.tables.columns import FIELDS, flagged, typed

# With none seen, up to three are expected at 95 % (Poisson).
NONE_SEEN = 3.0
SMALLEST_PX = 6.0


@dataclass(frozen=True)
class Totals:
    """Totals of one class, or of all, in one field; px."""

    area_fraction: float
    low: float
    high: float
    particles: int
    number_per_px: float
    mean_ecd: float


def all_totals(segmentation: Segmentation, particles: pd.DataFrame, um_per_px: float) -> dict[str, Totals]:
    """Totals of all carbides ("all") and of each class.

    Where nothing is found the upper end is the area of three of the smallest carbides that would have been counted.

    Parameters
    ----------
    particles
        The measured table of this field.
    """
    uncertainty = area_fraction_uncertainty(segmentation)
    found = {"all": _totals(segmentation, particles, um_per_px, uncertainty.of_all)}
    for carbide_class, own in zip(segmentation.classes, uncertainty.of_class, strict=True):
        rows = particles[particles["carbide_class"] == carbide_class.name]
        found[carbide_class.name] = _totals(segmentation, rows, um_per_px, float(own))
    return found


def _totals(segmentation: Segmentation, rows: pd.DataFrame, um_per_px: float, uncertainty: float) -> Totals:
    frame = segmentation.analysed_px
    if not frame:
        return Totals(np.nan, np.nan, np.nan, 0, np.nan, np.nan)
    weight, ecd = rows["weight"].to_numpy(float), rows["ecd_um"].to_numpy(float) / um_per_px
    fraction = float(rows["area_um2"].sum() / um_per_px**2 / frame)
    half = NORMAL_95 * uncertainty if len(rows) else NONE_SEEN * SMALLEST_PX / frame
    mean = float(weight @ ecd / weight.sum()) if weight.sum() else np.nan
    low, high = max(fraction - half, 0.0), min(fraction + half, 1.0)
    return Totals(fraction, low, high, len(rows), weight.sum() / frame, mean)


COLUMNS = ["curve", "carbide_class", "x", "x_unit", "y", "y_unit"]
CHORD_CLASSES = 40
PROFILE_POINTS = 256


def curves(
    particles: pd.DataFrame, along: Intercepts, across: Intercepts, bands: Banding, near: Neighbours, um_per_px: float
) -> pd.DataFrame:
    """Return the curves of all carbides of a field; x of a class is its middle."""
    drawn = [("rose", *_rose(particles), "°")]
    every = max(1, len(bands.position) // PROFILE_POINTS)
    for name, values in (
        ("band_profile", bands.fraction),
        ("band_profile_smoothed", bands.smoothed),
        ("band_profile_random_low", bands.random_low),
        ("band_profile_random_high", bands.random_high),
    ):
        drawn.append((name, bands.position[::every] * um_per_px, values[::every], "µm"))
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
                drawn.append((f"{phase}_chord_{direction}", middles * um_per_px, share, "µm"))
    if len(near.edges):
        for name, share in (("neighbour", near.share), ("neighbour_at_random", near.share_at_random)):
            drawn.append((name, _middles(near.edges) * um_per_px, share, "µm"))
    return _tidy(drawn)


def _rose(particles: pd.DataFrame) -> tuple[FloatArray, FloatArray]:
    unsure = particles["angle_standard_uncertainty_deg"]
    rose = orientation(particles["angle_deg"], particles["major_um"], particles["weight"], unsure)
    return rose.angle_deg, rose.share


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
        Every column of `micro.tables.columns.FIELDS`; the row "all", then one row a carbide class.
    profiles
        Curves for figures: curve, carbide_class, x, x_unit, y, y_unit; which, see `micro.measures.totals`.
    """

    table: pd.DataFrame
    profiles: pd.DataFrame


def rolling_direction(particles: pd.DataFrame) -> RollingDirection:
    """Estimate the rolling direction from carbides measured against the horizontal."""
    whole = particles[particles["weight"] > 0]
    return estimate_rolling_direction(whole["angle_deg"], whole["major_um"], whole["minor_um"])


def measure_field(
    segmentation: Segmentation, particles: pd.DataFrame, scale: Scale, rolling_deg: float | None
) -> FieldMeasures:
    """Measure one field as a whole.

    Parameters
    ----------
    segmentation
        Carbides of the field, in pixels.
    particles
        The field's table from `measure_particles`, measured against the same rolling direction.
    scale
        Size of a pixel.
    rolling_deg
        Rolling direction from the horizontal, counter-clockwise as seen; None: the horizontal stands in;
        `rolling_direction` estimates it first.
    """
    rolling = 0.0 if rolling_deg is None else rolling_deg
    along, across = scan(segmentation.labels, segmentation.excluded, segmentation.runs, rolling, segmentation.blur_px)
    totals = all_totals(segmentation, particles, scale.um_per_px)
    known = {"flags": flag_text(segmentation.issues), "message": message_text(segmentation.issues)}
    rows: list[dict[str, object]] = []
    for name, total in totals.items():
        if len(totals) == 2 and rows:
            rows.append(rows[0] | {"carbide_class": name})  # one class alone is all carbides
            continue
        field = _OneClass(segmentation, particles, name, rolling, scale.um_per_px)
        bands, near = field.banding(), field.neighbours()
        rows.append(field.row(total, along, across, bands, near) | known)
        if name == "all":
            drawn = curves(particles, along, across, bands, near, scale.um_per_px)
    values = {c.name: [row.get(c.name, "" if c.dtype == "str" else np.nan) for row in rows] for c in FIELDS}
    return FieldMeasures(typed(FIELDS, values, len(rows)), drawn)


@dataclass(frozen=True, eq=False)
class _OneClass:
    """The carbides of one class, or of all, of a field."""

    segmentation: Segmentation
    every: pd.DataFrame
    name: str
    rolling: float
    um_per_px: float

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
        return self.particles[["x_um", "y_um"]].to_numpy(float) / self.um_per_px

    def banding(self) -> Banding:
        labels = self.segmentation.labels
        carbide = labels > 0 if self.name == "all" else np.append(False, self.members)[labels]
        x, y = self.points().T
        area = self.particles["area_um2"].to_numpy(float) / self.um_per_px**2
        return banding(carbide, self.segmentation.excluded, (x, y, area), self.rolling)

    def neighbours(self) -> Neighbours:
        ecd = self.particles["ecd_um"].to_numpy(float) / self.um_per_px
        return neighbours(self.points(), ecd, self.segmentation.labels.shape, self.rolling)

    def row(
        self, total: Totals, along: Intercepts, across: Intercepts, bands: Banding, near: Neighbours
    ) -> dict[str, object]:
        k, frame = self.um_per_px, self.segmentation.analysed_px
        own = self.particles
        return {
            "um_per_px": k,
            "analysed_area_um2": frame * k**2,
            "rolling_deg": self.rolling,
            "carbide_class": self.name,
            "area_fraction": total.area_fraction,
            "area_fraction_low": total.low,
            "area_fraction_high": total.high,
            "particles": total.particles,
            "number_per_mm2": total.number_per_px / k**2 * 1e6,
            "mean_ecd_um": total.mean_ecd * k,
            **self.intercept_columns(total.area_fraction, along, across),
            "surface_per_volume_per_mm": 4 / np.pi * _over(own["perimeter_um"].sum(), frame * k**2) * 1e3,
            "orientation_order": orientation_order(own["angle_deg"], own["major_um"], own["weight"]),
            "band_contrast": bands.contrast,
            "band_contrast_at_random": bands.contrast_at_random,
            "band_p_value": bands.p_value,
            "band_spacing_um": bands.spacing * k,
            "lane_width_um": bands.lane * k,
            "nearest_neighbour_um": near.distance * k,
            "neighbour_ratio": near.ratio,
            "neighbour_alignment": near.alignment,
            "stringer_share": near.stringer_share,
            "stringer_share_at_random": near.stringer_share_at_random,
            "resolved_diameter_um": resolved_diameter_px(self.segmentation.blur_px) * k,
            "unresolved_share": _unresolved_share(own),
        }

    def intercept_columns(self, area_fraction: float, along: Intercepts, across: Intercepts) -> dict[str, object]:
        k, frame = self.um_per_px, self.segmentation.analysed_px
        n_along, n_across = (_over(float(i.per_carbide[self.members].sum()), frame) for i in (along, across))
        return {
            "intercepts_along_per_mm": n_along / k * 1e3,
            "intercepts_across_per_mm": n_across / k * 1e3,
            "anisotropy_index": _over(n_across, n_along),
            "degree_of_orientation": _over(n_across - n_along, n_across + UNRELATED * n_along),
            "mean_free_path_um": _over((1 - area_fraction) * k, n_across),
            "mean_chord_along_um": _over(area_fraction * k, n_along),
            "mean_chord_across_um": _over(area_fraction * k, n_across),
        }


def _unresolved_share(own: pd.DataFrame) -> float:
    area = own["area_um2"].to_numpy(float)
    return float(area[flagged(own["flags"], "small")].sum() / area.sum()) if area.sum() > 0 else np.nan


def _over(numerator: float, denominator: float) -> float:
    return numerator / denominator if denominator > 0 else np.nan
