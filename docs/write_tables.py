"""Write docs/columns.md and the JSON Schemas of the files from the code: `python docs/write_tables.py`."""

from __future__ import annotations

import json
from collections.abc import Iterable
from pathlib import Path
from string import Formatter

from micro.issue_kinds import KINDS, SEVERITIES
from micro.issues import CARBIDE_FLAGS
from micro.review.keys import review_schema
from micro.specimens.quantities import QUANTITIES
from micro.study.keys import study_schema
from micro.tables import columns

FILES = (
    ("particles.csv", "one row a carbide", columns.PARTICLES),
    ("fields.csv", "one row a field and carbide class", columns.FIELDS),
    ("specimens.csv", "one row a specimen, carbide class and quantity", columns.SPECIMENS),
    ("comparison.csv", "one row a pair of specimens, class and quantity", columns.COMPARISON),
    ("sizes.csv", "one row a specimen and quantity, all carbides together", columns.SIZES),
    ("coupons.csv", "one row a group of toughness coupons, direction and quantity", columns.COUPONS),
    ("transverse_ratios.csv", "one row a group of coupons", columns.TRANSVERSE_RATIOS),
    ("group_ratios.csv", "one row a pair of groups and direction", columns.GROUP_RATIOS),
    ("chemistry.csv", "one row a specimen and carbide class", columns.CHEMISTRY),
    ("detection.csv", "one row a class of size, from micro phantom --into", columns.DETECTION),
    ("mosaics.csv", "one row a mosaic", columns.MOSAICS),
    ("matrix.csv", "one row a specimen and element", columns.MATRIX),
    ("atlas.csv", "one row a bar, from micro atlas", columns.ATLAS),
    ("series.csv", "one row a point of a series, from micro atlas", columns.SERIES),
    ("correlations.csv", "one row a question, from micro atlas", columns.CORRELATIONS),
    ("points.csv", "one row a counted field and carbide class", columns.POINTS),
    ("counters.csv", "one row a pair of counters, and one for all together", columns.COUNTERS),
)
HEAD = """# Columns and messages

This page is written from the code by `python docs/write_tables.py`; a test holds it to the code.

Tables are CSV files in UTF-8 with a comma between cells and a point as decimal sign, whatever the language of the
system. An empty cell means unknown or not applicable; it never stands for 0. Fractions run from 0 to 1 in the files and
are printed in percent. Text that a spreadsheet would take for a formula has an apostrophe in front of it.
"""
ISSUES = """`fields.csv` has the flags and the messages. `run.json` has, for each field, the list `issues`: kind,
flag, severity and the values that the message is made from.
"""


def table(head: Iterable[str], rows: Iterable[Iterable[str]]) -> str:
    """Write a table in Markdown."""
    head = list(head)
    lines = [head, ["---"] * len(head), *rows]
    return "\n".join("| " + " | ".join(cell.replace("|", "\\|") for cell in line) + " |" for line in lines)


def without_values(template: str) -> str:
    """Text of a message with an ellipsis for each value."""
    parts = Formatter().parse(template)
    return "".join(before + ("" if not name else form.partition("|")[2] or "…") for before, name, form, _ in parts)


def page() -> str:
    """Return the whole page."""
    parts = [HEAD]
    for name, rows, declared in FILES:
        cells = ((f"`{c.name}`", c.unit, c.dtype, c.meaning) for c in declared)
        parts.append(
            f"## {name}\n\n{rows[0].upper()}{rows[1:]}.\n\n{table(('column', 'unit', 'type', 'meaning'), cells)}\n"
        )
    quantities = ((f"`{q.name}`", q.unit, q.title) for q in QUANTITIES)
    parts.append(f"## Quantities of specimens.csv\n\n{table(('quantity', 'unit', 'meaning'), quantities)}\n")
    cells = ((f"`{f.name}`", f.text, f.advice) for f in CARBIDE_FLAGS)
    parts.append(f"## Troubles of a carbide\n\n{table(('flag', 'what it says', 'what to do'), cells)}\n")
    severities = "\n".join(f"- **{name}**: {meaning}." for name, meaning in SEVERITIES.items())
    kinds = ((f"`{k.flag}`", f"`{k.name}`", k.severity, without_values(k.template)) for k in KINDS.values())
    head = ("flag", "kind", "severity", "message, … for what was found")
    parts.append(f"## Troubles of a field\n\n{ISSUES}\n{severities}\n\n{table(head, kinds)}\n")
    return "\n".join(parts)


if __name__ == "__main__":
    here = Path(__file__).parent
    (here / "columns.md").write_text(page(), encoding="utf-8")
    for name, schema in (("study", study_schema()), ("review", review_schema())):
        text = json.dumps(schema, indent=1, ensure_ascii=False)
        (here / f"{name}.schema.json").write_text(text + "\n", encoding="utf-8")
