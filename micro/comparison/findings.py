"""The comparison told: pairs in words, and many bars by letters that say which of them are told apart."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import pandas as pd

from micro.comparison.pairs import ALIKE, DIFFERS, MAY_DIFFER, NO_VERDICT, REFUSED, UNKNOWN
from micro.points.wording import capital
from micro.specimens.quantities import BY_NAME

HEADINGS = {
    DIFFERS: "What differs:",
    MAY_DIFFER: "What may differ:",
    ALIKE: "What is alike:",
    UNKNOWN: "What the data cannot tell:",
    NO_VERDICT: "Shown without a verdict:",
    REFUSED: "What was not compared:",
}
"""By the verdict of what stands below."""
UNJUDGED = (REFUSED, NO_VERDICT)


@dataclass(frozen=True)
class PairFindings:
    """Sentences on one pair of specimens, by verdict in the order of HEADINGS; `notes` hold for all of them."""

    specimen_a: str
    specimen_b: str
    summary: str
    said: Mapping[str, Sequence[str]]
    notes: Sequence[str]


def findings(comparison: pd.DataFrame) -> list[PairFindings]:
    """Say in words, pair by pair, what a table of `compare` holds; of single classes only what was judged."""
    tests = int(comparison["p_joint"].notna().sum())
    unjudged = comparison["verdict"].isin(UNJUDGED) & (comparison["carbide_class"] != "all")
    comparison = comparison[~unjudged | (comparison["quantity"] == "all")]
    pairs = comparison.groupby(["specimen_a", "specimen_b"], sort=False)
    return [_pair(str(a), str(b), list(rows.itertuples(index=False)), tests) for (a, b), rows in pairs]


def sentences(comparison: pd.DataFrame) -> list[str]:
    """All findings one under the other, each group under a heading line."""
    lines: list[str] = []
    for pair in findings(comparison):
        lines.append(pair.summary)
        told = {HEADINGS[verdict]: said for verdict, said in pair.said.items()} | {"Note:": pair.notes}
        for heading, said in told.items():
            lines += [heading, *(f"- {sentence}" for sentence in said)] if said else []
    return lines


def number(value: float) -> str:
    """Write a number to three figures, without an exponent where people do without."""
    if not math.isfinite(value):
        return "unknown"
    if value == 0 or not 1e-4 <= abs(value) < 1e7:
        return f"{value:.3g}"
    value = float(f"{value:.3g}")
    return f"{value:.{max(2 - math.floor(math.log10(abs(value))), 0)}f}"


def _pair(a: str, b: str, rows: list[Any], tests: int) -> PairFindings:
    common = _common_warnings(rows)
    said: dict[str, list[str]] = {verdict: [] for verdict in HEADINGS}
    for row in rows:
        own = [w for w in _warnings(row) if w not in common]
        said[row.verdict].append(_sentence(row, own, tests))
    return PairFindings(a, b, _summary(a, b, rows, said), said, [f"{capital(warning)}." for warning in common])


def _warnings(row: Any) -> list[str]:
    return [warning for warning in row.warning.split("; ") if warning]


def _common_warnings(rows: list[Any]) -> list[str]:
    compared = [row for row in rows if row.verdict != REFUSED]
    if len(compared) < 2:
        return []
    return [w for w in _warnings(compared[0]) if all(w in _warnings(row) for row in compared)]


def _summary(a: str, b: str, rows: list[Any], said: dict[str, list[str]]) -> str:
    compared = sum(row.primary for row in rows if row.verdict != REFUSED)
    if not compared:
        return f"{b} against {a}: nothing could be compared."
    counts = [
        f"{len(said[verdict])} {words if len(said[verdict]) != 1 else word}"
        for verdict, word, words in (
            (DIFFERS, "differs", "differ"),
            (MAY_DIFFER, "may differ", "may differ"),
            (ALIKE, "is alike within 10 %", "are alike within 10 %"),
            (UNKNOWN, "is left open", "are left open"),
        )
        if said[verdict]
    ]
    return (
        f"{b} against {a}: of {compared} {'quantity' if compared == 1 else 'quantities'} judged, {', '.join(counts)}."
    )


def _sentence(row: Any, warnings: list[str], tests: int) -> str:
    if row.quantity == "all":
        return capital("; ".join(warnings)) + "."
    subject = _subject(row)
    if row.verdict == REFUSED:
        return f"{capital(subject)}: {'; '.join(warnings)}."
    body = {
        DIFFERS: lambda: f"{_both(row)}; {_effect(row)}",
        MAY_DIFFER: lambda: (
            f"{_both(row)}; {_effect(row)}; p = {row.p_value:.2g} on its own, {row.p_joint:.2g} among {tests} tests"
        ),
        ALIKE: lambda: f"{_both(row)}; alike within {_margin(row)}: {_effect(row)}",
        UNKNOWN: lambda: (
            f"{_both(row)}; no difference shown: {_effect(row)}; such fields would show one of "
            f"{_detectable(row)} four times in five"
        ),
        NO_VERDICT: lambda: f"{_both(row)}; {_effect(row)}",
    }[row.verdict]()
    noted = f" ({'; '.join(warnings)})" if warnings else ""
    return f"{capital(subject)}: {body}{noted}."


def _subject(row: Any) -> str:
    words = BY_NAME[row.quantity].words_of_fields
    return words if row.carbide_class == "all" else f"{words} of {row.carbide_class}"


def _both(row: Any) -> str:
    factor, unit = (100, " %") if BY_NAME[row.quantity].is_share else (1, f" {row.unit}" if row.unit else "")
    return (
        f"{number(factor * row.value_a)}{unit} in {row.specimen_a}, {number(factor * row.value_b)}{unit} "
        f"in {row.specimen_b}"
    )


def _effect(row: Any) -> str:
    if row.kind == "ratio":
        return f"ratio {number(row.estimate)} (95 % interval {number(row.ci95_low)} to {number(row.ci95_high)})"
    factor, unit = _difference_unit(row)
    low, high = factor * row.ci95_low, factor * row.ci95_high
    return f"difference {number(factor * row.estimate)}{unit} (95 % interval {number(low)} to {number(high)})"


def _difference_unit(row: Any) -> tuple[float, str]:
    return (100, " percentage points") if BY_NAME[row.quantity].is_share else (1, f" {row.unit}" if row.unit else "")


def _detectable(row: Any) -> str:
    if row.kind == "ratio":
        return f"{100 * (row.detectable - 1):.0f} %"
    factor, unit = _difference_unit(row)
    return f"{factor * row.detectable:.2g}{unit}"


def _margin(row: Any) -> str:
    quantity = BY_NAME[row.quantity]
    return f"{quantity.margin:g}" if quantity.margin_is_absolute else f"{100 * quantity.margin:g} %"


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
    """Letters of one quantity of all carbides; empty for bars of which no pair was judged in it.

    What is shown only has none: a letter in common would say that bars are not told apart where nobody asked.

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
    own = own[~own["verdict"].isin(UNJUDGED)]
    known = set(own["specimen_a"]) | set(own["specimen_b"])
    apart = own[own["verdict"] == DIFFERS]
    pairs = zip(apart["specimen_a"], apart["specimen_b"], strict=True)
    return compact_letters([name for name in order if name in known], pairs)


def uncompared(comparison: pd.DataFrame, quantity: str, bars: Iterable[str]) -> list[tuple[str, str]]:
    """Pairs of bars that were not judged in this quantity, whether or not a row says why."""
    own = comparison[(comparison["carbide_class"] == "all") & (comparison["quantity"] == quantity)]
    own = own[~own["verdict"].isin(UNJUDGED)]
    judged = {frozenset(pair) for pair in zip(own["specimen_a"], own["specimen_b"], strict=True)}
    return [pair for pair in combinations(bars, 2) if frozenset(pair) not in judged]
