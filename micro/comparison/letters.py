"""Many bars at once: letters that say which of them are told apart."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from micro.comparison.pairs import DIFFERS, REFUSED

if TYPE_CHECKING:
    import pandas as pd

ALPHABET = "abcdefghijklmnopqrstuvwxyz"


def compact_letters(names: Sequence[str], apart: Iterable[tuple[str, str]]) -> dict[str, str]:
    """Letters of each name: two share one unless they are told apart.

    Insert and absorb (H.-P. Piepho 2004, from memory): from one group of all, every pair that is told apart splits the
    groups that hold both; groups within another are dropped. Letters run in the order of `names`.

    Parameters
    ----------
    names
        Each once, in the order in which the letters shall run, such as from the largest value down.
    apart
        Pairs of names that are told apart.

    Examples
    --------
    >>> compact_letters(["P", "Q", "R"], [("P", "R")])
    {'P': 'a', 'Q': 'ab', 'R': 'b'}
    """
    groups = [frozenset(names)]
    for one, other in apart:
        split = [g - {drop} for g in groups if {one, other} <= g for drop in (one, other)]
        whole = list(dict.fromkeys([g for g in groups if not {one, other} <= g] + split))
        groups = [g for g in whole if not any(g < h for h in whole)]
    place = {name: number for number, name in enumerate(names)}
    ordered = sorted((g for g in groups if g), key=lambda g: sorted(place[name] for name in g))
    return {name: "".join(_letter(k) for k, g in enumerate(ordered) if name in g) for name in names}


def _letter(number: int) -> str:
    """Name a letter: a to z, then a1 to z1 and so on."""
    again, letter = divmod(number, len(ALPHABET))
    return ALPHABET[letter] + (str(again) if again else "")


def letters_of(comparison: pd.DataFrame, quantity: str, order: Sequence[str]) -> dict[str, str]:
    """Letters of one quantity of all carbides; empty for bars of which no pair was compared in it.

    Parameters
    ----------
    comparison
        Columns COMPARISON of `micro.tables.columns`; told apart are pairs with the verdict "differs".
    quantity
        Name of the quantity.
    order
        Bars in the order in which the letters shall run.
    """
    own = comparison[(comparison["carbide_class"] == "all") & (comparison["quantity"] == quantity)]
    own = own[own["verdict"] != REFUSED]
    known = set(own["specimen_a"]) | set(own["specimen_b"])
    apart = own[own["verdict"] == DIFFERS]
    pairs = zip(apart["specimen_a"], apart["specimen_b"], strict=True)
    return compact_letters([name for name in order if name in known], pairs)


def uncompared(comparison: pd.DataFrame, quantity: str, bars: Iterable[str]) -> list[tuple[str, str]]:
    """Pairs of bars that share a letter only because they could not be compared in this quantity."""
    kept = set(bars)
    own = comparison[comparison["verdict"] == REFUSED]
    own = own[own["quantity"].isin(["all", quantity]) & (own["carbide_class"] == "all")]
    pairs = zip(own["specimen_a"], own["specimen_b"], strict=True)
    return [(a, b) for a, b in pairs if a in kept and b in kept]
