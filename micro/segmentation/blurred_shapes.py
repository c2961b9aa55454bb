"""What blur makes of discs and ellipses: the model behind levels, outlines and checks."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from micro.segmentation.matrix import ADDED_SPREAD_PX

FloatArray = NDArray[np.float64]

ROOTS = np.linspace(0.25, 9.0, 176)  # √(2x): radius over blur
HALVINGS = 24
ASPECTS = np.array([1.0, 1.25, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 7.0, 10.0])


def disc_peak(x: FloatArray | float, aspect: FloatArray | float = 1.0) -> FloatArray:
    """Height at the centre of a blurred ellipse of unit contrast; 1 − exp(−x) for a disc.

    The normal distribution's share inside an ellipse about its mean, in polar coordinates.
    """
    turn = (np.arange(24) + 0.5) / 24 * np.pi / 2
    x, aspect = np.broadcast_arrays(np.asarray(x, float)[..., None], np.asarray(aspect, float)[..., None])
    return -np.expm1(-x / (np.cos(turn) ** 2 / aspect + np.sin(turn) ** 2 * aspect)).mean(axis=-1)


def disc_edge(x: FloatArray | float) -> FloatArray:
    """Height at the true edge of a blurred disc of unit contrast, (1 − exp(−2x)·I0(2x))/2; near 1/2 for large ones.

    The share of a circular normal distribution, centred on the edge, that falls on the disc.
    """
    from scipy.special import i0e

    return (1 - i0e(2 * np.asarray(x, float))) / 2


@lru_cache
def _peak_table() -> tuple[FloatArray, FloatArray]:
    x = ROOTS**2 / 2
    return x, disc_peak(x[:, None], ASPECTS[None, :])


def contrast_from_peak(
    light: FloatArray, height: FloatArray, blur_area: float, aspect: FloatArray | float = 1.0
) -> FloatArray:
    """Contrast c of unblurred ellipses from integrated contrast and height at the centre.

    Solves height = c·peak(light/(c·blur_area), aspect), `blur_area` = 2·π·σ². NaN where the light is less than that
    of a point image of that height.
    """
    x, table = _peak_table()
    wanted = np.asarray(light, float) / (blur_area * np.asarray(height, float))
    aspect = np.clip(np.broadcast_to(aspect, wanted.shape), ASPECTS[0], ASPECTS[-1])
    column = np.interp(aspect, ASPECTS, np.arange(len(ASPECTS)))
    low = np.minimum(column.astype(int), len(ASPECTS) - 2)
    found = []
    for step in (0, 1):
        one = np.full(wanted.shape, np.nan)
        for k in np.unique(low + step):
            here = low + step == k
            ratio = x / table[:, k]
            one[here] = np.interp(wanted[here], ratio, x, left=np.nan)
            beyond = here & (wanted > ratio[-1])
            one[beyond] = wanted[beyond]
        found.append(one)
    size = found[0] + (column - low) * (found[1] - found[0])
    return np.asarray(light, float) / (blur_area * size)


@lru_cache
def _half_and_band(clear_height: float) -> tuple[FloatArray, FloatArray]:
    """Area above half of the height at the centre, and between half and `clear_height`, in σ², for radii ROOTS."""
    from scipy.special import chndtr

    def covered(share: float) -> FloatArray:
        low, high = np.zeros_like(ROOTS), ROOTS + 3
        for _ in range(HALVINGS):
            middle = (low + high) / 2
            above = chndtr(ROOTS**2, 2, middle**2) > share * top  # non-central chi-squared
            low, high = np.where(above, middle, low), np.where(above, high, middle)
        return np.asarray(np.pi * low**2, float)

    top = disc_peak(ROOTS**2 / 2)
    half = covered(0.5)
    return half, half - covered(clear_height)


def radius_from_half(half: FloatArray, spread: float) -> FloatArray:
    """Radius over `spread` of blurred discs from their area above half height, px²; never below that of a point."""
    table = _half_and_band(0.75)[0]
    area = np.asarray(half, float) / spread**2
    return np.where(area > table[-1], np.sqrt(area / np.pi), np.interp(area, table, ROOTS))


def band_area(half: FloatArray, spread: float, clear_height: float = 0.75) -> FloatArray:
    """Area between half and `clear_height` of the height of blurred discs from their area above half height, px²."""
    area, band = _half_and_band(clear_height)
    size = np.asarray(half, float) / spread**2
    straight = band[-1] * np.sqrt(size / area[-1])
    return spread**2 * np.where(size > area[-1], straight, np.interp(size, area, band))


SIZES = np.geomspace(0.5, 60.0, 11)  # of an ellipse: area/(2·π·spread²)
ELLIPSE_ASPECTS = np.geomspace(1.0, 16.0, 12)
OUTLINE_ASPECTS = np.geomspace(1.0, 12.0, 32)
MOST = 1.6  # what is stretched by more was no outline of an ellipse
DIRECTIONS, QUADRATURE, ELLIPSE_HALVINGS = 7, 96, 12


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
    return Stretch(*(1 + (_bilinear(_stretches(), size, aspect) - 1) * beyond))


def _bilinear(table: FloatArray, size: FloatArray, aspect: FloatArray) -> FloatArray:
    """(..., n) values of tables (..., sizes, outline aspects) at sizes and aspects (n,)."""
    row = np.interp(np.log(size), np.log(SIZES), np.arange(len(SIZES)))
    column = np.interp(np.log(aspect), np.log(OUTLINE_ASPECTS), np.arange(len(OUTLINE_ASPECTS)))
    i = np.minimum(row.astype(np.intp), len(SIZES) - 2)
    j = np.minimum(column.astype(np.intp), len(OUTLINE_ASPECTS) - 2)
    down, right = row - i, column - j
    upper = table[..., i, j] * (1 - right) + table[..., i, j + 1] * right
    lower = table[..., i + 1, j] * (1 - right) + table[..., i + 1, j + 1] * right
    return np.asarray(upper * (1 - down) + lower * down)


@lru_cache(maxsize=1)
def _stretches() -> FloatArray:
    """(4, sizes, outline aspects) tables of the four factors of `Stretch`."""
    reach, major, minor = _outlines(disc_edge(SIZES)[:, None])
    seen = np.log(np.maximum.accumulate(ELLIPSE_ASPECTS * major / minor, axis=1))
    at = np.log(OUTLINE_ASPECTS)
    factors = (np.clip(1 / shrunk, 1 / MOST, MOST) for shrunk in (major, minor, reach[..., 0], reach[..., -1]))
    return np.stack([[np.interp(at, x, y) for x, y in zip(seen, one, strict=True)] for one in factors])


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
    _, major, minor = _outlines(disc_peak(SIZES[:, None], ELLIPSE_ASPECTS) / 2)
    seen = np.log(np.maximum.accumulate(ELLIPSE_ASPECTS * major / minor, axis=1))
    return np.stack([np.exp(np.interp(np.log(OUTLINE_ASPECTS), x, np.log(ELLIPSE_ASPECTS))) for x in seen])


def _quadrant(values: FloatArray) -> FloatArray:
    """Mean over the directions of a quadrant by the trapezoidal rule."""
    weight = np.ones(DIRECTIONS)
    weight[[0, -1]] = 0.5
    return values @ weight / weight.sum()


def _outlines(level: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Outlines of blurred ellipses at a `level` (sizes, aspects).

    Returns (sizes, aspects, directions) reach over that of the ellipse, and (sizes, aspects) axes over its axes.

    The height at u, v is a Gaussian along the major axis times the share of one across it that the ellipse covers
    there: a single integral, over both halves of the axis at once. It falls outwards, so halving finds where it meets
    the level of the outline.
    """
    from scipy.special import ndtr

    a, b = (np.sqrt(2 * SIZES[:, None] * aspects) for aspects in (ELLIPSE_ASPECTS, 1 / ELLIPSE_ASPECTS))
    turn = np.linspace(0, np.pi / 2, DIRECTIONS)
    swing = (np.arange(QUADRATURE // 2) + 0.5) / QUADRATURE * np.pi
    place = a[..., None, None] * np.sin(swing)
    half = b[..., None, None] * np.cos(swing)
    step = a[..., None, None] * np.cos(swing) * np.pi / QUADRATURE / np.sqrt(2 * np.pi)
    level = level[..., None]
    low = np.zeros((len(SIZES), len(ELLIPSE_ASPECTS), DIRECTIONS))
    high = np.full_like(low, 3.0)
    for _ in range(ELLIPSE_HALVINGS):
        middle = (low + high) / 2
        u = (middle * a[..., None] * np.cos(turn))[..., None]
        v = (middle * b[..., None] * np.sin(turn))[..., None]
        along = np.exp(-((place - u) ** 2) / 2) + np.exp(-((place + u) ** 2) / 2)
        height = (step * along * (ndtr(half - v) - ndtr(-half - v))).sum(axis=-1)
        low, high = np.where(height > level, middle, low), np.where(height > level, high, middle)
    reach = np.maximum(low, 0.05)
    area = _quadrant(reach**2)
    major, minor = (np.sqrt(2 * _quadrant(reach**4 * part**2) / area) for part in (np.cos(turn), np.sin(turn)))
    return reach, major, minor


RESOLVED, RESOLVED_SMOOTHED = 4.0, 3.75


def resolved_diameter_px(blur_px: float | None) -> float:
    """Diameter below which a carbide's shape is lost: 4 standard deviations of the edge spread, 3.75 when smoothed.

    Below, undoing the blur magnifies the wavering of the outline more than it mends.
    """
    blur = blur_px or 1.0
    return max(RESOLVED * blur, RESOLVED_SMOOTHED * float(np.hypot(blur, ADDED_SPREAD_PX)))


def blur_of_resolved_px(resolved_px: FloatArray) -> FloatArray:
    """(n,) edge spread, px, of fields of which `resolved_diameter_px` is known."""
    smoothed = np.square(resolved_px / RESOLVED_SMOOTHED) - ADDED_SPREAD_PX**2
    return np.minimum(resolved_px / RESOLVED, np.sqrt(np.maximum(smoothed, 0)))
