"""The command that compares the specimens of finished runs."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    import pandas as pd

    from micro.comparison.measured import MeasuredSpecimen


@click.command(name="compare")
@click.argument("folders", metavar="RESULTS...", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--out", type=click.Path(path_type=Path, file_okay=False), help="Write comparison.csv to this folder.")
@click.option("--reference", metavar="SPECIMEN", help="Set all others against this one.")
def command(folders: tuple[Path, ...], out: Path | None, reference: str | None) -> None:
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
    if problems:
        raise click.exceptions.Exit(1)


def _print_bars(specimens: list[MeasuredSpecimen], names: list[str], comparison: pd.DataFrame) -> None:
    """Every bar with its intervals and letters, quantity by quantity."""
    import pandas as pd

    from micro.report.bars import MEANING_OF_LETTERS, letter_sentences, measured_bars, printed_bars
    from micro.report.wording import printed, wrapped
    from micro.specimens.summary import summarise

    tables = [summarise(s.particles, s.fields, s.scale_relative_uncertainty) for s in specimens]
    bars = measured_bars(names, pd.concat(tables, ignore_index=True), comparison)
    for line in printed_bars(bars):
        click.echo(printed(line))
    for sentence in (*letter_sentences(bars), MEANING_OF_LETTERS):
        click.echo(wrapped(sentence))
