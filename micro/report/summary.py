"""The summary at the top of the report: the questions of a study answered in words."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pandas as pd

from micro.analysis import Analysis
from micro.points.wording import capital, heading, verdict_sentence
from micro.report.bars import (
    AMOUNT,
    DIRECTION,
    LETTERED,
    QUESTIONS,
    SIZE,
    Bars,
    extremes_sentence,
    letter_sentences,
    measured_bars,
)
from micro.report.explanation import explained
from micro.report.page import PageAnswer
from micro.report.wording import (
    band_swing,
    ends_of,
    figures,
    if_alike,
    joined,
    listed,
    one_class,
    printed_factor,
    route_words,
    with_ends,
    with_ends_of,
    with_unit,
)
from micro.segmentation.segmentation import UNNAMED
from micro.specimens.quantities import BY_NAME, banding_shown
from micro.study.model import Specimen, Study

if TYPE_CHECKING:
    from micro.comparison.findings import PairFindings

COMPARED = ("area_fraction", "mean_ecd", "largest_ecd", "anisotropy_index", "banding_beyond_random")
ESTIMATES = "Area % of a section is an estimate of volume % of the steel; all percentages of carbide below are area %."


def summary_parts(study: Study, specimens: pd.DataFrame, answer: Analysis, bars: Bars) -> list[PageAnswer]:
    """Questions with their answers, in the order a reader asks; questions without an answer are left out.

    Where bars are many, sentences on each of them fold.
    """
    own = [(s, _Values(specimens[specimens["specimen"] == s.name])) for s in study.specimens]
    measured = [(s, values) for s, values in own if values.classes]
    missing = [f"{s.name}: no field was measured." for s, values in own if not values.classes]
    holding = [(s, values) for s, values in measured if values.mean("area_fraction") > 0]
    parts = [
        _answer(bars, AMOUNT, [*(amount_sentence(s, v) + film_words(v) for s, v in measured), *missing], ESTIMATES),
        _answer(bars, SIZE, [size_sentence(s, v) for s, v in holding]),
        _answer(bars, DIRECTION, [direction_sentence(s, v) for s, v in holding]),
        PageAnswer(DIFFER, difference_sentences(bars, answer, _routes(study))),
        PageAnswer("What the matrix keeps", (), matrix_sentences(answer.matrix, _routes(study)), MATRIX_NOTE),
        PageAnswer("Toughness along and across rolling", toughness_sentences(answer)),
        PageAnswer("How sure", [*sureness_sentences(measured, answer)]),
    ]
    many = len(bars.names) > MOST_IN_WORDS
    return [replace(part, folded=many) for part in parts if part.sentences or part.each_bar]


DIFFER = "How the specimens differ"
MATRIX_NOTE = "By mass balance, wt % of the matrix; the part below says what it leaves out."


def _answer(bars: Bars, question: str, each_bar: list[str], note: str = "") -> PageAnswer:
    """Answer with the extremes first where there are too many bars to read them one by one."""
    extremes: list[str] = []
    if len(bars.names) > MOST_IN_WORDS:
        own = (q.quantity for q in QUESTIONS if q.heading == question)
        extremes = [sentence for q in own if (sentence := extremes_sentence(bars, q))]
    return PageAnswer(question, extremes, each_bar, note)


MOST_IN_WORDS = 4
"""Bars up to which each has its sentences in sight. Chosen."""


def study_bars(study: Study, specimens: pd.DataFrame, answer: Analysis) -> Bars:
    """Measured bars of a study."""
    return measured_bars([s.name for s in study.specimens], specimens, answer.comparison, study.reference)


def answer_sentences(study: Study, specimens: pd.DataFrame, answer: Analysis) -> list[str]:
    """Say what the comparison, the coupons and the structure tell, the main points only."""
    bars = study_bars(study, specimens, answer)
    return [*difference_sentences(bars, answer, _routes(study)), *toughness_sentences(answer)]


class _Values:
    """Values of one specimen with their 95 % intervals."""

    def __init__(self, own: pd.DataFrame) -> None:
        self.classes = list(dict.fromkeys(own["carbide_class"]))
        self.fields = 0 if own.empty else int(own["fields"].max())
        rows = own.to_dict("records")
        self._found = {(str(r["carbide_class"]), str(r["quantity"])): r for r in rows}

    def mean(self, quantity: str, carbide_class: str = "all") -> float:
        return float(self._found.get((carbide_class, quantity), {}).get("mean", math.nan))

    def fields_of(self, quantity: str) -> int:
        return int(self.row(quantity).get("fields", 0))

    def accuracy_pct(self, quantity: str) -> float:
        return float(self.row(quantity).get("relative_accuracy_pct", math.nan))

    def row(self, quantity: str) -> dict[Any, Any]:
        """Row of all carbides; empty where there is none."""
        return self._found.get(("all", quantity), {})

    def scatter_share(self, quantity: str) -> float:
        """Share of the scatter between fields in the variance of the mean; NaN where unknown."""
        row = self.row(quantity)
        scatter = float(row.get("std", math.nan)) / math.sqrt(max(self.fields_of(quantity), 1))
        half = (float(row.get("ci95_high", math.nan)) - float(row.get("ci95_low", math.nan))) / 2
        return (2 * scatter / half) ** 2 if half > 0 else math.nan

    def told(self, quantity: str, unit: str = "", carbide_class: str = "all", factor: float = 1.0) -> str:
        """Value with unit, then its interval in brackets."""
        row = self._found.get((carbide_class, quantity), {})
        return if_alike(with_unit(with_ends_of(row, factor=factor), unit), str(row.get("interval_of", "")))


def named(specimen: Specimen) -> str:
    """Name of a specimen with its route."""
    return f"{specimen.name}, {route_words(specimen.route)}" if specimen.route else specimen.name


def amount_sentence(specimen: Specimen, values: _Values) -> str:
    """Say how much carbide, and of which classes."""
    if values.mean("area_fraction") == 0:
        return f"{named(specimen)}: no carbide was found, {values.told('area_fraction', '%', factor=100)} of the area."
    if math.isnan(values.mean("area_fraction")):
        told = values.told("area_fraction", "%", factor=100)
        return f"{named(specimen)}: how much carbide is {told}; too many fields cannot tell."
    said = f"{named(specimen)}: {values.told('area_fraction', '%', factor=100)} of the area is carbide"
    classes = values.classes[1:]
    if not values.mean("area_fraction") > 0 or not classes:
        return f"{said}."
    if len(classes) == 1:
        name = one_class(values.classes)
        return f"{said}, all of one class{f', named {name} by you' if name else ''}."
    shares = (f"{c} {values.told('area_fraction', '%', c, 100)}" for c in classes)
    return f"{said}: {', '.join(shares)}{'' if classes[0].startswith(UNNAMED) else ', named so by you'}."


def film_words(values: _Values) -> str:
    """Say how much of it is in films and how thick these are; nothing where none were measured."""
    if not values.mean("film_area_fraction") > 0:
        return ""
    area, thick = values.told("film_area_fraction", "%", factor=100), values.told("film_thickness", "µm")
    return f" Of it {area} of the area are films, {thick} thick; sizes and shapes below are of the rest."


SIZES_UNKNOWN = "how small half of the carbides are is unknown"
SHAPE_UNKNOWN = "how long carbides are along rolling is unknown"


def size_sentence(specimen: Specimen, values: _Values) -> str:
    """Say the median by number and by area, and the largest seen, as circle diameters."""
    known = math.isfinite(values.mean("ecd_d50"))
    by_number = f"half of the carbides are smaller than {values.told('ecd_d50', 'µm')}" if known else SIZES_UNKNOWN
    return (
        f"{specimen.name}: {by_number}, half of the carbide area lies in carbides smaller than "
        f"{values.told('ecd_d50_by_area', 'µm')}; the largest seen measures {values.told('largest_ecd', 'µm')}."
    )


def direction_sentence(specimen: Specimen, values: _Values) -> str:
    """Say elongation, anisotropy and in how many fields bands go beyond chance."""
    known = math.isfinite(values.mean("elongation_along_rolling"))
    ratio = values.told("elongation_along_rolling")
    longer = f"carbides are {ratio} times as long along rolling as wide across it" if known else SHAPE_UNKNOWN
    return f"{specimen.name}: {longer}, anisotropy index {values.told('anisotropy_index')}; {banding_words(values)}."


def banding_words(values: _Values) -> str:
    """Say whether the fields are banded: how many beyond chance, and whether so many could be chance too."""
    share, fields = values.mean("banded_fields_share"), values.fields_of("banded_fields_share")
    if not math.isfinite(share) or not fields:
        return "too few carbides to tell bands from chance"
    banded = round(share * fields)
    told = f"{banded} of {fields} fields banded beyond chance" if fields > 1 else "the field is banded beyond chance"
    if not banded:
        return f"no field is banded beyond chance{_swing_words(values)}{_row_words(values)}"
    if not banding_shown(banded, fields):
        return (
            f"{told}, but so many may be chance as well: no banding is shown{_swing_words(values)}{_row_words(values)}"
        )
    wide = values.mean("bands_too_wide_share")
    if not math.isfinite(values.mean("band_spacing")):
        return f"{told}; the bands are wider than what such fields can show: take larger ones or a mosaic"
    if wide > 0:
        told += f" ({round(wide * fields)} of them with bands wider than the field can show)"
    return f"{told}, with bands {values.told('band_spacing', 'µm')} apart{_swing_words(values, shown=True)}"


def _swing_words(values: _Values, shown: bool = False) -> str:
    """Say by how much the amount of carbide swings across bands, where none are shown the most it may."""
    swing = band_swing(values.row("banding_beyond_random"), shown)
    if not swing:
        return ""
    across = ", across which" if shown else "; across rolling"
    return f"{across} the amount of carbide swings beyond chance by {swing} of its mean (root mean square)"


def _row_words(values: _Values) -> str:
    """Say that carbides lie in rows, where they do."""
    if not values.mean("row_power") > 1:
        return ""
    return (
        f"; {values.told('stringer_share', '%', factor=100)} of the carbides lie in rows along rolling (stringers), "
        f"{values.told('stringer_share_at_random', '%', factor=100)} would at random"
    )


def _routes(study: Study) -> dict[str, str]:
    return {s.name: named(s) for s in study.specimens}


def difference_sentences(bars: Bars, answer: Analysis, shown: dict[str, str]) -> list[str]:
    """One sentence for two bars, one for each against the reference, or the letters of many."""
    if not bars.reference and len(bars.names) >= LETTERED:
        return letter_sentences(bars)
    if answer.comparison.empty:
        return []
    from micro.comparison.findings import findings

    pairs = findings(answer.comparison)
    if bars.reference:
        pairs = [pair for pair in pairs if pair.specimen_a == bars.reference]
    return [pair_sentence(pair, answer.comparison, shown) for pair in pairs]


def pair_sentence(pair: PairFindings, comparison: pd.DataFrame, shown: dict[str, str]) -> str:
    """Say what sets one pair apart."""
    both = (comparison["specimen_a"] == pair.specimen_a) & (comparison["specimen_b"] == pair.specimen_b)
    rows = comparison[both & (comparison["carbide_class"] == "all")].to_dict("records")
    told = [effect_words(row) for row in rows if row["quantity"] in COMPARED and row["verdict"] != "not compared"]
    b, a = (shown.get(name, name) for name in (pair.specimen_b, pair.specimen_a))
    head = f"{b}, against {a}: " if "," in b else f"{b} against {a}: "
    refused = [row["warning"] for row in rows if row["quantity"] == "all"]
    if refused:
        return f"{head}not compared, because {refused[0]}."
    counts = pair.summary.partition(": ")[2]
    return head + ("; ".join(told) + ". " if told else "") + capital(counts)


def effect_words(row: dict[Any, Any]) -> str:
    """Say one difference or ratio of a pair, and whether it stands."""
    words = BY_NAME[str(row["quantity"])].words_of_fields
    ends = ends_of(row, "estimate")
    if row["kind"] == "ratio":
        effect = f"{with_ends(*ends)} times as large"
    else:
        way = "higher" if ends[0] > 0 else "lower"
        factor = printed_factor(str(row["quantity"]))
        unit = " percentage points" if factor != 1 else ""
        low, high = sorted((abs(ends[1]), abs(ends[2])))
        if ends[1] * ends[2] < 0:
            return f"{words} no different beyond scatter ({with_ends(*(factor * end for end in ends))}{unit})"
        value, _, interval = with_ends(factor * abs(ends[0]), factor * low, factor * high).partition(" (")
        effect = f"{way} by {value}{unit}" + (f" ({interval}" if interval else "")
    return f"{words} {effect}" + ("" if row["verdict"] == "differs" else f", {row['verdict']}")


def matrix_sentences(matrix: pd.DataFrame, shown: dict[str, str]) -> list[str]:
    """One sentence a bar: what its matrix keeps in solution, by the names that the user gave to the carbides."""
    said = []
    for bar, own in matrix.groupby("specimen", sort=False):
        rows = own.to_dict("records")
        head = shown.get(str(bar), str(bar))
        message = str(rows[0]["message"] or "")
        kept = [
            f"{row['element']} {with_unit(with_ends_of(row, 'in_matrix'), '%')}"
            for row in rows
            if math.isfinite(row["in_matrix"])
        ]
        if not kept:
            said.append(f"{head}: not known, because {message}.")
            continue
        classes = str(rows[0]["carbides"]).replace(", ", " and ")
        tail = f" ({message})" if message else ""
        said.append(f"{head}: the matrix keeps {', '.join(kept)}, if what you named {classes} is that{tail}.")
    return said


def toughness_sentences(answer: Analysis) -> list[str]:
    """Say the transverse toughness ratio of each group, and whether the structure explains it."""
    said = []
    if answer.coupons is not None:
        said += [gap_sentence(row) for row in answer.coupons.ratios.to_dict("records")]
    return [*said, *explained(answer)]


def gap_sentence(row: dict[Any, Any]) -> str:
    """Say the transverse toughness ratio of one group."""
    if not math.isfinite(row["ratio"]):
        return f"{row['group']}: no ratio of transverse to longitudinal toughness."
    tail = {
        "transverse lower": "weaker across, beyond scatter",
        "transverse higher": "tougher across, beyond scatter",
        "within scatter": "no gap beyond the scatter of these test bars",
    }.get(str(row["verdict"]), str(row["verdict"]))
    return f"{row['group']}: transverse toughness is {with_ends_of(row, 'ratio')} times the longitudinal; {tail}."


def sureness_sentences(measured: list[tuple[Specimen, _Values]], answer: Analysis) -> Iterator[str]:
    """Say what the brackets mean, how narrow they are, and what has been checked."""
    if not measured:
        return
    yield (
        "Brackets hold 95 % intervals, made of the scatter between fields, the segmentation and the scale: of bars "
        "sampled so, 95 in 100 have their true mean inside."
    )
    known = [(s.name, v.accuracy_pct("area_fraction")) for s, v in measured if v.fields > 1]
    known = sorted((known_one for known_one in known if math.isfinite(known_one[1])), key=lambda one: one[1])
    if len(known) > MOST_IN_WORDS:
        known = [known[0], known[-1]]
    alone = len(measured) == 1
    told = [f"{figures(pct, pct)} % of its value{'' if alone else f' in {name}'}" for name, pct in known]
    if told:
        many = len(measured) > MOST_IN_WORDS
        span = f"within {told[0]} to {told[-1]}" if many else f"within {joined(told)}"
        yield f"The area fraction is known {span}.{_what_narrows([(s.name, v) for s, v in measured])}"
    single = [s.name for s, v in measured if v.fields == 1]
    if single:
        yield (
            f"One field was measured of {listed(single, MOST_IN_WORDS)}: its intervals hold if the bar is like that "
            "field (that of the largest carbide: for another such field), and where one is unknown the field cannot "
            "tell. Only more fields show how the bar scatters; bars "
            "are compared by that alone."
        )
    unknown = [m.name for m in answer.specimens if m.scale_relative_uncertainty is None]
    if unknown:
        whose = "" if alone else f", for {listed(unknown, MOST_IN_WORDS)}"
        yield f"The uncertainty of the scale is not known, and in no interval{whose}."
    if len(answer.chemistry):
        beyond = answer.chemistry[answer.chemistry["message"].fillna("") != ""]
        yield (
            "No measured fraction is more than the composition can hold."
            if beyond.empty
            else f"See the chemistry check of {joined(list(dict.fromkeys(beyond['specimen'])))}."
        )
    yield from count_sentences(answer)


def _what_narrows(measured: list[tuple[str, _Values]]) -> str:
    """Say in which bars more fields narrow the area fraction, and in which what all their fields share is the more."""
    share = [(name, v.scatter_share("area_fraction")) for name, v in measured if v.fields > 1]
    by_fields = [name for name, of_all in share if of_all >= 1 / 2]
    by_etch = [name for name, of_all in share if of_all < 1 / 2]
    said = ""
    if by_fields:
        said += f" More fields narrow {_that_of(by_fields, measured)}."
    if by_etch:
        said += (
            f" {capital(_that_of(by_etch, measured))} is limited by the segmentation (which grey is carbide, where "
            "its edge lies), in all fields alike: a better etch or a higher magnification helps more than fields."
        )
    return said


def _that_of(names: list[str], measured: list[tuple[str, _Values]]) -> str:
    if len(measured) == 1:
        return "it"
    return f"that of {joined(names) if len(names) <= MOST_IN_WORDS else listed(names, MOST_IN_WORDS)}"


UNCOUNTED = "Nobody has counted points on these fields yet; a blind count shares no fault with the program."


def count_sentences(answer: Analysis) -> Iterator[str]:
    """Say whether a count by people agrees."""
    if answer.count is None:
        return
    for bias in answer.count.bias:
        yield f"Point count, {heading(bias)}: {verdict_sentence(bias)}."
