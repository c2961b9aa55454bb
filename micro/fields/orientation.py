"""How carbides lie to the rolling direction: length-weighted rose and order."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]
SURE_DEG = 1e-6
# Beyond so many standard deviations nothing is left of a normal distribution.
FAR = 9.0


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


def orientation(
    angle_deg: ArrayLike, length: ArrayLike, weight: ArrayLike, uncertainty_deg: ArrayLike = 0.0, bins: int = 18
) -> Rose:
    """Length-weighted orientation distribution; a bin is centred on the rolling direction.

    A carbide counts in every bin by the chance that its axis lies there. Else those of a few pixels, whose axes can
    only lie along rows, columns and diagonals, would make spikes.

    Parameters
    ----------
    angle_deg
        (n,) major axis from the rolling direction, (-90, 90].
    length
        (n,) length of the carbide, any unit.
    weight
        (n,) edge correction.
    uncertainty_deg
        (n,) standard uncertainty of the angle, normal.
    bins
        Number of equal bins over 180°.
    """
    angle, w = np.asarray(angle_deg, float), np.asarray(length, float) * np.asarray(weight, float)
    unsure = np.broadcast_to(np.asarray(uncertainty_deg, float), angle.shape)
    known = np.isfinite(angle) & np.isfinite(w) & (w > 0)
    angle, w, unsure = angle[known], w[known], unsure[known]
    width = 180 / bins
    middle = np.asarray(-90 + width * np.arange(bins), np.float64)
    if not w.sum():
        return Rose(middle, np.full(bins, np.nan), np.nan)
    share = w @ _chances(angle, np.maximum(unsure, SURE_DEG), middle, width) / w.sum()
    return Rose(middle, share, orientation_order(angle, w, 1.0))


def orientation_order(angle_deg: ArrayLike, length: ArrayLike, weight: ArrayLike) -> float:
    """Return the order of a `Rose` alone, of angles, lengths and weights as for `orientation`."""
    angle, w = np.asarray(angle_deg, float), np.asarray(length, float) * np.asarray(weight, float)
    known = np.isfinite(angle) & np.isfinite(w) & (w > 0)
    w = w[known]
    return float(w @ np.cos(2 * np.radians(angle[known])) / w.sum()) if w.sum() else np.nan


def _chances(angle: FloatArray, unsure: FloatArray, middle: FloatArray, width: float) -> FloatArray:
    """(n, bins) chance that an axis lies in each bin; an axis has no sense, so that 180° is a full turn."""
    from scipy.special import ndtr

    turns = 180.0 * np.arange(-2, 3)
    edges = np.append(middle - width / 2, middle[-1] + width / 2)
    beyond = (edges[:, None] + turns - angle[:, None, None]) / unsure[:, None, None]
    below = np.asarray(beyond > 0, np.float64)
    near = np.abs(beyond) < FAR
    below[near] = ndtr(beyond[near])
    return np.diff(below.sum(axis=2), axis=1)
