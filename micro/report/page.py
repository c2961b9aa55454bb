"""The report page: one file that holds all it shows; figures are drawn several at a time."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Executor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import pandas as pd

from micro.address import Address
from micro.batch.job import Outcome, library_versions
from micro.errors import one_line
from micro.figures.style import FORMATS, Draw, draw_figure
from micro.issue_kinds import SEVERITIES
from micro.issues import gravest_first, grouped
from micro.owned import own
from micro.pictures.page import address_of, rendered, template_text
from micro.points.wording import capital
from micro.processes import FOR_FIGURES, pool_of
from micro.report.record import pinned
from micro.report.wording import (
    GROUPS,
    group_of,
    listed,
    plain_name,
    printed_factor,
    printed_unit,
    route_words,
    shown_classes,
    with_ends_of,
    with_unit,
)
from micro.study.model import Specimen, Study

NOTE = next(iter(SEVERITIES))


@dataclass(frozen=True)
class PageFigure:
    """A figure of the page: file name, what gives its SVG, caption, and the words for who cannot see it."""

    name: str
    svg: Callable[[], bytes]
    caption: str
    alternative: str

    @property
    def address(self) -> str:
        """Data address of the SVG."""
        return address_of("image/svg+xml", self.svg())


@dataclass(frozen=True)
class PagePicture:
    """A micrograph of the page as a data address; pictures of one row show the same µm per cm."""

    address: str
    caption: str
    alternative: str


ROWS_A_PAGE = 100
"""Fields of a table that open together; chosen. A browser lays out what is open, and is quick with a hundred rows."""


@dataclass(frozen=True)
class PageTable:
    """A table of the page; cells stand as they are, the first of a row names it; the note stands below.

    Where it is not `printed`, a print names the file that holds its numbers.
    """

    title: str
    columns: Sequence[str]
    rows: Sequence[Sequence[str]]
    note: str = ""
    printed: bool = True

    def __post_init__(self) -> None:
        for row in self.rows:
            if len(row) != len(self.columns):
                raise ValueError(f"{len(row)} cells under {len(self.columns)} columns, in the row of {row[0]!r}")


@dataclass(frozen=True)
class PageSection:
    """A part of the page: text, pictures in a row, lists under headings, figures and tables; folded or in sight.

    What is in sight is printed; of what is folded, what is marked so.
    """

    id: str
    title: str
    text: Sequence[str] = ()
    pictures: Sequence[PagePicture] = ()
    lists: Sequence[tuple[str, Sequence[str]]] = ()
    figures: Sequence[PageFigure] = ()
    tables: Sequence[PageTable] = ()
    folded: bool = True
    printed: bool = False


@dataclass(frozen=True)
class PageAnswer:
    """A question of the first screen: sentences, those on each bar, which fold where they are many, remark, figures."""

    question: str
    sentences: Sequence[str]
    each_bar: Sequence[str] = ()
    note: str = ""
    figures: Sequence[PageFigure] = ()
    folded: bool = False


def render_page(
    study: Study,
    outcomes: Sequence[Outcome],
    specimens: pd.DataFrame,
    *,
    summary: Sequence[PageAnswer],
    figures: Sequence[PageFigure],
    sections: Sequence[PageSection],
    methods: Sequence[str],
    pictures: Sequence[dict[str, Any]],
    troubles: Sequence[str],
    doubts: Sequence[str],
) -> str:
    """HTML of the report; `troubles` and `doubts` are those of no single field."""
    return rendered(
        "report",
        "report.html",
        title=study.title,
        style=template_text("report", "report.css"),
        lead=lead(study, outcomes),
        parts=contents(sections, with_figures=bool(figures)),
        summary=summary,
        troubles=troubles_without_folders(study, outcomes, troubles),
        notices=[*doubts, *notices(outcomes, touching=True)],
        remarks=notices(outcomes, touching=False),
        figures=figures,
        specimens=[specimen_numbers(s, specimens) for s in study.specimens],
        open_sections=[section for section in sections if not section.folded],
        sections=[section for section in sections if section.folded],
        unprinted=unprinted(sections),
        pictures=pictures,
        methods=methods,
        provenance=provenance(study, outcomes),
        rows_a_page=ROWS_A_PAGE,
        versions=", ".join(f"{name} {number}" for name, number in library_versions().items()),
    )


def contents(sections: Sequence[PageSection], with_figures: bool) -> list[dict[str, str]]:
    """Parts of the page for its table of contents."""
    named = [(section.id, section.title) for section in sections if not section.folded]
    named += [("summary", "Answers")]
    named += [("figures", "Figures"), ("numbers", "Numbers of each specimen")]
    named += [(section.id, section.title) for section in sections if section.folded]
    named += [("fields", "Fields"), ("methods", "Methods"), ("cautions", "Cautions")]
    return [{"id": i, "name": n} for i, n in named if i != "figures" or with_figures]


def unprinted(sections: Sequence[PageSection]) -> str:
    """Say what stands on the page and not on its print, and where its numbers are."""
    names = [section.title for section in sections if section.folded and not section.printed]
    names = ["Figures", "Numbers of each specimen", *names, "Fields", "Where the numbers come from"]
    return (
        f"Not printed: {', '.join(names)}, and tables whose numbers comparison.csv and group_ratios.csv hold. All "
        "stand in report.html on a screen, their numbers in the tables (CSV) and in run.json beside it, their figures "
        "in the folder figures. The box at the head of the page prints all."
    )


def lead(study: Study, outcomes: Sequence[Outcome]) -> str:
    """Say how much was measured, in one line."""
    measured = sum(not o.trouble for o in outcomes)
    specimens = len(study.specimens)
    planes = list(dict.fromkeys(s.plane for s in study.specimens if s.plane))
    seen = f", {' and '.join(planes)} plane{'s' * (len(planes) > 1)}" if planes else ""
    return f"{specimens} specimen{'s' * (specimens != 1)}, {measured} of {len(outcomes)} fields measured{seen}."


def notices(outcomes: Sequence[Outcome], touching: bool) -> list[str]:
    """Issues of the fields that touch numbers, or those that do not, each once with its fields; the gravest first."""
    every = (one.at(f"{o.specimen} {o.field}") for o in outcomes for one in o.issues)
    issues = [one for one in every if (one.severity != NOTE) == touching]
    return [f"{group.text}: {listed(group.places, 5)}." for group in grouped(gravest_first(issues))]


def specimen_numbers(specimen: Specimen, specimens: pd.DataFrame) -> dict[str, Any]:
    """Table of one specimen: a row a quantity under the heading it belongs to, a column a carbide class."""
    own = specimens[specimens["specimen"] == specimen.name]
    classes = shown_classes(own)
    by_quantity: dict[str, dict[str, Any]] = {}
    for row in own.to_dict("records"):
        by_quantity.setdefault(row["quantity"], {})[row["carbide_class"]] = row
    groups: dict[str, list[dict[str, Any]]] = {}
    for quantity, rows in by_quantity.items():
        cells = [_cell(rows.get(carbide_class)) for carbide_class, _ in classes]
        if any(cell not in ("", "unknown") for cell in cells) and any(_tells(row) for row in rows.values()):
            groups.setdefault(group_of(quantity), []).append({"name": plain_name(quantity), "cells": cells})
    ordered = [(heading, groups[heading]) for heading in (*GROUPS, "Other") if heading in groups]
    return {
        "name": specimen.name,
        "about": about(specimen, own),
        "classes": [title for _, title in classes],
        "groups": ordered,
    }


NOTHING_FOUND = {"unknown_fields_share": 0.0, "bands_too_wide_share": 0.0, "concave_share": 0.0, "row_power": 1.0}
"""Quantities that a reader misses only where they are other than this."""


def _tells(row: Mapping[str, Any]) -> bool:
    """Whether a quantity is other than what says that nothing is amiss, or may be."""
    return row["quantity"] not in NOTHING_FOUND or row["mean"] != NOTHING_FOUND[row["quantity"]]


def _cell(row: Mapping[str, Any] | None) -> str:
    """Value of a quantity with unit and interval, nothing for a class that has none."""
    if row is None:
        return ""
    quantity = row["quantity"]
    return with_unit(with_ends_of(row, factor=printed_factor(quantity)), printed_unit(quantity, str(row["unit"])))


def about(specimen: Specimen, own: pd.DataFrame) -> str:
    """Route, plane, rolling direction and fields of a specimen in words."""
    fields = 0 if own.empty else int(own["fields"].max())
    words = [route_words(specimen.route), f"{specimen.plane} plane" if specimen.plane else ""]
    if specimen.rolling_deg is not None:
        words.append(f"rolling direction {specimen.rolling_deg:g}° from the horizontal")
    words.append(f"{fields} field{'s' * (fields != 1)}" if fields else "no field was measured")
    return capital(", ".join(w for w in words if w)) + "."


def troubles_without_folders(study: Study, outcomes: Sequence[Outcome], others: Sequence[str]) -> list[str]:
    """Lines of what was not measured or used, with names of files only: a report is passed on."""
    images: dict[tuple[str, str], tuple[Path | Address, ...]] = {
        (s.name, f.name): (f.image,) for s in study.specimens for f in s.fields
    }
    lines = [_named(o.trouble, images.get((o.specimen, o.field), ())) for o in outcomes if o.trouble]
    read = {study.coupons, study.path, *(path for s in study.specimens for path in (s.calibration, *s.taught_by))}
    return [*lines, *(_named(line, tuple(path for path in read if path is not None)) for line in others)]


def _named(line: str, paths: Sequence[Path | Address]) -> str:
    """Put the names of files in the place of their paths, the longest first."""
    for path in sorted(paths, key=lambda path: -len(str(path))):
        line = line.replace(one_line(str(path)), one_line(path.name))
    return line


def provenance(study: Study, outcomes: Sequence[Outcome]) -> list[list[str]]:
    """Rows: field, picture, scale, what the user pinned, hash of the picture."""
    by_field = {(o.specimen, o.field): o for o in outcomes}
    rows = []
    for specimen in study.specimens:
        for field in specimen.fields:
            outcome = by_field[specimen.name, field.name]
            given = [pinned_words(name, value) for name, value in pinned(field).items()]
            rows.append([
                f"{specimen.name} {field.name}", field.image.name, outcome.scale_origin, "; ".join(given) or "nothing",
                outcome.image_sha256[:16],
            ])  # fmt: skip
    return rows


def pinned_words(name: str, value: Any) -> str:
    """Say what the user pinned: the parameter's name in words, its values in a row."""
    shown = ", ".join(str(v) for v in value) if isinstance(value, (list, tuple)) else str(value)
    return f"{name.replace('_', ' ')}: {shown}"


FIGURES_OF_ONE_BAR = 6  # more processes would load what draws and have nothing to do
Save = Callable[[str, int, float, Draw, str, str], PageFigure]
"""Draws and writes a figure: name, axes side by side, height in inches, how, caption, words for who cannot see it."""


@contextlib.contextmanager
def drawers(workers: int) -> Iterator[Executor | None]:
    """Give processes that draw, and load what they need from now on; None where this process draws as well.

    All that was begun is drawn when the block ends.
    """
    if workers <= 1:
        yield None
        return
    pool = pool_of(workers, FOR_FIGURES)
    try:
        for _ in range(min(workers, FIGURES_OF_ONE_BAR)):
            pool.submit(int)
        yield pool
    except BaseException:
        pool.shutdown(cancel_futures=True)
        raise
    pool.shutdown()


def drawing(folder: Path, pool: Executor | None) -> Save:
    """Return the function that draws figures into `folder`, in this process or in those of `pool`."""
    return partial(_save, folder, pool)


def _save(
    folder: Path, pool: Executor | None, name: str, columns: int, height_in: float, draw: Draw, caption: str,
    alternative: str,
) -> PageFigure:  # fmt: skip
    own(folder.parent, [f"{folder.name}/{name}.{kind}" for kind in FORMATS])
    task = partial(draw_figure, folder, name, columns, height_in, draw)
    return PageFigure(name, _begun(task, pool), caption, alternative)


def _begun(task: Callable[[], bytes], pool: Executor | None) -> Callable[[], bytes]:
    """Begin to draw; what it gives waits for the SVG, and draws here where the system ended the other process."""
    if pool is None:
        svg = task()
        return lambda: svg
    try:
        future = pool.submit(task)
    except BrokenProcessPool:
        return task

    def wait() -> bytes:
        try:
            return future.result()
        except BrokenProcessPool:
            return task()

    return wait
