"""The strip with instrument data that many microscopes burn in below the picture."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

MOST_OF_THE_HEIGHT = 0.25
FEWEST_ROWS = 8
# A bar's upper edge is a straight step over nearly the whole width; no grain or band ends like that.
STEP = 0.05
COLUMNS_THAT_STEP = 0.8
# Its ground is one grey level, give or take JPEG packing; letters and a scale bar cover the rest.
GROUND_TOLERANCE = 0.015
SHARE_OF_GROUND = 0.5


def find_data_bar(grey: NDArray[np.float32], grey_max: float = 255.0) -> int:
    """Count the rows of data bar at the bottom of a picture (rows, columns); 0 where there is none.

    A bar has at least 8 rows and at most a quarter of the height, one even ground, and an upper edge at which
    four columns of five step the same way. A bar as dark or bright as the matrix above it is not found.
    """
    rows = grey.shape[0]
    first = rows - int(rows * MOST_OF_THE_HEIGHT)
    if first < 2 or rows - first < FEWEST_ROWS:
        return 0
    # Two rows apart, so that an edge smeared over a row by packing or resampling still steps in full.
    step = grey[first : rows - 1] - grey[first - 2 : rows - 3]
    up, down = (np.mean(side > STEP * grey_max, axis=1) for side in (step, -step))
    for offset in np.flatnonzero(np.maximum(up, down) >= COLUMNS_THAT_STEP):
        edge = _upper_edge(grey, first + int(offset))
        if rows - edge >= FEWEST_ROWS and _has_even_ground(grey[edge + 1 :], grey_max):
            return rows - edge
    return 0


def _upper_edge(grey: NDArray[np.float32], row: int) -> int:
    """First row that is no longer micrograph, of the two rows at the step."""
    above, first, second = (float(np.median(grey[i])) for i in (row - 2, row - 1, row))
    return row - 1 if abs(first - above) > 0.2 * abs(second - above) else row


def _has_even_ground(strip: NDArray[np.float32], grey_max: float) -> bool:
    ground = float(np.median(strip))
    return float(np.mean(np.abs(strip - ground) <= GROUND_TOLERANCE * grey_max)) >= SHARE_OF_GROUND
