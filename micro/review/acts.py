"""What a person did on the page of review: review.json, read and checked, and what became of its acts.

Light, so that a record is read without numbers; what reads a review pays the tenth of a second that pydantic takes.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from micro.errors import InputError
from micro.issues import Issue, issue
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


ON_THE_FIELD = ("reject", "accept")
"""Acts that change no outline."""


@dataclass(frozen=True)
class Stale:
    """Acts that were made on another picture, or on other outlines, and are not applied."""

    source: str
    acts: int
    what: str


@dataclass(frozen=True)
class Reviewed:
    """What became of the acts on one field.

    Parameters
    ----------
    acts
        Number of the acts of each kind that were applied.
    who
        Initials, each once.
    rejected
        Why the field is left out; empty: it is not.
    no_effect
        Acts that met nothing to act on.
    area_fraction_before, area_fraction_low_before, area_fraction_high_before, analysed_area_um2_before
        Of the field as the program found it; None where unknown.
    area_fraction_within_before
        Relative sampling uncertainty of that area fraction within the field; None where unknown.
    """

    acts: dict[str, int] = field(default_factory=dict)
    who: tuple[str, ...] = ()
    rejected: str = ""
    no_effect: int = 0
    stale: tuple[Stale, ...] = ()
    area_fraction_before: float | None = None
    area_fraction_low_before: float | None = None
    area_fraction_high_before: float | None = None
    analysed_area_um2_before: float | None = None
    area_fraction_within_before: float | None = None

    @property
    def changed(self) -> bool:
        """Whether any act moved an outline or left something out."""
        return any(number for act, number in self.acts.items() if act not in ON_THE_FIELD)


def acts_in_words(acts: Mapping[str, int]) -> str:
    """Write the number of the acts of each kind on outlines, in the order of the kinds; empty where there is none.

    Examples
    --------
    >>> acts_in_words({"cut": 1, "not_carbide": 3, "accept": 1})
    '3 not carbide, 1 cut'
    """
    kinds = [kind for kind in KINDS if kind not in ON_THE_FIELD and acts.get(kind)]
    return ", ".join(f"{acts[kind]} {KINDS[kind][0]}" for kind in kinds)


def review_issues(reviewed: Reviewed) -> tuple[Issue, ...]:
    """Return what a reader of the field must know of its review."""
    told = []
    if reviewed.acts and not reviewed.rejected:
        told.append(issue("reviewed", who=list(reviewed.who), acts=acts_in_words(reviewed.acts) or "nothing changed"))
    for stale in reviewed.stale:
        kind = {"picture": "review_of_other_picture", "outlines": "review_of_other_outlines"}[stale.what]
        told.append(issue(kind, acts=stale.acts, source=stale.source))
    if reviewed.no_effect:
        told.append(issue("review_without_effect", acts=reviewed.no_effect))
    return tuple(told)
