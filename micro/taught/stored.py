"""A taught map as plain text: kept, read again on new fields, refused when it is not what was written.

The text is JSON: numbers and names, no code. It holds its version, the names of the features that it was taught
with, and a SHA-256 over all of it, so that a changed digit is noticed.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from micro.errors import InputError
from micro.taught.features import NAMES, FeaturePlanes
from micro.taught.learner import TaughtMap, outside_taught, strips

KIND = "micro taught map"
VERSION = 1
# A map of ten classes takes 0.2 MB (measured); what is far longer is something else.
LONGEST_TEXT = 20_000_000
REMEDY = "teach again with --taught-by and keep that map"
# 1 % of the taught points themselves lie outside by definition; ten times that many is another etch (chosen).
OUTSIDE_SHARE = 0.10
# Every so many rows and columns is enough to tell a share of pixels.
STEP = 4


@dataclass(frozen=True)
class StoredMap:
    """A taught map, and what is known of it: text, numbers or lists of them by name, such as the scale."""

    taught: TaughtMap
    about: Mapping[str, Any] = field(default_factory=dict)


def to_text(stored: StoredMap) -> str:
    """Text of a taught map; the same map gives the same text.

    >>> from micro.taught.learner import teach
    >>> x = np.random.default_rng(1).normal(size=(100, len(NAMES))).astype(np.float32)
    >>> map_ = teach(x, (x[:, 0] > 0).astype(float))
    >>> to_text(from_text(to_text(StoredMap(map_)), "map.json")) == to_text(StoredMap(map_))
    True
    """
    values = {f.name: getattr(stored.taught, f.name) for f in fields(TaughtMap)}
    body = {
        "kind": KIND,
        "version": VERSION,
        "features": list(NAMES),
        "about": dict(stored.about),
        "map": {name: _plain(v) if isinstance(v, np.ndarray) else v for name, v in values.items()},
    }
    return json.dumps({**body, "sha256": _digest(body)}, sort_keys=True, indent=None, allow_nan=False) + "\n"


def from_text(text: str, where: object) -> StoredMap:
    """Read a taught map.

    Parameters
    ----------
    text
        From `to_text`.

    Raises
    ------
    InputError
        One line, where the text is not such a map, of another version, of other features, or changed.
    """
    body = _checked_body(text, where)
    given = body["map"]
    if not isinstance(given, dict) or set(given) != {f.name for f in fields(TaughtMap)}:
        raise InputError(where, "does not hold the parts of a taught map", REMEDY)
    try:
        arrays = {name: _number(name, value) for name, value in given.items()}
    except (TypeError, ValueError, OverflowError):
        raise InputError(where, "holds something else than numbers in a taught map", REMEDY) from None
    taught = TaughtMap(**arrays)
    if not _fits(taught):
        raise InputError(where, "holds arrays that do not fit together", REMEDY)
    return StoredMap(taught, body["about"])


def share_outside(taught: TaughtMap, planes: FeaturePlanes, analysed: NDArray[np.bool_] | None = None) -> float:
    """Share of the pixels of a field whose features lie outside what was taught; about 0.01 on the taught fields.

    Parameters
    ----------
    analysed
        (rows, columns) pixels that belong to the analysed area; None for all.
    """
    outside = inside = 0
    for first, last in strips(planes.shape):
        features = planes.rows(first, last).reshape(len(planes.planes), last - first, -1)[:, ::STEP, ::STEP]
        area = np.ones(features.shape[1:], bool) if analysed is None else analysed[first:last:STEP, ::STEP]
        away = outside_taught(taught, features[:, area].T)
        outside, inside = outside + int(away.sum()), inside + len(away)
    return outside / inside if inside else math.nan


def _plain(values: NDArray[np.float32]) -> Any:
    """Nested lists of the shortest decimals that are these float32: no digit without meaning, none that may change."""
    return values.astype(str).astype(float).tolist()


def _digest(body: Mapping[str, Any]) -> str:
    return hashlib.sha256(json.dumps(body, sort_keys=True, allow_nan=False).encode()).hexdigest()


def _checked_body(text: str, where: object) -> dict[str, Any]:
    """Parts of the text whose kind, version, features and digest are right."""
    if len(text) > LONGEST_TEXT:
        raise InputError(where, f"is {len(text)} characters long, too long for a taught map", REMEDY)
    try:
        body = json.loads(text)
    except (ValueError, RecursionError):
        raise InputError(where, "is not whole, or not a taught map", REMEDY) from None
    if not isinstance(body, dict) or body.get("kind") != KIND:
        raise InputError(where, "is not a taught map", REMEDY)
    if body.get("version") != VERSION:
        problem = f"is a taught map of version {body.get('version')!r}; this program reads version {VERSION}"
        raise InputError(where, problem, REMEDY)
    digest = body.pop("sha256", None)
    try:
        sound = digest == _digest(body)
    except (ValueError, RecursionError):
        sound = False
    if not sound or set(body) != {"kind", "version", "features", "about", "map"}:
        raise InputError(where, "was changed since it was written", REMEDY)
    if body["features"] != list(NAMES) or not isinstance(body["about"], dict):
        raise InputError(where, "was taught with other features than this program has", REMEDY)
    return body


def _number(name: str, value: object) -> Any:
    """One part of the map in the type that TaughtMap wants."""
    if name == "points":
        return int(value)  # type: ignore[call-overload]
    if name == "taught_limit":
        return float(value)  # type: ignore[arg-type]
    with np.errstate(over="ignore"):  # what is too large becomes infinite, which `_fits` refuses
        return np.array(value, np.float32)


def _fits(taught: TaughtMap) -> bool:
    """Whether shapes agree and every number is finite."""
    values = [np.asarray(getattr(taught, f.name)) for f in fields(TaughtMap)]
    if taught.second.ndim != 3 or not all(np.isfinite(v).all() for v in values) or not (taught.width > 0).all():
        return False
    features, (networks, hidden, classes) = len(NAMES), taught.second.shape
    shapes = {
        "centre": (features,),
        "width": (features,),
        "first": (features, networks * hidden),
        "first_bias": (networks * hidden,),
        "second_bias": (networks, classes),
        "taught_centre": (features,),
        "taught_whitening": (features, features),
    }
    return min(networks, hidden, classes) > 0 and all(getattr(taught, n).shape == s for n, s in shapes.items())
