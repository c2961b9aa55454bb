"""The edge spread of a picture, read off its own edges."""

from __future__ import annotations

import numpy as np

from micro.segmentation import disc
from micro.segmentation.candidates import Candidates
from micro.segmentation.matrix import ADDED_SPREAD_PX

NARROWEST, WIDEST = 0.2, 4.0
STEPS = 30


def edge_spread(candidates: Candidates) -> float | None:
    """Blur (standard deviation, px) before the smoothing; None where no spot tells it.

    The band between half and three quarters of the height covers as much as it would round discs of the same
    areas under that blur. Elongated spots count by the length of their outline.
    """
    usable = (candidates.half >= 5) & ~candidates.at_edge & (candidates.perimeter_ratio < 2.5)
    if not usable.any():
        return None
    spots = candidates.take(usable)
    ratio = np.maximum(spots.perimeter_ratio, 1.0)
    measured = float(spots.band.sum())
    low, high = np.hypot(NARROWEST, ADDED_SPREAD_PX), np.hypot(WIDEST, ADDED_SPREAD_PX)
    for _ in range(STEPS):
        spread = float((low + high) / 2)
        if (disc.band_area(spots.half, spread) * ratio).sum() < measured:
            low = spread
        else:
            high = spread
    return float(np.sqrt(spread**2 - ADDED_SPREAD_PX**2))
