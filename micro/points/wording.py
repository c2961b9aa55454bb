"""A count set against the result, in plain words."""

from __future__ import annotations

import math
from collections.abc import Iterator

from micro.points.agreement import Agreement, Bias
from micro.points.kappa import in_words


def sentences(agreement: Agreement) -> list[str]:
    """Verdict, figures and advice for every specimen and class, then the counters among each other."""
    said = [line for bias in agreement.bias for line in bias_lines(bias, agreement.relative_accuracy_pct)]
    return [*said, *counter_lines(agreement)]


def bias_lines(bias: Bias, wanted_accuracy_pct: float) -> Iterator[str]:
    """Lines about one specimen and class: the verdict first, then what it rests on."""
    yield f"{heading(bias)}: {verdict_sentence(bias)}"
    counted = f"counted {percent(bias.counted)} %{ends(bias.counted_low, bias.counted_high)}"
    if math.isfinite(bias.relative_accuracy_pct):
        counted += f", ±{bias.relative_accuracy_pct:.0f} %RA"
    yield f"  {counted}, {bias.fields} field{'' if bias.fields == 1 else 's'}"
    yield f"  measured {percent(bias.measured)} % on the same fields; {own_count(bias)}"
    if math.isfinite(bias.limits_low):
        yield (
            f"  limits of agreement of one field: {100 * bias.limits_low:+.1f} to {100 * bias.limits_high:+.1f} "
            "percentage points"
        )
    yield f"  {more_fields(bias, wanted_accuracy_pct)}"


def heading(bias: Bias) -> str:
    """Name the specimen and the class."""
    specimen = bias.specimen or "all specimens"
    return specimen if bias.carbide_class == "all" else f"{specimen}, {bias.carbide_class}"


def verdict_sentence(bias: Bias) -> str:
    """Whether count and measurement agree, and by how much at most, or by how much they differ."""
    difference = f"{100 * bias.difference:+.2f} percentage points{ends(bias.low, bias.high)}"
    test = f", p = {bias.p_value:.2g}" if math.isfinite(bias.p_value) else ""
    if bias.verdict == "differs":
        more = "more" if bias.difference > 0 else "less"
        return f"differs; the count finds {more} carbide by {difference}{test}"
    if bias.verdict == "agrees":
        return f"agrees; count less measurement {difference}{test}"
    return f"too small to tell; count less measurement {difference}{test}"


def own_count(bias: Bias) -> str:
    """Say how much of the gap the same points on the program's outlines leave."""
    said = f"the program's outlines on the same points {percent(bias.own)} %"
    if not math.isfinite(bias.judged):
        return said
    noise = 100 * (bias.own - bias.measured)
    judged = f"{100 * bias.judged:+.2f}{ends(bias.judged_low, bias.judged_high)}"
    return f"{said}: of the gap {noise:+.2f} is where the points fell, {judged} is judgement"


def more_fields(bias: Bias, wanted_accuracy_pct: float) -> str:
    """Say how many more fields the wanted %RA needs."""
    if not math.isfinite(bias.more_fields):
        return f"how many fields ±{wanted_accuracy_pct:g} %RA needs cannot be told from this count"
    if bias.more_fields == 0:
        return f"±{wanted_accuracy_pct:g} %RA is reached"
    return f"about {bias.more_fields:.0f} more fields for ±{wanted_accuracy_pct:g} %RA"


def counter_lines(agreement: Agreement) -> Iterator[str]:
    """How far the counters agree with each other."""
    for pair in agreement.pairs:
        kappa = pair.kappa
        told = "unknown" if math.isnan(kappa.value) else f"{kappa.value:.2f} ({kappa.low:.2f} to {kappa.high:.2f})"
        yield f"{pair.first} and {pair.second}: kappa {told}, {in_words(kappa.value)}, on {pair.points} points"
    if math.isfinite(agreement.fleiss):
        yield f"all counters: kappa {agreement.fleiss:.2f}, {in_words(agreement.fleiss)}"


def percent(fraction: float) -> str:
    """Write a fraction in percent; three figures, at most two decimals."""
    return f"{100 * fraction:.2f}" if fraction < 0.1 else f"{100 * fraction:.1f}"


def ends(low: float, high: float) -> str:
    """Write the ends of a 95 % interval of fractions, or that it is unknown."""
    if not (math.isfinite(low) and math.isfinite(high)):
        return " (interval unknown)"
    return f" (95 % interval {100 * low:.2f} to {100 * high:.2f})"
