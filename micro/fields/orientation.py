"""How carbides lie to the rolling direction: length-weighted rose and order."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Rose:
    """Orientation distribution of carbides.

    Parameters
    ----------
    angle_deg
        (bins,) middle of each bin, from the rolling direction, -90 to 90.
    share
        (bins,) share of the total length of the carbides that lies in the bin; sums to 1, NaN without carbides.
    order
        Mean of cos 2·angle weighted by length: 1 all along rolling, 0 no preference, -1 all across.
    """

    angle_deg: FloatArray
    share: FloatArray
    order: float


def orientation(angle_deg: ArrayLike, length: ArrayLike, weight: ArrayLike, bins: int = 18) -> Rose:
    """Length-weighted orientation distribution; a bin is centred on the rolling direction.

    Parameters
    ----------
    angle_deg
        (n,) major axis from the rolling direction, (-90, 90].
    length
        (n,) length of the carbide, any unit.
    weight
        (n,) edge correction.
    bins
        Number of equal bins over 180°.
    """
    angle, w = np.asarray(angle_deg, float), np.asarray(length, float) * np.asarray(weight, float)
    known = np.isfinite(angle) & np.isfinite(w) & (w > 0)
    angle, w = angle[known], w[known]
    width = 180 / bins
    place = np.floor((angle + 90) / width + 0.5).astype(int) % bins
    middle = np.asarray(-90 + width * np.arange(bins), np.float64)
    if not w.sum():
        return Rose(middle, np.full(bins, np.nan), np.nan)
    order = float(w @ np.cos(2 * np.radians(angle)) / w.sum())
    return Rose(middle, np.bincount(place, w, bins) / w.sum(), order)
