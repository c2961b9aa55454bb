"""Keys of the study file, each with what it may hold."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from micro.scale.scale import PLAUSIBLE_UM_PER_PX

ROUTES = ("ingot-cast", "powder-made")
PLANES = ("longitudinal", "transverse", "planar")
Check = Callable[[Any], bool]
# Beyond any grey level, length or count; its square is still a number.
LARGEST = 1e15


def _number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and -LARGEST <= value <= LARGEST


def _whole(value: Any) -> bool:
    return isinstance(value, int) and _number(value)


def percent(value: Any) -> bool:
    """Tell whether it is a number from 0 to 100."""
    return _number(value) and 0 <= value <= 100


def _one_of(choices: tuple[str, ...]) -> tuple[str, Check]:
    return "one of " + ", ".join(choices), lambda v: v in choices


NAME = ("text of 1 to 80 printable characters", lambda v: isinstance(v, str) and v.isprintable() and 0 < len(v) <= 80)
PATH = ("a path within the study's folder", lambda v: isinstance(v, str) and v != "" and "\0" not in v)
UM_PER_PX = (
    "a number of µm from {:g} to {:g}".format(*PLAUSIBLE_UM_PER_PX),
    lambda v: _number(v) and PLAUSIBLE_UM_PER_PX[0] <= v <= PLAUSIBLE_UM_PER_PX[1],
)
NOT_NEGATIVE = ("a number, 0 or more", lambda v: _number(v) and v >= 0)
AT_LEAST_ONE = ("a whole number, 1 or more", lambda v: _whole(v) and v >= 1)
COUNT = ("a whole number, 0 or more", lambda v: _whole(v) and v >= 0)
TABLE = ("a table", lambda v: isinstance(v, dict))
TABLES = ("a list of tables ([[...]])", lambda v: isinstance(v, list) and all(isinstance(t, dict) for t in v))
NUMBER = ("a number", _number)

READING = {
    "calibration": PATH,
    "um_per_px": UM_PER_PX,
    "binning": AT_LEAST_ONE,
    "rolling_deg": ("a number from 0 to 180", lambda v: _number(v) and 0 <= v <= 180),
    "crop_bottom_px": COUNT,
    "page": AT_LEAST_ONE,
}
SEGMENTING = {
    "carbides": _one_of(("auto", "bright", "dark")),
    "matrix_grey": NUMBER,
    "threshold_grey": NUMBER,
    "blur_px": NOT_NEGATIVE,
    "min_area_px": NOT_NEGATIVE,
    "class": TABLES,
}
KEYS: dict[str, dict[str, tuple[str, Check]]] = {
    "study": {"title": NAME, **READING, **SEGMENTING, "specimen": TABLES, "coupons": PATH},
    "specimen": {
        "name": NAME,
        "route": _one_of(ROUTES),
        "plane": _one_of(PLANES),
        "images": ("a list of picture paths or patterns", lambda v: bool(v) and _texts(v)),
        **READING,
        **SEGMENTING,
        "composition": TABLE,
        "field": TABLES,
    },
    "class": {"name": NAME, "grey": NUMBER},
    "field": {"image": PATH, "crop_bottom_px": COUNT, "page": AT_LEAST_ONE, **SEGMENTING},
}


def _texts(value: Any) -> bool:
    return isinstance(value, list) and all(isinstance(v, str) and v and "\0" not in v for v in value)
