"""Gather figures, tables and pictures of a finished run, and write the report."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from micro import results
from micro.answer import Answer
from micro.batch import Outcome
from micro.report.drawing import Save, drawing
from micro.report.field_pictures import field_pictures, same_scale_pictures
from micro.report.methods import methods
from micro.report.page import PageParts, PageSection, listed_pictures, render_page
from micro.report.point_count import point_sections
from micro.report.sections import answer_sections
from micro.report.study_figures import study_figures
from micro.report.summary import summary_parts
from micro.study import Study

if TYPE_CHECKING:
    import pandas as pd

FIELDS_SHOWN = 4
FIGURES = "figures"


def write_report(
    study: Study,
    outcomes: Sequence[Outcome],
    tables: dict[str, pd.DataFrame],
    answer: Answer,
    out: Path,
    workers: int = 1,
) -> None:
    """Write report.html and its figures as SVG and PNG files.

    Parameters
    ----------
    tables
        "particles", "fields", "profiles" and "specimens" of the whole study.
    workers
        Processes that draw; the report does not depend on it.
    """
    with drawing(out / FIGURES, workers) as save:
        parts = PageParts(
            summary=summary_parts(study, tables["specimens"], answer),
            figures=study_figures(study, tables, answer.specimens, save),
            sections=study_sections(study, tables, answer, save, out),
            methods=methods(study, outcomes, tables["fields"]),
            pictures=study_pictures(study, outcomes, tables["fields"], out),
            troubles=answer.troubles,
        )
        page = render_page(study, outcomes, tables["specimens"], parts)
    with results.whole_file(out / results.REPORT) as stream:
        stream.write(page.encode(errors="backslashreplace"))


def study_sections(
    study: Study, tables: dict[str, pd.DataFrame], answer: Answer, save: Save, out: Path
) -> list[PageSection]:
    """Parts of the page that answer the study, then the count by people where there is one."""
    sections = answer_sections(answer, same_scale_pictures(study, tables["fields"]), save)
    return sections if answer.count is None else [*sections, *point_sections(answer.count, out, save)]


def study_pictures(study: Study, outcomes: Sequence[Outcome], fields: pd.DataFrame, out: Path) -> list[dict[str, Any]]:
    """Pictures of the first fields of every specimen."""
    failed = {(o.specimen, o.field) for o in outcomes if o.trouble}
    every = {(r["specimen"], r["field"]): r for r in fields[fields["carbide_class"] == "all"].to_dict("records")}
    shown = []
    for number, specimen in enumerate(study.specimens):
        measured = [f for f in specimen.fields if (specimen.name, f.name) not in failed]
        pictures = []
        for field in measured[:FIELDS_SHOWN]:
            row = every[specimen.name, field.name]
            made = field_pictures(field, float(row["um_per_px"]), str(row["message"] or ""), out)
            if made is not None:
                pictures.append(made)
        shown.append(listed_pictures(pictures, specimen.name, number, len(measured)))
    return shown
