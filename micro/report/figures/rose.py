"""Which way the long axes lie, as a rose about the rolling direction."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from micro.report.figures.curves import field_curves
from micro.report.figures.style import colour

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes


def draw_rose(axes: list[Axes], profiles: pd.DataFrame, specimens: list[str]) -> None:
    """One axis a specimen: the share of the carbides' length in each direction; rolling is horizontal."""
    for number, (axis, specimen) in enumerate(zip(axes, specimens, strict=True)):
        fields = field_curves(profiles, specimen, "rose")
        axis.set(aspect="equal", title=specimen, anchor="N")
        axis.axis("off")
        if not fields:
            continue
        angle = np.radians(fields[0][0])
        share = np.mean([y for _, y in fields], axis=0)
        even = 1 / len(share)
        half = np.pi / len(share) / 2
        for middle, length in zip(np.concatenate([angle, angle + np.pi]), np.tile(share, 2), strict=True):
            arc = np.linspace(middle - half, middle + half, 9)
            x, y = length * np.cos(arc), length * np.sin(arc)
            axis.fill(np.append(0, x), np.append(0, y), color=colour(number), linewidth=0.4, edgecolor="white")
        circle = np.linspace(0, 2 * np.pi, 181)
        axis.plot(even * np.cos(circle), even * np.sin(circle), color="#555555", linewidth=0.8, linestyle="dashed")
        reach = 1.1 * max(share.max(), even)
        axis.annotate("rolling", (reach, 0), ha="left", va="center", fontsize=7)
        axis.set(xlim=(-reach * 1.3, reach * 1.3), ylim=(-reach, reach))
