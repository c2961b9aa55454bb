"""A count set against the result, in plain words."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from micro.points.agreement import Agreement, CounterKappa
    from micro.points.estimate import Bias, Interval

MINUS = "\u2212"


def sentences(agreement: Agreement) -> list[str]:
    """Verdict, figures and advice for every specimen and class, then the counters among each other."""
    said = [line for bias in agreement.bias for line in bias_lines(bias)]
    return [*said, *counter_lines(agreement.between)]


def bias_lines(bias: Bias) -> Iterator[str]:
    """Lines about one specimen and class: the verdict, then what it rests on."""
    yield f"{heading(bias)}: {verdict_sentence(bias)}"
    if bias.specimen == "":
        return
    p = bias.counted
    accuracy = f", {p.relative_accuracy_pct:.0f} %RA" if math.isfinite(p.relative_accuracy_pct) else ""
    yield (
        f"  counted {percent(p.mean)} %{ends(p.low, p.high)}{accuracy}; {p.fields} "
        f"field{'s' * (p.fields != 1)}, {p.points} points; {more_fields(bias)}"
    )
    yield f"  measured {percent(bias.measured)} % on the same fields"
    yield f"  count less measurement {signed(bias.difference)}, with the chance of where points fell{limits(bias)}"
    yield f"  at the counted points alone, count less outlines {signed(bias.judged)}{p_value(bias)}"


def heading(bias: Bias) -> str:
    """Name the specimen and the class."""
    specimen = bias.specimen or "all specimens together"
    return specimen if bias.carbide_class == "all" else f"{specimen}, {bias.carbide_class}"


def verdict_sentence(bias: Bias) -> str:
    """Whether count and measurement agree and how closely, differ and by how much, or what is lacking."""
    value, share = bias.judged.value, abs(bias.judged.value) / bias.measured if bias.measured > 0 else math.nan
    relative = f" ({100 * share:.0f} % of what was measured)" if math.isfinite(share) else ""
    from micro.points.estimate import AGREES, DIFFERS

    if bias.verdict == DIFFERS:
        more = "more" if value > 0 else "less"
        return f"differs; the count finds {more} carbide by {100 * abs(value):.2g} percentage points{relative}"
    most = 100 * max(abs(bias.judged.low), abs(bias.judged.high))
    if bias.verdict == AGREES:
        return f"agrees; the two part by {most:.2g} percentage points at most"
    if not math.isfinite(most):
        return "too small to tell; one field says nothing of the scatter: count more fields"
    return f"too small to tell; the two may part by up to {most:.2g} percentage points: count more fields"


def more_fields(bias: Bias) -> str:
    """Say how many more fields the wanted %RA needs."""
    wanted = f"{bias.wanted_accuracy_pct:g} %RA"
    if bias.more_fields is None:
        return f"this count does not tell how many fields {wanted} needs"
    if bias.more_fields == 0:
        return f"{wanted} is reached"
    return f"{wanted} needs about {bias.more_fields} more field{'s' * (bias.more_fields != 1)}"


def signed(difference: Interval) -> str:
    """Write a difference of fractions in percentage points with its interval."""
    return f"{number(100 * difference.value, 2, '+')} percentage points{ends(difference.low, difference.high)}"


def limits(bias: Bias) -> str:
    """Write the limits of agreement of single fields."""
    low, high = bias.limits
    return f"; single fields {number(100 * low, 1, '+')} to {number(100 * high, 1, '+')}" if math.isfinite(low) else ""


def p_value(bias: Bias) -> str:
    """Write the p value of no difference."""
    if not math.isfinite(bias.p_value):
        return ""
    return ", p < 0.001" if bias.p_value < 0.001 else f", p = {bias.p_value:.2g}"


def counter_lines(between: tuple[CounterKappa, ...]) -> Iterator[str]:
    """How far the counters agree with each other."""
    for one in between:
        who = " and ".join(one.counters) if len(one.counters) == 2 else f"all {len(one.counters)} counters"
        where = f"; {one.points} points in {one.fields} field{'s' * (one.fields != 1)}" if one.points else ""
        yield f"{who}: agreement beyond chance (kappa) {_kappa(one)}{where}"


def _kappa(one: CounterKappa) -> str:
    value, low, high = (number(end, 2) for end in (one.kappa.value, one.kappa.low, one.kappa.high))
    if math.isnan(one.kappa.value):
        return "unknown, since " + ("every point got one verdict" if one.points else "no point was judged by both")
    known = f"95 % interval {low} to {high}" if math.isfinite(one.kappa.low) else "interval unknown"
    from micro.points.agreement import in_words

    return f"{value} ({known}), {in_words(one.kappa.value)}"


def capital(text: str) -> str:
    """Text whose first letter is a capital."""
    return text[:1].upper() + text[1:]


def percent(fraction: float) -> str:
    """Write a fraction in percent; at most two decimals."""
    return f"{100 * fraction:.2f}" if fraction < 0.1 else f"{100 * fraction:.1f}"


def ends(low: float, high: float) -> str:
    """Write the ends of a 95 % interval of fractions, in percent, or that it is unknown."""
    if not (math.isfinite(low) and math.isfinite(high)):
        return " (interval unknown)"
    return f" (95 % interval {number(100 * low, 2)} to {number(100 * high, 2)})"


def number(value: float, decimals: int, sign: str = "") -> str:
    """Digits with a true minus sign; `sign` "+" writes a plus too."""
    return f"{round(value, decimals) + 0.0:{sign}.{decimals}f}".replace("-", MINUS)
