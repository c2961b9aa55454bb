"""The commands that plan a point count, and compare it with the result."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from micro.points.sheet import Picture

accuracy_option = click.option(
    "--accuracy-pct", type=click.FloatRange(0.1, 100), default=10.0, show_default=True,
    help="Wanted %RA, half width of the 95 % interval over the fraction.",
)  # fmt: skip


@click.group(name="points")
def command() -> None:
    """Plan a point count, and compare it with the result."""


@command.command(name="sheet")
@click.argument(
    "files", metavar="STUDY|RESULTS|IMAGES...", nargs=-1, required=True, type=click.Path(path_type=Path, readable=False)
)
@click.option("--expected-pct", type=click.FloatRange(0, 100, min_open=True, max_open=True), help="Expected fraction.")
@accuracy_option
@click.option("--points", type=click.IntRange(1, 2500), help="Points of a grid; planned unless given.")
@click.option("--fields", type=click.IntRange(1), help="Fields of a specimen; planned unless given.")
@click.option("--specimen", default="specimen", show_default=True, help="Name of the specimen, for pictures.")
@click.option(
    "--seed", type=click.IntRange(0), default=1, show_default=True, help="Of the draw: another seed, another grid."
)
@click.option(
    "--refine", is_flag=True,
    help="Further points for RESULTS that a count taught, drawn where the taught map is unsure.",
)  # fmt: skip
@click.option(
    "--out", type=click.Path(path_type=Path, file_okay=False), default=None,
    help="Folder for the sheet.  [default: count; with --refine: count-further]",
)  # fmt: skip
def sheet_command(
    files: tuple[Path, ...],
    expected_pct: float | None,
    accuracy_pct: float,
    points: int | None,
    fields: int | None,
    specimen: str,
    seed: int,
    refine: bool,
    out: Path | None,
) -> None:
    """Plan the count of a study file (TOML), of a results folder or of pictures, and write the sheet to count on.

    A study and its results show every picture as it is measured: its page, and without its data bar.

    sheet.html is for the browser; form.csv and the folder print are for paper. None of them knows the automatic result.
    With --refine there is only the page, and its tally goes to --taught-by beside the first one.
    """
    if refine:
        _refine(files, points, seed, out or Path("count-further"))
        return
    out = out or Path("count")
    from micro.address import on_disk
    from micro.errors import UsageError, writing
    from micro.owned import Origin, claimed
    from micro.points.sheet import FORM_FILE, PAGE, filled_in, make_sheet, write_sheet

    pictures, classes = _pictures(files, specimen)
    origin = Origin("counting sheet", files, (*files, *on_disk(field.image for _, field in pictures)))
    expected = None if expected_pct is None else expected_pct / 100
    sheet = make_sheet(
        pictures, expected_fraction=expected, relative_accuracy_pct=accuracy_pct, points=points, fields=fields,
        classes=classes, seed=seed,
    )  # fmt: skip
    with claimed(out, origin, (PAGE, FORM_FILE)), writing(out):
        if filled_in(out / FORM_FILE):
            raise UsageError(
                out / FORM_FILE, "is filled in, and a new one would take its place", "choose another --out"
            )
        write_sheet(sheet, out)
    for unread in sheet.troubles:
        click.echo(str(unread), err=True)
    for plan in sheet.plans:
        for line in plan.lines:
            click.echo(line)
    click.echo(f"open {out / 'sheet.html'}; on paper: {out / 'print'} and {out / 'form.csv'}")
    if sheet.troubles:
        raise click.exceptions.Exit(1)


def _refine(files: tuple[Path, ...], points: int | None, seed: int, out: Path) -> None:
    """Say what further points are worth, and write the page to count them on."""
    from micro.address import on_disk
    from micro.errors import UsageError, writing
    from micro.owned import Origin, claimed
    from micro.points.sheet import PAGE, further_sheet, write_sheet
    from micro.report.wording import wrapped
    from micro.run.refining import further_points

    if len(files) != 1 or not files[0].is_dir():
        raise UsageError("--refine", "needs one results folder", "measure with --taught-by, then name its folder")
    found, classes = further_points(files[0], points, seed)
    for one in found:
        for line in one.lines:
            click.echo(wrapped(line) if not line.startswith(" ") else line)
    drawn = [field for one in found for field in one.drawn]
    sheet = further_sheet(drawn, classes, seed)
    origin = Origin("counting sheet", files, (*files, *on_disk(field.image for (_, field), _ in drawn)))
    with claimed(out, origin, (PAGE,)), writing(out):
        write_sheet(sheet, out)
    click.echo(f"open {out / PAGE}; measure again with --taught-by for the first tally and for this one")


def _pictures(files: tuple[Path, ...], specimen: str) -> tuple[list[Picture], tuple[str, ...]]:
    """Pictures of the files, and the carbide classes to tell apart."""
    from micro.errors import UsageError, spelled
    from micro.report.record import read_run
    from micro.segmentation.segmentation import SegmentationSettings
    from micro.study.model import Specimen, study_of_images
    from micro.study.reader import read_study

    whole = [path for path in files if path.suffix.lower() == ".toml" or path.is_dir()]
    if whole and len(files) > 1:
        remedy = "give one study file, one results folder, or pictures"
        raise UsageError(whole[0], "stands beside other files", remedy)
    if not whole:
        study = study_of_images(files, Specimen(spelled(specimen), ()), SegmentationSettings())
    elif whole[0].is_dir():
        study = read_run(whole[0]).study
    else:
        study = read_study(whole[0])
    for message in study.messages:
        click.echo(message, err=True)
    return [(one.name, field) for one in study.specimens for field in one.fields], study.class_names


@command.command(name="compare")
@click.argument("tallies", metavar="TALLY...", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.argument("folder", metavar="RESULTS", type=click.Path(path_type=Path))
@accuracy_option
def compare_command(tallies: tuple[Path, ...], folder: Path, accuracy_pct: float) -> None:
    """Set one or more counts of one sheet against the results folder RESULTS, field by field.

    The count is kept in the folder: it enters points.csv, specimens.csv and report.html, now and after later runs.
    """
    from micro.errors import writing
    from micro.points.wording import sentences
    from micro.report.wording import wrapped
    from micro.run.study import count_again

    with writing(folder, "free the disk, or its rights"):
        agreement = count_again(folder, tallies, accuracy_pct)
    for message in agreement.messages:
        click.echo(message, err=True)
    for sentence in sentences(agreement):
        click.echo(wrapped(sentence))
    click.echo(f"open {folder / 'report.html'}; every field is in {folder / 'points.csv'}")
