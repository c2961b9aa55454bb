"""Whether the structure goes with a weak transverse direction, in sentences."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import pandas as pd

from micro.analysis import COARSE, Analysis
from micro.comparison.explanation import ROUTE, Ranked, explanations, least_p
from micro.report.wording import joined
from micro.specimens.quantities import BY_NAME
from micro.statistics.two_samples import ALPHA

TWO_BARS = (
    "Does the structure explain it? Two bars cannot tell: they differ in what was measured and in what was not. An "
    "order is looked for from three bars on."
)
LIMITS = (
    "Bars may differ in composition, hardness, route and heat treatment too; no ranking of bars tells which of "
    "these acts."
)
WORDS = {ROUTE: "route (powder or ingot)", COARSE: "size of the coarse carbides (90 % of their area lies below it)"}


def explained(answer: Analysis) -> list[str]:
    """Say whether the structure explains the transverse ratio; nothing for a bar alone."""
    if answer.structure is None or answer.coupons is None:
        return []
    if len(answer.structure):
        return [explanation_sentence(answer.structure)]
    return [TWO_BARS] if len(set(answer.coupons.ratios["group"]) & {s.name for s in answer.specimens}) == 2 else []


def explanation_sentence(points: pd.DataFrame) -> str:
    """Say what of the structure goes with a weak transverse direction, and what that proves."""
    found = explanations(points)
    return " ".join(["Does the structure explain it?", *_order(found), *_not_asked(found), LIMITS])


def _order(found: Mapping[str, Ranked]) -> Iterable[str]:
    bars = max(one.rank.points for one in found.values())
    falling = {q: one for q, one in found.items() if one.falls}
    if falling:
        yield f"From bar to bar the ratio falls as {_rising(falling)}."
        if sum(one.told_apart for one in found.values()) > 1 or any(one.rivals for one in falling.values()):
            yield from (_told_from(q, one) for q, one in falling.items())
        return
    asked = [one for one in found.values() if one.p_holm == one.p_holm]
    least = least_p(asked)
    if asked and least > ALPHA:
        perfect = _rising(q for q, one in found.items() if one.told_apart and one.rank.rho == -1)
        order = f"the ratio falls as {perfect}" if perfect else "no order shows"
        many = f" in one of the {len(asked)} quantities asked" if len(asked) > 1 else ""
        chance = f"comes up by chance with p = {least:.2g}" if least < 1 else "is no more than chance gives"
        yield f"From bar to bar {order}; but {bars} bars cannot prove a cause: even a perfect order{many} {chance}."
    elif asked:
        yield f"No falling order of the {bars} bars is shown."
    elif any(one.told_apart for one in found.values()):
        yield f"From bar to bar no order shows; {bars} bars rank alike."


def _told_from(quantity: str, one: Ranked) -> str:
    if not one.rivals:
        return f"It goes with {_the(quantity)} more closely than with any other of these."
    rivals = joined([_the(name) for name in one.rivals])
    closely = f"the ratio goes with {_it(one.rivals)} as closely, but for chance"
    return f"These bars do not tell {_the(quantity)} from {rivals}: {closely}."


def _it(rivals: tuple[str, ...]) -> str:
    return "it" if len(rivals) == 1 else "each"


def _the(name: str) -> str:
    return f"the {WORDS.get(name) or BY_NAME[name].words}"


def _not_asked(found: Mapping[str, Ranked]) -> Iterable[str]:
    alike = [_the(quantity) for quantity, one in found.items() if not one.told_apart]
    if alike:
        yield f"The bars are not told apart in {joined(alike)}: whether that explains it they cannot tell."


def _rising(quantities: Iterable[str]) -> str:
    words = [_the(quantity) for quantity in quantities]
    return f"{joined(words)} rise{'s' * (len(words) == 1)}" if words else ""
