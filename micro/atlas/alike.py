"""Which bars were measured unlike most: nothing joins them silently."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable
from typing import Any

from micro.comparison.measured import SAME_RESOLUTION

SCALE_STEP = math.log(SAME_RESOLUTION)
"""Pixels whose sizes differ by less resolve alike, as in a comparison."""


def mark_unlike(rows: list[dict[str, Any]]) -> None:
    """Write into each row, by date, what was measured unlike the most common way, and which pictures stood before.

    The most common way is that of most bars: plane, size of a pixel, version and settings together; of two as common
    the later.
    """
    for row in rows:
        row["_way"] = (row["plane"], round(math.log(row["um_per_px"]) / SCALE_STEP), row["version"], row["settings"])
    common = _most_common(row["_way"] for row in rows)
    model = [row for row in rows if row["_way"] == common][-1]
    seen: dict[frozenset[str], str] = {}
    for row in rows:
        row["unlike"] = ", ".join(_unlike(row, model))
        row["same_pictures_as"] = seen.get(row["_pictures"], "") if row["_pictures"] else ""
        seen.setdefault(row["_pictures"], row["bar"])


def _most_common(ways: Iterable[tuple[Any, ...]]) -> tuple[Any, ...]:
    listed = list(ways)
    count = Counter(listed)
    return max(listed[::-1], key=lambda way: count[way])


def _unlike(row: dict[str, Any], model: dict[str, Any]) -> Iterable[str]:
    if row["plane"] != model["plane"]:
        yield "plane"
    if abs(math.log(row["um_per_px"] / model["um_per_px"])) > SCALE_STEP:
        yield "scale"
    if row["version"] != model["version"]:
        yield "version"
    if row["settings"] != model["settings"]:
        yield "settings"
    if row["_polarity"] and model["_polarity"] and row["_polarity"] != model["_polarity"]:
        yield "polarity"
