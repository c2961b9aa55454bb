"""How bars were measured, by their records, and which were measured unlike most: nothing joins them silently."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable
from typing import Any

from micro.comparison.measured import SAME_RESOLUTION
from micro.segmentation.segmentation import SegmentationSettings

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


NAMING = {"carbides", "class_names"}
"""Settings that say what is looked at, not how it is measured; which way the etch turned is compared by itself."""


def given_settings(specimen: dict[str, Any]) -> str:
    """Tell settings that run.json has of a specimen beside the program's own, in words; empty where none was given."""
    defaults = vars(SegmentationSettings())
    given: dict[str, set[str]] = {}
    for field in specimen["fields"]:
        for name, value in field["settings"].items():
            plain = tuple(value) if isinstance(value, list) else value
            if name not in NAMING and name in defaults and plain != defaults[name]:
                given.setdefault(name, set()).add(_shown(value))
    words = [f"{name.replace('_', ' ')} {' or '.join(sorted(values))}" for name, values in sorted(given.items())]
    if specimen.get("taught_by"):
        words.append(f"taught by a count ({specimen.get('outlines', '')})")
    return "; ".join(words)


def _shown(value: Any) -> str:
    return ", ".join(map(str, value)) if isinstance(value, list) else f"{value:g}"


def pictures_of(record: dict[str, Any], specimen: str) -> frozenset[str]:
    """Hashes of the pictures of a specimen's measured fields."""
    own = (o for o in record["outcomes"] if o["specimen"] == specimen and not o.get("trouble"))
    return frozenset(str(o["image_sha256"]) for o in own if o.get("image_sha256"))
