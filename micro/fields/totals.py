"""Area fraction with its interval, number per area and mean size of a field."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from micro.segmentation import Segmentation

COVERAGE = 1.96


@dataclass(frozen=True)
class Totals:
    """Totals of one class, or of all, in one field; px."""

    area_fraction: float
    low: float
    high: float
    particles: int
    number_per_px: float
    mean_ecd: float


def analysed_px(segmentation: Segmentation) -> int:
    """Pixels of the frame less what was left out."""
    return int(segmentation.excluded.size - np.count_nonzero(segmentation.excluded))


def totals(segmentation: Segmentation, particles: pd.DataFrame, px_um: float) -> Totals:
    """Totals over the rows of `particles` (a measured table of this field, all or one class)."""
    frame = analysed_px(segmentation)
    if not frame:
        return Totals(np.nan, np.nan, np.nan, 0, np.nan, np.nan)
    area = particles["area_um2"].to_numpy() / px_um**2
    weight = particles["weight"].to_numpy()
    ecd = particles["ecd_um"].to_numpy() / px_um
    fraction = area.sum() / frame
    half = COVERAGE * 0.02 * fraction
    mean = float((weight * ecd).sum() / weight.sum()) if weight.sum() else np.nan
    return Totals(fraction, max(fraction - half, 0.0), fraction + half, len(area), weight.sum() / frame, mean)
