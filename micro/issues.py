"""Troubles of carbides and fields as data: a kind, its values, and words made from them where they are read.

No code reads a text back: whoever needs to know what was found asks the issue for its kind and its values.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from string import Formatter
from typing import Any

from micro.issue_kinds import KINDS, SEVERITIES


@dataclass(frozen=True)
class Flag:
    """One trouble of a carbide; `bit` is its place in the flag words of segmentation and tables."""

    bit: int
    name: str
    text: str
    advice: str


CARBIDE_FLAGS = (
    Flag(1, "edge", "cut by the edge of the frame", "left out of sizes; the weights make up for it"),
    Flag(2, "small", "below the resolved diameter", "raise the magnification to measure its shape"),
    Flag(4, "split", "cut from a neighbour at a neck", "check the cut in the outline picture"),
    Flag(8, "saturated", "clipped grey levels inside", "lower the exposure"),
    Flag(32, "concave", "outline stays concave: carbides may touch there", "check it in the outline picture"),
    Flag(64, "on_film", "sits on a film, which was cut from it", "check the cut in the outline picture"),
    Flag(128, "faint", "only just stands out of the matrix", "others like it may be missed: look there"),
    Flag(256, "doubtful", "may be a line, a patch or a hole of the matrix", "look at it in the outline picture"),
    Flag(512, "blunt", "outlined in a strong texture: tips are cut off", "its shape enters no mean"),
    Flag(16, "by_hand", "cut, joined or drawn by a person", "see the review file for who and when"),
)


def flag_names(word: int) -> list[str]:
    """Names of the flags of a carbide that are set in a flag word.

    Examples
    --------
    >>> flag_names(1 + 4)
    ['edge', 'split']
    """
    return [flag.name for flag in CARBIDE_FLAGS if word & flag.bit]


def bit(name: str) -> int:
    """Bit of the carbide's flag of that name; KeyError where there is none."""
    return {flag.name: flag.bit for flag in CARBIDE_FLAGS}[name]


_ORDER = {name: place for place, name in enumerate(KINDS)}


@dataclass(frozen=True)
class Issue:
    """One trouble that was found.

    Parameters
    ----------
    kind
        Name of its kind in `micro.issue_kinds.KINDS`.
    values
        What was found, by name: numbers, texts, lists of them; None where a number is unknown. All JSON can hold.
    place
        Where it holds, for a reader; empty: in the field that it was found in.

    Raises
    ------
    ValueError
        Where the kind is unknown, or the values are not those of the kind.
    """

    kind: str
    values: Mapping[str, Any]
    place: str = ""

    def __post_init__(self) -> None:
        if self.kind not in KINDS or set(self.values) != set(KINDS[self.kind].value_names):
            raise ValueError(f"no issue {self.kind!r} has the values {sorted(self.values)}")
        object.__setattr__(self, "values", {name: _plain(self.values[name]) for name in KINDS[self.kind].value_names})

    @property
    def flag(self) -> str:
        """Name in the column `flags`."""
        return KINDS[self.kind].flag

    @property
    def severity(self) -> str:
        """Of `micro.issue_kinds.SEVERITIES`."""
        return KINDS[self.kind].severity

    @property
    def half_width(self) -> float | None:
        """By how much the number named may be off, as a share of it; None where that is not told."""
        found = self.values.get("half_width")
        return None if found is None else float(found)

    @property
    def text(self) -> str:
        """What was found, with the values and what to do."""
        return _written(KINDS[self.kind].template, [self.values])

    def at(self, place: str) -> Issue:
        """Return it with the place where it holds."""
        return replace(self, place=place)

    def to_json(self) -> dict[str, Any]:
        """Return it as JSON can hold it."""
        where = {"place": self.place} if self.place else {}
        return {"kind": self.kind, "flag": self.flag, "severity": self.severity, "values": dict(self.values), **where}

    @classmethod
    def from_json(cls, stored: Mapping[str, Any]) -> Issue:
        """Return what `to_json` stored; KeyError, TypeError or ValueError where it is not whole."""
        return cls(stored["kind"], dict(stored["values"]), str(stored.get("place", "")))


def issue(kind: str, **values: Any) -> Issue:
    """Return an issue of a kind with these values.

    Examples
    --------
    >>> found = issue("soft_focus", blur_px=3.12, median_ecd_px=14)
    >>> found.flag, found.severity
    ('soft_focus', 'doubt')
    >>> found.text
    'edges are blurred over 3.1 px (standard deviation), half of the area lies in carbides below 14 px: refocus'
    """
    return Issue(kind, values)


def ordered(issues: Iterable[Issue]) -> tuple[Issue, ...]:
    """Issues in the order of the registry; those of one kind stay as they come."""
    return tuple(sorted(issues, key=lambda one: _ORDER[one.kind]))


def gravest_first(issues: Iterable[Issue]) -> list[Issue]:
    """Issues by severity; of one severity those without a size, then those with the largest share of the number first.

    Examples
    --------
    >>> found = [issue("rows_cut", rows=64), issue("no_lens", half_width=0.15), issue("filtered", half_width=0.2)]
    >>> [one.kind for one in gravest_first(found)]
    ['filtered', 'no_lens', 'rows_cut']
    """
    order = list(SEVERITIES)

    def rank(one: Issue) -> tuple[int, float]:
        return -order.index(one.severity), -math.inf if one.half_width is None else -one.half_width

    return sorted(issues, key=rank)


def gravity(issues: Iterable[Issue]) -> tuple[int, int]:
    """Place of the gravest severity among them in SEVERITIES, and how many of it; (0, 0): none, or notes only."""
    places = [list(SEVERITIES).index(one.severity) for one in issues]
    gravest = max(places, default=0)
    return gravest, places.count(gravest) if gravest else 0


def flag_text(issues: Iterable[Issue]) -> str:
    """Names of the flags, each once, in the order of the registry, with blanks between."""
    return " ".join(dict.fromkeys(one.flag for one in ordered(issues)))


def message_text(issues: Iterable[Issue]) -> str:
    """All texts, one after the other."""
    return "; ".join(one.text for one in issues)


@dataclass(frozen=True)
class Group:
    """Issues of one kind on many places, that differ in numbers only.

    `issues` begin with the largest of the first number that differs.
    """

    issues: tuple[Issue, ...]

    @property
    def text(self) -> str:
        """What was found on all of them; where numbers differ, from the least to the largest."""
        return _written(KINDS[self.issues[0].kind].template, [one.values for one in self.issues])

    @property
    def places(self) -> list[str]:
        """Where, each place once."""
        return list(dict.fromkeys(one.place for one in self.issues))


def grouped(issues: Iterable[Issue]) -> list[Group]:
    """Put issues of one kind together where they differ in numbers only, in the order of their first.

    Examples
    --------
    >>> found = [issue("rows_cut", rows=rows).at(place) for rows, place in ((20, "a1"), (64, "a2"))]
    >>> [(group.text, group.places) for group in grouped(found)]
    [('20 to 64 rows at the bottom were cut', ['a2', 'a1'])]
    """
    alike: dict[tuple[str, str], list[Issue]] = {}
    for one in issues:
        words = {name: value for name, value in one.values.items() if not _is_number(value)}
        alike.setdefault((one.kind, json.dumps(words, sort_keys=True)), []).append(one)
    return [Group(_largest_first(group)) for group in alike.values()]


def _largest_first(group: Sequence[Issue]) -> tuple[Issue, ...]:
    """Order by the first number that is said differently, the largest first, what is unknown last."""
    for _, name, form, _ in Formatter().parse(KINDS[group[0].kind].template):
        if name and _is_number(group[0].values[name]):
            value = [one.values[name] for one in group]
            if len({None if v is None else _number(v, form or "") for v in value}) > 1:
                order = sorted(range(len(group)), key=lambda k: math.inf if value[k] is None else -value[k])
                return tuple(group[k] for k in order)
    return tuple(group)


def _is_number(value: Any) -> bool:
    return value is None or isinstance(value, (int, float))


def _plain(value: Any) -> Any:
    """Value as JSON holds it: plain numbers and lists; None in the place of what is not finite."""
    if isinstance(value, (list, tuple)):
        return [_plain(one) for one in value]
    value = value.item() if hasattr(value, "item") else value
    if value is None or isinstance(value, (str, int)) or (isinstance(value, float) and math.isfinite(value)):
        return value
    if isinstance(value, float):
        return None
    raise ValueError(f"{value!r} is no value of an issue")


def _written(template: str, every: Sequence[Mapping[str, Any]]) -> str:
    """Fill a template from the values of issues that differ in numbers only."""
    parts = []
    for literal, name, form, _ in Formatter().parse(template):
        parts += [literal, _span([values[name] for values in every], form or "") if name else ""]
    return "".join(parts)


def _span(values: Sequence[Any], form: str) -> str:
    if not all(map(_is_number, values)):
        return _words(values[0], form)
    known = sorted(value for value in values if value is not None)
    ends = list(dict.fromkeys(_number(value, form) for value in (known[0], known[-1]))) if known else ["unknown"]
    return ends[-1] if "|" in form else " to ".join(ends)


def _number(value: float, form: str) -> str:
    if "|" in form:
        one, many = form.split("|")
        return one if value == 1 else many
    if form.endswith("p"):
        return f"{100 * value:{form[:-1].replace('.', 'z.')}f}"  # z: what rounds to 0 has no minus
    return f"{value:{form}}"


PLACES_NAMED = 3


def _words(value: Any, form: str) -> str:
    if form == "places":
        return _places(value)
    if form == "scales":
        return _scales(value)
    return value if isinstance(value, str) else ", ".join(value)


def _places(names: Sequence[Sequence[str]]) -> str:
    more = f" and {len(names) - PLACES_NAMED} more" if len(names) > PLACES_NAMED else ""
    return ", ".join(f"{specimen} {field}" for specimen, field in names[:PLACES_NAMED]) + more


def _scales(sizes: Sequence[tuple[str, float, float]]) -> str:
    """Smallest and largest size of a pixel of each specimen; one where a thousandth does not tell them apart."""
    return "; ".join(
        f"{specimen} {low:.4g}" if high <= low * 1.001 else f"{specimen} {low:.4g} to {high:.4g}"
        for specimen, low, high in sizes
    )
