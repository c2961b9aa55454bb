"""What became of a person's acts on one field; light, so that a record of a run is read without numbers."""

from __future__ import annotations

from dataclasses import dataclass, field

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
    stale
        What was not applied.
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
