"""The commands on results folders of finished runs: compare, atlas, plan, review, verify."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from micro.cli.options import available_cores, fields_bar, workers_option
from micro.cli.points import accuracy_option

if TYPE_CHECKING:
    import pandas as pd

    from micro.comparison.measured import MeasuredSpecimen


@click.command(name="compare")
@click.argument("folders", metavar="RESULTS...", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--out", type=click.Path(path_type=Path, file_okay=False), help="Write comparison.csv to this folder.")
@click.option("--reference", metavar="SPECIMEN", help="Set all others against this one.")
def compare(folders: tuple[Path, ...], out: Path | None, reference: str | None) -> None:
    """Compare the specimens of one or more results folders.

    Two pair by pair, more by letters: bars that share a letter are not told apart. With --reference each against that.
    """
    from micro import results
    from micro.comparison.findings import sentences
    from micro.comparison.measured import read_folders
    from micro.comparison.pairs import compare
    from micro.errors import UsageError, writing
    from micro.owned import Origin, claimed
    from micro.report.wording import wrapped

    specimens, problems = read_folders(folders)
    for problem in problems:
        click.echo(problem, err=True)
    if len(specimens) < 2:
        told = f"{len(specimens)} specimen{'' if len(specimens) == 1 else 's'} can be used"
        raise UsageError("RESULTS", told, "give folders that hold two or more")
    names = [specimen.name for specimen in specimens]
    if reference is not None and reference not in names:
        raise UsageError(
            "--reference", f"{reference!r} is no specimen of these folders", f"name one of {', '.join(names)}"
        )
    specimens.sort(key=lambda specimen: specimen.name != reference)
    comparison = compare(specimens)
    if len(specimens) > 2 and reference is None:
        _print_bars(specimens, names, comparison)
    else:
        shown = comparison if reference is None else comparison[comparison["specimen_a"] == reference]
        for sentence in sentences(shown):
            click.echo(wrapped(sentence))
    if out is not None:
        with claimed(out, Origin("comparison", folders), [results.COMPARISON]), writing(out):
            results.write_table(out / results.COMPARISON, comparison)
    where = f"--out FOLDER writes {results.COMPARISON}" if out is None else str(out / results.COMPARISON)
    click.echo(f"every pair and quantity, class by class: {where}")
    if problems:
        raise click.exceptions.Exit(1)


def _print_bars(specimens: list[MeasuredSpecimen], names: list[str], comparison: pd.DataFrame) -> None:
    """Every bar with its intervals and letters, quantity by quantity."""
    import pandas as pd

    from micro.report.bars import MEANING_OF_LETTERS, letter_sentences, measured_bars, printed_bars
    from micro.report.wording import printed, wrapped
    from micro.specimens.summary import summarise

    # By the name that is printed: two folders may each hold a specimen of one name.
    tables = [summarise(s.particles, s.fields, s.scale_relative_uncertainty).assign(specimen=s.name) for s in specimens]
    bars = measured_bars(names, pd.concat(tables, ignore_index=True), comparison)
    for line in printed_bars(bars):
        click.echo(printed(line))
    for sentence in (*letter_sentences(bars), MEANING_OF_LETTERS):
        click.echo(wrapped(sentence))


@click.command(name="atlas")
@click.argument("folders", metavar="RESULTS...", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--out", type=click.Path(path_type=Path, file_okay=False), default=Path("atlas"), show_default=True,
    help="Folder for the page, its tables and figures.",
)  # fmt: skip
def atlas(folders: tuple[Path, ...], out: Path) -> None:
    """Set the bars of any number of results folders beside each other, one row a bar.

    Structure beside toughness, hardness, heat treatment, route, composition and what the matrix keeps; figures, series
    over a heat treatment, and rank correlations with hardness held. Bars measured unlike most are marked.
    """
    from micro.atlas.page import build_atlas, lead, marks
    from micro.atlas.relations import CAUTIONS
    from micro.report.wording import wrapped
    from micro.results import ATLAS_PAGE

    atlas, said = build_atlas(folders, out)
    for problem in atlas.problems:
        click.echo(problem, err=True)
    for line in (lead(atlas.bars), *said, *marks(atlas.bars), CAUTIONS[0]):
        click.echo(wrapped(line))
    click.echo(f"open {out / ATLAS_PAGE}")
    if atlas.problems:
        raise click.exceptions.Exit(1)


@click.command(name="plan")
@click.argument("folder", metavar="[RESULTS]", required=False, type=click.Path(path_type=Path))
@accuracy_option
@click.option("--expected-pct", type=click.FloatRange(0, 100, min_open=True, max_open=True), help="Expected fraction.")
@click.option("--ecd-um", type=click.FloatRange(0, min_open=True), help="Expected mean diameter, with --expected-pct.")
@click.option(
    "--field-um", type=click.FloatRange(0, min_open=True), nargs=2, default=(200.0, 150.0), show_default=True,
    help="Width and height of a field, with --expected-pct.",
)  # fmt: skip
def plan(
    folder: Path | None,
    accuracy_pct: float,
    expected_pct: float | None,
    ecd_um: float | None,
    field_um: tuple[float, float],
) -> None:
    """Say what to photograph next: from a finished run in RESULTS, or from what is expected.

    From a run: fields still needed, whether more fields or another magnification helps more, how large a field must be
    to hold three bands, and the time. Without one: --expected-pct, and --ecd-um for the fields to measure.
    """
    from micro.errors import UsageError
    from micro.report.wording import wrapped
    from micro.run.planning import expected_lines, plan_lines

    if (folder is None) == (expected_pct is None):
        problem = "needs a finished run or --expected-pct" if folder is None else "stands beside --expected-pct"
        raise UsageError(folder or "micro plan", problem, "give one of the two")
    if folder is not None:
        lines = plan_lines(folder, accuracy_pct)
    else:
        lines = expected_lines(expected_pct or 0.0, accuracy_pct, ecd_um, field_um[0] * field_um[1])
    for line in lines:
        indent = len(line) - len(line.lstrip())
        click.echo(" " * indent + wrapped(line.strip()).replace("\n", "\n" + " " * indent))


@click.command(name="review")
@click.argument("folder", metavar="RESULTS", type=click.Path(path_type=Path))
def review(folder: Path) -> None:
    """Write the page on which a person corrects the outlines of the finished run in RESULTS.

    The page opens from disk and saves review.json: name that in the study file (review = ["review.json"]), or give it
    to micro measure --review, and run again.
    """
    from micro.errors import one_line, writing
    from micro.run.review import write_review_page

    with writing(folder, "free the disk, or its rights"):
        written = write_review_page(folder)
    for line in written.missing:
        click.echo(one_line(line), err=True)
    click.echo(f"{written.fields} fields, those in doubt first; open {written.path}")


@click.command(name="verify")
@click.argument("folder", metavar="RESULTS", type=click.Path(path_type=Path))
@workers_option
def verify(folder: Path, workers: int | None) -> None:
    """Measure the run in the folder RESULTS again, and say whether its results still follow from its inputs."""
    from micro.report.record import read_run
    from micro.run.verify import verify

    with fields_bar(len(read_run(folder, as_left=False).outcomes)) as bar:
        verdict = verify(folder, workers or available_cores(), lambda outcome: bar.update(1))
    for line in (*verdict.differences, *verdict.remarks):
        click.echo(line, err=True)
    if verdict.differences:
        raise click.exceptions.Exit(1)
    click.echo(f"{folder}: the results are what study and inputs give")
    click.echo(f"digest of all its files, to keep elsewhere: {verdict.digest}")
