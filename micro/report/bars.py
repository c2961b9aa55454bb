"""Any number of bars side by side: a forest figure a question, tables of bars by quantities, and the first screen."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property, partial
from typing import TYPE_CHECKING, Any

import pandas as pd

from micro.figures.specimens import ForestRow, draw_forest, height_in
from micro.points.wording import capital
from micro.report.page import PageFigure, PageSection, PageTable, Save
from micro.report.wording import (
    band_swing,
    ends_of,
    figures,
    joined,
    plain_name,
    printed_factor,
    printed_unit,
    route_words,
    with_ends,
)
from micro.segmentation.segmentation import UNNAMED
from micro.specimens.quantities import BY_NAME, banding_shown
from micro.study.model import Study

if TYPE_CHECKING:
    from micro.analysis import Analysis

FEWEST_BARS = 2
LETTERED, MOST_LISTED = 3, 6
"""Bars from which letters stand in the place of pairs, and up to which a sentence lists them. Chosen."""


@dataclass(frozen=True)
class Question:
    """What one figure answers: its place among the answers, its quantity, the label of the axis."""

    id: str
    heading: str
    quantity: str
    label: str


AMOUNT, SIZE, DIRECTION = "How much carbide, and of which kind", "How large", "How elongated and how banded"
QUESTIONS = (
    Question("amount", AMOUNT, "area_fraction", "area fraction of carbide, %"),
    Question("size", SIZE, "mean_ecd", "mean equivalent circle diameter, µm"),
    Question("largest", SIZE, "largest_ecd", "largest equivalent circle diameter seen, µm"),
    Question("elongation", DIRECTION, "elongation_along_rolling", "length along over width across rolling (1: equal)"),
    Question("banding", DIRECTION, "banding_beyond_random", "banding beyond random: band contrast² less chance"),
)  # fmt: skip
MAIN = ("area_fraction", "mean_ecd", "ecd_d50_by_area", "largest_ecd", "elongation_along_rolling", "anisotropy_index",
        "banding_beyond_random")  # fmt: skip
MORE = ("number_per_mm2", "area_weighted_ecd", "mean_aspect_ratio", "intercepts_along", "intercepts_across",
        "degree_of_orientation", "mean_free_path")  # fmt: skip
EVERY_PAIR = "Every pair stands in comparison.csv."
MEANING_OF_LETTERS = (
    "Bars that share a letter are not told apart: no difference stands between them when all tests of this study are "
    "taken together (Holm). That is not alike."
)


@dataclass(frozen=True, eq=False)
class Bars:
    """Bars of a study in its order, with what the letters and the figures need."""

    names: Sequence[str]
    specimens: pd.DataFrame
    comparison: pd.DataFrame
    reference: str = ""

    def row(self, bar: str, quantity: str) -> dict[Any, Any]:
        """Row of specimens.csv of all carbides; empty where there is none."""
        return self._rows.get((bar, quantity), {})

    @cached_property
    def _rows(self) -> dict[tuple[str, str], dict[Any, Any]]:
        every = self.specimens[self.specimens["carbide_class"] == "all"].to_dict("records")
        return {(str(r["specimen"]), str(r["quantity"])): r for r in every}

    def ends(self, bar: str, quantity: str) -> tuple[float, float, float]:
        """Value and ends of the interval as printed; NaN where unknown."""
        return ends_of(self.row(bar, quantity), factor=printed_factor(quantity))

    def letters(self, quantity: str) -> dict[str, str]:
        """Letters of the bars, from the largest value down; none for two bars or beside a reference."""
        from micro.comparison.findings import letters_of

        if self.reference or len(self.names) < LETTERED:
            return {}
        order = sorted(self.names, key=lambda bar: -self.ends(bar, quantity)[0])
        return letters_of(self.comparison, quantity, order)

    def against(self, bar: str, quantity: str) -> dict[Any, Any]:
        """Row of comparison.csv of a bar against the reference; empty where there is none."""
        own = self.comparison
        own = own[(own["specimen_a"] == self.reference) & (own["specimen_b"] == bar) & (own["carbide_class"] == "all")]
        rows = own[own["quantity"].isin([quantity, "all"])].to_dict("records")
        return rows[0] if rows else {}


def measured_bars(names: Sequence[str], specimens: pd.DataFrame, comparison: pd.DataFrame, reference: str = "") -> Bars:
    """Bars that have a measured field."""
    measured = set(specimens["specimen"])
    kept = [name for name in names if name in measured]
    return Bars(kept, specimens, comparison, reference if reference in kept else "")


def forest_figures(bars: Bars, save: Save) -> dict[str, list[PageFigure]]:
    """Figures under the headings of the questions; none for a single bar."""
    found: dict[str, list[PageFigure]] = {}
    for question in QUESTIONS if len(bars.names) >= FEWEST_BARS else ():
        rows = list(_forest_rows(bars, question))
        if any(math.isfinite(row.value) for row in rows):
            figure = save(
                f"bars_{question.id}", 1, height_in(len(rows)),
                partial(draw_forest, rows=rows, label=question.label, signed=BY_NAME[question.quantity].lowest < 0),
                _caption(bars, question),
                f"{question.label} of every bar, with its 95 % interval.",
            )  # fmt: skip
            found.setdefault(question.heading, []).append(figure)
    return found


def _forest_rows(bars: Bars, question: Question) -> Iterator[ForestRow]:
    letters = bars.letters(question.quantity)
    for bar in bars.names:
        yield ForestRow(bar, *bars.ends(bar, question.quantity), letters.get(bar, ""), bar == bars.reference)


def _caption(bars: Bars, question: Question) -> str:
    said = [f"{capital(BY_NAME[question.quantity].words)} of every bar; lines are 95 % intervals."]
    if bars.reference:
        said.append(f"The band is the interval of {bars.reference}, the reference.")
    elif bars.letters(question.quantity):
        said.append("Bars that share a letter are not told apart.")
    return " ".join(said)


def how_apart(letters: Mapping[str, str], bars: Sequence[str]) -> str:
    """Whether "none", "every" or "some" of the pairs of bars are told apart; a bar without letters was not judged."""
    used = set("".join(letters.values()))
    if len(used) == 1:
        return "none"
    return "every" if len(used) == len(bars) and all(len(own) == 1 for own in letters.values()) else "some"


def letter_sentences(bars: Bars) -> list[str]:
    """Say for each question how far the bars are told apart; nothing without letters."""
    told = (letter_sentence(bars, quantity) for quantity, _ in DIFFERENCES)
    return [sentence for sentence in told if sentence]


def letter_sentence(bars: Bars, quantity: str) -> str:
    """Say which bars are told apart in one quantity, from the largest value down."""
    from micro.comparison.findings import uncompared
    from micro.comparison.pairs import DIFFERS

    letters = bars.letters(quantity)
    words = capital(BY_NAME[quantity].words_of_fields)
    if not letters:
        return ""
    tail = _not_judged(bars, quantity)
    if how_apart(letters, bars.names) == "none":
        return f"{words}: no bar is told apart from any other{tail}."
    if how_apart(letters, bars.names) == "every":
        return f"{words}: every bar is told apart from every other, {', '.join(letters)} from most to least{tail}."
    if len(letters) > MOST_LISTED:
        unlike = bars.comparison[bars.comparison["verdict"] == DIFFERS]
        told = ((unlike["carbide_class"] == "all") & (unlike["quantity"] == quantity)).sum()
        pairs = math.comb(len(bars.names), 2) - len(uncompared(bars.comparison, quantity, bars.names))
        return f"{words}: {told} of {pairs} pairs of bars are told apart; the letters in the table say which{tail}."
    shown = ", ".join(f"{bar} {own}" for bar, own in letters.items())
    return f"{words}: {shown}; bars that share a letter are not told apart{tail}."


def _not_judged(bars: Bars, quantity: str) -> str:
    """How many pairs of bars nobody compared in a quantity."""
    from micro.comparison.findings import uncompared

    pairs = len(uncompared(bars.comparison, quantity, bars.names))
    return f" ({pairs} pair{'s' * (pairs != 1)} not judged)" if pairs else ""


def extremes_sentence(bars: Bars, quantity: str) -> str:
    """Say which bars have the most and the least of a quantity; empty where fewer than two are known."""
    known = {bar: bars.ends(bar, quantity) for bar in bars.names}
    known = {bar: ends for bar, ends in known.items() if math.isfinite(ends[0])}
    if len(known) < FEWEST_BARS:
        return ""
    most, least = max(known, key=lambda b: known[b][0]), min(known, key=lambda b: known[b][0])
    unit = printed_unit(quantity, str(bars.row(most, quantity).get("unit") or "")).replace("nan", "")
    return (
        f"{capital(BY_NAME[quantity].words)}{f', {unit}' if unit else ''}: most in {most}, {with_ends(*known[most])}; "
        f"least in {least}, {with_ends(*known[least])}."
    )


def printed_bars(bars: Bars) -> Iterator[str]:
    """Lines of the terminal: under each main quantity every bar with its interval and letters."""
    wide = max((len(bar) for bar in bars.names), default=0)
    for quantity in MAIN:
        if any(math.isfinite(bars.ends(bar, quantity)[0]) for bar in bars.names):
            letters = bars.letters(quantity)
            yield capital(_heading(bars, quantity))
            for bar in bars.names:
                yield f"  {bar:<{wide}}  {with_ends(*bars.ends(bar, quantity)):<28}{letters.get(bar, '')}".rstrip()


def bars_table(bars: Bars, quantities: Sequence[str]) -> PageTable:
    """Values with their intervals below them, a row a bar; letters behind the values."""
    shown = [q for q in quantities if any(math.isfinite(bars.ends(bar, q)[0]) for bar in bars.names)]
    letters = {q: bars.letters(q) for q in shown}
    rows = [(bar, *(stacked(bars.ends(bar, q), letters[q].get(bar, "")) for q in shown)) for bar in bars.names]
    return PageTable("", ("bar", *(_heading(bars, q) for q in shown)), rows)


def stacked(ends: tuple[float, float, float], letters: str = "") -> str:
    """Write a value with the ends of its interval below it, and letters behind it."""
    value, low, high = ends
    if not math.isfinite(value):
        return "unknown"
    if not (math.isfinite(low) and math.isfinite(high)):
        return f"{figures(value, 0)}\n(interval unknown)"
    half = (high - low) / 2
    return f"{figures(value, half)} {letters}".rstrip() + f"\n({figures(low, half)} to {figures(high, half)})"


def _heading(bars: Bars, quantity: str) -> str:
    units = [bars.row(bar, quantity).get("unit") for bar in bars.names]
    unit = printed_unit(quantity, next((u for u in units if isinstance(u, str)), ""))
    name = plain_name(quantity).partition(" (")[0]
    return f"{name}, {unit}" if unit else name


def reference_table(bars: Bars) -> PageTable:
    """Each bar against the reference: ratio or difference with its interval, and the verdict below it."""
    others = [bar for bar in bars.names if bar != bars.reference]
    shown = [q for q in GLANCED if BY_NAME[q].compared]
    rows = [(bar, *(_effect(bars.against(bar, q), q) for q in shown)) for bar in others]
    note = f"× is a ratio; + and − are differences, in percentage points for shares. {EVERY_PAIR}"
    names = (plain_name(q).partition(" (")[0] for q in shown)
    return PageTable(f"Against {bars.reference}", ("bar", *names), rows, note)


def _effect(row: dict[Any, Any], quantity: str) -> str:
    value, low, high = ends_of(row, "estimate")
    if not math.isfinite(value):
        return str(row.get("verdict", "not compared"))
    if row["kind"] == "ratio":
        return f"× {with_ends(value, low, high)}\n{row['verdict']}"
    factor = printed_factor(quantity)
    return f"{'+' if value > 0 else ''}{with_ends(factor * value, factor * low, factor * high)}\n{row['verdict']}"


GLANCED = ("area_fraction", "mean_ecd", "largest_ecd", "anisotropy_index")
HEADS = {
    "area fraction A_A, %": "carbide, area %",
    "mean carbide diameter, µm": "mean ECD, µm",
    "largest carbide seen, µm": "largest ECD seen, µm",
}
DIFFERENCES = (
    ("area_fraction", "amount"), ("mean_ecd", "mean size"), ("largest_ecd", "largest carbide"),
    ("anisotropy_index", "anisotropy"), ("banding_beyond_random", "banding"),
)  # fmt: skip
GLANCE_NOTE = (
    "Brackets hold 95 % intervals. Area % of a section is an estimate of volume % of the steel; ECD is the diameter of "
    "the circle of equal area. AI is 1 where nothing is elongated along rolling. The swing is that of the amount of "
    "carbide across bands, root mean square beyond chance, in % of its mean. Classes bear the names that you gave "
    "to grey levels: no picture proves them."
)


def glance_section(study: Study, bars: Bars, answer: Analysis) -> PageSection | None:
    """One table of all bars with the sentences above it; None for a single bar."""
    if len(bars.names) < FEWEST_BARS:
        return None
    columns = [column for column in _glance_columns(study, bars, answer) if any(column[1].values())]
    table = bars_table(bars, GLANCED)
    rows = [(*row, *(cells.get(row[0], "") for _, cells in columns[1:])) for row in table.rows]
    kinds = columns[0][1]
    rows = [(row[0], kinds.get(row[0], ""), *row[1:]) for row in rows]
    shown = (HEADS.get(head, head) for head in table.columns[1:])
    heads = (table.columns[0], columns[0][0], *shown, *(head for head, _ in columns[1:]))
    lettered = not bars.reference and len(bars.names) >= LETTERED
    tables = [
        PageTable("", heads, rows, f"{GLANCE_NOTE} {MEANING_OF_LETTERS} {EVERY_PAIR}" if lettered else GLANCE_NOTE)
    ]
    if bars.reference and len(bars.names) > FEWEST_BARS:
        tables.append(reference_table(bars))
    said = [*(difference_lines(bars) or _pair_line(bars, answer)), *toughness_lines(answer)]
    return PageSection("bars", "At a glance", lists=[("In short", said)] if said else (), tables=tables, folded=False)


def _glance_columns(study: Study, bars: Bars, answer: Analysis) -> list[tuple[str, Mapping[str, str]]]:
    """Headings, with a cell a bar, beside the quantities; the first stands before them."""
    routes = {s.name: route_words(s.route) for s in study.specimens}
    kinds = {}
    for bar in bars.names:
        own = bars.specimens.loc[bars.specimens["specimen"] == bar, "carbide_class"]
        named = ", ".join("not named" if c.startswith(UNNAMED) else c for c in dict.fromkeys(own) if c != "all")
        kinds[bar] = "\n".join(part for part in (routes.get(bar, ""), named) if part)
    return [
        ("route, carbide classes", kinds),
        ("banded fields; swing of the amount", {bar: _banded(bars, bar) for bar in bars.names}),
        ("Cr left in the matrix, %", _chromium(answer)),
        ("toughness, transverse over longitudinal", _ratios_across(answer)),
    ]


def _banded(bars: Bars, bar: str) -> str:
    """Fields banded beyond chance, and whether so many show banding."""
    count = _banded_count(bars, bar)
    if count is None:
        return "cannot tell"
    banded, fields = count
    shown = banding_shown(banded, fields)
    counted = f"{banded} of {fields} {'shown' if shown else 'may be chance' if banded else 'none'}"
    return "\n".join(part for part in (counted, band_swing(bars.row(bar, "banding_beyond_random"), shown)) if part)


def _chromium(answer: Analysis) -> dict[str, str]:
    rows = answer.matrix[answer.matrix["element"] == "Cr"].to_dict("records")
    return {str(r["specimen"]): stacked(ends_of(r, "in_matrix")) for r in rows}


def _ratios_across(answer: Analysis) -> dict[str, str]:
    if answer.coupons is None:
        return {}
    rows = answer.coupons.ratios.to_dict("records")
    return {str(r["group"]): stacked(ends_of(r, "ratio")) for r in rows}


APART = {
    "none": "No bar is told apart from any other in {}.",
    "every": "Every bar is told apart from every other in {}.",
    "some": "Some bars are told apart in {}: those that share no letter.",
}


def difference_lines(bars: Bars) -> list[str]:
    """Say in what all bars are told apart, in what none, and in what some; nothing without letters."""
    groups: dict[str, list[str]] = {}
    for quantity, words in DIFFERENCES:
        letters = bars.letters(quantity)
        if letters:
            told = how_apart(letters, bars.names)
            each = ", ".join(f"{bar} {own}" for bar, own in letters.items())
            listed = f" ({each})" if told == "some" and len(letters) <= MOST_LISTED else ""
            groups.setdefault(APART[told], []).append(words + listed + _not_judged(bars, quantity))
    return [*(kind.format(joined(words)) for kind, words in groups.items()), *_bands_shown(bars)]


def _bands_shown(bars: Bars) -> list[str]:
    """Say which bars have bands and which show none, where their strength tells no two bars apart.

    That bands are there is tested in each bar by itself; their strength scatters much from field to field.
    """
    counts = {bar: _banded_count(bars, bar) for bar in bars.letters("banding_beyond_random")}
    shown = [bar for bar, count in counts.items() if count and banding_shown(*count)]
    none = [bar for bar, count in counts.items() if count and count[0] == 0]
    if not (shown and none) or how_apart(bars.letters("banding_beyond_random"), bars.names) != "none":
        return []
    return [
        f"Bands are shown in {joined(shown)}, and in no field of {joined(none)}; that no pair is told apart is their "
        "strength, which these fields do not tell well enough."
    ]


def _banded_count(bars: Bars, bar: str) -> tuple[int, int] | None:
    """Banded fields, and those that can tell; None where none can."""
    row = bars.row(bar, "banded_fields_share")
    share, fields = float(row.get("mean", math.nan)), int(row.get("fields", 0) or 0)
    return (round(share * fields), fields) if math.isfinite(share) and fields else None


def _pair_line(bars: Bars, answer: Analysis) -> list[str]:
    """Say what sets the only pair of bars apart, or why it was not compared."""
    from micro.report.summary import difference_sentences

    return difference_sentences(bars, answer, {}) if len(bars.names) == FEWEST_BARS else []


def toughness_lines(answer: Analysis) -> list[str]:
    """Say which bars are weaker across rolling beyond scatter, and whether the structure explains it."""
    from micro.report.explanation import explained

    said = []
    if answer.coupons is not None and len(answer.coupons.ratios):
        verdicts: dict[str, list[str]] = {}
        for row in answer.coupons.ratios.to_dict("records"):
            verdicts.setdefault(str(row["verdict"]), []).append(str(row["group"]))
        told = [f"{words} in {joined(verdicts[verdict])}" for verdict, words in GAPS.items() if verdict in verdicts]
        said.append("Toughness across rolling, against along: " + "; ".join(told) + ".")
    return [*said, *explained(answer)]


GAPS = {
    "transverse lower": "lower beyond scatter",
    "transverse higher": "higher beyond scatter",
    "within scatter": "no gap beyond scatter",
    "cannot tell": "cannot tell",
}
