"""The report built from tables: its parts, and which figures it has."""

from __future__ import annotations

import re
from collections.abc import Sequence
from concurrent.futures import Executor
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import pandas as pd

from micro import results
from micro.analysis import Analysis
from micro.batch.job import PROFILE_COLUMNS, Outcome, is_band_profile
from micro.comparison.measured import MeasuredSpecimen
from micro.comparison.pairs import size_distributions
from micro.figures.specimens import (
    curves_of_field,
    draw_banding,
    draw_chords,
    draw_edges,
    draw_neighbours,
    draw_rose,
    draw_sizes,
    field_curves,
    size_curves,
)
from micro.issues import gravest_first, gravity, message_text
from micro.measures.banding import SIGNIFICANCE
from micro.points.lessons import read_lessons
from micro.processes import give_back_memory
from micro.report.bars import Bars, forest_figures, glance_section
from micro.report.fields import field_pictures, field_table, same_scale_pictures, typical_micrograph
from micro.report.page import PageAnswer, PageFigure, PageSection, Save, drawing, render_page
from micro.report.people_sections import point_sections, review_sections, taught_sections
from micro.report.sections import answer_sections, detection_sections
from micro.report.summary import UNCOUNTED, study_bars, summary_parts
from micro.report.wording import methods, mosaic_sentences
from micro.specimens.detected import read_detected
from micro.study.model import Study

MOST_PANELS, FEW_PANELS = 4, 2
"""Specimens up to which all have their panel in a figure, and how many have one where there are more."""


def study_figures(
    study: Study, tables: dict[str, pd.DataFrame], specimens: Sequence[MeasuredSpecimen], save: Save, out: Path
) -> list[PageFigure]:
    """Figures of the page in the order of the questions; none where nothing was found.

    `specimens` are those with a measured field, `out` is the results folder, with the parts of the fields.
    """
    particles, profiles = tables["particles"], tables["profiles"]
    if particles.empty:
        return []
    sizes = size_curves(size_distributions(specimens))
    give_back_memory()
    shown = list(particles["specimen"].unique())
    shown = shown if len(shown) <= MOST_PANELS else shown[:FEW_PANELS]
    return [
        save(
            "size_distribution", 2, 3.1, partial(draw_sizes, distributions=sizes),
            "Size distribution by number (left) and by area (right): the share in carbides smaller than a diameter. "
            "Bands are 95 % intervals between fields.",
            "Cumulative size distributions of each specimen by number and by area, with bands for the 95 % intervals.",
        ),
        *banding_figures(study, tables, save, out),
        *profile_figures(profiles, shown, save),
    ]  # fmt: skip


def profile_figures(profiles: pd.DataFrame, shown: list[str], save: Save) -> list[PageFigure]:
    """Figures from the curves of the fields: directions, chords, neighbours."""
    starts = ("rose", ("carbide_chord", "matrix_chord"), "neighbour", "edge")
    kinds = (profiles[profiles["curve"].str.startswith(start)] for start in starts)
    rose, chords, neighbours, edges = (field_curves(own[own["specimen"].isin(shown)]) for own in kinds)
    return [
        save(
            "rose", len(shown), 2.05, partial(draw_rose, curves=rose, specimens=shown),
            "Directions of the long axes, weighted by length; the broken circle is no preferred direction. A carbide "
            "counts in each direction by the chance that its axis lies there.",
            "Rose of the carbides' directions about the rolling direction, one for each specimen.",
        ),
        save(
            "chords", 2, 3.0, partial(draw_chords, curves=chords, specimens=shown),
            "Chords of carbide (left) and of the matrix between carbides (right), along rolling (whole lines) and "
            "across (broken lines).",
            "Distributions of chord lengths of carbide and matrix along and across the rolling direction.",
        ),
        save(
            "neighbours", len(shown), 2.5, partial(draw_neighbours, curves=neighbours, specimens=shown),
            "Distance of each carbide to its nearest neighbour, beside the same carbides placed at random without "
            "overlap: to the left clustered, to the right evenly spread. Bands are 95 % intervals between fields.",
            "Distributions of the nearest neighbour distance of each specimen, measured and at random.",
        ),
        save(
            "edges", len(shown), 2.3, partial(draw_edges, curves=edges, specimens=shown),
            "What the edges look like: grey across the outlines of all carbides, matrix to the right, beside the edge "
            "that a lens alone draws. Bright rims draw the ends of the edge outwards, to the right, domed carbides and "
            "dark rims inwards. Bands are 95 % intervals between fields.",
            "Grey across the mean edge of the carbides of each specimen, beside that of a lens alone.",
        ),
    ]  # fmt: skip


def banding_figures(study: Study, tables: dict[str, pd.DataFrame], save: Save, out: Path) -> list[PageFigure]:
    """Profile across rolling of a typical field of each specimen, beside the field."""
    drawn = []
    most = MOST_PANELS if len(study.specimens) <= MOST_PANELS else FEW_PANELS
    for number, specimen in enumerate(study.specimens[:most], 1):
        own = tables["fields"][tables["fields"]["specimen"] == specimen.name]
        found = typical_micrograph(specimen, own)
        if found is None:
            continue
        field, picture, um_per_px = found
        row = own[(own["field"] == field) & (own["carbide_class"] == "all")].iloc[0]
        curves = curves_of_field(band_profiles(out, specimen.name, field, str(row["file"])))
        rolling, verdict = (
            float(row["rolling_deg"]),
            _verdict(row["band_p_value"], row["band_spacing_um"], row["row_power"]),
        )
        name = re.sub(r"[^A-Za-z0-9]+", "_", specimen.name)[:40]
        drawn.append(
            save(
                f"banding_{number}_{name}", 2, 2.7,
                partial(draw_banding, picture=picture, um_per_px=um_per_px, rolling_deg=rolling, curves=curves),
                f"{specimen.name}, field {field}, rolling horizontal, and its area fraction across rolling. The grey "
                f"band holds 95 % of the smoothed profile for the same carbides placed at random. {verdict}"
                + "".join(f" {told}" for told in mosaic_sentences(out, specimen.name)),
                f"Field {field} of {specimen.name} beside its profile of area fraction across the rolling direction.",
            )
        )  # fmt: skip
    return drawn


def band_profiles(out: Path, specimen: str, field: str, stem: str) -> pd.DataFrame:
    """Profiles across rolling of one field, from its part of the results folder, or else from the table of all."""
    part = out / results.PARTS / stem / results.PROFILES
    path = part if part.exists() else out / results.PROFILES
    found = results.read_table(path, PROFILE_COLUMNS, keep=lambda rows: is_band_profile(rows["curve"]))
    return found[(found["specimen"] == specimen) & (found["field"] == field)]


def _verdict(p_value: float, spacing_um: float, row_power: float) -> str:
    if not p_value >= 0:
        return "Too few carbides to tell banding from chance."
    if spacing_um > 0:
        return f"Banded beyond chance (p = {p_value:.2g}), strongest at a spacing of {spacing_um:.0f} µm."
    if p_value <= SIGNIFICANCE:
        return f"Bands wider than what this field can show (p = {p_value:.2g}); take a larger one or a mosaic."
    rows = " Carbides lie in rows along rolling (stringers), at no spacing of their own." if row_power > 1 else ""
    return f"No banding beyond chance in this field (p = {p_value:.2g}).{rows}"


FIELDS_SHOWN, MOST_SHOWN, PIXELS_SHOWN = 4, 6, 6.5e6
"""Fields with pictures on the page, of a specimen and of all beyond one each, and their pixels together: so many keep a
page of noisy pictures of 1024 × 768 px under 6 MB, be it of three bars or of twelve (measured)."""
MOST_PICTURED = 24
"""Specimens with a picture; chosen. Of the others the page has the table of fields."""


def write_report(
    study: Study,
    outcomes: Sequence[Outcome],
    tables: dict[str, pd.DataFrame],
    answer: Analysis,
    out: Path,
    pool: Executor | None = None,
) -> None:
    """Write report.html and its figures as SVG and PNG files.

    Parameters
    ----------
    tables
        "particles", "fields", "profiles" and "specimens" of the whole study.
    pool
        Processes that draw, from `drawers`; the report does not depend on it.
    """
    bars = study_bars(study, tables["specimens"], answer)
    save = drawing(out / results.FIGURES, pool)
    page = render_page(
        study,
        outcomes,
        tables["specimens"],
        summary=page_answers(study, tables["specimens"], answer, bars, save),
        figures=study_figures(study, tables, answer.specimens, save, out),
        sections=[
            *review_sections(study, outcomes, tables),
            *study_sections(study, tables, answer, bars, save, out),
        ],
        methods=methods(study, outcomes, tables["fields"]),
        pictures=study_pictures(study, outcomes, tables["fields"], out),
        troubles=answer.troubles,
        doubts=(UNCOUNTED,) if answer.count is None and not read_lessons(out) else (),
    )
    with results.whole_file(out / results.REPORT) as stream:
        stream.write(page.encode(errors="backslashreplace"))


def page_answers(study: Study, specimens: pd.DataFrame, answer: Analysis, bars: Bars, save: Save) -> list[PageAnswer]:
    """Questions of the first screen with their figures."""
    drawn = forest_figures(bars, save)
    parts = summary_parts(study, specimens, answer, bars)
    return [replace(part, figures=drawn.get(part.question, ())) for part in parts]


def study_sections(
    study: Study, tables: dict[str, pd.DataFrame], answer: Analysis, bars: Bars, save: Save, out: Path
) -> list[PageSection]:
    """Parts of the page that answer the study, then the count by people where there is one."""
    glance = glance_section(study, bars, answer)
    sections = [glance] if glance is not None else []
    detected = read_detected(out)
    sections += answer_sections(answer, bars, same_scale_pictures(study, tables["fields"]), save, detected)
    sections += detection_sections(detected, tables["specimens"], save)
    sections += taught_sections(read_lessons(out), tables, save, out)
    return sections if answer.count is None else [*sections, *point_sections(answer.count, out, save)]


def study_pictures(study: Study, outcomes: Sequence[Outcome], fields: pd.DataFrame, out: Path) -> list[dict[str, Any]]:
    """Pictures of some fields of every specimen, those in doubt first, with the greys of all of them."""
    issues = {(o.specimen, o.field): o.issues for o in outcomes if not o.trouble}
    every = {(r["specimen"], r["field"]): r for r in fields[fields["carbide_class"] == "all"].to_dict("records")}
    each = max(1, min(FIELDS_SHOWN, MOST_SHOWN // len(study.specimens)))
    # Every field is there twice, with outlines and bare.
    pixels = PIXELS_SHOWN / (2 * each * min(len(study.specimens), MOST_PICTURED))
    shown = []
    for number, specimen in enumerate(study.specimens):
        measured = [f for f in specimen.fields if (specimen.name, f.name) in issues]
        pictures = []
        # Those in doubt first: a reader must see what the report warns of.
        measured.sort(key=lambda f: gravity(issues[specimen.name, f.name]), reverse=True)
        for field in measured[: each if number < MOST_PICTURED else 0]:
            row = every[specimen.name, field.name]
            text = message_text(gravest_first(issues[specimen.name, field.name]))
            made = field_pictures(field, float(row["um_per_px"]), text, out, pixels)
            if made is not None:
                pictures.append(made)
        own: list[Any] = fields[fields["specimen"] == specimen.name].to_dict("records")
        note = f"{len(pictures)} of {len(measured)} fields; the outline pictures of all are in the folder outlines."
        told = {"name": specimen.name, "number": number, "pictures": pictures, "note": note}
        shown.append(told | {"table": field_table(own)})
    return shown
