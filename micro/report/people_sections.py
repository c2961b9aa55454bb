"""Sections of the report on what people did: points counted, outlines taught by a count, outlines put right by hand."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from micro import results
from micro.batch.job import Outcome
from micro.issues import issue
from micro.measures.within_field import WITHIN
from micro.owned import own
from micro.points.agreement import Agreement, most_apart
from micro.points.estimate import Bias, Interval
from micro.points.lessons import AREA, BY_OUTLINES, COUNT_THESE, POINT_FRACTION, THESE
from micro.points.wording import counter_lines, heading, number, percent, verdict_sentence
from micro.report.fields import data_address
from micro.report.page import PagePicture, PageSection, PageTable, Save
from micro.report.study_figures import draw_point_count, draw_reliability
from micro.report.wording import by_quantity, figures, listed, with_ends, with_ends_of
from micro.review.acts import acts_in_words
from micro.specimens.summary import area_fraction_of
from micro.study.model import Study
from micro.taught.lesson import ALL, Lesson

MOST_PICTURES = 12
CROP_PX, MAGNIFIED = 64, 4
ARM_PX, OPEN_PX = 40, 10
BEYOND_EDGE = 225
COUNTED = (
    "The same fields, counted on a grid without knowing the result (ASTM E562, ISO 9042). Points on a boundary count "
    "one half. The verdict rests on the counted points alone: the program's outlines were counted on the same points, "
    "so that the chance of where these fell is in both. Intervals are at 95 %. Every field stands in "
    "points.csv, every two counters in counters.csv.",
)
SCORES = {0.0: "out", 0.5: "boundary", 1.0: "in"}


def point_sections(agreement: Agreement, out: Path, save: Save) -> list[PageSection]:
    """Parts of the report about the count; `save` draws and writes a figure."""
    figure = save(
        "point_count", 2, 3.2, partial(draw_point_count, fields=agreement.fields, bias=agreement.bias),
        "Every field: counted over measured (left), and their difference over their mean (right) with the mean "
        "difference, its 95 % interval (band) and the limits that hold the next field in 95 of 100 (dashed). Counting "
        "noise is in both.",
        "Counted against measured fraction of every field, and the differences with their limits of agreement.",
    )  # fmt: skip
    verdicts = [f"{heading(b)}: {verdict_sentence(b)}" for b in agreement.bias]
    said = [*verdicts, *counter_lines(agreement.between), *agreement.messages]
    sections = [PageSection("point-count", "Point count by people", COUNTED, (), [("In words", said)], [figure], [
        count_table(agreement)
    ], printed=True)]  # fmt: skip
    pictures = apart_pictures(agreement, out)
    if pictures:
        text = ("The centre of the open cross is what was judged; the lines are the program's outlines.",)
        title = "Points at which count and outlines differ most"
        sections.append(PageSection("points-apart", title, text, pictures))
    return sections


def count_table(agreement: Agreement) -> PageTable:
    """Figures of the count, a row a specimen and class."""
    columns = (
        "specimen, class", "fields, points", "counted, %", "%RA", "measured, %",
        "count less measured, percentage points", "single fields within", "at the counted points alone",
        "more fields for the wanted %RA", "verdict",
    )  # fmt: skip
    return PageTable("Counted and measured", columns, [_count_cells(bias) for bias in agreement.bias])


def _count_cells(bias: Bias) -> tuple[str, ...]:
    p = bias.counted
    accuracy = f"{p.relative_accuracy_pct:.0f}" if math.isfinite(p.relative_accuracy_pct) else "unknown"
    limits = " to ".join(number(100 * limit, 1, "+") for limit in bias.limits)
    return (
        heading(bias), f"{p.fields}, {p.points}", with_ends(100 * p.mean, 100 * p.low, 100 * p.high), accuracy,
        percent(bias.measured), _interval_ends(bias.difference), limits if math.isfinite(bias.limits[0]) else "unknown",
        _interval_ends(bias.judged), "unknown" if bias.more_fields is None else str(bias.more_fields), bias.verdict,
    )  # fmt: skip


def _interval_ends(difference: Interval) -> str:
    return with_ends(100 * difference.value, 100 * difference.low, 100 * difference.high)


def apart_pictures(agreement: Agreement, out: Path) -> list[PagePicture]:
    """Pictures of the points at which counters and program differ most, also written to figures/points."""
    fields = results.read_table(out / results.FIELDS, ["specimen", "field", "file"])
    files = fields.drop_duplicates(["specimen", "field"]).set_index(["specimen", "field"])["file"]
    pictures: list[PagePicture] = []
    for row in most_apart(agreement.judged, MOST_PICTURES).to_dict("records"):
        outlined = cv2.imread(str(out / results.OUTLINES / f"{files[row['specimen'], row['field']]}.png"))
        if outlined is None:
            continue
        field_only = outlined[: _rows(out, files[row["specimen"], row["field"]])]
        shown = marked_crop(field_only, float(row["x_px"]), float(row["y_px"]))
        name = f"{results.FIGURES}/points/{len(pictures) + 1:02d}.png"
        own(out, [name])
        with results.whole_file(out / name) as stream:
            stream.write(cv2.imencode(".png", shown)[1].tobytes())
        words = point_in_words(row, several=bool((agreement.fields["counters"] > 1).any()))
        pictures.append(_about_point(shown, words))
    return pictures


def _about_point(shown: NDArray[np.uint8], words: str) -> PagePicture:
    """Picture of the page of a crop in blue, green, red."""
    return PagePicture(data_address(shown[..., ::-1]), words, f"Outlines about the point: {words}")


def _rows(out: Path, file: str) -> int:
    """Rows of a field, without the data bar and the legend that its outline picture has below."""
    import tifffile

    with tifffile.TiffFile(out / results.LABELS / f"{file}.tif") as labels:
        return int(labels.pages[0].shape[0])


def point_in_words(row: dict[Any, Any], several: bool) -> str:
    """Name a point, and say what one counter, or `several`, and the program made of it."""
    counted = f"{row['score']:.2g} on average" if several else SCORES[row["score"]]
    place = f"{row['specimen']} {row['field']}, point {row['point']:.0f}"
    return f"{place}: counted {counted}, outlined {SCORES[row['own_score']]}"


def marked_crop(picture: NDArray[np.uint8], x_px: float, y_px: float) -> NDArray[np.uint8]:
    """Magnified surroundings of a point, (CROP_PX·MAGNIFIED,) squared in colour, with an open cross about it."""
    half = CROP_PX // 2
    padded = np.pad(picture, ((half, half), (half, half), (0, 0)), constant_values=BEYOND_EDGE)
    left, top = int(x_px), int(y_px)
    crop = padded[top : top + CROP_PX, left : left + CROP_PX]
    size = (CROP_PX * MAGNIFIED, CROP_PX * MAGNIFIED)
    shown = cv2.resize(crop, size, interpolation=cv2.INTER_NEAREST)
    x, y = (round(MAGNIFIED * (half + value - int(value))) for value in (x_px, y_px))
    for colour, thickness in (((0, 0, 0), 4), ((160, 246, 255), 2)):
        for dx, dy in ((1, 0), (-1, 0), (0, 1), (0, -1)):
            ends = [(x + dx * reach, y + dy * reach) for reach in (OPEN_PX, ARM_PX)]
            cv2.line(shown, ends[0], ends[1], colour, thickness, cv2.LINE_AA)
    return shown


TAUGHT = (
    "People answered at random points whether they lie in carbide. The answers taught a map of the probability of "
    "carbide; it is judged, and the area fraction put right, only by answers that it has not seen. The interval of the "
    "corrected area fraction holds however wrong map and outlines are, as long as the answers are right.",
    "Answers against a map that is sure may be slips of the hand: the interval reaches further by what they would add.",
)
WAYS = (
    (AREA, "map put right by the points"),
    (POINT_FRACTION, "points alone"),
    (BY_OUTLINES, "outlines in use, not put right"),
)
THESE_WAYS = {AREA: THESE, POINT_FRACTION: COUNT_THESE}
# Pictures of a specimen: a row of the page.
MOST_OF_A_SPECIMEN = 6


def taught_sections(
    lessons: Mapping[str, Lesson], tables: dict[str, pd.DataFrame], save: Save, out: Path
) -> list[PageSection]:
    """Parts of the report on the lessons; none where nothing was taught."""
    told = [lesson for lesson in lessons.values() if lesson.points]
    if not told:
        return []
    figure = save(
        "taught_reliability", 1, 3.2, partial(draw_reliability, lessons=told),
        "Answers against the probability by maps that have not seen them: on the line, carbide lies at nine of ten "
        "points where the map says 0.9. Bars are exact 95 % intervals.",
        "Share of points in carbide over the probability that the map gave, with intervals, for each specimen.",
    )  # fmt: skip
    said = [(lesson.specimen, in_words(lesson)) for lesson in told]
    ways = [area_table(lesson, tables["specimens"]) for lesson in told]
    sections = [PageSection("taught", "Outlines taught by the count", TAUGHT, (), said, [figure], ways, printed=True)]
    pictures = [picture for lesson in told for picture in worst_pictures(lesson, tables["fields"], out)]
    if pictures:
        text = ("The centre of the open cross is what was judged; the lines are the outlines in use.",)
        sections.append(PageSection("taught-worst", "Points at which map and answer differ most", text, pictures))
    return sections


def in_words(lesson: Lesson) -> list[str]:
    """Agreement before and after, which outlines are used and why, and how wrong they are."""
    people = f"{lesson.counters} people" if lesson.counters > 1 else "one person"
    apart = lesson.for_taught + lesson.for_own
    by_map = "the taught map" if lesson.corrected_with == "taught map" else "the program's own outlines"
    lines = [
        f"{lesson.points} points on {lesson.fields} field{'s' * (lesson.fields != 1)}, counted by {people}.",
        f"The program's own outlines agree with {_percent(lesson.own_agreement)} of the answers, taught outlines with "
        f"{_percent(lesson.taught_agreement)}.",
        f"Only one of both is right at {apart} points: at {lesson.for_taught} the taught, at {lesson.for_own} the own "
        f"(p = {lesson.p_value:.2g}). {_choice(lesson)}",
        f"Of the area inside these outlines {_percent(lesson.false_area)} is matrix; of the carbide "
        f"{_percent(lesson.missed_area)} lies outside.",
        f"The area fraction is that by {by_map}, put right by the points.",
    ]
    if lesson.beside:
        lines.append(
            f"{lesson.beside} more field{'s' * (lesson.beside != 1)} that nobody counted tell by their maps how fields "
            "scatter, as far as the maps follow the counted ones."
        )
    if lesson.further:
        lines.append(
            f"{lesson.further} of the points were drawn where the map was unsure: each weighs as one over the density "
            "of that draw, and agreements are told of the others."
        )
    for field, share in lesson.outside.items():
        told = issue("outside_taught", share=share).text
        lines.append(f"{field}: {told}.")
    return lines


def _choice(lesson: Lesson) -> str:
    used = "Taught outlines are used" if lesson.chosen == "taught" else "The program's own outlines are kept"
    if lesson.wanted != "better":
        return f"{used}, as asked for."
    why = "they are significantly better" if lesson.chosen == "taught" else "taught ones are not significantly better"
    return f"{used}: {why}."


def _percent(ends: tuple[float, ...]) -> str:
    value, low, high = (100 * v for v in ends)
    return "an unknown share" if value != value else f"{value:.0f} % ({low:.0f} to {high:.0f} %)"


def area_table(lesson: Lesson, specimens: pd.DataFrame) -> PageTable:
    """Area fraction by each way, for the specimen and for the mean of just the counted fields."""
    found = by_quantity(specimens, lesson.specimen)
    rows = [
        (words, _cell(found.get(way)), _cell(found.get(THESE_WAYS.get(way, ""))))
        for way, words in WAYS
    ]  # fmt: skip
    rows.append(("map alone", f"{100 * lesson.mapped[ALL]:.1f}", "") if ALL in lesson.mapped else ("map alone", "", ""))
    note = (
        "For the specimen the interval holds the scatter between fields, which no count on these fields removes. For "
        "the mean of just these fields it does not."
    )
    columns = ("area fraction, %", "specimen", "just these fields")
    return PageTable(lesson.specimen, columns, rows, note)


def _cell(row: Mapping[Any, Any] | None) -> str:
    return "" if row is None else with_ends_of(row, factor=100)


def worst_pictures(lesson: Lesson, fields: pd.DataFrame, out: Path) -> list[PagePicture]:
    """Surroundings of the points where map and answer are farthest apart."""
    files = fields[fields["specimen"] == lesson.specimen].drop_duplicates("field").set_index("field")["file"]
    pictures = []
    for point in [p for p in lesson.worst if p["field"] in files.index][:MOST_OF_A_SPECIMEN]:
        outlined = cv2.imread(str(out / results.OUTLINES / f"{files[point['field']]}.png"))
        if outlined is None:
            continue
        shown = marked_crop(outlined, point["x_px"], point["y_px"])
        answer = {1.0: "carbide", 0.5: "boundary", 0.0: "matrix"}.get(point["answer"], f"{point['answer']:.2g}")
        words = f"{lesson.specimen} {point['field']}: map {point['probability']:.2f}, answered {answer}"
        pictures.append(_about_point(shown, words))
    return pictures


REVIEWED = (
    "A person looked at outlines in the browser and changed them. The acts are applied after the segmentation and "
    "before anything is measured. A carbide that is cut or joined keeps its area, pieces share it by their pixels; a "
    "drawn one has the area inside what was drawn.",
)
SELECTION = "fields left out after seeing the result can bias it"


def review_sections(study: Study, outcomes: Sequence[Outcome], tables: dict[str, pd.DataFrame]) -> list[PageSection]:
    """Parts of the report on the review; none where nobody reviewed a field."""
    if not any(o.reviewed for o in outcomes):
        return []
    said = review_sentences(study, outcomes, tables["specimens"], tables["fields"])
    rows = [_review_cells(o, tables["fields"]) for o in outcomes if o.reviewed]
    columns = ("field", "by", "acts", "area fraction before, %", "after, %")
    table = PageTable("Field by field", columns, rows, "Stale acts were not applied; What to distrust names them.")
    return [PageSection("review", "Review by a person", REVIEWED, (), [("In words", said)], (), [table], folded=False)]


def review_sentences(
    study: Study, outcomes: Sequence[Outcome], specimens: pd.DataFrame, fields: pd.DataFrame
) -> list[str]:
    """Say what was done to each specimen, what it changed, and which fields were left out."""
    lines: list[str] = []
    for specimen in study.specimens:
        own = [o for o in outcomes if o.specimen == specimen.name]
        met = [o for o in own if o.reviewed is not None and o.reviewed.acts]
        if met:
            lines.append(f"{specimen.name}: {_done(met, len(own))} {_moved(own, specimens, fields)}")
        rejected = [o for o in own if o.rejected]
        if rejected:
            named = [f"{o.field} ({o.reviewed.rejected})" for o in rejected if o.reviewed]
            lines.append(
                f"{specimen.name}: {len(rejected)} of {len(own)} fields left out by the review, {'; '.join(named)}: "
                f"{SELECTION}."
            )
    return lines


def _done(met: Sequence[Outcome], fields: int) -> str:
    """Who did how many acts of each kind, on which fields."""
    acts: Counter[str] = Counter()
    for outcome in met:
        acts.update(outcome.reviewed.acts if outcome.reviewed else {})
    who = ", ".join(dict.fromkeys(name for o in met if o.reviewed for name in o.reviewed.who))
    changed = [o.field for o in met if o.reviewed and o.reviewed.changed]
    done = f"{acts_in_words(acts)} on {listed(changed, 5)}" if changed else "no outline changed"
    return f"reviewed by {who}, {len(met)} of {fields} fields: {done}."


def _moved(own: Sequence[Outcome], specimens: pd.DataFrame, fields: pd.DataFrame) -> str:
    """Area fraction of a specimen with the acts, and without."""
    name = own[0].specimen
    now = with_ends_of(by_quantity(specimens, name).get("area_fraction", {}), factor=100)
    before = area_fraction_of(_before(own, fields[fields["specimen"] == name]))
    then = with_ends(*(100 * value for value in (before.estimate.value, *before.interval)))
    return f"Area fraction with the review {now} %, without it {then} %."


def _before(own: Sequence[Outcome], fields: pd.DataFrame) -> pd.DataFrame:
    """Rows "all" of a specimen's fields as the program found them, rejected fields among them."""
    rows: dict[str, dict[str, Any]] = {
        str(row["field"]): {str(key): value for key, value in row.items()}
        for row in fields[fields["carbide_class"] == "all"].to_dict("records")
    }
    nothing: dict[str, Any] = {str(name): float("nan") for name in fields.columns}
    for outcome in own:
        told = outcome.reviewed
        if told is None or told.analysed_area_um2_before is None:
            continue
        rows[outcome.field] = rows.get(outcome.field, nothing) | {
            "specimen": outcome.specimen, "field": outcome.field, "carbide_class": "all",
            "area_fraction": told.area_fraction_before, "area_fraction_low": told.area_fraction_low_before,
            "area_fraction_high": told.area_fraction_high_before,
            "analysed_area_um2": told.analysed_area_um2_before,
            WITHIN["area_fraction"]: told.area_fraction_within_before,
        }  # fmt: skip
    table = pd.DataFrame(list(rows.values()), columns=fields.columns)
    numbers = ["area_fraction", "area_fraction_low", "area_fraction_high", "analysed_area_um2", WITHIN["area_fraction"]]
    return table.assign(**{name: table[name].astype(float) for name in numbers})


def _review_cells(outcome: Outcome, fields: pd.DataFrame) -> tuple[str, ...]:
    told = outcome.reviewed
    assert told is not None
    place = f"{outcome.specimen} {outcome.field}"
    row = fields[
        (fields["specimen"] == outcome.specimen) & (fields["field"] == outcome.field)
        & (fields["carbide_class"] == "all")
    ]  # fmt: skip
    before = told.area_fraction_before
    after = "left out" if told.rejected else figures(100 * float(row["area_fraction"].iloc[0]), 0) if len(row) else ""
    done = acts_in_words(told.acts) or ("accepted" if told.acts.get("accept") else "")
    if told.rejected:
        done = f"rejected: {told.rejected}"
    if told.stale:
        done = "; ".join(filter(None, (done, f"{sum(one.acts for one in told.stale)} stale")))
    return place, ", ".join(told.who), done, "unknown" if before is None else figures(100 * before, 0), after
