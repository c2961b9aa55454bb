"""Outlines that only just stand out of the matrix: what they may be instead, and that others like them are missed."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from micro.issues import bit
from micro.segmentation.blurred_shapes import disc_peak
from micro.segmentation.matrix import ADDED_SPREAD_PX
from micro.segmentation.segmentation import Segmentation
from micro.segmentation.texture import Texture

FloatArray = NDArray[np.float64]

UNEVEN = 2.0
# Of the height from which on carbides are found beside an uneven matrix. Carbides that reach no more tell of others
# that do not reach it; in laths of 10 and 18 % of the contrast as much area was missed as those have, at most, where
# they had less than MOSTLY of it all; beyond, up to forty times (fields of a fourth generator).
AT_LIMIT = 1.25
LOWERED = 0.8  # of the class contrast: higher ones show their level: blur hides no others like them (chosen)
# Boundaries and scratches are thin: what blur lowers so far is so narrow that its outline is nearly that of the lens,
# round, unless it is longer than wide. Nine in ten pieces of boundaries are 1.4 and more of their width long, nine in
# ten carbides up to 1.3 to 1.6 (2 to 3 among blades; 16 fields of an eighth generator). Patches of texture hold more
# light than a carbide of their height: by it they would stand 1.5 to 1.9 times as high, nine in ten carbides at the
# limit 0.7 to 1.3 (43 such fields; those of another generator in tests/etch/test_doubtful.py).
THIN, LONG, BROAD = 0.5, 1.5, 1.4
SMALLEST_PX = 6.0  # as of the settings, where nobody gives another


def with_doubts(s: Segmentation, texture: Texture) -> Segmentation:
    """Flag what only just stands out (`faint`), and what in an uneven matrix may be no carbide (`doubtful`)."""
    level = np.abs(s.class_contrast)
    uneven, limit = texture.uneven > UNEVEN, AT_LIMIT * texture.hides
    if not uneven and limit < float(_shown(s, SMALLEST_PX).min(initial=np.inf)):
        return s  # the smallest that counts stands higher
    at_limit = (s.highest < limit) & (s.highest < LOWERED * level)
    doubtful = np.zeros(s.count, bool)
    if uneven:
        thin = (s.highest < THIN * level) & (s.outline_moments.aspect > LONG)
        by_light = _shown(s, np.maximum(s.basin_sums[1] / s.class_contrast, 0.0))
        doubtful = thin | (at_limit & (by_light > BROAD * s.highest))
    words = np.where(at_limit, bit("faint"), 0) | np.where(doubtful, bit("doubtful"), 0)
    return s.with_flags(s.flags | words.astype(np.uint32)) if words.any() else s


def _shown(s: Segmentation, area: FloatArray | float) -> FloatArray:
    """(n,) how high discs of that area, px², and of the level of each carbide's class stand under the blur."""
    spread2 = (s.blur_px or 1.0) ** 2 + ADDED_SPREAD_PX**2
    return np.abs(s.class_contrast) * disc_peak(area / (2 * np.pi * spread2))
