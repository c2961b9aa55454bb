"""Focus too soft: against the carbides of the field, and against the other fields of the specimen."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from micro.checks.trouble import Trouble
from micro.segmentation.field import RESOLVED

SOFT_PX = 2.4
HALF_SOFT_PX = 1.9
FEWEST_FIELDS, FEWEST_CARBIDES = 4, 20
SOFTER, SPREADS = 1.4, 6.0


def soft_focus(blur_px: float, median_ecd_px: float) -> Trouble | None:
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
    return Trouble(
        "soft_focus",
        f"edges are blurred over {blur_px:.1f} px (standard deviation), half of the area lies in carbides below "
        f"{median_ecd_px:.0f} px: refocus",
    )


def softer_than_others(blur_px: NDArray[np.float64]) -> NDArray[np.bool_]:
    """(n,) fields of one specimen and one scale that are blurred far more than the median; all False below 4 fields.

    `blur_px` is (n,), NaN where unknown.
    """
    known = np.isfinite(blur_px)
    if known.sum() < FEWEST_FIELDS:
        return np.zeros(len(blur_px), bool)
    usual = float(np.median(blur_px[known]))
    spread = 1.4826 * float(np.median(np.abs(blur_px[known] - usual)))
    return known & (blur_px > max(SOFTER * usual, usual + SPREADS * spread))
