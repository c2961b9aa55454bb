"""Checks of lens and camera: focus, motion, compression."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from micro.issues import Issue, issue
from micro.segmentation.blurred_shapes import RESOLVED
from micro.segmentation.segmentation import Segmentation
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


# px²; clean invented fields stay below 0.6, motion over 5 px adds 2.1.
LEAST_PX2 = 0.7


@dataclass(frozen=True)
class DirectedBlur:
    """A variance of the edge spread that one direction has and the other has not.

    Parameters
    ----------
    variance_px2
        Along the direction less across it. An even motion over the length L has L²/12.
    direction_deg
        Counter-clockwise from the horizontal as seen, 0 to 180.
    """

    variance_px2: float
    direction_deg: float

    @property
    def length_px(self) -> float:
        """Length of the even motion with this variance."""
        return float(np.sqrt(12 * self.variance_px2))


def directed_blur(segmentation: Segmentation) -> DirectedBlur | None:
    """Directed blur that the edges show, less what elongated carbides may feign; None where it is none to speak of."""
    x, y = segmentation.directed_edges.variance_px2
    size = float(np.hypot(x, y))
    return DirectedBlur(size, float(np.degrees(np.arctan2(y, x)) / 2 % 180)) if size >= LEAST_PX2 else None
