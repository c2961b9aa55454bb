"""Sections of the report on structure, chemistry, what the matrix keeps, uncertainty, sizes and detection."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from functools import partial
from typing import TYPE_CHECKING, Any

from micro.analysis import Analysis
from micro.figures.specimens import ForestRow, draw_forest, height_in
from micro.report.bars import Bars
from micro.report.comparison_sections import comparison_section, coupon_section
from micro.report.page import PagePicture, PageSection, PageTable, Save
from micro.report.wording import MINUS, by_quantity, ends_of, plain_name, with_ends_of
from micro.specimens.detected import A90, FALSE, NUMBER, PUT_RIGHT, Detected

if TYPE_CHECKING:
    import pandas as pd

LEAST_SHOWN = 1e-4
BUDGETED = (
    "area_fraction",
    "number_per_mm2",
    "mean_ecd",
    "ecd_d50",
    "ecd_d90",
    "mean_aspect_ratio",
    "anisotropy_index",
)


def answer_sections(
    answer: Analysis, bars: Bars, pictures: Sequence[PagePicture], save: Save, detected: Mapping[str, Detected]
) -> list[PageSection]:
    """Parts for whatever the study holds; `pictures` are typical fields at one scale."""
    parts = [
        comparison_section(answer.comparison, bars, pictures),
        size_section(answer.sizes),
        coupon_section(answer, save),
        structure_section(answer, save),
        matrix_section(answer.matrix, save),
        chemistry_section(answer.chemistry, save),
        budget_section(answer, detected),
    ]
    return [part for part in parts if part is not None]


def structure_section(answer: Analysis, save: Save) -> PageSection | None:
    """Set the transverse ratio against amount, elongation, banding and large carbides."""
    from micro.comparison.explanation import explanations
    from micro.report.explanation import explanation_sentence
    from micro.report.study_figures import draw_structure

    points = answer.structure
    if points is None or points.empty:
        return None
    figure = save(
        "structure", points["quantity"].nunique(), 3.0, partial(draw_structure, points=points),
        "Transverse over longitudinal toughness of each specimen against its structure; bars are 95 % intervals.",
        "Transverse toughness ratio of each specimen over area fraction, anisotropy index, banding and large carbides.",
    )  # fmt: skip
    rows = []
    for quantity, one in explanations(points).items():
        c = one.rank
        rho = f"{c.rho:.2f} ({c.ci95_low:.2f} to {c.ci95_high:.2f})" if math.isfinite(c.rho) else "all rank alike"
        p_value = f"{c.p_value:.2g}" if math.isfinite(c.p_value) else ""
        among = f"{one.p_holm:.2g}" if math.isfinite(one.p_holm) else "" if one.told_apart else "bars not told apart"
        shown = plain_name(quantity), rho.replace("-", MINUS), p_value, among, f"{c.least_p:.2g}", str(c.points)
        rows.append(shown)
    table = PageTable(
        "Rank correlation with the transverse toughness ratio",
        ("structure", "rank correlation (Spearman)", "p", "p among all asked", "least p of so many bars", "bars"),
        rows,
        note="Errors of the points weaken an order: intervals reach as far out as they may have; p knows of none.",
    )
    text = (explanation_sentence(points),)
    return PageSection("structure", "Structure against toughness", text, figures=[figure], tables=[table], printed=True)


def chemistry_section(chemistry: pd.DataFrame, save: Save) -> PageSection | None:
    """Set the measured fraction beside what the composition can hold."""
    from micro.comparison.chemistry import NATURE
    from micro.report.study_figures import draw_chemistry

    if chemistry.empty:
        return None
    # Classes that nobody measured fill the page with ceilings; chemistry.csv holds them.
    chemistry = chemistry[chemistry["measured"].notna() | (chemistry["carbide_class"] == "all")]
    figure = save(
        "chemistry", 1, 3.0, partial(draw_chemistry, chemistry=chemistry),
        "Carbide measured (dots, with 95 % intervals) under what the composition can hold at most (bars, with the band "
        "that the densities leave open).",
        "Measured carbide fraction of each specimen beside the ceiling by mass balance.",
    )  # fmt: skip
    rows = [
        (
            f"{r['specimen']}, {'all carbides' if r['carbide_class'] == 'all' else r['carbide_class']}",
            with_ends_of(r, "ceiling", "ceiling_low", "ceiling_high", factor=100),
            str(r["limited_by"]).replace(" and ", ", "),
            with_ends_of(r, "measured", "measured_low", "measured_high", factor=100)
            if math.isfinite(r["measured"])
            else "",
            _text(r["message"]),
        )
        for r in chemistry.to_dict("records")
    ]
    columns = ("specimen, class", "ceiling, %", "limited by", "measured, %", "to know")
    return PageSection(
        "chemistry", "Chemistry check", (NATURE,), figures=[figure], tables=[PageTable("", columns, rows)]
    )


def budget_section(answer: Analysis, detected: Mapping[str, Detected]) -> PageSection | None:
    """Say what makes the main numbers uncertain."""
    rows = [row for specimen in answer.specimens for row in _budget_rows(specimen, detected)]
    if not rows:
        return None
    text = (
        "Relative standard uncertainties, in % of the value: the scatter between fields over the root of their number "
        "(of one field: that within it), the segmentation (levels, noise, blur), which all fields share, carbides "
        "that may have been missed (towards more only, so not in what stands under together; of a number put right: "
        "what detection leaves open), and the scale (of elongation: that pixels may not be square). Unknown ones are "
        "left out of the interval.",
    )
    columns = ("specimen, quantity", "field scatter", "segmentation", "missed", "scale", "together")
    return PageSection("uncertainty", "What makes the numbers uncertain", text, tables=[PageTable("", columns, rows)])


def _budget_rows(specimen: Any, detected: Mapping[str, Detected]) -> Iterator[tuple[str, ...]]:
    from micro.specimens.summary import budgets

    known = budgets(specimen.particles, specimen.fields, specimen.scale_relative_uncertainty, of_all=BUDGETED)
    for _, quantity, budget in known:
        size = abs(budget.estimate.value)
        if size > 0:
            fields, segmentation, missed, scale, together = (u / size for _, u, _ in budget.rows())
            lines = [(plain_name(quantity.name), missed, together)]
            found = detected.get(specimen.name)
            if quantity.name == NUMBER and found is not None and math.isfinite(found.share):
                u = found.number_log_uncertainty
                lines.append((plain_name(PUT_RIGHT), u, math.hypot(together, u)))
            for name, unseen, combined in lines:
                shown = (_share(u) for u in (fields, segmentation, unseen, scale, combined))
                yield (f"{specimen.name}, {name}", *shown)


def _share(relative: float) -> str:
    if not math.isfinite(relative):
        return "unknown"
    if relative == 0:
        return "none"
    return f"{100 * relative:.2g}" if relative >= LEAST_SHOWN else f"below {100 * LEAST_SHOWN:g}"


def _text(value: Any) -> str:
    return value if isinstance(value, str) else ""


SIZE_WORDS = {
    "section_median": "median of the sections",
    "section_log_std": "spread of their logarithm",
    "sphere_mean": "mean diameter of spheres in space",
    "sphere_std": "standard deviation of their diameters",
    "spheres_per_mm3": "number of spheres N_V",
}


def size_section(sizes: pd.DataFrame) -> PageSection | None:
    """Table of all specimens with carbides enough; None where there is none."""
    if sizes.empty:
        return None
    text = (
        "A polish cuts most carbides off their middle, so sections are smaller than the carbides in space, and the "
        "smallest are not seen. The spheres below follow a lognormal law whose sections, above the detection limit, "
        "are the most likely to be those that were measured. That is meant for round carbides.",
        "The largest carbide to expect on a polished area follows from the largest of each field (Gumbel law by "
        "largest likelihood, ASTM E2283, from memory): half of such areas show a larger one. The interval holds the "
        "largest of 95 in 100 such areas if the law holds. Two populations of carbides, one rare and coarse, do not "
        "follow it.",
    )
    rows = [
        (
            str(r["specimen"]), _size_words(str(r["quantity"])),
            with_ends_of(r, "value") if math.isfinite(r["value"]) else "not told",
            str(r["unit"] or ""), _text(r["message"]),
        )
        for r in sizes.to_dict("records")
    ]  # fmt: skip
    table = PageTable("", ("specimen", "quantity", "value", "unit", "to know"), rows)
    return PageSection("sizes-in-space", "Sizes in space, and the largest carbide", text, tables=[table])


def _size_words(quantity: str) -> str:
    area = quantity.removeprefix("largest_on_").removesuffix("_mm2")
    return SIZE_WORDS.get(quantity, f"largest carbide to expect on {area} mm²")


BALANCE = (
    "Carbide of volume fraction V and density ρ weighs w = V·ρ / (ΣV·ρ + (1 − ΣV)·ρ of the matrix); what the steel "
    "holds less what the carbides hold, over 1 − Σw, is left in the matrix. Fractions are drawn from their intervals, "
    "densities and compositions of the carbides from ranges (Monte Carlo, JCGM 101); "
    "combinations that leave less than nothing of "
    "an element are rejected. Carbides bear the names that you gave their classes: no grey level proves them."
)


def matrix_section(matrix: pd.DataFrame, save: Save) -> PageSection | None:
    """Chromium of every bar on one axis, and a table of bars by elements; None where no composition is given."""
    from micro.comparison.matrix import LEFT_OUT

    if matrix.empty:
        return None
    chromium = matrix[(matrix["element"] == "Cr") & matrix["in_matrix"].notna()]
    figures = []
    if len(chromium) > 1:
        rows = [ForestRow(str(r["specimen"]), *ends_of(r, "in_matrix")) for r in chromium.to_dict("records")]
        figures.append(
            save(
                "matrix_chromium", 1, height_in(len(rows)),
                partial(draw_forest, rows=rows, label="Cr in the matrix, wt %"),
                "Chromium left in the matrix of every bar; lines are 95 % intervals.",
                "Chromium in the matrix of every bar, with its 95 % interval.",
            )
        )  # fmt: skip
    return PageSection(
        "matrix",
        "What the matrix keeps",
        (BALANCE, LEFT_OUT),
        figures=figures,
        tables=[matrix_table(matrix)],
        printed=True,
    )


def matrix_table(matrix: pd.DataFrame) -> PageTable:
    """Table of bars by elements: left in the matrix, and what the steel holds below it."""
    elements = list(dict.fromkeys(matrix["element"]))
    rows, notes = [], []
    for bar, own in matrix.groupby("specimen", sort=False):
        found = {str(row["element"]): row for row in own.to_dict("records")}
        cells = []
        for element in elements:
            row = found.get(element)
            cells.append("" if row is None else f"{with_ends_of(row, 'in_matrix')}\nof {row['in_steel']:g}")
        first = own.iloc[0]
        named = f"{bar}: {first['carbides']}" if first["carbides"] else str(bar)
        share = float(first["possible_share"])
        possible = f"{100 * share:.3g}" if math.isfinite(share) else ""
        rows.append((named, *cells, possible))
        notes += [f"{bar}: {first['message']}."] if first["message"] else []
    head = ("bar: carbides as you named them", *(f"{e}, wt %" for e in elements), "possible, %")
    note = (
        "Below each value: what the steel holds; of what the carbides hold less, the matrix holds more. "
        "Possible: the share of the combinations drawn that were not rejected."
    )
    return PageTable("", head, rows, " ".join([note, *notes]))


SETTING_IN = (
    "Carbides of known size, with the shapes and greys of the field's own, were set into the matrix of some fields and "
    "looked for as all others are. What is found on the same matrix turned to the other polarity, or drawn anew from "
    "its spectrum, is not there.",
    "The number put right takes sizes to follow a lognormal law. Those set in lie clear of others: carbides that touch "
    "are not put right, and what is far too small to be seen follows from the law alone.",
)
# Panels that fit beside each other; the table holds all specimens.
MOST_PANELS = 4


def detection_sections(detected: Mapping[str, Detected], specimens: pd.DataFrame, save: Save) -> list[PageSection]:
    """Part of the report on detection; none where it was not asked for."""
    from micro.report.study_figures import draw_detections

    told = list(detected.values())
    if not told:
        return []
    shown = told[:MOST_PANELS]
    figure = save(
        "detection", len(shown), 3.0, partial(draw_detections, detected=shown),
        "Share found of the carbides set in (dots) and the probability of detection with its 95 % band, over size.",
        "Probability of detection over carbide diameter for each specimen.",
    )  # fmt: skip
    said = [(one.specimen, [one.sentence, *_number_sentence(one)]) for one in told]
    columns = ("specimen", "found nine times in ten, µm", "of 100 found not there", "per mm²", "put right")
    rows = [_detection_cells(one, specimens) for one in told]
    return [
        PageSection("detection", "What these pictures can show", SETTING_IN, (), said, [figure],
                    [PageTable("", columns, rows)])
    ]  # fmt: skip


def _number_sentence(one: Detected) -> list[str]:
    if not math.isfinite(one.share):
        return ["Most carbides lie below what can be seen, or too few were found: their number cannot be put right."]
    return [f"About {100 * one.share:.0f} of 100 carbides are found."]


def _detection_cells(one: Detected, specimens: pd.DataFrame) -> tuple[str, ...]:
    rows, shown = by_quantity(specimens, one.specimen), ((A90, 1), (FALSE, 100), (NUMBER, 1), (PUT_RIGHT, 1))
    return one.specimen, *(with_ends_of(rows[name], factor=by) if name in rows else "" for name, by in shown)
