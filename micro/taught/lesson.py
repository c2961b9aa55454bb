"""What a count teaches of one specimen: which outlines, how far they and the map err, the area fraction put right."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from micro.taught.corrected import Corrected, CountedField, Fraction, corrected_fraction, counted_fraction
from micro.taught.judged import Wanted, choose, outline_errors, reliability

FloatArray = NDArray[np.float64]
Numbers = tuple[float, ...]
ALL = "all"
AMOUNTS = ("corrected", "counted")
# As many thumbnails as fit in two rows of the report (chosen).
WORST = 12


@dataclass(frozen=True, eq=False)
class LessonField:
    """One counted field as an estimator sees it.

    Parameters
    ----------
    x_px, y_px
        (points,) places.
    by_map
        By class name, "all" among them: answers and the map that has not seen them.
    own, outlined
        (points,) 1 inside the program's own outlines, and inside those drawn on the map.
    own_share
        Share of the field inside its own outlines.
    """

    name: str
    x_px: FloatArray
    y_px: FloatArray
    by_map: Mapping[str, CountedField]
    own: FloatArray
    outlined: FloatArray
    own_share: float

    def even(self, values: FloatArray) -> FloatArray:
        """(points of an even draw,) of (points,) values: a share of these is a share of the area."""
        return values[self.by_map[ALL].even]

    @property
    def by_own(self) -> CountedField:
        """Answers beside the own outlines: a map of 0 and 1 that has seen no answer at all."""
        every = self.by_map[ALL]
        return CountedField(every.answers, self.own, self.own_share, every.weights, every.draw)


@dataclass(frozen=True, eq=False)
class Uncounted:
    """A field that nobody counted: mean of its map by class name, "all" among them, and its share in own outlines."""

    by_map: Mapping[str, float]
    own_share: float


@dataclass(frozen=True)
class Amount:
    """Area fraction of one class by one way: value, low, high of the specimen, and of the mean of just its fields.

    `std` is the standard deviation between fields, without the scatter that the points add.
    """

    specimen: Numbers
    these_fields: Numbers
    std: float


@dataclass(frozen=True)
class Lesson:
    """All that the report and the tables say of one taught specimen; plain numbers and texts, kept as JSON.

    Parameters
    ----------
    fields, points, counters
        Fields and points that were counted, and people who counted.
    further
        Points among them that were drawn where the map was unsure; agreements and errors of outlines are told of the
        others, each of which stands for the same area.
    beside
        Fields that nobody counted, whose maps tell of the scatter between fields.
    wanted, chosen
        Outlines asked for, and used.
    own_agreement, taught_agreement
        Share of the answers that each agree with: value, low, high.
    for_taught, for_own, p_value
        Points where only one of both is right, and the exact test of that.
    corrected, counted, mapped
        Area fraction by class: map put right by the points, points alone, and mean of the map alone.
    corrected_with
        Map that was put right: "taught map" or "own outlines", whichever left less scatter.
    field_values
        By class and field: corrected value, low, high.
    false_area, missed_area
        Share of the outlined area that is matrix, and of the carbide outside of the outlines: value, low, high.
    number_factors, size_factors
        Lowest and highest true number and size over the one outlined.
    reliability
        probability, answer, low, high and points of each bin.
    worst
        Points that map and answer are farthest apart at: field, x_px, y_px, probability, answer.
    outside
        By field: share of its pixels that look like nothing that was taught.
    """

    specimen: str
    fields: int
    points: int
    further: int
    beside: int
    counters: int
    wanted: str
    chosen: str
    own_agreement: Numbers
    taught_agreement: Numbers
    for_taught: int
    for_own: int
    p_value: float
    corrected: dict[str, Amount]
    counted: dict[str, Amount]
    mapped: dict[str, float]
    corrected_with: str
    field_values: dict[str, dict[str, Numbers]]
    false_area: Numbers
    missed_area: Numbers
    number_factors: Numbers
    size_factors: Numbers
    reliability: tuple[Numbers, ...]
    worst: tuple[dict[str, Any], ...]
    outside: dict[str, float]

    @classmethod
    def read(cls, kept: Mapping[str, Any]) -> Lesson:
        """From what `dataclasses.asdict` made of it; KeyError or TypeError where it is something else."""
        amounts = {way: {name: Amount(**one) for name, one in kept[way].items()} for way in AMOUNTS}
        return cls(**{**kept, **amounts})

    @property
    def origin(self) -> str:
        """Where the area fraction comes from, for tables."""
        return f"corrected by {self.points} points of a count"


def learn_of(
    specimen: str, fields: Sequence[LessonField], wanted: Wanted, chosen: str | None = None,
    outside: Mapping[str, float] | None = None, beside: Sequence[Uncounted] = (),
) -> Lesson:  # fmt: skip
    """Judge outlines and map of one specimen by its counted fields, and put its area fraction right.

    Parameters
    ----------
    fields
        Counted fields of the specimen; none where only other specimens of its map were counted.
    wanted
        "own", "taught" or "better".
    chosen
        Outlines chosen elsewhere, for a specimen without a counted field.
    outside
        By field: share of its pixels that look like nothing taught.
    beside
        Fields of the specimen that nobody counted; those outside of what was taught do not enter.
    """

    def pooled(of: Callable[[LessonField], FloatArray]) -> FloatArray:
        return np.concatenate([of(f) for f in fields] or [np.empty(0)])

    every, at_map = pooled(lambda f: f.by_map[ALL].score), pooled(lambda f: f.by_map[ALL].map_at_points)
    score = pooled(lambda f: f.even(f.by_map[ALL].score))
    own, outlined = pooled(lambda f: f.even(f.own)), pooled(lambda f: f.even(f.outlined))
    choice = choose(own, outlined > 0.5, score, wanted)
    chosen = chosen if chosen is not None and wanted == "better" else choice.chosen
    errors = outline_errors((outlined if chosen == "taught" else own) > 0.5, score)
    corrected, counted, mapped, with_what = _amounts(fields, chosen, beside)
    return Lesson(
        specimen=specimen,
        fields=len(fields),
        points=int(np.isfinite(every).sum()),
        further=int(np.isfinite(every).sum() - np.isfinite(score).sum()),
        beside=len(beside),
        counters=max((np.atleast_2d(f.by_map[ALL].answers).shape[0] for f in fields), default=0),
        wanted=wanted,
        chosen=chosen,
        own_agreement=choice.own,
        taught_agreement=choice.taught,
        for_taught=choice.for_taught,
        for_own=choice.for_own,
        p_value=choice.p_value,
        corrected={name: _amount(one) for name, one in corrected.items()},
        counted={name: _amount(one) for name, one in counted.items()},
        mapped=mapped,
        corrected_with=with_what,
        field_values={name: _each(fields, one) for name, one in corrected.items()},
        false_area=errors.false_area,
        missed_area=errors.missed_area,
        number_factors=errors.number_factors,
        size_factors=errors.size_factors,
        reliability=tuple(reliability(np.clip(at_map, 0, np.nextafter(1, 0)), every)),
        worst=_worst(fields),
        outside=dict(outside or {}),
    )


def _amounts(
    fields: Sequence[LessonField], chosen: str, beside: Sequence[Uncounted]
) -> tuple[dict[str, Corrected], dict[str, Corrected], dict[str, float], str]:
    """Corrected and counted area fraction and mean of the map by class, and which map was put right."""
    if not fields:
        return {}, {}, {}, "taught map"
    every = {name: [f.by_map[name] for f in fields] for name in fields[0].by_map}
    corrected = {
        name: corrected_fraction(own, [one.by_map.get(name, 0.0) for one in beside]) for name, own in every.items()
    }
    with_what = "taught map"
    if chosen == "own":
        # Any map that has not seen the answers may be put right; the better one leaves less scatter.
        by_own = corrected_fraction([f.by_own for f in fields], [one.own_share for one in beside])
        if by_own.within < corrected[ALL].within:
            corrected[ALL], with_what = by_own, "own outlines"
    counted = {name: counted_fraction(own) for name, own in every.items()}
    mapped = {name: float(np.mean([np.mean(f.map_mean) for f in own])) for name, own in every.items()}
    return corrected, counted, mapped, with_what


def _each(fields: Sequence[LessonField], found: Corrected) -> dict[str, Numbers]:
    return {field.name: _three(value) for field, value in zip(fields, found.fields, strict=True)}


def _amount(found: Corrected) -> Amount:
    between = found.between if math.isfinite(found.between) else math.nan
    return Amount(_three(found.of_the_specimen), _three(found.of_the_fields), math.sqrt(between))


def _three(fraction: Fraction) -> Numbers:
    value = min(max(fraction.value, 0.0), 1.0)
    return value, fraction.low, fraction.high


def _worst(fields: Sequence[LessonField]) -> tuple[dict[str, Any], ...]:
    """Points with the widest gap between map and answer, the widest first."""
    rows = [
        (abs(float(a) - float(p)), k, f.name, float(x), float(y), float(p), float(a))
        for k, f in enumerate(fields)
        for x, y, p, a in zip(f.x_px, f.y_px, f.by_map[ALL].map_at_points, f.by_map[ALL].score, strict=True)
        if math.isfinite(a)
    ]
    rows.sort(key=lambda row: (-row[0], row[1:5]))
    names = ("field", "x_px", "y_px", "probability", "answer")
    return tuple(dict(zip(names, row[2:], strict=True)) for row in rows[:WORST])
