"""The short table on the terminal."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

from micro.report.wording import MINUS, THIN_SPACE, one_class, with_half_width
from micro.study import Study

if TYPE_CHECKING:
    import pandas as pd

# Quantity, heading, factor from the table's unit to the printed one.
SHOWN = (
    ("area_fraction", "area %", 100.0),
    ("ecd_d50", "ECD d50 µm", 1.0),
    ("ecd_d90", "ECD d90 µm", 1.0),
    ("largest_ecd", "largest µm", 1.0),
    ("mean_aspect_ratio", "aspect", 1.0),
    ("elongation_along_rolling", "along/across", 1.0),
)
COLUMNS = 80


def printed(text: str) -> str:
    """Text with the signs that every terminal can show."""
    return text.replace(MINUS, "-").replace(THIN_SPACE, " ")


def wrapped(text: str) -> str:
    """Text in lines of at most 80 columns; those after the first are indented."""
    return textwrap.fill(printed(text), COLUMNS, subsequent_indent="  ", break_long_words=False, break_on_hyphens=False)


def specimen_table(study: Study, specimens: pd.DataFrame) -> str:
    """Lines of at most 80 columns: each specimen, each quantity with its 95 % interval, per carbide class."""
    lines = []
    for specimen in study.specimens:
        own = specimens[specimens["specimen"] == specimen.name]
        if own.empty:
            lines.append(f"{specimen.name}: no field was measured")
            continue
        fields = int(own["fields"].max())
        known = f"{fields} fields, 95 % intervals" if fields > 1 else "1 field: 95 % intervals need two or more"
        lines.append(f"{specimen.name}, {known}")
        for carbide_class, title in _classes(own):
            lines += _class_lines(own[own["carbide_class"] == carbide_class], title)
    return "\n".join(lines)


def _classes(own: pd.DataFrame) -> list[tuple[str, str]]:
    """Return the classes with their titles; one class alone is all carbides."""
    found = list(dict.fromkeys(own["carbide_class"]))
    if len(found) == 2:
        name = one_class(found)
        return [("all", f"all carbides ({name})" if name else "all carbides")]
    return [(c, "all carbides" if c == "all" else c) for c in found]


def _class_lines(rows: pd.DataFrame, title: str) -> list[str]:
    by_quantity = rows.drop_duplicates("quantity").set_index("quantity")
    cells = []
    for quantity, heading, factor in SHOWN:
        if quantity in by_quantity.index:
            mean, low, high = by_quantity.loc[[quantity], ["mean", "ci95_low", "ci95_high"]].to_numpy(float)[0] * factor
            shown = printed(with_half_width(mean, low, high))
            cells.append(f"{heading:<13}{shown}")
    body = [f"  {left:<38}{right}".rstrip() for left, right in zip(cells[::2], [*cells[1::2], ""], strict=False)]
    return [f"  {title}", *("  " + line for line in body)]
