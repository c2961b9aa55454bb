"""Curves of a field for figures, as one tidy table.

Of the area fraction over the position across rolling: `band_profile`, `band_profile_smoothed`, and where that of
carbides placed at random lies, `band_profile_random_low`, `band_profile_random_high`. Of chords, the share in each
class of length: `carbide_chord_along`, `carbide_chord_across`, `matrix_chord_along`, `matrix_chord_across`. Of the
carbides' length, the share over the angle from rolling: `rose`. Of nearest neighbours, the share in each class of
distance: `neighbour`, `neighbour_at_random`.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from micro.fields.banding import Banding
from micro.fields.intercepts import FloatArray, Intercepts
from micro.fields.neighbours import Neighbours
from micro.fields.orientation import orientation

COLUMNS = ["curve", "carbide_class", "x", "x_unit", "y", "y_unit"]
CHORD_CLASSES = 40
PROFILE_POINTS = 256


def curves(
    particles: pd.DataFrame, along: Intercepts, across: Intercepts, bands: Banding, near: Neighbours, um_per_px: float
) -> pd.DataFrame:
    """Return the curves of all carbides of a field; x of a class is its middle."""
    drawn = [("rose", *_rose(particles), "°")]
    every = max(1, len(bands.position) // PROFILE_POINTS)
    for name, values in (
        ("band_profile", bands.fraction),
        ("band_profile_smoothed", bands.smoothed),
        ("band_profile_random_low", bands.random_low),
        ("band_profile_random_high", bands.random_high),
    ):
        drawn.append((name, bands.position[::every] * um_per_px, values[::every], "µm"))
    for phase in ("carbide", "matrix"):
        pair = [getattr(lines, f"{phase}_chords") for lines in (along, across)]
        longest = max((float(np.quantile(chords, 0.995)) for chords in pair if len(chords)), default=0.0)
        # Chords are whole numbers of pixels: classes hold as many of them each.
        step = max(1, round(longest / CHORD_CLASSES))
        middles = _middles(np.arange(0.5, longest + step + 0.5, step))
        for direction, chords in zip(("along", "across"), pair, strict=True):
            if len(chords) and len(middles) > 1:
                number = np.bincount(((chords - 0.5) / step).astype(np.intp), minlength=len(middles))
                share = number[: len(middles)] / len(chords)
                drawn.append((f"{phase}_chord_{direction}", middles * um_per_px, share, "µm"))
    if len(near.edges):
        for name, share in (("neighbour", near.share), ("neighbour_at_random", near.share_at_random)):
            drawn.append((name, _middles(near.edges) * um_per_px, share, "µm"))
    return _tidy(drawn)


def _rose(particles: pd.DataFrame) -> tuple[FloatArray, FloatArray]:
    unsure = particles["angle_standard_uncertainty_deg"]
    rose = orientation(particles["angle_deg"], particles["major_um"], particles["weight"], unsure)
    return rose.angle_deg, rose.share


def _middles(edges: FloatArray) -> FloatArray:
    return (edges[:-1] + edges[1:]) / 2


def _tidy(drawn: list[tuple[str, FloatArray, FloatArray, str]]) -> pd.DataFrame:
    """One row a point of every curve (name, x, y, unit of x) whose y is known."""
    known = [np.isfinite(y) for _, _, y, _ in drawn]
    points = [int(k.sum()) for k in known]
    x, y = (np.concatenate([curve[axis][k] for curve, k in zip(drawn, known, strict=True)]) for axis in (1, 2))
    name, unit = (np.repeat(np.array([curve[i] for curve in drawn], object), points) for i in (0, 3))
    table = {"curve": name, "carbide_class": "all", "x": x, "x_unit": unit, "y": y, "y_unit": ""}
    return pd.DataFrame(table)[COLUMNS]
