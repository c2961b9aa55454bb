"""What blur took from the length and gave to the width of a carbide's outline."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from micro.segmentation import disc

FloatArray = NDArray[np.float64]
SIZES = np.geomspace(0.5, 60.0, 11)  # of an ellipse: area/(2·π·spread²)
ASPECTS = np.geomspace(1.0, 16.0, 12)
OUTLINE_ASPECTS = np.geomspace(1.0, 12.0, 32)
MOST = 1.6  # what is stretched by more was no outline of an ellipse
DIRECTIONS, QUADRATURE, HALVINGS = 7, 96, 12


@dataclass(frozen=True, eq=False)
class Stretch:
    """Factors (n,) that undo what blur did to n outlines.

    Parameters
    ----------
    major, minor
        Of the axes of the ellipse of the same second moments.
    length, width
        Of the extents along these axes, which the most curved parts of the outline tell.
    """

    major: FloatArray
    minor: FloatArray
    length: FloatArray
    width: FloatArray

    def along(self, off_axis_deg: FloatArray, aspect: FloatArray) -> FloatArray:
        """(n,) or (directions, n) factor of the extent in a direction.

        Parameters
        ----------
        off_axis_deg
            Angle of the direction from the major axis.
        aspect
            (n,) axis ratio of the outline.
        """
        cos2 = np.cos(np.radians(off_axis_deg)) ** 2
        before = aspect**2 * cos2 + (1 - cos2)
        return np.sqrt((self.length**2 * aspect**2 * cos2 + self.width**2 * (1 - cos2)) / before)


def undo_blur(major: FloatArray, minor: FloatArray, spread: float) -> Stretch:
    """Compare outlines with those of blurred ellipses.

    Parameters
    ----------
    major, minor
        (n,) full axes of the outlines, px, drawn where blur leaves the edge of a disc of the same area.
    spread
        Standard deviation of the blur of the picture they were drawn in, px; 0 changes nothing.
    """
    if not spread > 0:
        return Stretch(*[np.ones_like(major)] * 4)
    size = np.clip(np.nan_to_num(major * minor) / (8 * spread**2), SIZES[0], None)
    aspect = np.clip(np.nan_to_num(major / minor, nan=1.0), 1.0, OUTLINE_ASPECTS[-1])
    # What blur does to an outline goes as its curvature, so as 1/size where the table ends.
    beyond = np.minimum(1.0, SIZES[-1] / size)
    return Stretch(*(1 + (_bilinear(table, size, aspect) - 1) * beyond for table in _stretches()))


def _bilinear(table: FloatArray, size: FloatArray, aspect: FloatArray) -> FloatArray:
    row = np.interp(np.log(size), np.log(SIZES), np.arange(len(SIZES)))
    column = np.interp(np.log(aspect), np.log(OUTLINE_ASPECTS), np.arange(len(OUTLINE_ASPECTS)))
    i = np.minimum(row.astype(np.intp), len(SIZES) - 2)
    j = np.minimum(column.astype(np.intp), len(OUTLINE_ASPECTS) - 2)
    down, right = row - i, column - j
    upper = table[i, j] * (1 - right) + table[i, j + 1] * right
    lower = table[i + 1, j] * (1 - right) + table[i + 1, j + 1] * right
    return upper * (1 - down) + lower * down


@lru_cache(maxsize=1)
def _stretches() -> tuple[FloatArray, ...]:
    """Tables (sizes, outline aspects) of the four factors of `Stretch`."""
    reach, major, minor = _outlines(disc.edge(SIZES)[:, None])
    seen = np.log(np.maximum.accumulate(ASPECTS * major / minor, axis=1))
    at = np.log(OUTLINE_ASPECTS)
    return tuple(
        np.stack([np.interp(at, x, y) for x, y in zip(seen, np.clip(1 / shrunk, 1 / MOST, MOST), strict=True)])
        for shrunk in (major, minor, reach[..., 0], reach[..., -1])
    )


def unblurred_aspect(size: FloatArray, aspect: FloatArray) -> FloatArray:
    """(n,) axis ratio of ellipses from that of their blurred outlines, drawn at half of their own height.

    Parameters
    ----------
    size
        (n,) area of the ellipse over 2·π·spread².
    aspect
        (n,) axis ratio of the outline.
    """
    known = np.clip(np.nan_to_num(size, nan=SIZES[-1]), SIZES[0], SIZES[-1])
    return np.maximum(aspect, _bilinear(_own_aspects(), known, np.clip(aspect, 1.0, OUTLINE_ASPECTS[-1])))


@lru_cache(maxsize=1)
def _own_aspects() -> FloatArray:
    """Table (sizes, outline aspects) of the axis ratio before the blur."""
    _, major, minor = _outlines(disc.peak(SIZES[:, None], ASPECTS) / 2)
    seen = np.log(np.maximum.accumulate(ASPECTS * major / minor, axis=1))
    return np.stack([np.exp(np.interp(np.log(OUTLINE_ASPECTS), x, np.log(ASPECTS))) for x in seen])


def _quadrant(values: FloatArray) -> FloatArray:
    """Mean over the directions of a quadrant by the trapezoidal rule."""
    weight = np.ones(DIRECTIONS)
    weight[[0, -1]] = 0.5
    return values @ weight / weight.sum()


def _outlines(level: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Outlines of blurred ellipses at a `level` (sizes, aspects).

    Returns (sizes, aspects, directions) reach over that of the ellipse, and (sizes, aspects) axes over its axes.

    The height at u, v is a Gaussian along the major axis times the share of one across it that the ellipse covers
    there: a single integral. It falls outwards, so halving finds where it meets the level of the outline.
    """
    from scipy.special import ndtr

    a, b = (np.sqrt(2 * SIZES[:, None] * aspects) for aspects in (ASPECTS, 1 / ASPECTS))
    turn = np.linspace(0, np.pi / 2, DIRECTIONS)
    swing = (np.arange(QUADRATURE) + 0.5) / QUADRATURE * np.pi - np.pi / 2
    place = a[..., None, None] * np.sin(swing)
    half = b[..., None, None] * np.cos(swing)
    step = a[..., None, None] * np.cos(swing) * np.pi / QUADRATURE / np.sqrt(2 * np.pi)
    level = level[..., None]
    low = np.zeros((len(SIZES), len(ASPECTS), DIRECTIONS))
    high = np.full_like(low, 3.0)
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        u = (middle * a[..., None] * np.cos(turn))[..., None]
        v = (middle * b[..., None] * np.sin(turn))[..., None]
        height = (step * np.exp(-((place - u) ** 2) / 2) * (ndtr(half - v) - ndtr(-half - v))).sum(axis=-1)
        low, high = np.where(height > level, middle, low), np.where(height > level, high, middle)
    reach = np.maximum(low, 0.05)
    area = _quadrant(reach**2)
    major, minor = (np.sqrt(2 * _quadrant(reach**4 * part**2) / area) for part in (np.cos(turn), np.sin(turn)))
    return reach, major, minor
