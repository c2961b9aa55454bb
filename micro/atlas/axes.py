"""Axes of a drawing: from values to places, and round ticks."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

WIDE = 8.0
"""Largest over smallest value from which an axis is logarithmic, so that small bars stay readable. Chosen."""
ROOM = 0.06
"""Part of an axis left free at each end. Chosen."""
TICKS = 6
FAR = 3.0
"""Spreads of the values beyond which an end of an interval leaves the drawing. Chosen."""


@dataclass(frozen=True)
class Axis:
    """Values from `low` to `high`, evenly or by their logarithm, on places from `start` to `end`."""

    low: float
    high: float
    start: float
    end: float
    logarithmic: bool = False

    def place(self, value: float) -> float:
        """Place of a value, held within the axis."""
        value = min(max(value, self.low), self.high)
        if self.logarithmic:
            share = math.log(value / self.low) / math.log(self.high / self.low)
        else:
            share = (value - self.low) / (self.high - self.low)
        return self.start + share * (self.end - self.start)

    @property
    def ticks(self) -> list[float]:
        """Round values within the axis."""
        if self.logarithmic:
            powers = range(math.floor(math.log10(self.low)), math.ceil(math.log10(self.high)) + 1)
            return [m * 10.0**p for p in powers for m in (1, 2, 5) if self.low <= m * 10.0**p <= self.high]
        step = _round_step((self.high - self.low) / TICKS)
        first = math.ceil(self.low / step - 1e-9)
        return [step * k for k in range(first, math.floor(self.high / step + 1e-9) + 1)]


def _round_step(least: float) -> float:
    power = 10.0 ** math.floor(math.log10(least))
    return next(m * power for m in (1, 2, 2.5, 5, 10) if m * power >= least * (1 - 1e-9))


def axis_of(values: Sequence[float], ends: Sequence[float], places: tuple[float, float], zero: bool = False) -> Axis:
    """Axis that holds all values, and the ends of their intervals as far as these do not squeeze the values.

    Parameters
    ----------
    values, ends
        Values, at least one finite, and ends of intervals; what is not finite does not count.
    places
        Of the lowest and the highest.
    zero
        Whether a linear axis starts at 0.
    """
    known = [v for v in values if math.isfinite(v)]
    low, high = min(known), max(known)
    spread = (high - low) or abs(high) or 1.0
    reach = max(FAR * spread, 1.5 * abs(high))
    near = [v for v in ends if math.isfinite(v) and low - FAR * spread <= v <= high + reach]
    low, high = min([low, *near]), max([high, *near])
    if zero and min(known) > 0 and max(known) / min(known) > WIDE:
        low = max(low, min(known) / 2)
        stretch = (high / low) ** ROOM
        return Axis(low / stretch, high * stretch, *places, logarithmic=True)
    room = ROOM * ((high - low) or abs(high) or 1.0)
    return Axis(0.0 if zero and low >= 0 else low - room, high + room, *places)
