"""Where the points of a count lie, and which fields are counted: systematic, from a random start."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Grid:
    """Points in rows and columns on one field, in px; origin at the top left, y down, pixel centres at +0.5.

    Points are numbered from 1, along the rows.
    """

    columns: int
    rows: int
    first_x_px: float
    first_y_px: float
    step_x_px: float
    step_y_px: float

    @property
    def points(self) -> int:
        """Number of points."""
        return self.columns * self.rows

    @property
    def x_px(self) -> FloatArray:
        """(points,) distance of each point from the left edge."""
        return np.tile(self.first_x_px + self.step_x_px * np.arange(self.columns), self.rows)

    @property
    def y_px(self) -> FloatArray:
        """(points,) distance of each point from the top edge."""
        return np.repeat(self.first_y_px + self.step_y_px * np.arange(self.rows), self.columns)


def place_grid(width_px: int, height_px: int, points: int, rng: np.random.Generator) -> Grid:
    """Grid of about `points` points that spans a field, shifted by a random part of its cell.

    Cells are as near to squares as whole numbers allow and the last ends where the field ends, so that every
    spot of the field is equally likely to be hit: the mean of the point fraction over the shift is the area
    fraction.
    """
    columns = max(1, round(math.sqrt(points * width_px / height_px)))
    rows = max(1, round(points / columns))
    step_x, step_y = width_px / columns, height_px / rows
    return Grid(columns, rows, rng.uniform(0, step_x), rng.uniform(0, step_y), step_x, step_y)


def draw_fields(available: int, wanted: int, rng: np.random.Generator) -> NDArray[np.intp]:
    """Systematic random sample of `wanted` of `available` fields, in their order; all where there are too few.

    Every field is equally likely to be drawn.
    """
    wanted = min(wanted, available)
    start = rng.uniform()
    return np.floor((start + np.arange(wanted)) * available / max(wanted, 1)).astype(np.intp)
