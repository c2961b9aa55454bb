"""What a stage micrometer picture says about the size of a pixel."""

from __future__ import annotations

import math
from dataclasses import dataclass

from micro.errors import InputError
from micro.scale.scale import NORMAL_95, Scale


@dataclass(frozen=True)
class Calibration:
    """Scale of one objective and camera, and how it was found; the fields are the keys of the file.

    Parameters
    ----------
    um_per_px, um_per_px_standard_uncertainty
        Size of a pixel, µm; ± 1.96 standard uncertainties is a 95 % interval.
    pitch_um
        Distance of neighbouring lines, as told by the user.
    lines
        Number of lines that entered.
    image_width_px, image_height_px
        Size of the whole micrometer picture.
    tilt_deg, tilt_deg_standard_uncertainty
        Lines from the nearest axis of the picture, counter-clockwise as seen; the uncertainty None in files of earlier
        versions.
    largest_residual_px
        Largest distance of a line from its place in an even ruling.
    lines_left_out
        Lines that were seen and do not belong: dust, scratches, misplaced ones.
    distortion_pct, distortion_pct_standard_uncertainty, distortion_p_value
        Largest departure of the local scale from `um_per_px` along the ruling, its standard uncertainty, and the
        chance that scatter alone shows as much; None with fewer than eight lines.
    image, image_sha256, date
        Name and hash of the picture file and the day of the calibration; empty for a picture in memory.
    """

    um_per_px: float
    um_per_px_standard_uncertainty: float
    pitch_um: float
    lines: int
    image_width_px: int
    image_height_px: int
    tilt_deg: float
    largest_residual_px: float
    lines_left_out: int = 0
    distortion_pct: float | None = None
    distortion_pct_standard_uncertainty: float | None = None
    distortion_p_value: float | None = None
    image: str = ""
    image_sha256: str = ""
    date: str = ""
    tilt_deg_standard_uncertainty: float | None = None

    @property
    def interval95_um_per_px(self) -> tuple[float, float]:
        """Ends of the 95 % interval of `um_per_px`."""
        half = NORMAL_95 * self.um_per_px_standard_uncertainty
        return self.um_per_px - half, self.um_per_px + half

    def scale_for(self, width_px: int, height_px: int, binning: int = 1) -> Scale:
        """Scale of a picture taken with the same objective and camera.

        Parameters
        ----------
        width_px, height_px
            Size of the whole picture, data bar included.
        binning
            Camera pixels a picture pixel, along a side, against the micrometer picture.

        Raises
        ------
        InputError
            If the size does not follow from the micrometer picture's.
        """
        if isinstance(binning, bool) or not isinstance(binning, int) or binning < 1:
            raise InputError("binning", f"{binning!r} is not a whole number above 0", "give 1, 2, 3, 4, ...")
        calibrated = (self.image_width_px, self.image_height_px)
        if not all(abs(n * binning - c) < binning for n, c in zip((width_px, height_px), calibrated, strict=True)):
            raise InputError("scale", *self._size_trouble(width_px, height_px, binning))
        name = f" {self.image}" if self.image else ""
        dated = f", {self.date}" if self.date else ""
        binned = f", binning {binning}" if binning > 1 else ""
        return Scale(
            self.um_per_px * binning,
            self.um_per_px_standard_uncertainty * binning,
            f"stage micrometer{name}, {self.lines} lines{dated}{binned}",
        )

    def _size_trouble(self, width_px: int, height_px: int, binning: int) -> tuple[str, str]:
        problem = (
            f"the picture is {width_px} x {height_px} px, the calibration picture"
            f" {self.image_width_px} x {self.image_height_px} px"
        )
        if binning > 1:
            return f"{problem}: not binned {binning} to 1", "declare the binning that was used, or calibrate anew"
        ratio = self.image_width_px / width_px if width_px > 0 else 0.0
        whole = round(ratio)
        if whole > 1 and math.isclose(height_px * whole, self.image_height_px, abs_tol=whole - 0.5):
            return problem, f"declare binning {whole} if the camera was binned"
        if width_px == self.image_width_px and 0 < height_px < self.image_height_px:
            return (
                problem,
                "if its data bar was cut off, cut the micrometer picture alike and calibrate anew, or give µm per px",
            )
        return (
            problem,
            "photograph the micrometer and the fields with the same camera settings, or give µm per px",
        )
