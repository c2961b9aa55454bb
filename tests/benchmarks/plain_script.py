"""The same job as a plain script with scikit-image, written for clarity: the yardstick of the benchmark.

Background, noise, threshold, distance map, summits, watershed, properties of the regions, totals of the field: each one
call of a library on the whole picture, as one would write it in an afternoon. It knows no blur, no intervals, no test
for bands and no row of carbides.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import ndimage
from scipy.spatial import cKDTree
from skimage import feature, filters, measure, morphology, segmentation

BACKGROUND_PX = 50
SMALLEST_PX = 6
PROPERTIES = (
    "label", "centroid", "bbox", "area", "equivalent_diameter_area", "feret_diameter_max", "axis_major_length",
    "axis_minor_length", "orientation", "perimeter_crofton", "intensity_mean",
)  # fmt: skip


class Stages(dict[str, float]):
    """Seconds of processor time by stage."""

    @contextmanager
    def stage(self, name: str) -> Iterator[None]:
        """Time what is done inside."""
        start = time.process_time()
        yield
        self[name] = self.get(name, 0.0) + time.process_time() - start


def measure_plainly(
    grey: NDArray[np.float32], um_per_px: float, rolling_deg: float, stages: Stages | None = None
) -> tuple[pd.DataFrame, dict[str, float]]:
    """Measure bright carbides: a row a carbide, and the totals of the field."""
    return measure_labels(outline_plainly(grey, stages), grey, um_per_px, rolling_deg, stages)


def outline_plainly(grey: NDArray[np.float32], stages: Stages | None = None) -> NDArray[np.int32]:
    """(rows, columns) number of the carbide at each pixel."""
    clock = Stages() if stages is None else stages
    with clock.stage("background"):
        flat = grey - filters.gaussian(grey, BACKGROUND_PX, preserve_range=True)
    with clock.stage("median"):
        quiet = filters.median(flat, morphology.disk(1))
    with clock.stage("threshold"):
        mask = morphology.opening(quiet > filters.threshold_otsu(quiet), morphology.disk(1))
    with clock.stage("distance map"):
        distance = filters.gaussian(ndimage.distance_transform_edt(mask), 1.0)
    with clock.stage("summits"):
        regions = measure.label(mask)
        summits = feature.peak_local_max(distance, min_distance=3, labels=regions, exclude_border=False)
    with clock.stage("watershed"):
        markers = np.zeros(mask.shape, np.int32)
        markers[tuple(summits.T)] = np.arange(1, len(summits) + 1)
        return segmentation.watershed(-distance, markers, mask=mask)


def measure_labels(
    labels: NDArray[np.int32], grey: NDArray[np.float32], um_per_px: float, rolling_deg: float,
    stages: Stages | None = None,
) -> tuple[pd.DataFrame, dict[str, float]]:  # fmt: skip
    """Table of outlined carbides, and the totals of the field."""
    clock = Stages() if stages is None else stages
    with clock.stage("properties"):
        table = pd.DataFrame(measure.regionprops_table(labels, grey, properties=PROPERTIES))
    with clock.stage("totals"):
        totals = field_totals(labels, table, um_per_px, rolling_deg)
    return table, totals


def field_totals(
    labels: NDArray[np.int32], table: pd.DataFrame, um_per_px: float, rolling_deg: float
) -> dict[str, float]:
    """Area fraction, number, size, intercepts, anisotropy, free path and neighbours of a field."""
    counted = table[table["area"] >= SMALLEST_PX]
    mm2 = labels.size * (um_per_px / 1000) ** 2
    turned = ndimage.rotate(np.where(labels > 0, 1, 0), -rolling_deg, order=0, cval=-1)
    along, across = intercepts_per_mm(turned, um_per_px), intercepts_per_mm(turned.T, um_per_px)
    fraction = float(np.count_nonzero(labels) / labels.size)
    places = counted[["centroid-1", "centroid-0"]].to_numpy()
    return {
        "area_fraction": fraction,
        "particles": len(counted),
        "number_per_mm2": len(counted) / mm2,
        "mean_ecd_um": float(counted["equivalent_diameter_area"].mean() * um_per_px),
        "intercepts_along_per_mm": along,
        "intercepts_across_per_mm": across,
        "anisotropy_index": across / along,
        "mean_free_path_um": (1 - fraction) / across * 1000,
        "nearest_neighbour_um": float(cKDTree(places).query(places, k=2)[0][:, 1].mean() * um_per_px),
    }


def intercepts_per_mm(phase: NDArray[np.integer], um_per_px: float) -> float:
    """Carbides met per length of the rows; `phase` 1 carbide, 0 matrix, -1 outside."""
    entries = np.count_nonzero((phase[:, :-1] == 0) & (phase[:, 1:] == 1))
    return float(entries / (np.count_nonzero(phase >= 0) * um_per_px / 1000))
