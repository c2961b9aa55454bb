"""Size of a pixel where microscopes and their programs write it into a TIFF file, as far as tifffile reads that.

Names of tags are those of tifffile; a user reads what kind of instrument states the size.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterator, Mapping
from typing import Any

UM_PER_UNIT = {
    "pm": 1e-6, "å": 1e-4, "nm": 1e-3, "nanometer": 1e-3, "µm": 1.0, "μm": 1.0, "um": 1.0, "\\u00b5m": 1.0,
    "micron": 1.0,
    "microns": 1.0, "micrometer": 1.0, "micrometers": 1.0, "mm": 1e3, "millimeter": 1e3, "cm": 1e4, "m": 1e6,
}  # fmt: skip
"""By the unit's letters, small; the second µ is the Greek letter, the escape is how some programs spell it."""
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
