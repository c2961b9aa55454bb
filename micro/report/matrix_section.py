"""What the matrix of each bar keeps in solution: figure and table of the report."""

from __future__ import annotations

import math
from functools import partial
from typing import TYPE_CHECKING

from micro.figures.forest import ForestRow, draw_forest, height_in
from micro.report.drawing import Save
from micro.report.page import PageSection, PageTable
from micro.report.wording import ends_of, with_ends_of

if TYPE_CHECKING:
    import pandas as pd

METHOD = (
    "Carbide of volume fraction V and density ρ weighs w = V·ρ / (ΣV·ρ + (1 − ΣV)·ρ of the matrix); what the steel "
    "holds less what the carbides hold, over 1 − Σw, is left in the matrix. Fractions are drawn from their intervals, "
    "densities and compositions of the carbides from ranges (Monte Carlo, JCGM 101); "
    "combinations that leave less than nothing of "
    "an element are rejected. Carbides bear the names that you gave their classes: no grey level proves them."
)


def matrix_section(matrix: pd.DataFrame, save: Save) -> PageSection | None:
    """Chromium of every bar on one axis, and a table of bars by elements; None where no composition is given."""
    from micro.comparison.in_solution import LEFT_OUT

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
        (METHOD, LEFT_OUT),
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
        "Below each value: what the steel holds. Possible: the share of the combinations drawn that were not rejected."
    )
    return PageTable("", head, rows, " ".join([note, *notes]))
