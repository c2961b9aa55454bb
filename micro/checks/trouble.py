"""A trouble that a check found."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Trouble:
    """Name of its flag in `micro.flags.FIELD_FLAGS`, and what was found, with the values and what to do."""

    flag: str
    text: str
