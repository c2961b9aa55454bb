"""Area fraction with its interval, number per area and mean size of a field."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from micro.scale.scale import NORMAL_95
from micro.segmentation import Segmentation
from micro.segmentation.uncertainty import area_fraction_uncertainty

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
