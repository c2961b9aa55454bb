"""Join the measures of a field: one row a class, and the curves for its figures."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from micro.columns import FIELDS, typed
from micro.fields.banding import Banding, banding
from micro.fields.curves import curves
from micro.fields.intercepts import UNRELATED, Intercepts, scan
from micro.fields.neighbours import Neighbours, neighbours
from micro.fields.orientation import orientation_order
from micro.fields.rolling import RollingDirection, estimate_rolling_direction
from micro.fields.totals import Totals, all_totals
from micro.particles.outline import resolved_diameter_px
from micro.scale import Scale
from micro.segmentation import Segmentation


@dataclass(frozen=True, eq=False)
class FieldMeasures:
    """Measures of one field.

    Parameters
    ----------
    table
        Every column of `micro.columns.FIELDS`; the row "all", then one row a carbide class.
    profiles
        Curves for figures: curve, carbide_class, x, x_unit, y, y_unit; which, see `micro.fields.curves`.
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
    text = field_text(segmentation)
    rows: list[dict[str, object]] = []
    for name, total in totals.items():
        if len(totals) == 2 and rows:
            rows.append(rows[0] | {"carbide_class": name})  # one class alone is all carbides
            continue
        field = _OneClass(segmentation, particles, name, rolling, scale.um_per_px)
        bands, near = field.banding(), field.neighbours()
        rows.append(field.row(total, along, across, bands, near) | {"message": text})
        if name == "all":
            drawn = curves(particles, along, across, bands, near, scale.um_per_px)
    values = {c.name: [row.get(c.name, "" if c.dtype == "str" else np.nan) for row in rows] for c in FIELDS}
    return FieldMeasures(typed(FIELDS, values, len(rows)), drawn)


def field_text(segmentation: Segmentation) -> str:
    """Everything to know before trusting the field, once."""
    return "; ".join(segmentation.messages)


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
    which, texts = pd.factorize(own["flags"])
    small = np.array(["small" in str(text).split() for text in texts], bool)[which]
    return float(area[small].sum() / area.sum()) if area.sum() > 0 else np.nan


def _over(numerator: float, denominator: float) -> float:
    return numerator / denominator if denominator > 0 else np.nan
