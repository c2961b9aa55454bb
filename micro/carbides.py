"""What each carbide is made of: ranges of composition and density, as handbooks give them, from memory."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from micro.errors import UsageError

BALANCED = ("Cr", "Mo", "W", "V", "Nb", "C")
"""Elements of the balance; iron is the rest, and elements beside these are left out of it."""
Range = tuple[float, float]


@dataclass(frozen=True)
class CarbideRange:
    """One carbide, by the ranges in which its composition and density lie.

    Parameters
    ----------
    name
        Name of the class.
    density_g_cm3
        Least and most, g/cm³.
    contents
        Least and most of an element in it, wt %. One that is not named is taken for none.
    formers
        Metals without which it does not form; a combination that needs more of them than the steel holds is rejected.
        Of other metals it holds no more than the steel can give it: their range is scaled down to that.
    heavy
        Least and most of Mo and W together, wt %, where these two stand for each other; shared as the steel's are,
        within `HEAVY_SHARE`. None: both stand in `contents`, or there is none.
    """

    name: str
    density_g_cm3: Range
    contents: Mapping[str, Range]
    formers: frozenset[str] = frozenset()
    heavy: Range | None = None


@dataclass(frozen=True)
class CarbideOverride:
    """Ranges that the user gives for a class: they come before the program's own, element by element."""

    name: str
    density_g_cm3: Range | None = None
    contents: Mapping[str, Range] = field(default_factory=dict)


# All from memory. Ranges of Nb in NbC, of Mo and W together, and of the metals in M23C6, M3C and M2C beside chromium
# are wider than any one table, because the steel decides there.
RANGES = (
    CarbideRange(
        "MC", (5.6, 6.1), {"V": (55, 68), "Cr": (4, 10), "Mo": (3, 9), "W": (1, 12), "C": (13.5, 17)}, frozenset({"V"})
    ),
    CarbideRange("NbC", (7.5, 7.9), {"Nb": (70, 90), "V": (0, 8), "Cr": (0, 4), "C": (10, 11.5)}, frozenset({"Nb"})),
    CarbideRange(
        "M7C3", (6.9, 7.2), {"Cr": (40, 52), "V": (3, 8), "Mo": (1, 4), "W": (0, 5), "C": (8.4, 8.9)}, frozenset({"Cr"})
    ),
    CarbideRange("M6C", (10, 13), {"Cr": (2, 5), "V": (1, 4), "C": (2, 3)}, frozenset({"Mo", "W"}), (55, 72)),
    CarbideRange(
        "M23C6", (6.9, 7.2), {"Cr": (35, 60), "Mo": (1, 10), "W": (0, 10), "V": (0, 3), "C": (5.2, 5.6)},
        frozenset({"Cr"}),
    ),
    CarbideRange("M3C", (7.6, 7.8), {"Cr": (2, 12), "Mo": (0, 3), "W": (0, 2), "V": (0, 2), "C": (6.65, 6.75)}),
    CarbideRange("M2C", (8, 9), {"Cr": (4, 12), "V": (5, 15), "C": (5.5, 6.5)}, frozenset({"Mo", "W"}), (50, 80)),
)  # fmt: skip
HEAVY_SHARE = 0.1
"""How far the share of W in Mo and W together of a carbide may lie from that of the steel. Chosen."""


def carbide_ranges(overrides: Sequence[CarbideOverride] = ()) -> dict[str, CarbideRange]:
    """Ranges by the name of the class, with those of the user in the place of the program's.

    Raises
    ------
    UsageError
        Where a class that the program does not know lacks its density or its carbon.
    """
    known = {one.name: one for one in RANGES}
    for own in overrides:
        base = known.get(own.name)
        if base is None and (own.density_g_cm3 is None or "C" not in own.contents):
            raise UsageError(
                f"carbide {own.name}", "is none that the program knows, and lacks its density or carbon",
                "give density_g_cm3 and C in composition",
            )  # fmt: skip
        base = base or CarbideRange(own.name, own.density_g_cm3 or (0, 0), {})
        by_hand = not own.contents.keys().isdisjoint(("Mo", "W"))
        known[own.name] = replace(
            base,
            density_g_cm3=own.density_g_cm3 or base.density_g_cm3,
            contents={**base.contents, **own.contents},
            formers=base.formers | own.contents.keys() - {"C"},
            heavy=None if by_hand else base.heavy,
        )
    return known
