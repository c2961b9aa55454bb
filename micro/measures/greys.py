"""The grey levels that a field was measured by, as the study file can pin them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from micro.segmentation.segmentation import Segmentation


def grey_columns(
    segmentation: Segmentation, carbide_classes: Sequence[str], threshold_grey: float | None = None
) -> dict[str, NDArray[np.float64]]:
    """Columns of the fields table: matrix, class and outline grey, edge spread and noise; NaN where there is none.

    Parameters
    ----------
    carbide_classes
        Of each row: "all" or the name of a class. The row of all has the greys of a class where there is only one.
    threshold_grey
        Pinned grey of the outline; None: half way between matrix and class.
    """
    contrast = {c.name: c.contrast for c in segmentation.classes}
    if len(contrast) == 1:
        contrast["all"] = next(iter(contrast.values()))
    own = np.array([contrast.get(name, np.nan) for name in carbide_classes])
    half = segmentation.matrix_grey + own / 2
    pinned = half if threshold_grey is None else np.where(np.isnan(own), np.nan, threshold_grey)
    blur = np.nan if segmentation.blur_px is None else segmentation.blur_px
    return {
        "matrix_grey": np.full(len(own), segmentation.matrix_grey),
        "class_grey": segmentation.matrix_grey + own,
        "threshold_grey": pinned,
        "blur_px": np.full(len(own), blur),
        "noise_grey": np.full(len(own), segmentation.noise),
    }
