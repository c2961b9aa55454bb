"""Stripes of light, or of matrix grey, along the rolling direction: what they add to the areas of carbides."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from micro.issues import Issue, issue
from micro.measures.banding import across_and_along
from micro.segmentation.segmentation import Segmentation

FloatArray = NDArray[np.float64]
LEAST_SHARE = 0.03
"""Of a carbide's area that stripes must add before they are told (chosen): even light reads 0.003 to 0.018 on invented
fields of 250 to 800 carbides, the more the coarser the texture of the matrix; light that swings by 6 % reads 0.25."""
LEAST_POWER = 0.05
"""Of what chance gives a wave in the mean: less moves no verdict on bands (chosen)."""
STRIP_PX = 4
"""Width of a strip: a fourth of the shortest wave that bands are looked for at (16 px; derived)."""
APART = 2
"""Strips that chance does not join: 8 px, beyond the correlation of grain and the carbides below the noise (chosen)."""
LEAST_LEFT = 0.1
"""Share of its area that a carbide keeps at least (chosen)."""


@dataclass(frozen=True, eq=False)
class Stripes:
    """What stripes of light along rolling do to the areas of carbides by integrated contrast.

    Parameters
    ----------
    feigned
        (n,) px² that each carbide's area holds too much; 0 where areas are not taken from contrast.
    share
        Root mean square of that over the area, of stripes wider than chance.
    """

    feigned: FloatArray
    share: float

    @property
    def matter(self) -> bool:
        """Whether a wave of them has power beside chance: n·m²/4 for diameters that swing by m, here √2·share/2."""
        return self.share > LEAST_SHARE and len(self.feigned) * self.share**2 / 8 > LEAST_POWER

    def evened(self, area: FloatArray, label: NDArray[np.intp]) -> FloatArray:
        """Areas, px², of carbides of these labels (from 0) without what the stripes add, where they matter."""
        return np.maximum(area - self.feigned[label], LEAST_LEFT * area) if self.matter else area

    @property
    def issues(self) -> tuple[Issue, ...]:
        """What a reader must know."""
        return (issue("striped_light", share=self.share),) if self.matter else ()


def find_stripes(segmentation: Segmentation, rolling_deg: float) -> Stripes:
    """Find stripes along rolling in the grey of the matrix.

    The matrix level that contrast is taken from follows no stripes. What is left of them is the mean contrast outside
    of all basins, taken over strips across the rolling direction; a basin of m pixels then holds m times that.
    Brighter light also makes contrast larger, which is left in: a carbide's area by as much as the light.

    Parameters
    ----------
    rolling_deg
        From the horizontal, counter-clockwise as seen.
    """
    s = segmentation
    if not s.count or s.area_by_hand is not None or s.area_by_outlines:
        return Stripes(np.zeros(s.count), 0.0)
    level, first = _levels(s, rolling_deg)
    place, _ = across_and_along(s.outline_moments.x, s.outline_moments.y, rolling_deg)
    beside = np.interp((place - first) / STRIP_PX, np.arange(len(level)) + 0.5, level)
    contrast = s.class_contrast
    feigned = np.nan_to_num(s.basin_sums[0] * beside / contrast * s.verdict.factor)
    seen = s.outline_px > 0
    share = float(np.std(feigned[seen] / s.contrast_area_px[seen])) if seen.any() else 0.0
    return Stripes(feigned, share * _smooth(level) ** 0.5)


def _smooth(level: FloatArray) -> float:
    """Share of the variance of the strips that those two further on share: about 0 by chance, 1 for wide stripes."""
    off = level - level.mean()
    total = float(off @ off)
    return max(0.0, float(off[APART:] @ off[:-APART]) / total) if total > 0 and len(off) > APART else 0.0


def _levels(s: Segmentation, rolling_deg: float) -> tuple[FloatArray, float]:
    """Return (strips,) mean contrast of the matrix in strips across rolling, and where the first begins, px."""
    rows, columns = s.labels.shape
    matrix = s.bare.astype(np.float32)
    small = (-(-columns // STRIP_PX), -(-rows // STRIP_PX))
    # Cells of equal size: of a picture that they do not fill in whole numbers they are a little smaller.
    light, seen = (
        cv2.resize(picture, small, interpolation=cv2.INTER_AREA) for picture in (s.contrast * matrix, matrix)
    )
    x = (np.arange(small[0]) + 0.5) * columns / small[0]
    y = (np.arange(small[1]) + 0.5) * rows / small[1]
    at_x, at_y = np.meshgrid(x, y)
    place, _ = across_and_along(at_x, at_y, rolling_deg)
    first = float(place.min()) - STRIP_PX / 2
    strip = ((place - first) / STRIP_PX).astype(np.intp).ravel()
    pixels = np.bincount(strip, seen.ravel())
    level = np.bincount(strip, light.ravel()) / np.maximum(pixels, 1e-9)
    return np.where(pixels > 0, level, 0.0), first
