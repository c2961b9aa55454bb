"""From the levels that a camera saved to light: what a published tone curve did is undone."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

TONE_CURVES = ("linear", "srgb")


def srgb_to_light(levels: NDArray, full_scale: float) -> NDArray[np.float32]:
    """Undo the tone curve of sRGB (IEC 61966-2-1:1999, constants from memory), so that grey follows light.

    Parameters
    ----------
    levels
        Any shape, 0 to `full_scale`.
    full_scale
        Level of white, which stays where it is.
    """
    if levels.dtype.kind == "u":  # each level once
        return _light(np.arange(int(full_scale) + 1), full_scale)[levels]
    return _light(levels, full_scale)


def _light(levels: NDArray, full_scale: float) -> NDArray[np.float32]:
    share = np.asarray(levels, np.float64) / full_scale
    light = np.where(share <= 0.04045, share / 12.92, ((share + 0.055) / 1.055) ** 2.4)
    return np.asarray(full_scale * light, np.float32)
