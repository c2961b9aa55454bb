"""The rolling direction, estimated from the carbides of one field where it was not given."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from micro.scale.scale import NORMAL_95

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
