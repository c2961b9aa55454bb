"""What is known of an invented field, as tables."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from micro.phantom.coverage import Coverage
from micro.phantom.shapes import FloatArray, Shapes, polygons

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, eq=False)
class Truth:
    """What is known of an invented field.

    Parameters
    ----------
    area_fraction
        (classes,) of each class, from the coverage.
    particles
        One row a carbide that shows in the frame: label, x_px, y_px, area_px, ecd_px, perimeter_px, major_px, minor_px,
        aspect_ratio, angle_deg (from the rolling direction), all of the whole outline; shown_px, its area within the
        frame; carbide_class; whole, 0 where the frame cuts it.
    coverage
        Share of carbide in every pixel, and the labels.
    """

    area_fraction: FloatArray
    particles: pd.DataFrame
    coverage: Coverage


def particle_table(
    outlines: Shapes, coverage: Coverage, class_names: tuple[str, ...], rolling_deg: float
) -> pd.DataFrame:
    """One row a carbide that shows in the frame, as in `Truth`."""
    import pandas as pd

    seen = np.flatnonzero(coverage.area_px > 0)
    measures = polygon_measures(polygons(outlines.take(seen)))
    turned = (measures.pop("angle_from_horizontal_deg") - rolling_deg) % 180
    return pd.DataFrame(
        {
            "label": seen + 1,
            **measures,
            "ecd_px": 2 * np.sqrt(measures["area_px"] / np.pi),
            "angle_deg": np.where(turned > 90, turned - 180, turned),
            "shown_px": coverage.area_px[seen],
            "carbide_class": np.array(class_names)[outlines.class_index[seen]],
            "whole": coverage.whole[seen].astype(int),
        }
    )


def field_rows(truth: Truth, class_names: tuple[str, ...], um_per_px: float) -> list[dict[str, Any]]:
    """One row for "all" and one a class: area fraction, and count and means of carbides centred in the frame.

    A carbide belongs to the field that holds its centroid, whole as it is, so that no field's edge biases the means.
    """
    rows, columns = truth.coverage.labels.shape
    table = truth.particles
    centred = table["x_px"].between(0, columns) & table["y_px"].between(0, rows)
    fractions = dict(zip(class_names, truth.area_fraction.tolist(), strict=True))
    found = []
    for name in ("all", *class_names):
        own = table[centred & ((table["carbide_class"] == name) | (name == "all"))]
        found.append(
            {
                "carbide_class": name,
                "area_fraction": fractions.get(name, sum(fractions.values())),
                "particles": len(own),
                "number_per_mm2": len(own) / (rows * columns * um_per_px**2) * 1e6,
                "mean_ecd_um": own["ecd_px"].mean() * um_per_px,
                "mean_aspect_ratio": own["aspect_ratio"].mean(),
                "largest_ecd_um": own["ecd_px"].max() * um_per_px,
            }
        )
    return found


def particle_rows(truth: Truth, um_per_px: float) -> pd.DataFrame:
    """Table of the carbides in µm and µm²."""
    table = truth.particles.copy()
    powers = {"shown_px": ("shown_um2", 2), "area_px": ("area_um2", 2)}
    powers |= {n: (n.replace("_px", "_um"), 1) for n in table.columns if n.endswith("_px") and n not in powers}
    for name, (_, power) in powers.items():
        table[name] *= um_per_px**power
    return table.rename(columns={name: new for name, (new, _) in powers.items()})


def polygon_measures(points: FloatArray) -> dict[str, FloatArray]:
    """Centroid, perimeter, and the ellipse of the same second moments, of polygons (n, vertices, 2).

    By Green's theorem from the corners; axes are full lengths. Exact for the polygon.
    """
    middle = points.mean(axis=1, keepdims=True)
    x, y = np.moveaxis(points - middle, 2, 0)
    x1, y1 = np.roll(x, -1, axis=1), np.roll(y, -1, axis=1)
    cross = x * y1 - x1 * y
    area = cross.sum(axis=1) / 2
    cx, cy = ((x + x1) * cross).sum(axis=1) / (6 * area), ((y + y1) * cross).sum(axis=1) / (6 * area)
    xx = ((x * x + x * x1 + x1 * x1) * cross).sum(axis=1) / (12 * area) - cx**2
    yy = ((y * y + y * y1 + y1 * y1) * cross).sum(axis=1) / (12 * area) - cy**2
    xy = ((2 * x * y + x * y1 + x1 * y + 2 * x1 * y1) * cross).sum(axis=1) / (24 * area) - cx * cy
    half_sum, root = (xx + yy) / 2, np.hypot((xx - yy) / 2, xy)
    major, minor = 4 * np.sqrt(half_sum + root), 4 * np.sqrt(half_sum - root)
    return {
        "area_px": np.abs(area),
        "x_px": middle[:, 0, 0] + cx,
        "y_px": middle[:, 0, 1] + cy,
        "perimeter_px": np.hypot(x1 - x, y1 - y).sum(axis=1),
        "major_px": major,
        "minor_px": minor,
        "aspect_ratio": major / minor,
        "angle_from_horizontal_deg": np.degrees(np.arctan2(-2 * xy, xx - yy)) / 2,
    }
