"""A picture of a stage micrometer among the fields."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from micro.checks.trouble import Trouble
from micro.errors import InputError
from micro.flags import FIELD_FLAGS, message
from micro.scale.direction import energy_by_direction
from micro.scale.ruling import SMALLEST_SIDE, find_ruling

LONGEST_PX = 512
# Invented micrometers have 26 and more, fields 12 and less; heavy parallel scratches reach 45, yet are not even.
SHARPEST_FIELD = 18.0


def stage_micrometer(grey: NDArray[np.float32]) -> Trouble | None:
    """Tell whether a picture shows a stage micrometer: one direction stands out, and its lines make an even ruling.

    Parameters
    ----------
    grey
        (rows, columns) grey levels. Looked at with at most LONGEST_PX along the longer side; lines that come closer
        than 3 px then are not seen.
    """
    factor = min(1.0, LONGEST_PX / max(grey.shape))
    small = cv2.resize(grey, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
    if min(small.shape) < SMALLEST_SIDE or sharpness(small) < SHARPEST_FIELD:
        return None
    try:
        ruling = find_ruling(small)
    except InputError:
        return None
    lines = int(ruling.fit.used.sum())
    return Trouble("stage_micrometer", f"{lines} {message('stage_micrometer', FIELD_FLAGS)}")


def sharpness(grey: NDArray[np.float32]) -> float:
    """Energy of the spectrum along its strongest direction over that of the usual one; 1 where all are alike."""
    energy = energy_by_direction(grey)
    usual = float(np.median(energy))
    return float(energy.max()) / usual if usual > 0 else 1.0
