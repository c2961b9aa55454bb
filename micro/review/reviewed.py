"""What became of a person's acts on one field, and its words; light, so that a record is read without numbers."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from micro.issues import Issue, issue
from micro.review.acts import KINDS

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
