"""A scale that cannot be right: against the file's tags, the light, the carbides of tool steel, the other fields."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from micro.checks.trouble import Trouble

LARGEST_UM, SMALLEST_UM = 60.0, 0.15
SHARPEST_UM = 0.05
TOLERANCE = 0.05
LARGEST_TAG_UM = 5.0
FEWEST_FIELDS = 4
ANOTHER_LENS = 1.6
AS_MUCH = 2.0


def implausible_size(median_ecd_um: float, blur_um: float) -> Trouble | None:
    """Tell whether carbides or edges do not fit the scale.

    Parameters
    ----------
    median_ecd_um
        Diameter that halves the area of the carbides.
    blur_um
        Standard deviation of the edge spread.

    Notes
    -----
    Primary carbides of tool steels are 0.5 to 50 µm (common practice). A lens of aperture A draws no edge sharper than
    about 0.21 wavelengths over A (Gaussian fitted to the disc of Airy): 0.07 µm with oil and blue light.
    """
    check = "check the scale and the objective"
    if median_ecd_um > LARGEST_UM:
        return Trouble("implausible_size", f"carbides of {median_ecd_um:.3g} µm are larger than any usual: {check}")
    if median_ecd_um < SMALLEST_UM:
        return Trouble("implausible_size", f"carbides of {median_ecd_um:.2g} µm are smaller than light shows: {check}")
    if blur_um < SHARPEST_UM:
        return Trouble(
            "implausible_size",
            f"edges of {blur_um:.2g} µm are sharper than light can draw: {check}, unless electrons took the picture",
        )
    return None


def scale_disagrees(um_per_px: float, stated_um_per_px: float, origin: str) -> Trouble | None:
    """Tell whether the file states another size of a pixel than the one in use.

    Five percent are left for the magnification engraved on a lens (common practice). Sizes over 5 µm are resolutions
    for print, not of a lens that shows carbides.
    """
    if stated_um_per_px > LARGEST_TAG_UM or abs(np.log(stated_um_per_px / um_per_px)) < np.log(1 + TOLERANCE):
        return None
    return Trouble(
        "scale_disagrees",
        f"the file states {stated_um_per_px:.4g} µm per px ({origin}), {um_per_px:.4g} is used: "
        "find out which is right",
    )


def another_magnification(
    area_fraction: NDArray[np.float64], mean_ecd_um: NDArray[np.float64], number_per_mm2: NDArray[np.float64]
) -> NDArray[np.float64]:
    """(n,) factor by which the scale of a field seems off against the other fields of its specimen; NaN where it fits.

    A wrong scale leaves the area fraction, multiplies diameters by k and numbers by 1/k². Fewer than 4 fields tell
    nothing.
    """
    off = np.full(len(area_fraction), np.nan)
    known = (area_fraction > 0) & (mean_ecd_um > 0) & (number_per_mm2 > 0)
    if known.sum() < FEWEST_FIELDS:
        return off
    share, size, number = (np.log(v[known] / np.median(v[known])) for v in (area_fraction, mean_ecd_um, number_per_mm2))
    by_number = -number / 2
    far = (np.minimum(np.abs(size), np.abs(by_number)) > np.log(ANOTHER_LENS)) & (size * by_number > 0)
    off[np.flatnonzero(known)[far & (np.abs(share) < np.log(AS_MUCH))]] = 0
    factor = np.exp((size + by_number) / 2)
    return np.where(np.isfinite(off), _placed(factor, known), np.nan)


def different_scales(um_per_px: NDArray[np.float64]) -> bool:
    """Tell whether sizes of a pixel differ by more than the tolerance."""
    return bool(len(um_per_px)) and float(um_per_px.max() / um_per_px.min()) > 1 + TOLERANCE


def _placed(values: NDArray[np.float64], where: NDArray[np.bool_]) -> NDArray[np.float64]:
    whole = np.full(len(where), np.nan)
    whole[where] = values
    return whole
