"""Axes, extents and perimeter of outlines, with what blur did to them undone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from micro.particles.feret import SHORT_PX, extent, short_of_outline
from micro.segmentation import Segmentation
from micro.segmentation.blurred_ellipse import Stretch, undo_blur
from micro.segmentation.field import RESOLVED
from micro.segmentation.matrix import ADDED_SPREAD_PX, SMOOTHING_PX
from micro.segmentation.moments import PIXEL_VARIANCE, Moments, angle_uncertainty_deg, ellipse
from micro.segmentation.runs import Runs

FloatArray = NDArray[np.float64]
THINNEST_PX = 0.25
RESOLVED_SMOOTHED = 3.75
DIGITAL_WAVER = 0.049  # discs of 4 to 8 px by pixel centres, at 1 500 places each
WHITE_LEFT = 1 / (4 * np.pi * SMOOTHING_PX**2)  # of the variance of white noise after the smoothing
NOISE_LENGTH_PX = float(np.sqrt(4 * np.pi)) * SMOOTHING_PX


@dataclass(frozen=True, eq=False)
class OutlineShapes:
    """Shapes of n carbides, px.

    Parameters
    ----------
    runs
        Runs of the labels.
    major, minor
        (n,) full axes of the ellipse of the same second moments.
    angle_deg
        (n,) major axis from the horizontal, counter-clockwise as seen.
    angle_uncertainty_deg
        (n,) standard uncertainty of that angle.
    seen_aspect, stretch
        (n,) axis ratio of the blurred outline, and what undoes the blur.
    """

    runs: Runs
    major: FloatArray
    minor: FloatArray
    angle_deg: FloatArray
    angle_uncertainty_deg: FloatArray
    seen_aspect: FloatArray
    stretch: Stretch

    def extent(self, angle_deg: float) -> FloatArray:
        """(n,) extent along a direction from the horizontal."""
        off_axis = angle_deg - self.angle_deg
        seen = extent(self.runs, angle_deg) + short_of_outline(angle_deg)
        return seen * self.stretch.along(off_axis, self.seen_aspect)

    def extents(self, angles_deg: FloatArray) -> FloatArray:
        """(directions, n) extents, alike in all directions for a disc."""
        off_axis = angles_deg[:, None] - self.angle_deg
        return (extent(self.runs, angles_deg) + SHORT_PX) * self.stretch.along(off_axis, self.seen_aspect)

    @property
    def longer(self) -> FloatArray:
        """(n,) factor by which the outline is longer without the blur."""
        seen = _ellipse_perimeter(self.major / self.stretch.major, self.minor / self.stretch.minor)
        return _ellipse_perimeter(self.major, self.minor) / seen


def measure_outlines(
    runs: Runs, shape: Moments, blur_px: float | None, waver: FloatArray | float = 0.0
) -> OutlineShapes:
    """Measure the outlines of a field.

    Parameters
    ----------
    runs, shape
        Of the labels.
    blur_px
        Edge spread of the picture; None: the outlines are taken as they are.
    waver
        (n,) how much the outlines waver, as of `outline_waver`. It makes round carbides look elongated, in one
        direction or another, and is taken off.
    """
    # Pixel centres that lie inside a shape have its second moments in the mean; unit squares about them have more.
    xx, yy = shape.xx - PIXEL_VARIANCE, shape.yy - PIXEL_VARIANCE
    by_chance = waver * np.sqrt(np.maximum(xx + yy, 0) / 2) / np.pi
    major, minor, angle = ellipse(xx, yy, shape.xy, by_chance)
    unsure = angle_uncertainty_deg(xx, yy, shape.xy, by_chance)
    major, minor = np.maximum(major, THINNEST_PX), np.maximum(minor, THINNEST_PX)
    spread = 0.0 if blur_px is None else float(np.hypot(blur_px, ADDED_SPREAD_PX))
    stretch = undo_blur(major, minor, spread)
    return OutlineShapes(runs, major * stretch.major, minor * stretch.minor, angle, unsure, major / minor, stretch)


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


def outline_waver(segmentation: Segmentation) -> FloatArray:
    """(n,) variance of where the outline lies times the length over which it does not change, px³.

    From the grey noise over the slope of the edge, and from pixels that lie inside or outside as a whole. Grain of the
    matrix ends at the carbide, so that half of its amplitude is left on the edge. A circle of radius r that wavers by w
    gets half a difference of principal moments whose square is w·r/2π in the mean (derived, first order).
    """
    if segmentation.blur_px is None:
        return np.zeros(segmentation.count)
    spread = float(np.hypot(segmentation.blur_px, ADDED_SPREAD_PX))
    contrast = np.abs([c.contrast for c in segmentation.classes])[segmentation.class_index]
    slope = contrast / (np.sqrt(2 * np.pi) * spread)
    white = WHITE_LEFT * segmentation.noise**2
    grain = max(segmentation.smooth_noise**2 - white, 0.0)
    return np.asarray(DIGITAL_WAVER + (white + grain / 4) / slope**2 * NOISE_LENGTH_PX, float)


def _ellipse_perimeter(major: FloatArray, minor: FloatArray) -> FloatArray:
    """Perimeter from full axes (S. Ramanujan 1914, from memory; within 0.1 % up to aspect 16)."""
    h = ((major - minor) / (major + minor)) ** 2
    return np.pi / 2 * (major + minor) * (1 + 3 * h / (10 + np.sqrt(4 - 3 * h)))
