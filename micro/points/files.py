"""The files of a count: what is counted on."""

from __future__ import annotations

from pathlib import Path

from micro import results
from micro.points.page import counting_page
from micro.points.paper import form, printable_page
from micro.points.sheet import Sheet

PAGE, FORM, PRINT = "sheet.html", "form.csv", "print"


def write_sheet(sheet: Sheet, out: Path) -> None:
    """Write the page, the form for paper, and a printable picture a field, numbered as the form is."""
    with results.whole_file(out / PAGE) as stream:
        stream.write(counting_page(sheet).encode(errors="backslashreplace"))
    results.write_table(out / FORM, form(sheet))
    for number in range(len(sheet.fields)):
        with results.whole_file(out / PRINT / f"{number + 1:03d}.png") as stream:
            stream.write(printable_page(sheet, number))
    for left in sorted((out / PRINT).glob("[0-9][0-9][0-9].png"))[len(sheet.fields) :]:
        left.unlink()
