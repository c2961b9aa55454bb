"""Section of the report on what a count taught: agreement, area fraction by four ways, where the map is wrong."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from micro import results
from micro.issues import issue
from micro.points.lessons import AREA, BY_OUTLINES, COUNT_THESE, POINT_FRACTION, THESE
from micro.report.comparison_sections import marked_crop
from micro.report.drawing import Save
from micro.report.page import PagePicture, PageSection, PageTable
from micro.report.wording import by_quantity, with_ends_of
from micro.taught.lesson import ALL, Lesson

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

METHOD = (
    "People answered at random points whether they lie in carbide. The answers taught a map of the probability of "
    "carbide; it is judged, and the area fraction put right, only by answers that it has not seen. The interval of the "
    "corrected area fraction holds however wrong map and outlines are, as long as the answers are right.",
    "Answers against a map that is sure may be slips of the hand: the interval reaches further by what they would add.",
)
CAPTION = (
    "Answers against the probability by maps that have not seen them: on the line, carbide lies at nine of ten points "
    "where the map says 0.9. Bars are exact 95 % intervals."
)
ALTERNATIVE = "Share of points in carbide over the probability that the map gave, with intervals, for each specimen."
WAYS = (
    (AREA, "map put right by the points"),
    (POINT_FRACTION, "points alone"),
    (BY_OUTLINES, "outlines in use, not put right"),
)
THESE_WAYS = {AREA: THESE, POINT_FRACTION: COUNT_THESE}
# Pictures of a specimen: a row of the page.
MOST_PICTURES = 6
MARKS = "osD^vP"


def taught_sections(
    lessons: Mapping[str, Lesson], tables: dict[str, pd.DataFrame], save: Save, out: Path
) -> list[PageSection]:
    """Parts of the report on the lessons; none where nothing was taught."""
    told = [lesson for lesson in lessons.values() if lesson.points]
    if not told:
        return []
    figure = save("taught_reliability", 1, 3.2, partial(draw_reliability, lessons=told), CAPTION, ALTERNATIVE)
    said = [(lesson.specimen, in_words(lesson)) for lesson in told]
    ways = [area_table(lesson, tables["specimens"]) for lesson in told]
    sections = [PageSection("taught", "Outlines taught by the count", METHOD, (), said, [figure], ways, printed=True)]
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


def draw_reliability(axes: list[Axes], lessons: list[Lesson]) -> None:
    """Draw answers against probability, a mark a bin, beside the line where both are alike."""
    from micro.figures.style import colour

    axes[0].plot([0, 1], [0, 1], color="#8b938a", linewidth=0.8, zorder=0)
    for number, lesson in enumerate(lessons):
        p, y, low, high, _ = zip(*lesson.reliability, strict=True)
        below, above = ([abs(a - b) for a, b in zip(y, end, strict=True)] for end in (low, high))
        axes[0].errorbar(
            p, y, (below, above), fmt=MARKS[number % len(MARKS)], color=colour(number), linewidth=1,
            label=lesson.specimen,
        )  # fmt: skip
    axes[0].set(xlim=(0, 1), ylim=(0, 1), xlabel="probability of carbide by the map", ylabel="share of answers")
    axes[0].legend(loc="upper left")


def worst_pictures(lesson: Lesson, fields: pd.DataFrame, out: Path) -> list[PagePicture]:
    """Surroundings of the points where map and answer are farthest apart."""
    import cv2

    from micro.report.fields import data_address

    files = fields[fields["specimen"] == lesson.specimen].drop_duplicates("field").set_index("field")["file"]
    pictures = []
    for point in [p for p in lesson.worst if p["field"] in files.index][:MOST_PICTURES]:
        outlined = cv2.imread(str(out / results.OUTLINES / f"{files[point['field']]}.png"))
        if outlined is None:
            continue
        shown = marked_crop(outlined, point["x_px"], point["y_px"])
        answer = {1.0: "carbide", 0.5: "boundary", 0.0: "matrix"}.get(point["answer"], f"{point['answer']:.2g}")
        words = f"{lesson.specimen} {point['field']}: map {point['probability']:.2f}, answered {answer}"
        pictures.append(PagePicture(data_address(shown[..., ::-1]), words, f"Outlines about the point: {words}"))
    return pictures
