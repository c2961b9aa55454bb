"""Bars under each other on one axis, each with its interval: a figure a question."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from micro.figures.style import colour

if TYPE_CHECKING:
    from matplotlib.axes import Axes

MARGIN_IN, ROW_IN = 0.62, 0.22
BAND = "#eef0ec"
LONGEST_NAME = 28
WIDE = 4.0
"""Largest over smallest value from which the axis is logarithmic, so that small bars stay readable. Chosen."""


@dataclass(frozen=True)
class ForestRow:
    """One bar: name, value with the ends of its interval (NaN where unknown), letters, and what chance would give."""

    name: str
    value: float
    low: float
    high: float
    letters: str = ""
    at_random: float = np.nan
    reference: bool = False


def height_in(rows: int) -> float:
    """Height of a figure of so many bars, inches."""
    return MARGIN_IN + ROW_IN * max(rows, 2)


def draw_forest(axes: list[Axes], rows: Sequence[ForestRow], label: str) -> None:
    """One line a bar from top to bottom: its value (dot) and 95 % interval (line), letters at the right.

    Where the interval is unknown the dot is open. An open diamond is what chance would give. The interval of the
    reference bar runs down the figure as a band.
    """
    axis = axes[0]
    places = np.arange(len(rows))[::-1]
    shown = [row.name if len(row.name) <= LONGEST_NAME else row.name[: LONGEST_NAME - 1] + "…" for row in rows]
    for place, row in zip(places, rows, strict=True):
        _draw_row(axis, float(place), row)
    axis.set_yticks(places, shown)
    axis.set(ylim=(-0.6, len(rows) - 0.4), xlabel=label)
    known = np.array([v for row in rows for v in (row.value, row.low, row.high) if np.isfinite(v)])
    if len(known) and known.min() > 0 and known.max() / known.min() > WIDE:
        _logarithmic(axis, known)
    elif len(known):
        axis.set_xlim(min(0.0, 1.05 * known.min()), 1.06 * known.max() or 1.0)
    axis.grid(axis="y", visible=False)
    axis.tick_params(axis="y", length=0)


def _draw_row(axis: Axes, place: float, row: ForestRow) -> None:
    tint = colour(1) if row.reference else colour(0)
    certain = np.isfinite(row.low) and np.isfinite(row.high)
    if row.reference and certain:
        axis.axvspan(row.low, row.high, color=BAND, zorder=0)
    if certain:
        axis.plot([row.low, row.high], [place, place], color=tint, linewidth=1.6, solid_capstyle="butt")
    if np.isfinite(row.value):
        axis.plot(row.value, place, "o", color=tint, markersize=5, markerfacecolor=tint if certain else "white")
    else:
        axis.annotate("unknown", (0.02, place), xycoords=("axes fraction", "data"), va="center", fontsize=7)
    if np.isfinite(row.at_random):
        axis.plot(row.at_random, place, "D", color="#555555", markersize=4.5, markerfacecolor="none")
    if row.letters:
        axis.annotate(
            row.letters, (1.0, place), (4, 0), ("axes fraction", "data"), textcoords="offset points", va="center",
            fontsize=8, annotation_clip=False,
        )  # fmt: skip


def _logarithmic(axis: Axes, known: np.ndarray) -> None:
    from matplotlib.ticker import FixedLocator, NullLocator

    axis.set_xscale("log")
    low, high = known.min() / 1.15, known.max() * 1.15
    steps = np.outer(10.0 ** np.arange(-9, 10), (1, 2, 5)).ravel()
    ticks = steps[(steps >= low) & (steps <= high)]
    axis.set_xlim(low, high)
    axis.xaxis.set_major_locator(FixedLocator(ticks.tolist()))
    axis.xaxis.set_minor_locator(NullLocator())
    axis.xaxis.set_major_formatter(lambda value, _: f"{value:g}")
