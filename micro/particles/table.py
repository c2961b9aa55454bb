"""One row a carbide."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from micro.columns import PARTICLES, empty, typed
from micro.flags import CARBIDE_FLAGS, bit
from micro.flags import names as flag_names
from micro.micrograph.mosaic import SubField
from micro.particles.area import contrast_area
from micro.particles.border import FloatArray, guard_px, weights
from micro.particles.outline import OutlineShapes, measure_outlines, outline_waver, resolved_diameter_px
from micro.scale import Scale
from micro.segmentation import Segmentation
from micro.segmentation.perimeter import crofton_perimeter
from micro.segmentation.runs import touches_edge

DIRECTIONS = np.arange(0, 180, 5.0)


def measure_particles(
    segmentation: Segmentation,
    grey: NDArray[np.float32],
    scale: Scale,
    rolling_deg: float | None,
    sub_field: SubField | None = None,
) -> pd.DataFrame:
    """Measure every carbide of a field.

    Parameters
    ----------
    segmentation
        Carbides of the field, in pixels.
    grey
        (rows, columns) grey levels as in the file.
    scale
        Size of a pixel.
    rolling_deg
        Rolling direction from the horizontal, counter-clockwise as seen; None: the horizontal.
    sub_field
        Where the field is the frame of a part of a mosaic: only carbides with their centroid in its core are
        returned, at their place in the core, weighted for the edges of the mosaic.

    Returns
    -------
    DataFrame
        Every column of `micro.columns.PARTICLES`, one row a carbide in label order; `specimen` and `field` empty.
    """
    if not segmentation.count:
        return empty(PARTICLES)
    rolling = 0.0 if rolling_deg is None else rolling_deg
    runs, shape = segmentation.runs, segmentation.outline_moments
    area = contrast_area(segmentation, shape.area)
    outline = measure_outlines(runs, shape, segmentation.blur_px, outline_waver(segmentation))
    cut = touches_edge(runs)
    mosaic = (sub_field.mosaic_rows, sub_field.mosaic_columns) if sub_field else None
    ecd = 2 * np.sqrt(area / np.pi)
    k = scale.um_per_px
    classes = np.array([c.name for c in segmentation.classes], object)
    columns = {
        "specimen": "",
        "field": "",
        "particle": np.arange(1, segmentation.count + 1),
        "carbide_class": classes[segmentation.class_index],
        "x_um": k * shape.x,
        "y_um": k * shape.y,
        "area_um2": k**2 * area,
        "ecd_um": k * ecd,
        **_outline_columns(outline, rolling, k),
        "perimeter_um": k * crofton_perimeter(runs) * outline.longer,
        "mean_grey": runs.integrate(grey) / shape.area,
        "touches_edge": cut.astype(np.int64),
        "weight": weights(runs, guard_px(segmentation.blur_px), mosaic),
        "outline_area_um2": k**2 * shape.area,
        "flags": _flag_texts(segmentation, cut, ecd),
    }
    table = typed(PARTICLES, columns, segmentation.count)
    return table if sub_field is None else _of_core(table, shape.x, shape.y, sub_field, k)


def _outline_columns(outline: OutlineShapes, rolling: float, um_per_px: float) -> dict[str, FloatArray]:
    feret = outline.extents(DIRECTIONS)
    return {
        "feret_max_um": um_per_px * feret.max(axis=0),
        "feret_min_um": um_per_px * feret.min(axis=0),
        "major_um": um_per_px * outline.major,
        "minor_um": um_per_px * outline.minor,
        "aspect_ratio": outline.major / outline.minor,
        "angle_deg": 90 - np.mod(90 - (outline.angle_deg - rolling), 180),
        "angle_standard_uncertainty_deg": outline.angle_uncertainty_deg,
        "length_along_um": um_per_px * outline.extent(rolling),
        "width_across_um": um_per_px * outline.extent(rolling + 90),
    }


def _flag_texts(segmentation: Segmentation, cut: NDArray[np.bool_], ecd: FloatArray) -> list[str]:
    """Names of the flags of each carbide, given which the frame cuts and their diameters in px."""
    unresolved = ecd < resolved_diameter_px(segmentation.blur_px)
    flags = segmentation.flags | np.where(cut, bit("edge", CARBIDE_FLAGS), 0).astype(np.uint32)
    flags |= np.where(unresolved, bit("small", CARBIDE_FLAGS), 0).astype(np.uint32)
    texts = {word: " ".join(flag_names(int(word), CARBIDE_FLAGS)) for word in np.unique(flags)}
    return [texts[word] for word in flags]


def _of_core(table: pd.DataFrame, x: FloatArray, y: FloatArray, sub_field: SubField, um_per_px: float) -> pd.DataFrame:
    """Rows whose centroid (x, y, px of the frame) lies in the core, with places from the corner of the core."""
    top, left, _, _ = sub_field.frame
    x, y = x + left - sub_field.left, y + top - sub_field.top
    own = (x >= 0) & (x < sub_field.right - sub_field.left) & (y >= 0) & (y < sub_field.bottom - sub_field.top)
    return table.assign(x_um=um_per_px * x, y_um=um_per_px * y)[own].reset_index(drop=True)
