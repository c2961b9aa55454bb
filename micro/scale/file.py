"""Calibrations as files."""

from __future__ import annotations

import json
import tomllib
from dataclasses import MISSING, fields
from datetime import date
from pathlib import Path
from typing import Any

from micro.errors import InputError
from micro.results import whole_file
from micro.scale.calibration import Calibration
from micro.scale.scale import PLAUSIBLE_UM_PER_PX

AGAIN = "calibrate again with micro calibrate"
HEADING = "# Size of a pixel, from a picture of a stage micrometer; written by micro calibrate."
KINDS = {"float": "a number", "int": "a whole number", "str": "text"}
LARGEST = 1e9
RANGES: dict[str, tuple[float, float]] = {
    "um_per_px": PLAUSIBLE_UM_PER_PX,
    "um_per_px_standard_uncertainty": (0, LARGEST),
    "pitch_um": (1e-5, LARGEST),
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
        table = tomllib.loads(path.read_text(encoding="utf-8"))
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
    if kind == "str":
        return value
    lowest, highest = RANGES.get(key, (-LARGEST, LARGEST))
    if not lowest <= value <= highest:
        problem = f"key {key} is {value!r:.20}, not a number from {lowest:g} to {highest:g}"
        raise InputError(path, problem, AGAIN)
    return float(value) if kind == "float" else value


def _reason(trouble: OSError) -> str:
    return (trouble.strerror or str(trouble)).lower()
