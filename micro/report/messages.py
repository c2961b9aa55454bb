"""Messages of many fields told once: those that differ in their numbers only become one line with the range."""

from __future__ import annotations

import re
from collections.abc import Iterable

NUMBER = re.compile(r"(?<![\w.])\d+(?:\.\d+)?(?![\w.]*\w)")


def told_once(said: Iterable[tuple[str, str]]) -> list[tuple[str, list[str]]]:
    """Return each message once, with the places it holds for; where numbers differ, the place of the largest first.

    Parameters
    ----------
    said
        Message and place, such as a picture's name.

    Examples
    --------
    >>> told_once([("0.2 % left out", "a1"), ("3 % left out", "a2")])
    [('0.2 to 3 % left out', ['a2', 'a1'])]
    """
    alike: dict[str, list[tuple[str, str]]] = {}
    for message, place in said:
        alike.setdefault(NUMBER.sub("#", message), []).append((message, place))
    return [_one(group) for group in alike.values()]


def listed(places: list[str], most: int) -> str:
    """Return the first places by name and the number of the others."""
    if len(places) <= most + 1:
        return ", ".join(places)
    return f"{', '.join(places[:most])} and {len(places) - most} more"


def _one(group: list[tuple[str, str]]) -> tuple[str, list[str]]:
    messages = [message for message, _ in group]
    if len(set(messages)) == 1:
        return messages[0], [place for _, place in group]
    numbers = [NUMBER.findall(message) for message in messages]
    ranges = [sorted(set(column), key=float) for column in zip(*numbers, strict=True)]
    differing = next(k for k, found in enumerate(ranges) if len(found) > 1)
    words = iter(f"{found[0]} to {found[-1]}" if len(found) > 1 else found[0] for found in ranges)
    order = sorted(range(len(group)), key=lambda k: -float(numbers[k][differing]))
    return NUMBER.sub(lambda _: next(words), messages[0]), [group[k][1] for k in order]
