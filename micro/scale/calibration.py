"""The calibration of a lens: found on a picture of a stage micrometer, or of a known length, and kept in a file."""

from __future__ import annotations

import json
import math
import tomllib
from dataclasses import MISSING, dataclass, fields, replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from micro.errors import InputError
from micro.results import bytes_of, whole_file
from micro.scale.scale import PLAUSIBLE_SHAPES, PLAUSIBLE_UM_PER_PX, Scale
from micro.statistics.sampling import NORMAL_95

if TYPE_CHECKING:
    from micro.scale.ruling import Ruling


METHODS = ("stage micrometer", "drawn bar", "two points")


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
    pixel_height_over_width, pixel_height_over_width_standard_uncertainty
        By a second picture of the ruling, turned by 90°; None without one: pixels are then taken for square.
    turned_image, turned_image_sha256
        Name and hash of that picture.
    method
        Of METHODS. Of a drawn bar and of two points `pitch_um` is the length, and the lines are its two ends.
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
    method: str = "stage micrometer"
    pixel_height_over_width: float | None = None
    pixel_height_over_width_standard_uncertainty: float | None = None
    turned_image: str = ""
    turned_image_sha256: str = ""

    @property
    def interval95_um_per_px(self) -> tuple[float, float]:
        """Ends of the 95 % interval of `um_per_px`."""
        half = NORMAL_95 * self.um_per_px_standard_uncertainty
        return self.um_per_px - half, self.um_per_px + half

    def scale_for(self, width_px: int, height_px: int, binning: int = 1, cropped: bool = False) -> Scale:
        """Scale of a picture taken with the same objective and camera.

        Parameters
        ----------
        width_px, height_px
            Size of the whole picture, data bar included.
        binning
            Camera pixels a picture pixel, along a side, against the micrometer picture.
        cropped
            The picture was cut out of one of the micrometer picture's size, so that it may be smaller.

        Raises
        ------
        InputError
            If the size does not follow from the micrometer picture's.
        """
        if isinstance(binning, bool) or not isinstance(binning, int) or binning < 1:
            raise InputError("binning", f"{binning!r} is not a whole number above 0", "give 1, 2, 3, 4, ...")
        calibrated = (self.image_width_px, self.image_height_px)
        off = [n * binning - c for n, c in zip((width_px, height_px), calibrated, strict=True)]
        if not all(more < binning and (cropped or -more < binning) for more in off):
            raise InputError("scale", *self._size_trouble(width_px, height_px, binning))
        name = f" {self.image}" if self.image else ""
        dated = f", {self.date}" if self.date else ""
        binned = f", binning {binning}" if binning > 1 else ""
        part = ", picture cropped from its size as told" if cropped else ""
        lines = f", {self.lines} lines" if self.method == METHODS[0] else f", {self.pitch_um:g} µm"
        return Scale(
            self.um_per_px * binning,
            self.um_per_px_standard_uncertainty * binning,
            f"{self.method}{name}{lines}{dated}{binned}{part}{self._shape_words}",
            self.pixel_height_over_width or 1.0,
            self.pixel_height_over_width_standard_uncertainty,
        )

    @property
    def _shape_words(self) -> str:
        shape = self.pixel_height_over_width
        return "" if shape is None else f", pixels {shape:.4f} times as high as wide"

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
        alike = "photograph the micrometer and the fields with the same camera settings"
        if width_px > self.image_width_px or height_px > self.image_height_px:
            return problem, f"{alike}, or give µm per px"
        cropped = "say that the picture was cropped from one of that size (cropped = true, --cropped)"
        return problem, f"{alike}, give µm per px, or {cropped}"


AGAIN = "calibrate again with micro calibrate"
HEADING = "# Size of a pixel, from a picture of a known length; written by micro calibrate."
KINDS = {"float": "a number", "int": "a whole number", "str": "text"}
LARGEST = 1e9
RANGES: dict[str, tuple[float, float]] = {
    "um_per_px": PLAUSIBLE_UM_PER_PX,
    "um_per_px_standard_uncertainty": (0, LARGEST),
    "pitch_um": (1e-5, LARGEST),
    "pixel_height_over_width": PLAUSIBLE_SHAPES,
    "pixel_height_over_width_standard_uncertainty": (0, 1),
    **dict.fromkeys(("lines", "image_width_px", "image_height_px"), (1, LARGEST)),
}


def write_calibration(path: str | Path, calibration: Calibration) -> None:
    """Write the file as a whole or not at all; what is unknown is left out.

    Raises
    ------
    InputError
        If the folder cannot be written to.
    """
    path = Path(path)
    known = {key: value for key, value in vars(calibration).items() if value not in (None, "")}
    text = "\n".join([HEADING, *(f"{key} = {_toml(key, value)}" for key, value in known.items())]) + "\n"
    try:
        path.parent.stat()  # a folder that is misspelt is not made
        with whole_file(path) as stream:
            stream.write(text.encode())
    except OSError as trouble:
        raise InputError(path, f"cannot be written ({_reason(trouble)})", "choose another place") from None


def calibrated_from(path: Path, picture: str) -> bool:
    """Whether a file is a calibration that this program wrote of a picture of that name."""
    try:
        return bytes_of(path).decode().startswith(HEADING) and read_calibration(path).image == picture
    except (OSError, ValueError, InputError):
        return False


def _toml(key: str, value: Any) -> str:
    if key == "date":
        return str(value)
    return json.dumps(value, ensure_ascii=False) if isinstance(value, str) else repr(value)


def read_calibration(path: str | Path) -> Calibration:
    """Read a calibration file and check every key.

    Raises
    ------
    InputError
        If the file is missing or no calibration; the line names the key.
    """
    path = Path(path)
    try:
        table = tomllib.loads(bytes_of(path).decode())
    except FileNotFoundError:
        raise InputError(path, "there is no such file", "check the name, or make it with micro calibrate") from None
    except OSError as trouble:
        raise InputError(path, f"cannot be read ({_reason(trouble)})", "check the file") from None
    except UnicodeDecodeError:
        raise InputError(path, "is no text", "name a calibration file, not a picture") from None
    except (ValueError, RecursionError) as trouble:
        raise InputError(path, f"is no TOML ({trouble})", AGAIN) from None
    known = {field.name for field in fields(Calibration)}
    strange = [key for key in table if key not in known]
    if strange:
        raise InputError(path, f"unknown key {strange[0]}", f"take it out; the keys are {', '.join(sorted(known))}")
    values = {
        field.name: _value(path, table, field.name, str(field.type), field.default) for field in fields(Calibration)
    }
    return Calibration(**values)


def _value(path: Path, table: dict[str, Any], key: str, kind: str, default: Any) -> Any:
    if key not in table:
        if default is MISSING or key in ("date", "image_sha256"):
            raise InputError(path, f"key {key} is missing", AGAIN)
        return default
    value = table[key]
    if key == "date" and isinstance(value, date):
        return value.isoformat()
    kind = kind.removesuffix(" | None")
    wanted: Any = (int, float) if kind == "float" else {"int": int, "str": str}[kind]
    if isinstance(value, bool) or not isinstance(value, wanted):
        raise InputError(path, f"key {key} is {value!r}, not {KINDS[kind]}", AGAIN)
    if key == "method" and value not in METHODS:
        raise InputError(path, f"key {key} is {value!r:.40}, not one of {', '.join(METHODS)}", AGAIN)
    if kind == "str":
        return value
    lowest, highest = RANGES.get(key, (-LARGEST, LARGEST))
    if not lowest <= value <= highest:
        problem = f"key {key} is {value!r:.20}, not a number from {lowest:g} to {highest:g}"
        raise InputError(path, problem, AGAIN)
    return float(value) if kind == "float" else value


def _reason(trouble: OSError) -> str:
    return (trouble.strerror or str(trouble)).lower()


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
