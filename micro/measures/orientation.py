"""Orientation of carbides, and the rolling direction that they show."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from micro.scale.scale import NORMAL_95

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


SIGNIFICANCE = 0.01
FEWEST = 10


@dataclass(frozen=True)
class RollingDirection:
    """What the carbides say about the rolling direction.

    Parameters
    ----------
    angle_deg
        From the horizontal, counter-clockwise as seen, 0 to 180; NaN where there is no preferred direction.
    standard_uncertainty_deg
        Of that angle; NaN where there is none.
    p_value
        How often carbides that lie at random show at least as strong a preference; NaN with too few carbides.
    """

    angle_deg: float
    standard_uncertainty_deg: float
    p_value: float

    @property
    def found(self) -> bool:
        """Whether the field has a preferred direction."""
        return bool(np.isfinite(self.angle_deg))

    @property
    def text(self) -> str:
        """One clause for the field's message."""
        if self.found:
            return (
                f"rolling direction estimated from the carbides: {self.angle_deg:.1f}° ± "
                f"{NORMAL_95 * self.standard_uncertainty_deg:.1f}° from the horizontal"
            )
        return "no preferred direction, the horizontal is the reference"


def estimate_rolling_direction(angle_deg: ArrayLike, major: ArrayLike, minor: ArrayLike) -> RollingDirection:
    """Mean axis of the carbides, each weighted by how much longer than wide it is.

    The weighted sum of the double-angle vectors is tested against carbides that lie at random: its squared
    length over the sum of squared weights then is exponential with mean 1 (Rayleigh's test; K. V. Mardia,
    Statistics of Directional Data, 1972; from memory).

    Parameters
    ----------
    angle_deg
        (n,) major axes from the horizontal, counter-clockwise as seen. Leave out carbides that the edge of
        the frame cuts: they lie along the edge.
    major, minor
        (n,) axes of the carbides, in one unit.
    """
    double = 2 * np.radians(np.asarray(angle_deg, float))
    weight = np.asarray(major, float) - np.asarray(minor, float)
    known = np.isfinite(double) & (weight > 0)
    double, weight = double[known], weight[known]
    if len(weight) < FEWEST:
        return RollingDirection(np.nan, np.nan, np.nan)
    resultant = np.sum(weight * np.exp(1j * double))
    p_value = float(np.exp(-(np.abs(resultant) ** 2) / np.sum(weight**2)))
    if p_value > SIGNIFICANCE:
        return RollingDirection(np.nan, np.nan, p_value)
    mean = np.angle(resultant)
    spread = np.sqrt(np.sum((weight * np.sin(double - mean)) ** 2)) / np.abs(resultant)
    return RollingDirection(float(np.degrees(mean) / 2 % 180), float(np.degrees(spread) / 2), p_value)
