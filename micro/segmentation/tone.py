"""The tone curve of the camera, as far as the noise inside and outside the carbides tells it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from micro.geometry.regions import away_from
from micro.issues import issue
from micro.segmentation.edge_profile import middle, outline_per_area
from micro.segmentation.segmentation import Segmentation
from micro.statistics.robust import quantile

FloatArray = NDArray[np.float64]
ENOUGH_PX = 200
SURE = 3.0
FIRST_ROWS, FAR_OFF = 4, 5.0  # every so many are asked first; standard errors of what they say that decide (chosen)
# Of what the curve moves along straight edges: small carbides under a wide blur lose more. In 85 of 90 drawn pictures
# saved by sRGB (discs of 4 to 20 px, blur 0.8 to 1.8 px, six pairs of greys) the truth lay within.
CURVE_MARGIN = 1.2


def tone_shift_px(s: Segmentation) -> float:
    """By how much a tone curve moves the light of the edges outwards, px; 0 where noise tells of none.

    Noise of the sensor passes through the curve with the slope that it has at that grey: under grey = light^g the noise
    of carbide and matrix stand as (grey_c/grey_m)^(1 - 1/g) if the sensor's own noise is even. Noise that grows with
    the light looks the same, so that this is no more than the largest shift that the noise allows.
    """
    bend = bent(s.contrast)
    edge = cv2.morphologyEx((s.labels > 0).view(np.uint8), cv2.MORPH_GRADIENT, np.ones((3, 3), np.uint8))
    clear = away_from(edge, 2.5 * (s.blur_px or 1.0) + 0.5) & ~s.excluded
    inside, bare = bend[clear & (s.labels > 0)], clear & (s.basins == 0)
    level = float(s.class_contrast.mean())
    carbide = s.matrix_grey + level
    if min(len(inside), int(np.count_nonzero(bare))) < ENOUGH_PX or min(carbide, s.matrix_grey) <= 0:
        return 0.0
    own, error = _spread(inside), 2.2 / np.sqrt(2 * len(inside))
    # Some rows of the matrix tell most fields whose noise is alike; the rest are asked in full.
    some = bend[::FIRST_ROWS][bare[::FIRST_ROWS]]
    if len(some) and abs(_log_ratio(own, some)) + FAR_OFF * 2.2 / np.sqrt(2 * len(some)) < SURE * error:
        return 0.0
    ratio = _log_ratio(own, bend[bare])
    if abs(ratio) < SURE * error:
        return 0.0
    power = float(np.clip(1 - ratio / np.log(carbide / s.matrix_grey), 0.4, 2.5))  # light = grey^power
    return _edge_shift_px(s, level, lambda grey: np.maximum(grey, 0) ** power)


def open_to_curve(s: Segmentation, to_light: Callable[[FloatArray], NDArray]) -> Segmentation:
    """Return it with an interval that holds the area by light too, if its grey levels follow a tone curve or not.

    `to_light`: light of grey levels as in the file, in any unit.
    """
    if not s.count or s.verdict.unknown or s.area_by_outlines:
        return s
    half = CURVE_MARGIN * abs(_edge_shift_px(s, float(s.class_contrast.mean()), to_light)) * outline_per_area(middle(s))
    verdict = s.verdict
    said = (*verdict.said, issue("stated_curve", half_width=half))
    return s.with_verdict(replace(verdict, doubt=float(np.hypot(verdict.doubt, half)), said=said))


def _edge_shift_px(s: Segmentation, level: float, to_light: Callable[[FloatArray], NDArray]) -> float:
    """By how much a curve moves the seen light of a straight edge outwards, px: ∫(seen − Φ), the lens acting on light.

    `level`: contrast of the carbides.
    """
    from scipy.special import ndtr

    x = np.linspace(-4, 4, 161)
    share, grey = ndtr(x), s.matrix_grey + level * np.linspace(0, 1, 257)
    light = np.asarray(to_light(grey), float)
    seen = np.interp(share, (light - light[0]) / (light[-1] - light[0]), np.linspace(0, 1, 257))
    return float((seen - share).sum() * (x[1] - x[0]) * np.hypot(s.blur_px or 1.0, np.sqrt(1 / 12)))


def bent(contrast: NDArray[np.float32]) -> NDArray[np.float32]:
    """(rows, columns) second difference along the rows: of white noise √6 times its standard deviation."""
    return cv2.filter2D(contrast, cv2.CV_32F, np.array([[1.0, -2.0, 1.0]]))


def pixel_noise(contrast: NDArray[np.float32], at: NDArray[np.intp]) -> float:
    """Return the noise of single pixels, grey levels, at flat places of a contrast (rows, columns)."""
    return _spread(bent(contrast).ravel().take(at)) / float(np.sqrt(6))


def _log_ratio(own: float, values: NDArray[np.float32]) -> float:
    """Logarithm of a spread over that of the values."""
    return float(np.log(own / max(_spread(values), 1e-6)))


def _spread(values: NDArray[np.float32]) -> float:
    """Return the standard deviation from the quartiles: few pixels of dirt do not count."""
    return (quantile(values, 0.75) - quantile(values, 0.25)) / 1.349
