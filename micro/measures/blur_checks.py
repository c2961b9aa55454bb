"""Checks of lens and camera: focus, motion, compression."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from micro.issues import Issue, issue
from micro.segmentation.blurred_shapes import RESOLVED
from micro.segmentation.segmentation import Segmentation
from micro.statistics.robust import biweight_fit, least_squares
from micro.statistics.robust import spread as robust_spread

SOFT_PX = 2.4
HALF_SOFT_PX = 1.9
FEWEST_FIELDS, FEWEST_CARBIDES = 4, 20
SOFTER, SPREADS = 1.4, 6.0


def soft_focus(blur_px: float, median_ecd_px: float) -> Issue | None:
    """Tell whether a field is out of focus.

    Parameters
    ----------
    blur_px
        Standard deviation of the edge spread.
    median_ecd_px
        Diameter that halves the area of the carbides.

    Notes
    -----
    A camera that samples a lens as finely as its resolution asks for sees edges of about 1 px; twice as fine is common
    (common practice). Beyond that the picture holds less than its pixels promise.
    """
    hidden = blur_px > HALF_SOFT_PX and RESOLVED * blur_px > median_ecd_px
    if not (blur_px > SOFT_PX or hidden):
        return None
    return issue("soft_focus", blur_px=blur_px, median_ecd_px=median_ecd_px)


def softer_than_others(blur_px: NDArray[np.float64]) -> NDArray[np.bool_]:
    """(n,) fields of one specimen and one scale that are blurred far more than the median; all False below 4 fields.

    `blur_px` is (n,), NaN where unknown.
    """
    known = np.isfinite(blur_px)
    if known.sum() < FEWEST_FIELDS:
        return np.zeros(len(blur_px), bool)
    usual = float(np.median(blur_px[known]))
    spread = robust_spread(blur_px[known] - usual)
    return known & (blur_px > max(SOFTER * usual, usual + SPREADS * spread))


BLOCK = 8


@dataclass(frozen=True)
class BlockSteps:
    """Steps across block borders.

    Parameters
    ----------
    excess
        Mean step across borders over that elsewhere, less 1.
    significance
        `excess` over its standard uncertainty, the smaller of rows and columns.
    """

    excess: float
    significance: float


def block_steps(grey: NDArray[np.float32], noise: float) -> BlockSteps:
    """Compare the steps between neighbouring pixels at every eighth column and row with those between.

    Parameters
    ----------
    grey
        (rows, columns) grey levels as in the file; the grid may start anywhere.
    noise
        Standard deviation of the matrix; steps beyond four of it count as four, so that carbides do not matter.
    """
    found = [_along(grey[::2], noise, 1), _along(grey[:, ::2], noise, 0)]
    weakest = min(found, key=lambda one: one.significance)
    return BlockSteps(float(np.mean([one.excess for one in found])), weakest.significance)


def _along(grey: NDArray[np.float32], noise: float, axis: int) -> BlockSteps:
    whole = (grey.shape[axis] - 3) // BLOCK * BLOCK
    if whole < 4 * BLOCK:
        return BlockSteps(0.0, 0.0)
    grey = np.ascontiguousarray(grey)
    ahead, behind = (grey[:, 1:], grey[:, :-1]) if axis == 1 else (grey[1:], grey[:-1])
    steps = cv2.min(cv2.absdiff(ahead, behind), float(np.float32(4 * noise + 1)))
    mean = cv2.reduce(steps, 1 - axis, cv2.REDUCE_AVG, dtype=cv2.CV_32F).ravel().astype(float)
    # Each against its neighbours: uneven light and noise change slowly.
    bump = mean[1:-1] - (mean[:-2] + mean[2:]) / 2
    if mean.mean() <= 0:
        return BlockSteps(0.0, 0.0)
    phases = bump[:whole].reshape(-1, BLOCK)
    each = phases.mean(axis=0)
    best = int(np.argmax(each))
    spread = robust_spread(phases - np.median(phases, axis=0))
    certainty = max(spread / np.sqrt(len(phases)), 1e-9)
    return BlockSteps(float(each[best] / mean.mean()), float(each[best] / certainty))


FloatArray = NDArray[np.float64]
Picture = NDArray[np.float32]
LARGEST_SIDE_PX = 512
STEEP = 0.25
NARROWEST_PX = 0.5
FEWEST_PIXELS, FEWEST_FOR_MOTION, MOST_CARBIDES, SMALLEST_PX2 = 300, 20, 500, 8.0
SCATTER, OWN_VARIANCE = 0.03, 0.05
FAR = 5.0
# Read off invented fields without and with motion; clean ones stay below 0.6 px², motion over 5 px adds 2.1 px².
LEAST_PX2 = 0.7
LEAST_ELONGATION, FEIGNED_PX2 = 0.17, 12.0
SURE, SURE_PX2, AGREE_DEG = 5.0, (1.0, 25.0), 25.0


@dataclass(frozen=True)
class DirectedBlur:
    """A variance of the edge spread that one direction has and the other has not.

    Parameters
    ----------
    variance_px2
        Along the direction less across it. An even motion over the length L has L²/12.
    standard_uncertainty_px2
        Of `variance_px2`.
    direction_deg
        Counter-clockwise from the horizontal as seen, 0 to 180.
    """

    variance_px2: float
    standard_uncertainty_px2: float
    direction_deg: float

    @property
    def length_px(self) -> float:
        """Length of the even motion with this variance."""
        return float(np.sqrt(12 * self.variance_px2))


def directed_blur(segmentation: Segmentation) -> DirectedBlur | None:
    """Directed blur that is beyond doubt; None where there is none, or where carbides cannot tell.

    Edges tell, less what elongated carbides feign along themselves; where they are long, the second moments of small
    ones do. Motion along long carbides that are all of one size stays unseen.
    """
    by_edges = blur_by_edges(segmentation)
    if by_edges is None or by_edges.variance_px2 < LEAST_PX2:
        return None
    moments = second_moments(segmentation)
    shared = moments.shared_elongation()
    feigned = FEIGNED_PX2 * max(0.0, float(np.hypot(*shared)) - LEAST_ELONGATION)
    turn = np.radians(2 * by_edges.direction_deg) - np.arctan2(shared[1], shared[0])
    along, beside = by_edges.variance_px2 * np.cos(turn), by_edges.variance_px2 * np.sin(turn)
    if np.hypot(along - np.clip(along, 0, feigned), beside) > LEAST_PX2:
        return by_edges
    by_moments = blur_by_moments(moments)
    if by_moments is None:
        return None
    apart = abs((by_edges.direction_deg - by_moments.direction_deg + 90) % 180 - 90)
    plausible = SURE_PX2[0] < by_moments.variance_px2 < SURE_PX2[1]
    sure = by_moments.variance_px2 > SURE * by_moments.standard_uncertainty_px2
    return by_moments if plausible and sure and apart < AGREE_DEG else None


def blur_by_edges(segmentation: Segmentation) -> DirectedBlur | None:
    """Directed blur that the edges in the middle of a field show; None where too few do.

    The outlines, filled and blurred alike in all directions, predict the picture. Along the edges, what the picture
    has beside that is fitted by second derivatives of the prediction, whose factors are half the missing variances.
    The ends of elongated carbides, shortened by any blur, feign blur along them.
    """
    blur = segmentation.outline_blur_px
    if not segmentation.count or blur is None:
        return None
    part = _middle(segmentation.labels.shape)
    contrast = segmentation.class_contrast.astype(np.float32)
    level = np.concatenate([np.zeros(1, np.float32), contrast])
    blur = max(blur, NARROWEST_PX)
    expected = cv2.GaussianBlur(level[segmentation.labels[part]], (0, 0), blur)
    dx, dy = _derivative(expected, 1, 0), _derivative(expected, 0, 1)
    steep = cv2.magnitude(dx, dy)
    at = np.flatnonzero(steep > STEEP * float(np.abs(contrast).min()) / (np.sqrt(2 * np.pi) * blur))
    if len(at) < FEWEST_PIXELS:
        return None
    xx, yy, xy = (d.ravel()[at] for d in (_derivative(dx, 1, 0), _derivative(dy, 0, 1), _derivative(dx, 0, 1)))
    # Height and slope take up what the outlines have wrong in contrast and size.
    columns = np.stack([(xx - yy) / 4, -xy / 2, (xx + yy) / 4, expected.ravel()[at], steep.ravel()[at]], axis=1)
    residual = (segmentation.contrast[part].ravel()[at] - expected.ravel()[at]).astype(float)
    factors, covariance = least_squares(columns.astype(float), residual, np.ones(len(at)))
    return _directed(factors[:2], covariance[:2, :2])


def blur_by_moments(moments: BlurMoments) -> DirectedBlur | None:
    """Directed blur that the second moments of the carbides show; None with fewer than 20 carbides.

    Blur adds its variance to the second moments of the light of each carbide, whatever its size; the elongation of a
    carbide adds in proportion to its area. The part that is left at no area is blur.
    """
    m = moments
    if len(m.area) < FEWEST_FOR_MOTION:
        return None
    columns = np.stack([np.ones_like(m.area), m.area], axis=1)
    known = 1 / (m.noise + (SCATTER * m.area) ** 2 + OWN_VARIANCE)
    found = [biweight_fit(columns, values, known, FAR, 1e-9) for values in (m.along, m.skew)]
    covariance = np.diag([c[0, 0] for _, c in found])
    return _directed(np.array([factors[0] for factors, _ in found]), covariance)


def _middle(shape: tuple[int, ...]) -> tuple[slice, slice]:
    row, column = (max(0, (side - LARGEST_SIDE_PX) // 2) for side in shape)
    return slice(row, row + LARGEST_SIDE_PX), slice(column, column + LARGEST_SIDE_PX)


def _derivative(picture: Picture, x: int, y: int) -> Picture:
    return cv2.Sobel(picture, cv2.CV_32F, x, y, scale=1 / 8)


@dataclass(frozen=True, eq=False)
class BlurMoments:
    """Second moments of the light of n carbides, px²; y points up.

    Parameters
    ----------
    area
        (n,) light over contrast.
    along, skew
        (n,) variance along x less that along y, and twice the covariance.
    both
        (n,) sum of the variances along x and y.
    noise
        (n,) variance that noise gives `along` and `skew`.
    """

    area: FloatArray
    along: FloatArray
    skew: FloatArray
    both: FloatArray
    noise: FloatArray

    def shared_elongation(self) -> FloatArray:
        """Elongation that the carbides share, along x less along y, and the skew: size 0 none, 1 for parallel lines."""
        weight = 1 / np.sqrt(self.area)
        total = max(float((weight * self.both).sum()), 1e-6)
        return np.array([(weight * self.along).sum(), (weight * self.skew).sum()]) / total


def second_moments(segmentation: Segmentation) -> BlurMoments:
    """Second moments of carbides with enough light, clear of the frame's edge."""
    s = segmentation
    # A sample of them tells enough.
    sampled = np.arange(s.count + 1) % (1 + s.count // MOST_CARBIDES) == 0
    sampled[0] = False
    at = np.flatnonzero(sampled[s.basins])
    columns = s.basins.shape[1]
    own = s.basins.ravel()[at] - 1
    contrast = s.class_contrast
    light = s.contrast.ravel()[at] / contrast[own]
    x, y = (at % columns).astype(float), -(at // columns).astype(float)

    def total(values: FloatArray) -> FloatArray:
        return np.asarray(np.bincount(own, values, s.count), np.float64)

    area = total(light)
    size = np.maximum(area, 1e-6)
    x -= (total(light * x) / size)[own]
    y -= (total(light * y) / size)[own]
    square = x * x + y * y
    keep = (area > SMALLEST_PX2) & sampled[1:] & ~s.cut
    return BlurMoments(
        area=area[keep],
        along=(total(light * (x * x - y * y)) / size)[keep],
        skew=(total(light * 2 * x * y) / size)[keep],
        both=(total(light * square) / size)[keep],
        noise=((s.noise / contrast / size) ** 2 * s.noise_area_px * total(square**2) / 2)[keep],
    )


def _directed(vector: FloatArray, covariance: FloatArray) -> DirectedBlur:
    """From the variance along x less that along y, and twice the covariance, y up."""
    size = float(np.hypot(*vector))
    towards = vector / size if size else np.array([1.0, 0.0])
    return DirectedBlur(
        size,
        float(np.sqrt(towards @ covariance @ towards)),
        float(np.degrees(np.arctan2(vector[1], vector[0])) / 2 % 180),
    )
