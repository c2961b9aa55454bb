"""Chord lengths of carbide and of matrix, along and across rolling."""

from __future__ import annotations

from typing import TYPE_CHECKING

from micro.report.figures.curves import field_curves, mean_density
from micro.report.figures.style import colour, legend, plain_powers

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

DIRECTIONS = {"along": "solid", "across": (0, (4, 2))}


def draw_chords(axes: list[Axes], profiles: pd.DataFrame, specimens: list[str]) -> None:
    """Carbide (left) and matrix (right); a colour a specimen, whole lines along, broken lines across."""
    for axis, phase in zip(axes, ("carbide", "matrix"), strict=True):
        for number, specimen in enumerate(specimens):
            for direction, dashes in DIRECTIONS.items():
                fields = field_curves(profiles, specimen, f"{phase}_chord_{direction}")
                if fields:
                    x, density, _ = mean_density(fields)
                    label = f"{specimen}, {direction}"
                    axis.plot(x, 100 * density, color=colour(number), linestyle=dashes, label=label)
        axis.set(xlabel=f"chord of {phase}, µm", ylabel="% of the chords per µm", yscale="log", xlim=(0, None))
        axis.set_ylim(bottom=0.01)
        plain_powers(axis.yaxis)
        axis.yaxis.minorticks_off()
    legend(axes[0])
