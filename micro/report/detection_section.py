"""Section of the report on what the pictures can show."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from functools import partial
from typing import TYPE_CHECKING

from micro.report.drawing import Save
from micro.report.page import PageSection, PageTable
from micro.report.wording import by_quantity, with_ends_of
from micro.specimens.detected import A90, FALSE, NUMBER, PUT_RIGHT, Detected

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

METHOD = (
    "Carbides of known size, with the shapes and greys of the field's own, were set into the matrix of some fields and "
    "looked for as all others are. What is found on the same matrix turned to the other polarity, or drawn anew from "
    "its spectrum, is not there.",
    "The number put right takes sizes to follow a lognormal law. Those set in lie clear of others: carbides that touch "
    "are not put right, and what is far too small to be seen follows from the law alone.",
)
CAPTION = "Share found of the carbides set in (dots) and the probability of detection with its 95 % band, over size."
ALTERNATIVE = "Probability of detection over carbide diameter for each specimen."
# Panels that fit beside each other; the table holds all specimens.
MOST_PANELS = 4


def detection_sections(detected: Mapping[str, Detected], specimens: pd.DataFrame, save: Save) -> list[PageSection]:
    """Part of the report on detection; none where it was not asked for."""
    told = list(detected.values())
    if not told:
        return []
    shown = told[:MOST_PANELS]
    figure = save("detection", len(shown), 3.0, partial(draw_panels, detected=shown), CAPTION, ALTERNATIVE)
    said = [(one.specimen, [one.sentence, *_number_sentence(one)]) for one in told]
    columns = ("specimen", "found nine times in ten, µm", "of 100 found not there", "per mm²", "put right")
    rows = [_row(one, specimens) for one in told]
    return [
        PageSection("detection", "What these pictures can show", METHOD, (), said, [figure],
                    [PageTable("", columns, rows)])
    ]  # fmt: skip


def _number_sentence(one: Detected) -> list[str]:
    if not math.isfinite(one.share):
        return ["Most carbides lie below what can be seen, or too few were found: their number cannot be put right."]
    return [f"About {100 * one.share:.0f} of 100 carbides are found."]


def _row(one: Detected, specimens: pd.DataFrame) -> tuple[str, ...]:
    rows, shown = by_quantity(specimens, one.specimen), ((A90, 1), (FALSE, 100), (NUMBER, 1), (PUT_RIGHT, 1))
    return one.specimen, *(with_ends_of(rows[name], factor=by) if name in rows else "" for name, by in shown)


def draw_panels(axes: Sequence[Axes], detected: Sequence[Detected]) -> None:
    """Draw the curve of each specimen."""
    import pandas as pd

    from micro.figures.detection import draw_detection

    for axis, one in zip(axes, detected, strict=True):
        draw_detection(axis, pd.DataFrame(list(one.table)), one.curve)
        axis.set_title(one.specimen)
