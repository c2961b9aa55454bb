"""Uncertainty budget: field scatter, segmentation and scale, combined into the printed interval."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from micro.specimens.sampling import Estimate, student_t


@dataclass(frozen=True)
class Budget:
    """One quantity with everything that makes it uncertain.

    Parameters
    ----------
    estimate
        Value and scatter between fields.
    segmentation
        Standard uncertainty that all fields share through levels, noise and blur; NaN where unknown.
    scale
        Standard uncertainty from the size of a pixel; NaN where the scale states none.
    lowest, highest
        Limits of what the quantity can be; the interval ends there.
    """

    estimate: Estimate
    segmentation: float = 0.0
    scale: float = 0.0
    lowest: float = 0.0
    highest: float = math.inf

    @property
    def standard_uncertainty(self) -> float:
        """Combined; sources that are unknown are left out, those of the fields cannot be."""
        return math.hypot(self.estimate.standard_uncertainty, self._shared)

    @property
    def degrees_of_freedom(self) -> float:
        """Effective degrees of freedom (Welch-Satterthwaite); segmentation and scale count as known."""
        u = self.estimate.standard_uncertainty
        if not u > 0:
            return self.estimate.degrees_of_freedom if self._shared == 0 else math.inf * (u + 1)
        return self.estimate.degrees_of_freedom * (self.standard_uncertainty / u) ** 4

    @property
    def interval(self) -> tuple[float, float]:
        """95 % interval; NaN with fewer than two fields."""
        t = student_t(self.degrees_of_freedom)
        low = self.estimate.value - t * math.hypot(self.estimate.below, self._shared)
        high = self.estimate.value + t * math.hypot(self.estimate.above, self._shared)
        return float(np.clip(low, self.lowest, self.highest)), float(np.clip(high, self.lowest, self.highest))

    @property
    def _shared(self) -> float:
        return math.hypot(*np.nan_to_num([self.segmentation, self.scale]))

    def rows(self) -> list[tuple[str, float, float]]:
        """(source, standard uncertainty, degrees of freedom) of each source and of them together."""
        return [
            ("field scatter", self.estimate.standard_uncertainty, self.estimate.degrees_of_freedom),
            ("segmentation", self.segmentation, math.inf),
            ("scale", self.scale, math.inf),
            ("combined", self.standard_uncertainty, self.degrees_of_freedom),
        ]
