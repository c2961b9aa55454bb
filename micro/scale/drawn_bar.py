"""A scale bar drawn into a picture: found, and measured from end to end."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from micro.errors import InputError

Picture = NDArray[np.float64]

# In full scales of the picture: a drawn line is even along its length and steps sharply from its ground. Chosen so that
# packing as JPEG of usual quality passes; that no field without a bar does is held by tests/scale/test_drawn_bar.py.
EVEN, STEP = 0.05, 0.25
SHORTEST_PX, LONGEST_SHARE = 30, 0.9
SLIMMEST = 5.0  # length over height of a bar, at least
WITH_STEP = 0.75  # of the length: ticks and letters may touch it
SMEARED_PX = 4  # how far apart the ends of the two rows of one line may be found in a packed picture
BOTH_ENDS_PX = 2  # how far the ends of upper and lower side may differ
CLEARLY_LONGEST = 0.6  # the second line of a picture is at most so long, or which one is meant is open
SHORTEST_TICK_PX, WIDEST_TICK_PX = 2, 8
# A program draws whole pixels: each end is known to half a pixel either way, a rectangular distribution (GUM 4.3.7).
WHOLE_PIXEL = 1 / math.sqrt(12)
BY_HAND_PX = 1.0  # half width of what a pointed end may be off; chosen
REMEDY = "name its two ends with --points x1,y1,x2,y2 and its length with --length-um"


@dataclass(frozen=True)
class DrawnBar:
    """A bar in a picture; px from the top left corner, a pixel's centre at +0.5.

    Parameters
    ----------
    left, right
        Its ends: of a bar with ticks the middle of the ticks.
    top, bottom
        Its upper and lower side, without ticks.
    standard_uncertainty_px
        Of its length, from both ends.
    """

    left: float
    right: float
    top: int
    bottom: int
    standard_uncertainty_px: float

    @property
    def length_px(self) -> float:
        """Distance of the ends."""
        return self.right - self.left

    @property
    def words(self) -> str:
        """Where it lies."""
        return f"{self.length_px:.1f} px long at x {self.left:.0f} to {self.right:.0f}, y {self.top} to {self.bottom}"


@dataclass(frozen=True, eq=False)
class _Lines:
    """Even stretches of rows: row, first and last column + 1, each (n,)."""

    row: NDArray[np.intp]
    first: NDArray[np.intp]
    last: NDArray[np.intp]

    def chosen(self, which: NDArray[np.bool_]) -> _Lines:
        return _Lines(self.row[which], self.first[which], self.last[which])


def find_drawn_bar(grey: NDArray, grey_max: float = 255.0) -> DrawnBar:
    """Find the one horizontal scale bar of a picture.

    Parameters
    ----------
    grey
        (rows, columns) grey levels, data bar and all.

    Raises
    ------
    InputError
        If there is none, or more than one line that may be it.

    Notes
    -----
    A bar is a slim rectangle of one grey level, filled or hollow, bright or dark, that steps from its ground above,
    below and at both ends; ticks may stand at its ends. A box with letters in it, a frame and the edge of a data bar
    are none.
    """
    picture = np.asarray(grey, float) / grey_max
    found = _without_frames(picture, _merged(_bars(picture)))
    measured = [bar for bar in (_measured(picture, *one) for one in found) if bar is not None]
    if not measured:
        raise InputError("picture", "shows no scale bar that can be told from the rest", REMEDY)
    measured.sort(key=lambda bar: -bar.length_px)
    if len(measured) > 1 and measured[1].length_px > CLEARLY_LONGEST * measured[0].length_px:
        several = "; ".join(bar.words for bar in measured[:3])
        raise InputError("picture", f"shows several lines that may be the scale bar ({several})", REMEDY)
    return measured[0]


def by_points(x1: float, y1: float, x2: float, y2: float) -> tuple[float, float]:
    """Length in px between two points, and its standard uncertainty where each was pointed at by hand.

    Raises
    ------
    InputError
        If they lie too close together.
    """
    length = math.hypot(x2 - x1, y2 - y1)
    if not (math.isfinite(length) and length >= SHORTEST_PX):
        raise InputError("points", f"lie {length:.3g} px apart", f"name two ends at least {SHORTEST_PX} px apart")
    return length, BY_HAND_PX * math.sqrt(2 / 3)


def _bars(picture: Picture) -> list[tuple[int, int, int, int]]:
    """Top, bottom, first and last column of slim rectangles; ends exclusive."""
    lines = _even_lines(picture)
    above, below = (_share_of_steps(picture, lines, side) >= WITH_STEP for side in (-1, 1))
    upper, lower = lines.chosen(above), lines.chosen(below)
    order = np.lexsort((lower.row, lower.first))
    lower = _Lines(lower.row[order], lower.first[order], lower.last[order])
    found = []
    for row, first, last in zip(upper.row.tolist(), upper.first.tolist(), upper.last.tolist(), strict=True):
        a, b = np.searchsorted(lower.first, (first - BOTH_ENDS_PX, first + BOTH_ENDS_PX + 1))
        height = lower.row[a:b] - row + 1
        fits = (height >= 1) & (height <= (last - first) / SLIMMEST) & (abs(lower.last[a:b] - last) <= BOTH_ENDS_PX)
        if fits.any():
            found.append((row, row + int(height[fits].min()), first, last))
    return found


def _even_lines(picture: Picture) -> _Lines:
    """Longest stretches of rows along which neighbours hardly differ."""
    even = np.abs(np.diff(picture, axis=1)) <= EVEN
    padded = np.pad(even, ((0, 0), (1, 1))).astype(np.int8)
    change = np.diff(padded, axis=1)
    row, first = np.nonzero(change == 1)
    _, last = np.nonzero(change == -1)
    length = last - first + 1
    fits = (length >= SHORTEST_PX) & (length <= LONGEST_SHARE * picture.shape[1])
    return _Lines(row, first, last + 1).chosen(fits)


def _share_of_steps(picture: Picture, lines: _Lines, side: int) -> NDArray[np.float64]:
    """(n,) share of each stretch beside which the grey level steps, above (-1) or below (1), within two rows."""
    rows = np.arange(len(picture))
    step = np.zeros(picture.shape, bool)
    for distance in (1, 2):
        beside = rows + side * distance
        known = (beside >= 0) & (beside < len(picture))
        step[known] |= np.abs(picture[rows[known]] - picture[beside[known]]) >= STEP
    total = np.pad(np.cumsum(step, axis=1, dtype=np.int32), ((0, 0), (1, 0)))
    return (total[lines.row, lines.last] - total[lines.row, lines.first]) / np.maximum(lines.last - lines.first, 1)


def _merged(found: list[tuple[int, int, int, int]]) -> list[tuple[int, int, int, int]]:
    """Put the sides of one hollow or smeared bar together: the same ends, and no further apart than a bar is high."""
    bars: list[tuple[int, int, int, int]] = []
    for top, bottom, first, last in sorted(found):
        for number, (t, b, f, e) in enumerate(bars):
            near = SMEARED_PX if abs(top - b) <= 1 else BOTH_ENDS_PX
            alike = abs(f - first) <= near and abs(e - last) <= near
            if alike and max(b, bottom) - t <= (last - first) / SLIMMEST:
                bars[number] = (t, max(b, bottom), min(f, first), max(e, last))
                break
        else:
            bars.append((top, bottom, first, last))
    return bars


def _without_frames(picture: Picture, bars: list[tuple[int, int, int, int]]) -> list[tuple[int, int, int, int]]:
    """Leave out pairs of lines of one grey with the same ends, one above the other: the frame about a box."""

    def level(one: tuple[int, int, int, int]) -> float:
        return float(np.median(picture[one[0], one[2] : one[3]]))

    def framed(one: tuple[int, int, int, int]) -> bool:
        return any(
            other != one
            and abs(other[2] - one[2]) <= BOTH_ENDS_PX
            and abs(other[3] - one[3]) <= BOTH_ENDS_PX
            and abs(level(other) - level(one)) <= STEP / 2
            for other in bars
        )

    return [bar for bar in bars if not framed(bar)]


def _measured(picture: Picture, top: int, bottom: int, first: int, last: int) -> DrawnBar | None:
    """Find the ends of a bar to part of a pixel; None where it is not even inside, or does not end where it should."""
    inside = picture[top:bottom, first:last]
    level = float(np.median(picture[top, first:last]))
    if np.mean(np.abs(inside - np.median(inside, axis=1, keepdims=True)) <= 2 * EVEN) < 0.95:
        return None
    tick_left, tick_right = (
        _tick(picture, top, bottom, end, side, level) for end, side in ((first, 1), (last - 1, -1))
    )
    if bool(tick_left) != bool(tick_right):
        return None  # the stroke of a letter
    rows = slice(top, bottom)
    left = _end(picture[rows], first, -1, level)
    right = _end(picture[rows], last - 1, 1, level)
    if left is None or right is None:
        return None
    spread = math.sqrt(2) * WHOLE_PIXEL
    if tick_left and tick_right:
        width = (tick_left + tick_right) / 2
        # From the middle of one tick to that of the other; the outer or the inner sides may be meant as well.
        spread = math.hypot(spread, width / math.sqrt(3))
        return DrawnBar(left + tick_left / 2, right - tick_right / 2, top, bottom, spread)
    return DrawnBar(left, right, top, bottom, spread)


def _tick(picture: Picture, top: int, bottom: int, end: int, side: int, level: float) -> int:
    """Width of the tick at an end of a bar; 0 where there is none."""
    columns = end + side * np.arange(WIDEST_TICK_PX + 1)
    reach = SHORTEST_TICK_PX + 1
    strips = [picture[max(top - reach, 0) : max(top - 1, 0), columns], picture[bottom + 1 : bottom + reach, columns]]
    tall = [np.all(np.abs(s - level) <= STEP / 2, axis=0) if len(s) >= SHORTEST_TICK_PX else None for s in strips]
    width = 0
    for which in (t for t in tall if t is not None):
        if which[:2].any() and not which[-1]:
            width = max(width, int(np.count_nonzero(which)))
    return width


def _end(strip: Picture, column: int, side: int, level: float) -> float | None:
    """Place of an end: what of the pixels beyond it is covered, by their grey between bar and ground; None: no step."""
    ground_at = column + 4 * side
    if not 0 <= ground_at < strip.shape[1]:
        return None
    own = (
        np.median(strip[:, max(column - 3, 0) : column + 4], axis=1)
        if strip.shape[0] > 2
        else np.full(len(strip), level)
    )
    rows = np.abs(own - level) <= 2 * EVEN
    ground = strip[rows][:, [column + k * side for k in (3, 4)]].mean(axis=1)
    step = level - ground
    if not rows.any() or np.abs(np.median(step)) < STEP:
        return None
    sharp = np.abs(step) >= STEP / 2
    covered = [
        float(np.median(np.clip((strip[rows][sharp, column + k * side] - ground[sharp]) / step[sharp], 0, 1)))
        for k in (-1, 0, 1, 2)
    ]
    beyond = sum(covered) - 1
    edge = column + (1 if side > 0 else 0) - side  # outer side of the last pixel but one, which is whole
    return edge + side * beyond
