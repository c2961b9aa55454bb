"""review.json: what a person did on the page of review; read and checked, and the schema of the file.

Whatever reads such a file pays the tenth of a second that pydantic takes to load.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from micro.errors import InputError
from micro.results import bytes_of

FORMAT, VERSION = "micro review", 1
KINDS = {
    "not_carbide": ("not carbide", 1, 1),
    "cut": ("cut", 2, 10_000),
    "join": ("joined", 2, 2),
    "draw": ("drawn", 3, 10_000),
    "leave_out": ("left out", 3, 10_000),
    "reject": ("field rejected", 0, 0),
    "accept": ("field accepted", 0, 0),
}
"""Of each act its words in a report, and the fewest and most points it has. More points than a hand draws: chosen."""
FARTHEST_PX = 1e6
MOST_ACTS, MOST_FIELDS = 100_000, 100_000
REMEDY = "save the review again on the page that micro review wrote"


@dataclass(frozen=True)
class Act:
    """One act.

    Parameters
    ----------
    act
        Of `KINDS`.
    points
        x, y in px of the outlines' picture, from its top left corner: a place in the carbide (not_carbide), one in each
        of two (join), corners of a line (cut) or of a closed outline (draw, leave_out).
    carbide_class
        Of a drawn carbide; empty: that of most of the field's carbide.
    when
        ISO 8601.
    """

    act: str
    points: tuple[tuple[float, float], ...] = ()
    carbide_class: str = ""
    reason: str = ""
    when: str = ""


@dataclass(frozen=True)
class FieldActs:
    """What one file says of one field: the picture and outlines it was made on, and the acts in their order."""

    source: str
    who: str
    specimen: str
    field: str
    image_sha256: str
    outlines_sha256: str
    acts: tuple[Act, ...]


def read_review(path: Path) -> tuple[FieldActs, ...]:
    """Read a review file.

    Raises
    ------
    InputError
        Where it is missing, damaged, of a later version or no review, with the place in the file.
    """
    try:
        content = json.loads(bytes_of(path))
    except OSError as trouble:
        raise InputError(path, f"cannot be read ({trouble.strerror})", "give the file that the page saved") from None
    except (ValueError, RecursionError) as trouble:
        raise InputError(path, f"is not valid JSON ({str(trouble)[:80]})", REMEDY) from None
    if not isinstance(content, dict) or content.get("format") != FORMAT:
        raise InputError(path, "is no review of fields", "give the review.json that the page of micro review saved")
    if isinstance(content.get("version"), int) and content["version"] > VERSION:
        raise InputError(path, f"was saved by a later version ({content['version']})", "install that version")
    whole = _checked(path, content)
    return tuple(
        FieldActs(
            path.name, whole["who"], one["specimen"], one["field"], one["image_sha256"], one["outlines_sha256"],
            tuple(_act(path, one, act) for act in one["acts"]),
        )
        for one in whole["fields"]
    )  # fmt: skip


def _act(path: Path, field: dict[str, Any], given: dict[str, Any]) -> Act:
    points = tuple((float(x), float(y)) for x, y in given.get("points", ()))
    _, fewest, most = KINDS[given["act"]]
    if not fewest <= len(points) <= most:
        problem = f"the act {given['act']} on {field['specimen']} {field['field']} has {len(points)} points"
        raise InputError(path, problem, REMEDY)
    return Act(
        given["act"], points, given.get("carbide_class", ""), given.get("reason", ""), given.get("when", "")
    )  # fmt: skip


def _checked(path: Path, content: dict[str, Any]) -> dict[str, Any]:
    from pydantic import ValidationError

    from micro.review.keys import REVIEW_FILE

    try:
        return dict(REVIEW_FILE.validate_python(content))
    except ValidationError as trouble:
        error = trouble.errors(include_url=False)[0]
        place = ".".join(str(part) for part in error["loc"])
        raise InputError(path, f"is damaged at {place or 'its top'} ({error['msg'][:80]})", REMEDY) from None
