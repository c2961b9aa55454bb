"""What became of a review, in words."""

from __future__ import annotations

from collections.abc import Mapping

from micro.issues import Issue, issue
from micro.review.acts import KINDS
from micro.review.reviewed import ON_THE_FIELD, Reviewed


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
