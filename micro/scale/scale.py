"""Micrometres per pixel, as stated by a user, by a file's tags, or by what a microscope's program writes into it."""

from __future__ import annotations

import contextlib
import json
import logging
import math
import warnings
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

# An optical or electron micrograph lies well within.
PLAUSIBLE_UM_PER_PX = (1e-5, 50.0)
# Pixels of a camera are square to a few percent; beyond, two magnifications were mixed up. Chosen.
PLAUSIBLE_SHAPES = (0.8, 1.25)


@dataclass(frozen=True)
class Scale:
    """Size of a pixel, how sure it is, and where it came from.

    Parameters
    ----------
    um_per_px
        Micrometres per pixel, finite and above 0; where pixels are not square, the root of width times height.
    standard_uncertainty
        Of `um_per_px`, in µm; None where the origin does not state one.
    origin
        Where the scale came from, in words for the report.
    pixel_height_over_width, shape_standard_uncertainty
        Height of a pixel over its width, and how sure that is; None: nobody measured it.

    Raises
    ------
    ValueError
        If `um_per_px` is not a finite number above 0, or the uncertainty is negative.

    Examples
    --------
    >>> Scale(0.2, 0.001, "given").relative_uncertainty
    0.005
    """

    um_per_px: float
    standard_uncertainty: float | None
    origin: str
    pixel_height_over_width: float = 1.0
    shape_standard_uncertainty: float | None = None

    def __post_init__(self) -> None:
        if not (math.isfinite(self.um_per_px) and self.um_per_px > 0):
            raise ValueError(f"um_per_px must be a finite number above 0, got {self.um_per_px}")
        if self.standard_uncertainty is not None and not self.standard_uncertainty >= 0:
            raise ValueError(f"standard_uncertainty must be 0 or more, got {self.standard_uncertainty}")

    @property
    def relative_uncertainty(self) -> float | None:
        """Standard uncertainty over the value; areas carry twice this."""
        return None if self.standard_uncertainty is None else self.standard_uncertainty / self.um_per_px


def shared_uncertainty(stated: Sequence[float | None]) -> float | None:
    """Relative standard uncertainty of the scale of several fields: the largest; None where any states none."""
    known = [float(u) for u in stated if u is not None]
    return max(known) if known and len(known) == len(stated) else None


UM_PER_UNIT = {
    "pm": 1e-6, "Å": 1e-4, "å": 1e-4, "nm": 1e-3, "nanometer": 1e-3, "µm": 1.0, "μm": 1.0, "um": 1.0, "\\u00b5m": 1.0,
    "micron": 1.0, "microns": 1.0, "micrometer": 1.0, "micrometers": 1.0, "mm": 1e3, "millimeter": 1e3, "cm": 1e4,
    "m": 1e6, "in": 25400.0,
}  # fmt: skip
"""The second µ is the Greek letter, the escape is how some programs spell it. OME-XML has capitals for other powers."""
UM_PER_RESOLUTION_UNIT = {2: 25400.0, 3: 10000.0}
# Written by programs that know no scale: screen and print resolutions, per inch.
DEFAULTS_PER_INCH = (1.0, 72.0, 96.0, 100.0, 150.0, 300.0, 600.0)


def scale_from_tags(picture: str | Path | IO[bytes]) -> Scale | None:
    """Scale of a file, named or open, by OME-XML, by what a microscope wrote, or by its resolution tags.

    Returns
    -------
    The first of them that makes sense. None where the file is no TIFF, states no scale, resolutions that stand for
    nothing (1, 72, 96, ... per inch, no unit), pixels that are not square, or a size that no micrograph has.

    Notes
    -----
    TIFF 6.0 specification, section 8 (resolution); OME data model (PhysicalSizeX, PhysicalSizeXUnit, default µm).
    """
    import tifffile

    try:
        if not isinstance(picture, str | Path):
            picture.seek(0)
        # Damaged tags make numpy complain within tifffile.
        with unlogged(), warnings.catch_warnings(action="ignore"), tifffile.TiffFile(picture) as file:
            stated = file.ome_metadata
            found = _from_ome(stated) if stated else None
            return found or _from_instrument(file) or _from_resolution(file.pages.first.tags)
    except Exception:  # a damaged header states nothing; reading the picture says what is wrong with it
        return None


@contextlib.contextmanager
def unlogged() -> Iterator[None]:
    """Keep the log of tifffile off the terminal: what matters in it is said in our own line."""

    def silent(record: logging.LogRecord) -> bool:
        return False

    logger = logging.getLogger("tifffile")
    logger.addFilter(silent)
    try:
        yield
    finally:
        logger.removeFilter(silent)


def _from_instrument(file: Any) -> Scale | None:
    checked = (_checked(*stated) for stated in instrument_sizes(file))
    return next((scale for scale in checked if scale is not None), None)


def _from_ome(text: str) -> Scale | None:
    from xml.etree import ElementTree as ET

    if "<!ENTITY" in text:
        return None
    for element in ET.fromstring(text).iter():
        if element.tag.endswith("}Pixels") or element.tag == "Pixels":
            x_um, y_um = (_length(element.attrib, axis) for axis in "XY")
            return _checked(x_um, y_um, "OME-XML PhysicalSizeX")
    return None


def _length(attributes: dict[str, str], axis: str) -> float:
    unit = UM_PER_UNIT.get(attributes.get(f"PhysicalSize{axis}Unit", "µm"), math.nan)
    return float(attributes.get(f"PhysicalSize{axis}", "nan")) * unit


def _from_resolution(tags: Any) -> Scale | None:
    unit = UM_PER_RESOLUTION_UNIT.get(int(getattr(tags.get("ResolutionUnit"), "value", 1)))
    if unit is None or "XResolution" not in tags or "YResolution" not in tags:
        return None
    per_unit = [tags[name].value[0] / tags[name].value[1] for name in ("XResolution", "YResolution")]
    per_inch = per_unit[0] * 25400.0 / unit
    if any(math.isclose(per_inch, default, rel_tol=1e-3) for default in DEFAULTS_PER_INCH) or per_unit[0] == 1:
        return None
    return _checked(unit / per_unit[0], unit / per_unit[1], "TIFF resolution tags")


def _checked(x_um: float, y_um: float, origin: str) -> Scale | None:
    low, high = PLAUSIBLE_UM_PER_PX
    square = math.isclose(x_um, y_um, rel_tol=1e-3)
    return Scale(x_um, None, origin) if square and low < x_um < high else None


UNNAMED_PIXEL_SIZE = 3
"""Place of the pixel's size, in m, among the unnamed numbers of `sem_metadata` (from memory)."""
Size = tuple[float, float]


def instrument_sizes(tiff: Any) -> Iterator[tuple[float, float, str]]:
    """Width and height of a pixel in µm and where they stand, of each source that the file has; most exact first.

    A source that is damaged, or states a size of exactly 1 of its unit, which programs write that know none, is
    passed over. `tiff` is an open `tifffile.TiffFile`.
    """
    for read, origin in SOURCES:
        try:
            found = read(tiff)
        except Exception:  # whatever a foreign tag holds, it states no size; the others may
            continue
        if found is not None:
            yield *found, origin


def _sem(tiff: Any) -> Size | None:
    known = tiff.sem_metadata
    for name in ("ap_image_pixel_size", "ap_pixel_size"):
        if name in known and len(known[name]) == 3:
            return _both(_in_um(float(known[name][1]), str(known[name][2])))
    return _both(_in_um(float(known[""][UNNAMED_PIXEL_SIZE]), "m"))


def _fei(tiff: Any) -> Size | None:
    known = tiff.fei_metadata
    scan = next(known[name] for name in ("Scan", "EScan", "IScan") if "PixelWidth" in known.get(name, {}))
    return _in_um(float(scan["PixelWidth"]), "m"), _in_um(float(scan["PixelHeight"]), "m")


def _named(metadata: str, x: str, y: str, unit: str) -> Callable[[Any], Size]:
    """Return what reads both sizes by their names from one of tifffile's tables."""

    def read(tiff: Any) -> Size:
        known = getattr(tiff, metadata)
        return _in_um(float(known[x]), unit), _in_um(float(known[y]), unit)

    return read


def _fluoview(tiff: Any) -> Size | None:
    by_name = {name: (size, unit) for name, _, _, size, unit in tiff.fluoview_metadata["Dimensions"]}
    return _declared(*by_name["X"], by_name["Y"][0])


def _stk(tiff: Any) -> Size | None:
    known = tiff.stk_metadata
    return _declared(float(known["XCalibration"]), known["CalibrationUnits"], float(known["YCalibration"]))


def _metaseries(tiff: Any) -> Size | None:
    known: Mapping[str, Any] = tiff.metaseries_metadata["PlaneInfo"]
    if not known.get("spatial-calibration-state", True):
        return None
    return _declared(
        float(known["spatial-calibration-x"]), known["spatial-calibration-units"], float(known["spatial-calibration-y"])
    )


def _in_json(tiff: Any) -> Size | None:
    known = tiff.pages.first.tags.valueof(51123)
    known = json.loads(known) if isinstance(known, str) else known
    return _declared(float(known["PixelSizeUm"]), "um")


def _described(tiff: Any) -> Size | None:
    tags = tiff.pages.first.tags
    told = dict(line.split("=", 1) for line in tags["ImageDescription"].value.splitlines() if "=" in line)
    per_unit = [tags[name].value[0] / tags[name].value[1] for name in ("XResolution", "YResolution")]
    return _declared(1 / per_unit[0], told["unit"], 1 / per_unit[1])


def _both(size: float) -> Size:
    return size, size


def _declared(x: float, unit: str, y: float | None = None) -> Size | None:
    """Return sizes in µm; None for exactly 1: the size of a pixel in a file that was never calibrated."""
    return None if x == 1 else (_in_um(x, unit), _in_um(x if y is None else y, unit))


def _in_um(size: float, unit: str) -> float:
    return size * UM_PER_UNIT.get(str(unit).strip().strip("\0").lower(), math.nan)


SOURCES: tuple[tuple[Callable[[Any], Size | None], str], ...] = (
    (_sem, "tags of an electron microscope (image pixel size)"),
    (_fei, "tags of an electron microscope (pixel width of the scan)"),
    (
        _named("tvips_metadata", "PixelSizeX", "PixelSizeY", "nm"),
        "tags of an electron microscope's camera (pixel size)",
    ),
    (_named("sis_metadata", "pixelsizex", "pixelsizey", "m"), "tags of a microscope camera (pixel size)"),
    (_named("lsm_metadata", "VoxelSizeX", "VoxelSizeY", "m"), "tags of a scanning light microscope (voxel size)"),
    (_fluoview, "tags of a scanning light microscope (resolution)"),
    (_stk, "tags of a light microscope (spatial calibration)"),
    (_metaseries, "description by a light microscope (spatial calibration)"),
    (_in_json, "tags of a light microscope (pixel size)"),
    (_described, "description by an image program, with resolution tags"),
)
