"""How many points and fields a count needs, and where the points lie."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from micro.taught.refine import SECONDS_PER_POINT

FEWEST_FIELDS = 5
USUAL_FIELDS = 30
USUAL_FIELDS_ACCURACY_PCT = 10.0
POINTS_UNKNOWN = 100


def suggested_points(expected_fraction: float | None) -> int:
    """Points of the grid for an expected fraction (ASTM E562, from memory); the finest where nothing is expected.

    Below 2 %, where the standard suggests none, the finest grid is taken too.
    """
    if expected_fraction is None or expected_fraction < 0.05:
        return POINTS_UNKNOWN
    if expected_fraction < 0.10:
        return 49
    return 25 if expected_fraction <= 0.20 else 16


def fields_needed(expected_fraction: float, points: int, relative_accuracy_pct: float) -> int:
    """Fields for a wanted %RA when points hit independently of each other.

    n = (200/%RA)²·(1 − V_V)/V_V/P_T (ASTM E562, from memory), rounded up; 5 at least, as in the standard's table.

    Parameters
    ----------
    expected_fraction
        V_V, above 0 and below 1.
    points
        P_T, points of the grid.
    relative_accuracy_pct
        %RA, half width of the 95 % interval over the fraction.

    Examples
    --------
    >>> fields_needed(0.05, points=100, relative_accuracy_pct=10)
    76
    """
    scatter = (1 - expected_fraction) / expected_fraction / points
    return max(FEWEST_FIELDS, math.ceil((200 / relative_accuracy_pct) ** 2 * scatter - 1e-9))


def suggested_fields(expected_fraction: float | None, points: int, relative_accuracy_pct: float) -> int:
    """Fields to count: as needed, and not below the usual 30 where ±10 %RA or better is wanted (common practice)."""
    needed = FEWEST_FIELDS if expected_fraction is None else fields_needed(
        expected_fraction, points, relative_accuracy_pct
    )  # fmt: skip
    return max(needed, USUAL_FIELDS) if relative_accuracy_pct <= USUAL_FIELDS_ACCURACY_PCT else needed


def expected_accuracy_pct(expected_fraction: float, points: int, fields: int) -> float:
    """%RA that a count will reach when points hit independently: the formula of `fields_needed` turned round."""
    return 200 * math.sqrt((1 - expected_fraction) / expected_fraction / points / fields)


@dataclass(frozen=True)
class Plan:
    """What will be counted on one specimen, and what that can tell."""

    specimen: str
    points: int
    fields: int
    available: int
    wanted_fields: int
    wanted_accuracy_pct: float
    expected_fraction: float | None

    @property
    def lines(self) -> list[str]:
        """The plan in plain words, lines of at most 80 columns where the names are short."""
        total = self.fields * self.points
        minutes = max(1, round(total * SECONDS_PER_POINT / 60))
        said = [
            f"{self.specimen}: {self.fields} of {self.available} fields, {self.points} points each: "
            f"{total} points, about {minutes} min"
        ]
        if self.expected_fraction is None:
            said.append("  no fraction is expected, so the accuracy is open; --expected-pct plans it")
            return said
        accuracy = expected_accuracy_pct(self.expected_fraction, self.points, self.fields)
        said.append(f"  at {100 * self.expected_fraction:g} % this gives about {accuracy:.0f} %RA at best")
        if self.fields < self.wanted_fields:
            said.append(f"  {self.wanted_accuracy_pct:g} %RA needs about {self.wanted_fields} fields")
        return said


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


@dataclass(frozen=True)
class Scattered:
    """Points drawn one by one on one field, in px, each with the density of the draw there.

    The page lays their surroundings out in `rows` of `columns`; points are numbered from 1, along the rows.
    """

    x: tuple[float, ...]
    y: tuple[float, ...]
    density: tuple[float, ...]

    @property
    def points(self) -> int:
        """Number of points."""
        return len(self.x)

    @property
    def columns(self) -> int:
        """Columns of the layout."""
        return max(1, math.ceil(math.sqrt(self.points)))

    @property
    def rows(self) -> int:
        """Rows of the layout; the last may not be full."""
        return -(-self.points // self.columns)

    @property
    def x_px(self) -> FloatArray:
        """(points,) distance of each point from the left edge."""
        return np.array(self.x)

    @property
    def y_px(self) -> FloatArray:
        """(points,) distance of each point from the top edge."""
        return np.array(self.y)


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
