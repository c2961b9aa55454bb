"""Join the measures of a field: one row a class, and the curves for its figures."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from micro.columns import FIELDS, names
from micro.fields.intercepts import UNRELATED, scan
from micro.fields.totals import analysed_px, totals
from micro.flags import FIELD_FLAGS
from micro.scale import Scale
from micro.segmentation import Segmentation

PROFILE_COLUMNS = ("curve", "carbide_class", "x", "x_unit", "y", "y_unit")


@dataclass(frozen=True, eq=False)
class FieldMeasures:
    """Measures of one field.

    Parameters
    ----------
    table
        Every column of `micro.columns.FIELDS`; the row "all", then one row a carbide class.
    profiles
        Curves for figures: curve, carbide_class, x, x_unit, y, y_unit.
    """

    table: pd.DataFrame
    profiles: pd.DataFrame


def measure_field(
    segmentation: Segmentation, particles: pd.DataFrame, scale: Scale, rolling_deg: float | None
) -> FieldMeasures:
    """Measure one field as a whole.

    Parameters
    ----------
    segmentation
        Carbides of the field, in pixels.
    particles
        The field's table from `measure_particles`.
    scale
        Size of a pixel.
    rolling_deg
        Rolling direction from the horizontal, counter-clockwise as seen; None where unknown.
    """
    rolling = 0.0 if rolling_deg is None else rolling_deg
    texts = list(segmentation.messages)
    texts += [flag.text for flag in FIELD_FLAGS if segmentation.field_flags & flag.bit and flag.text not in texts]
    if rolling_deg is None:
        texts.append("rolling direction unknown, the horizontal is the reference")
    rows = []
    for name in ("all", *(c.name for c in segmentation.classes)):
        rows.append(_row(segmentation, particles, scale.um_per_px, rolling, name) | {"message": "; ".join(texts)})
    blank = {c.name: "" if c.dtype == "str" else np.nan for c in FIELDS}
    table = pd.DataFrame([blank | row for row in rows])[names(FIELDS)].astype({c.name: c.dtype for c in FIELDS})
    return FieldMeasures(table, pd.DataFrame({c: [] for c in PROFILE_COLUMNS}))


def _row(segmentation: Segmentation, particles: pd.DataFrame, k: float, rolling: float, name: str) -> dict[str, object]:
    labels = segmentation.labels
    if name != "all":
        index = [c.name for c in segmentation.classes].index(name)
        keep = np.concatenate([[False], segmentation.class_index == index])
        labels = np.where(keep[labels], labels, 0)
        particles = particles[particles["carbide_class"] == name]
    total = totals(segmentation, particles, k)
    along, across = scan(labels, segmentation.excluded, rolling)
    with np.errstate(invalid="ignore", divide="ignore"):
        index_ai = np.divide(across.per_px, along.per_px)
        omega = np.divide(across.per_px - along.per_px, across.per_px + UNRELATED * along.per_px)
        free_path = np.divide((1 - total.area_fraction) * k, across.per_px)
    found = across.per_px > 0
    return {
        "um_per_px": k,
        "analysed_area_um2": analysed_px(segmentation) * k**2,
        "carbide_class": name,
        "area_fraction": total.area_fraction,
        "area_fraction_low": total.low,
        "area_fraction_high": total.high,
        "particles": total.particles,
        "number_per_mm2": total.number_per_px / k**2 * 1e6,
        "mean_ecd_um": total.mean_ecd * k,
        "intercepts_along_per_mm": along.per_px / k * 1e3,
        "intercepts_across_per_mm": across.per_px / k * 1e3,
        "anisotropy_index": index_ai if along.per_px > 0 else np.nan,
        "degree_of_orientation": omega if found else np.nan,
        "mean_free_path_um": free_path if found else np.nan,
    }
