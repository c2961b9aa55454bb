"""From a picture of a stage micrometer to its calibration."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from micro.errors import InputError
from micro.scale.calibration import Calibration

if TYPE_CHECKING:
    from micro.scale.ruling import Ruling

TURNED = "turned micrometer"


MOST_TILT_DEG = 10.0
"""Most that a ruling may lean where pixels are judged by it: beyond, it shows width and height together (chosen)."""


def calibrate(
    grey: NDArray, pitch_um: float, pitch_uncertainty_um: float = 0.0, turned: NDArray | None = None
) -> Calibration:
    """Size of a pixel from a picture of a stage micrometer.

    The spectrum gives the direction across the lines; the projection along them, the lines; each line is fitted
    by least squares in narrow strips, the uneven light divided out; the lines get whole numbers, so that missing
    and strange ones do no harm; a straight line through position against number gives the pitch in px, the
    tilt taken off. The standard uncertainty holds the noise of the pixels and the scatter of the lines about
    even spacing, where the local scale drifts its root mean square drift, and the uncertainty of the pitch
    that the micrometer's certificate states.

    Parameters
    ----------
    grey
        (rows, columns) picture, any number type.
    pitch_um
        Distance of neighbouring lines, µm.
    pitch_uncertainty_um
        Its standard uncertainty, from the certificate.
    turned
        (rows, columns) a second picture of the same ruling, turned by 90° under the same lens and camera: both together
        tell the height of a pixel over its width.

    Raises
    ------
    InputError
        If the pitch is no length, or a picture has no ruling, too few lines (five are needed), or two rulings; if the
        second picture is of another size, or the rulings do not lie along the sides of the picture, one along each.
    """
    _check_length("pitch", pitch_um, "give the distance of neighbouring lines, such as 10")
    from micro.scale.ruling import find_ruling

    ruling = find_ruling(np.asarray(grey))
    found = calibration_of(ruling, pitch_um, (grey.shape[0], grey.shape[1]))
    if turned is not None:
        found = _with_pixel_shape(found, ruling, np.asarray(turned))
    both = math.hypot(found.um_per_px_standard_uncertainty, found.um_per_px * pitch_uncertainty_um / pitch_um)
    return replace(found, um_per_px_standard_uncertainty=both)


def _with_pixel_shape(found: Calibration, ruling: Ruling, turned: NDArray) -> Calibration:
    """Calibration with the shape of a pixel, by a picture of the ruling turned by 90°.

    Lines whose normal has the direction (c, s) lie d/√(c²/x² + s²/y²) apart in µm where they lie d apart in px, with
    pixels x wide and y high: both pictures together give x and y (derived). The size of a pixel is then √(x·y), so that
    areas are right. The pitch of the micrometer is the same in both, and no part of the shape's uncertainty.
    """
    from micro.scale.ruling import find_ruling

    if turned.shape != (found.image_height_px, found.image_width_px):
        raise InputError(TURNED, "is not of the same size", "take both pictures with the same camera settings")
    try:
        other = find_ruling(turned)
    except InputError as trouble:
        raise InputError(TURNED, trouble.problem, trouble.remedy) from None
    if max(abs(ruling.tilt_deg), abs(other.tilt_deg)) > MOST_TILT_DEG:
        raise InputError(TURNED, f"the lines lean by more than {MOST_TILT_DEG:g}°", "lay the ruling along the picture")
    if ruling.transposed == other.transposed:
        raise InputError(TURNED, "shows its lines in the same direction", "turn the micrometer by a quarter turn")
    second = calibration_of(other, found.pitch_um, (turned.shape[0], turned.shape[1]))
    sizes = np.array([found.um_per_px, second.um_per_px])
    # Upright lines that lean by t counter-clockwise have the normal (cos t, sin t), lying ones (-sin t, cos t).
    lean = np.radians([ruling.tilt_deg, other.tilt_deg])
    by_width = np.where([ruling.transposed, other.transposed], np.sin(lean) ** 2, np.cos(lean) ** 2)
    width, height = np.linalg.solve(np.column_stack([by_width, 1 - by_width]), sizes**-2.0) ** -0.5
    parts = [one.um_per_px_standard_uncertainty / one.um_per_px for one in (found, second)]
    both = math.hypot(*parts)
    return replace(
        found,
        um_per_px=float(np.sqrt(width * height)),
        um_per_px_standard_uncertainty=float(np.sqrt(width * height) * both / 2),
        pixel_height_over_width=float(height / width),
        pixel_height_over_width_standard_uncertainty=float(height / width * both),
    )


def calibration_by_length(
    length_um: float, length_px: float, uncertainty_px: float, shape: tuple[int, int], method: str
) -> Calibration:
    """Calibration from a length in a picture of `shape` (rows, columns): a drawn bar, or two points.

    Parameters
    ----------
    length_px, uncertainty_px
        Its length in the picture, and the standard uncertainty of that, from both ends.
    method
        Of `micro.scale.calibration.METHODS`.

    Raises
    ------
    InputError
        If the length is not a finite number above 0.
    """
    _check_length("length", length_um, "give the length that the bar stands for")
    um_per_px = length_um / length_px
    return Calibration(
        um_per_px=um_per_px,
        um_per_px_standard_uncertainty=um_per_px * uncertainty_px / length_px,
        pitch_um=float(length_um),
        lines=2,
        image_width_px=shape[1],
        image_height_px=shape[0],
        tilt_deg=0.0,
        largest_residual_px=0.0,
        method=method,
    )


def _check_length(what: str, um: float, remedy: str) -> None:
    """Refuse what is not a finite number above 0."""
    if not (math.isfinite(um) and um > 0):
        raise InputError(what, f"{um:g} µm is not a length above 0", remedy)


def calibration_of(ruling: Ruling, pitch_um: float, shape: tuple[int, int]) -> Calibration:
    """Calibration from a ruling found on a picture of `shape` (rows, columns)."""
    fit, distortion = ruling.fit, ruling.fit.distortion
    um_per_px = pitch_um / fit.pitch_px
    drift = distortion.rms_pct / 100 if distortion and distortion.significant else 0.0
    return Calibration(
        um_per_px=um_per_px,
        um_per_px_standard_uncertainty=um_per_px * math.hypot(fit.standard_uncertainty_px / fit.pitch_px, drift),
        pitch_um=float(pitch_um),
        lines=int(fit.used.sum()),
        image_width_px=shape[1],
        image_height_px=shape[0],
        tilt_deg=ruling.tilt_deg,
        tilt_deg_standard_uncertainty=ruling.tilt_standard_uncertainty_deg,
        largest_residual_px=float(np.abs(fit.residual_px[fit.used]).max()),
        lines_left_out=int((~fit.used).sum()),
        distortion_pct=distortion.largest_pct if distortion else None,
        distortion_pct_standard_uncertainty=distortion.standard_uncertainty_pct if distortion else None,
        distortion_p_value=distortion.p_value if distortion else None,
    )
