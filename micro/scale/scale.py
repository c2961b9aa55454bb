"""Micrometres per pixel, as stated by a user or by a file's tags."""

from __future__ import annotations

import contextlib
import logging
import math
import warnings
from collections.abc import Iterator, Sequence
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


UM_PER_UNIT = {"pm": 1e-6, "nm": 1e-3, "µm": 1.0, "um": 1.0, "mm": 1e3, "cm": 1e4, "m": 1e6, "Å": 1e-4, "in": 25400.0}
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
    from micro.scale.instrument_tags import instrument_sizes

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
