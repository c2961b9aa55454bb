"""One row a carbide: area by integrated contrast, shape, edge weight."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from micro.geometry.outlines import extent, short_of_outline
from micro.geometry.runs import PIXEL_VARIANCE, Moments, Runs, angle_uncertainty_deg, ellipse
from micro.image.micrograph import SubField
from micro.issues import flag_names
from micro.segmentation.blurred_shapes import Stretch, undo_blur
from micro.segmentation.directed_edges import DirectedEdges
from micro.segmentation.matrix import ADDED_SPREAD_PX, LAGS_PX, SMOOTHING_PX
from micro.segmentation.segmentation import Segmentation
from micro.tables.columns import PARTICLES, empty, flagged, typed
from micro.tables.units import pixel_columns

FloatArray = NDArray[np.float64]


def guard_px(blur_px: float | None) -> int:
    """How near to the frame an outline is no longer what it would be further in: two edge spreads."""
    return int(np.ceil(2 * np.hypot(blur_px or 0.0, ADDED_SPREAD_PX)))


def weights(runs: Runs, guard: int, frame: tuple[int, int] | None = None) -> FloatArray:
    """(n,) W·H/((W − 2g − w + 1)·(H − 2g − h + 1)) for a box w × h that keeps g px from the frame W × H, else 0.

    The inverse of the share of all places, in whole pixels, at which a carbide of that bounding box does so (Miles
    1974; Lantuéjoul 1980). The picture ends at the frame, and with it the light that draws the outline: without the
    guard, carbides near the frame merge with it and are taken for cut.

    Parameters
    ----------
    guard
        g, px; at least 1, as one that touches the outermost pixels may be cut.
    frame
        (rows, columns) of the whole picture where the runs are of a part of it.
    """
    rows, columns = runs.shape
    left, right, top, bottom = boxes(runs)
    inside = (left >= guard) & (right <= columns - guard) & (top >= guard) & (bottom <= rows - guard)
    rows, columns = frame or runs.shape
    places = (columns - 2 * guard - (right - left) + 1) * (rows - 2 * guard - (bottom - top) + 1)
    return np.where(inside, rows * columns / np.maximum(places, 1), 0.0)


def boxes(runs: Runs) -> NDArray[np.intp]:
    """(4, n) first column, column after the last, first row and row after the last of each label; 0 without a pixel."""
    own = runs.by_label
    found = np.zeros((4, runs.count), np.intp)
    if len(own.first):
        last = np.append(own.first[1:], len(own.label)) - 1
        found[:, own.label[own.first]] = (
            np.minimum.reduceat(own.start, own.first),
            np.maximum.reduceat(own.stop, own.first),
            own.row[own.first],
            own.row[last] + 1,
        )
    return found


# Chosen: axes of a row of single pixels, whose centres have no width, stay above 0.
THINNEST_PX = 0.25
DIGITAL_VARIANCE = 0.049  # discs of 4 to 8 px by pixel centres: 0.041 to 0.062 by their size (tested)
LENT_MOST = 2.0
"""An extent whose square directed edges would change by more is left there (chosen)."""
WHITE_LEFT = 1 / (4 * np.pi * SMOOTHING_PX**2)  # of the variance of white noise after the smoothing
NOISE_LENGTH_PX = float(np.sqrt(4 * np.pi)) * SMOOTHING_PX


@dataclass(frozen=True, eq=False)
class OutlineShapes:
    """Shapes of n carbides, px.

    Parameters
    ----------
    major, minor
        (n,) full axes of the ellipse of the same second moments.
    angle_deg
        (n,) major axis from the horizontal, counter-clockwise as seen.
    angle_uncertainty_deg
        (n,) standard uncertainty of that angle.
    seen_aspect, stretch
        (n,) axis ratio of the blurred outline, and what undoes the blur.
    lent
        (2, n) half the difference of the second moments along x and y, and their covariance (y up), that came off
        because edges are wider in one direction, px².
    """

    runs: Runs
    major: FloatArray
    minor: FloatArray
    angle_deg: FloatArray
    angle_uncertainty_deg: FloatArray
    seen_aspect: FloatArray
    stretch: Stretch
    lent: FloatArray

    def extent(self, angle_deg: float | FloatArray) -> FloatArray:
        """(n,) or (directions, n) extent along directions from the horizontal."""
        off_axis = np.asarray(angle_deg, float)[..., None] - self.angle_deg
        # Squares of half the axes of the blurred outline, and of half its extent h, by half angles. It ends with the
        # radius of curvature a²b²/h³ (differential geometry of the ellipse).
        a, b = (self.major / self.stretch.major / 2) ** 2, (self.minor / self.stretch.minor / 2) ** 2
        square = (a + b) / 2 + (a - b) / 2 * np.cos(2 * np.radians(off_axis))
        seen = extent(self.runs, angle_deg) + short_of_outline(angle_deg, a * b / (square * np.sqrt(square)))
        seen *= self.stretch.along(off_axis, self.seen_aspect)
        return seen * self._without_lent(angle_deg, square) if self.lent.any() else seen

    def _without_lent(self, angle_deg: float | FloatArray, own: FloatArray) -> FloatArray:
        """(n,) or (directions, n) extent of the ellipse without what directed edges lent it, over that with it.

        `own`: square of half that with it, px².
        """
        turn = 2 * np.radians(np.asarray(angle_deg, float))[..., None]
        lent = 4 * (self.lent[0] * np.cos(turn) + self.lent[1] * np.sin(turn))
        return np.asarray(np.sqrt(own / np.maximum(own + lent, own / LENT_MOST)), float)

    @property
    def longer(self) -> FloatArray:
        """(n,) factor by which the outline is longer without the blur."""
        seen = ellipse_perimeter(self.major / self.stretch.major, self.minor / self.stretch.minor)
        return ellipse_perimeter(self.major, self.minor) / seen


def measure_outlines(
    runs: Runs,
    shape: Moments,
    blur_px: float | None,
    waver: FloatArray | float = 0.0,
    directed: DirectedEdges | None = None,
    doubt_toward: ArrayLike = 0.0,
) -> OutlineShapes:
    """Measure the outlines of a field.

    Parameters
    ----------
    blur_px
        Edge spread of the picture; None: the outlines are taken as they are.
    waver
        (n,) how much the outlines waver, as of `outline_waver`. It makes round carbides look elongated, in one
        direction or another, and is taken off.
    directed
        By how much edges are others in one direction; what outlines owe to that is taken off.
    doubt_toward
        (2,) cosine and sine of twice a direction: outlines as if they owed its uncertainty more to it.
    """
    spread = 0.0 if blur_px is None else float(np.hypot(blur_px, ADDED_SPREAD_PX))
    lent = np.zeros((2, runs.count))
    if directed is not None and spread > 0:
        toward = np.broadcast_to(np.asarray(doubt_toward, float), 2)
        lent = directed.lent(shape.area, spread) + directed.doubt(shape.area, spread) * toward[:, None]
    # Pixel centres that lie inside a shape have its second moments in the mean; unit squares about them have more.
    xx, yy, xy = shape.xx - PIXEL_VARIANCE - lent[0], shape.yy - PIXEL_VARIANCE + lent[0], shape.xy + lent[1]
    by_chance = waver * np.sqrt(np.maximum(xx + yy, 0) / 2) / np.pi
    major, minor, angle = ellipse(xx, yy, xy, by_chance)
    unsure = angle_uncertainty_deg(xx, yy, xy, by_chance)
    major, minor = np.maximum(major, THINNEST_PX), np.maximum(minor, THINNEST_PX)
    stretch = undo_blur(major, minor, spread)
    sharp = major * stretch.major, minor * stretch.minor
    return OutlineShapes(runs, *sharp, angle, unsure, major / minor, stretch, lent)


def edge_position_variance(segmentation: Segmentation) -> FloatArray:
    """(n,) variance of where the outline lies times the length over which it does not change, px³.

    A circle of radius r that wavers by w gets half a difference of principal moments whose square is w·r/2π in the mean
    (derived, first order). Of what changes slowly only what goes twice about it counts.
    """
    if segmentation.outline_blur_px is None:
        return np.zeros(segmentation.count)
    return np.asarray(2 * np.pi * np.sqrt(segmentation.outline_px / np.pi) * wavering(segmentation, [2])[0], float)


def wavering(segmentation: Segmentation, orders: Sequence[int]) -> FloatArray:
    """(orders, n) variance, px², of what goes so many times in and out about a carbide of where its outline lies.

    From the grey noise over the slope of the edge, and from pixels that lie inside or outside as a whole. Grain of the
    matrix ends at the carbide, so that half of its amplitude is left on the edge; it changes slowly, see `waves`.
    """
    spread = float(np.hypot(segmentation.outline_blur_px or 0.0, ADDED_SPREAD_PX))
    contrast = np.abs(segmentation.class_contrast)
    slope = contrast / (np.sqrt(2 * np.pi) * spread)
    white = WHITE_LEFT * segmentation.noise**2
    # Of the frame of a mosaic's part some carbides have no pixel, and then nobody asks.
    radius = np.sqrt(np.maximum(segmentation.outline_px, 1) / np.pi)
    short = (DIGITAL_VARIANCE + white / slope**2 * NOISE_LENGTH_PX) / (2 * np.pi * radius)
    grain = grain_covariance(segmentation, white)
    return np.stack([short + waves(grain / 4, radius, order) / slope**2 for order in orders])


GRAIN = 1.05
"""Variance over that of white noise from which the matrix is asked how its grain is correlated. Chosen."""
WAVE_RADII_PX, TURN = np.geomspace(1.0, 32.0, 16), (np.arange(180) + 0.5) / 180 * np.pi


def waves(covariance: FloatArray, radius: FloatArray, order: int) -> FloatArray:
    """(n,) variance of the part of a random grey that goes `order` times up and down about circles of that radius.

    (1/π)∫C(2r·sin(t/2))·cos kt dt over t from 0 to π, of the covariance C at LAGS_PX: its Fourier series on the circle.
    """
    chord = 2 * WAVE_RADII_PX[:, None] * np.sin(TURN / 2)
    power = (np.interp(chord, LAGS_PX, covariance) * np.cos(order * TURN)).mean(axis=1)
    return np.interp(radius, WAVE_RADII_PX, np.maximum(power, 0.0))


def grain_covariance(segmentation: Segmentation, white: float) -> FloatArray:
    """(lags,) covariance at LAGS_PX of the smoothed matrix, the mean along rows and columns, less that of white noise.

    Parameters
    ----------
    white
        Variance of white noise after the smoothing.
    """
    variance = segmentation.smooth_noise**2
    if variance <= GRAIN * white:
        return np.zeros(len(LAGS_PX))
    covariance = segmentation.matrix_covariance
    if not covariance[0] > 0:
        return np.zeros(len(LAGS_PX))
    of_white = white * np.exp(-((np.array(LAGS_PX) / (2 * SMOOTHING_PX)) ** 2))
    return np.asarray(variance * covariance / covariance[0] - of_white, float)


def ellipse_perimeter(major: FloatArray, minor: FloatArray) -> FloatArray:
    """Perimeter from full axes (S. Ramanujan 1914, from memory; within 0.1 % up to aspect 16)."""
    h = ((major - minor) / (major + minor)) ** 2
    return np.pi / 2 * (major + minor) * (1 + 3 * h / (10 + np.sqrt(4 - 3 * h)))


DIRECTIONS = np.arange(0, 180, 5.0)
PIXEL_PARTICLES = pixel_columns(PARTICLES)


def measure_particles(
    segmentation: Segmentation, grey: NDArray[np.float32], rolling_deg: float | None, sub_field: SubField | None = None
) -> pd.DataFrame:
    """Measure every carbide of a field.

    Parameters
    ----------
    segmentation
        Carbides of the field, in pixels.
    grey
        (rows, columns) grey levels as in the file.
    rolling_deg
        Rolling direction from the horizontal, counter-clockwise as seen; None: the horizontal.
    sub_field
        Where the field is the frame of a part of a mosaic: only carbides with their centroid in its core are
        returned, at their place in the core, weighted for the edges of the mosaic.

    Returns
    -------
    DataFrame
        PIXEL_PARTICLES: the columns of `PARTICLES` in pixels, one row a carbide in label order; `specimen` and `field`
        empty.
    """
    if not segmentation.count:
        return empty(PIXEL_PARTICLES)
    rolling = 0.0 if rolling_deg is None else rolling_deg
    runs, shape = segmentation.runs, segmentation.outline_moments
    area, outline = segmentation.contrast_area_px, _outlines(segmentation)
    ecd = 2 * np.sqrt(area / np.pi)
    classes = np.array([c.name for c in segmentation.classes], object)
    columns = {
        "specimen": "",
        "field": "",
        "particle": np.arange(1, segmentation.count + 1),
        "carbide_class": classes[segmentation.class_index],
        "x_px": shape.x,
        "y_px": shape.y,
        "area_px2": area,
        "ecd_px": ecd,
        **_outline_columns(outline, rolling),
        "perimeter_px": segmentation.perimeters[0] * outline.longer,
        "mean_grey": runs.integrate(grey) / shape.area,
        "touches_edge": segmentation.cut.astype(np.int64),
        "weight": _weights(segmentation, sub_field),
        "outline_area_px2": shape.area,
        "flags": _flag_texts(segmentation.flag_words),
    }
    table = typed(PIXEL_PARTICLES, columns, segmentation.count)
    return table if sub_field is None else _of_core(table, shape.x, shape.y, sub_field)


def measure_axes(segmentation: Segmentation, sub_field: SubField | None = None) -> pd.DataFrame:
    """Of the columns of `measure_particles` against the horizontal those that the rolling direction is found from."""
    if not segmentation.count:
        return empty(PIXEL_PARTICLES)
    shape, outline = segmentation.outline_moments, _outlines(segmentation)
    columns = {
        "angle_deg": _from_rolling(outline, 0.0),
        "major_px": outline.major,
        "minor_px": outline.minor,
        "weight": _weights(segmentation, sub_field),
        "owed_px": _owed(segmentation, outline),
    }
    table = pd.DataFrame(columns)
    return table if sub_field is None else _of_core(table, shape.x, shape.y, sub_field)


def _outlines(segmentation: Segmentation) -> OutlineShapes:
    return outlines_of(segmentation, edge_position_variance(segmentation))


def outlines_of(
    segmentation: Segmentation, waver: FloatArray | float = 0.0, doubt_toward: ArrayLike = 0.0
) -> OutlineShapes:
    """Outlines of a field without its blur and what one direction of its edges lent them, as of `measure_outlines`."""
    s = segmentation
    return measure_outlines(s.runs, s.outline_moments, s.outline_blur_px, waver, s.directed_edges, doubt_toward)


def _owed(segmentation: Segmentation, outline: OutlineShapes) -> FloatArray:
    """(n,) standard uncertainty, px, of major less minor axis by directed edges: 4·√(m + d) less 4·√(m − d), 4·d/√m."""
    spread = float(np.hypot(segmentation.outline_blur_px or 0.0, ADDED_SPREAD_PX))
    doubt = segmentation.directed_edges.doubt(segmentation.outline_px, spread)
    return 16 * doubt / np.sqrt(outline.major * outline.minor)


def along_over_across(angle_deg: FloatArray, major: FloatArray, minor: FloatArray, weight: FloatArray) -> float:
    """Sum of the extents of ellipses along the direction that angles are taken from, over that across it."""
    turn = np.radians(angle_deg)
    cos, sin = np.cos(turn), np.sin(turn)
    along, across = np.hypot(major * cos, minor * sin), np.hypot(major * sin, minor * cos)
    known = np.isfinite(along) & (weight > 0)
    across_all = float(weight[known] @ across[known])
    return float(weight[known] @ along[known]) / across_all if across_all > 0 else np.nan


def _weights(segmentation: Segmentation, sub_field: SubField | None) -> FloatArray:
    mosaic = (sub_field.mosaic_rows, sub_field.mosaic_columns) if sub_field else None
    return weights(segmentation.runs, guard_px(segmentation.outline_blur_px), mosaic)


def _from_rolling(outline: OutlineShapes, rolling: float) -> FloatArray:
    """(n,) major axes from the rolling direction, (-90, 90]."""
    return np.asarray(90 - np.mod(90 - (outline.angle_deg - rolling), 180), float)


def _outline_columns(outline: OutlineShapes, rolling: float) -> dict[str, FloatArray]:
    feret = outline.extent(DIRECTIONS)
    return {
        "feret_max_px": feret.max(axis=0),
        "feret_min_px": feret.min(axis=0),
        "major_px": outline.major,
        "minor_px": outline.minor,
        "aspect_ratio": outline.major / outline.minor,
        "angle_deg": _from_rolling(outline, rolling),
        "angle_standard_uncertainty_deg": outline.angle_uncertainty_deg,
        "length_along_px": outline.extent(rolling),
        "width_across_px": outline.extent(rolling + 90),
    }


def _flag_texts(words: NDArray[np.uint32]) -> NDArray[np.object_]:
    """Names of the flags of each carbide, from its flag word."""
    different, which = np.unique(words, return_inverse=True)
    return np.array([" ".join(flag_names(int(word))) for word in different], object)[which]


def _of_core(table: pd.DataFrame, x: FloatArray, y: FloatArray, sub_field: SubField) -> pd.DataFrame:
    """Rows whose centroid (x, y, px of the frame) lies in the core, with places from the corner of the core."""
    top, left, _, _ = sub_field.frame
    x, y = x + left - sub_field.left, y + top - sub_field.top
    own = (x >= 0) & (x < sub_field.right - sub_field.left) & (y >= 0) & (y < sub_field.bottom - sub_field.top)
    return table.assign(x_px=x, y_px=y)[own].reset_index(drop=True)


def flagged_share(own: pd.DataFrame, flag: str) -> float:
    """Share of the area of carbides in those with a flag; NaN without area."""
    area = own["area_px2"].to_numpy(float)
    return float(area[flagged(own["flags"], flag)].sum() / area.sum()) if area.sum() > 0 else np.nan


def touching_unseen(own: pd.DataFrame) -> FloatArray:
    """(n,) how many more each outline that stays concave may hold: one, long ones as many as their length of width."""
    more = np.maximum(np.rint(own["aspect_ratio"].to_numpy(float)) - 1, 1)
    return np.where(flagged(own["flags"], "concave"), np.nan_to_num(more, nan=1.0), 0.0)
