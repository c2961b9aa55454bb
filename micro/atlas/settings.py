"""What a record tells of how a bar was measured: settings the user gave, and which pictures."""

from __future__ import annotations

from typing import Any

from micro.segmentation.segmentation import SegmentationSettings

NAMING = {"carbides", "class_names"}
"""Settings that say what is looked at, not how it is measured; which way the etch turned is compared by itself."""


def given_settings(specimen: dict[str, Any]) -> str:
    """Tell settings of the measuring beside the program's own, in words; empty where none was given.

    Parameters
    ----------
    specimen
        Of run.json.
    """
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
