"""Measures of pixels that are not square, put right: in px of a square pixel of the same area."""

from __future__ import annotations

from collections.abc import Hashable
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from micro.measures.intercepts import intercept_columns
from micro.measures.orientation import orientation_order
from micro.measures.particles import ellipse_perimeter

FloatArray = NDArray[np.float64]


def squared_particles(particles: pd.DataFrame, rolling_deg: float, height_over_width: float) -> pd.DataFrame:
    """Put shapes and angles of carbides right; areas and places stay.

    The ellipse of the same second moments is stretched with the picture (second moments M become S·M·S; exact), and
    each extent with the extent of that ellipse in its direction: exact for ellipses, and along and across the rows of
    the picture; else to first order.

    Parameters
    ----------
    particles
        PIXEL_PARTICLES of `micro.measures.particles`, angles from the rolling direction.
    rolling_deg
        Rolling direction from the horizontal of the picture.
    height_over_width
        Of a pixel.
    """
    stretch = np.array([height_over_width**-0.5, height_over_width**0.5])
    major, minor = (particles[name].to_numpy(float) for name in ("major_px", "minor_px"))
    moments = _moments(major, minor, np.radians(particles["angle_deg"].to_numpy(float) + rolling_deg))
    mended = moments * np.outer(stretch, stretch)
    size, axes = np.linalg.eigh(np.nan_to_num(mended))
    small, large = (np.where(np.isfinite(major), np.sqrt(np.maximum(size[:, i], 0)), np.nan) for i in (0, 1))
    turned = np.degrees(np.arctan2(axes[:, 1, 1], axes[:, 0, 1])) - rolling_of(rolling_deg, height_over_width)

    def extent(at_deg: float, seen_deg: float) -> FloatArray:
        return _extent(mended, at_deg) / _extent(moments, seen_deg)

    along = rolling_of(rolling_deg, height_over_width)
    return particles.assign(
        feret_max_px=particles["feret_max_px"] * large / major,
        feret_min_px=particles["feret_min_px"] * small / minor,
        major_px=large,
        minor_px=small,
        aspect_ratio=large / small,
        angle_deg=np.where(np.isfinite(major), 90 - np.mod(90 - turned, 180), np.nan),
        length_along_px=particles["length_along_px"] * extent(along, rolling_deg),
        width_across_px=particles["width_across_px"] * extent(along + 90, rolling_deg + 90),
        perimeter_px=particles["perimeter_px"] * ellipse_perimeter(large, small) / ellipse_perimeter(major, minor),
    )


def squared_field(
    field: pd.DataFrame, seen: pd.DataFrame, mended: pd.DataFrame, height_over_width: float
) -> pd.DataFrame:
    """Put the totals of a field right that know a direction: intercepts and what follows, surface, order, spacings.

    Numbers, areas, distances of neighbours and the verdict on bands stay: pixels that are not square change them
    in no direction, to first order.

    Parameters
    ----------
    field
        PIXEL_FIELDS of `micro.measures.totals`.
    seen, mended
        The carbides before and after `squared_particles`.
    height_over_width
        Of a pixel.
    """
    rows = [_squared_row(row, seen, mended, height_over_width) for row in field.to_dict("records")]
    return field.assign(**{name: [row[name] for row in rows] for name in rows[0]}) if rows else field


def rolling_of(rolling_deg: float, height_over_width: float) -> float:
    """Return the direction on the specimen of one in the picture, degrees from the horizontal."""
    turn = np.radians(rolling_deg)
    return float(np.degrees(np.arctan2(np.sin(turn) * height_over_width, np.cos(turn))))


def _squared_row(
    row: dict[Hashable, Any], seen: pd.DataFrame, mended: pd.DataFrame, height_over_width: float
) -> dict[str, Any]:
    own = np.full(len(seen), True) if row["carbide_class"] == "all" else seen["carbide_class"] == row["carbide_class"]
    before, after = seen[own], mended[own]

    def grown(name: str) -> float:
        total = float(before[name].sum())
        return float(after[name].sum()) / total if total > 0 else np.nan

    # Lines along meet a carbide as often as it is wide across them.
    along, across = (
        row[f"intercepts_{name}_per_px"] * grown(width)
        for name, width in (("along", "width_across_px"), ("across", "length_along_px"))
    )
    # A wave across the rows, with a normal (sin, cos) of the picture, gets as much longer as its vector gets shorter.
    turn = np.radians(row["rolling_deg"])
    longer = 1 / np.hypot(np.sin(turn) * height_over_width**0.5, np.cos(turn) * height_over_width**-0.5)
    return {
        **intercept_columns(row["area_fraction"], along, across),
        "surface_per_volume_per_px": row["surface_per_volume_per_px"] * grown("perimeter_px"),
        "orientation_order": orientation_order(after["angle_deg"], after["major_px"], after["weight"]),
        "band_spacing_px": row["band_spacing_px"] * longer,
        "lane_width_px": row["lane_width_px"] * longer,
    }


def _moments(major: FloatArray, minor: FloatArray, angle: FloatArray) -> FloatArray:
    """(n, 2, 2) matrices whose eigenvalues are the squared axes; angle in radians."""
    cos, sin = np.cos(angle), np.sin(angle)
    xx, yy = (major * cos) ** 2 + (minor * sin) ** 2, (major * sin) ** 2 + (minor * cos) ** 2
    xy = (major**2 - minor**2) * cos * sin
    return np.stack([np.stack([xx, xy], axis=-1), np.stack([xy, yy], axis=-1)], axis=-2)


def _extent(moments: FloatArray, angle_deg: float) -> FloatArray:
    """(n,) extent of the ellipses in a direction."""
    turn = np.radians(angle_deg)
    unit = np.array([np.cos(turn), np.sin(turn)])
    return np.asarray(np.sqrt(np.einsum("i,nij,j->n", unit, moments, unit)), float)
