"""The command that compares the specimens of finished runs."""

from __future__ import annotations

from pathlib import Path

import click


@click.command(name="compare")
@click.argument("folders", metavar="RESULTS...", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--out", type=click.Path(path_type=Path, file_okay=False), help="Write comparison.csv to this folder.")
def command(folders: tuple[Path, ...], out: Path | None) -> None:
    """Compare the specimens of one or more results folders, pair by pair."""
    from micro import results
    from micro.comparison.findings import sentences
    from micro.comparison.pairs import compare
    from micro.comparison.results_folders import read_folders
    from micro.errors import UsageError, writing
    from micro.report.wording import wrapped

    specimens, problems = read_folders(folders)
    for problem in problems:
        click.echo(problem, err=True)
    if len(specimens) < 2:
        told = f"{len(specimens)} specimen{'' if len(specimens) == 1 else 's'} can be used"
        raise UsageError("RESULTS", told, "give folders that hold two or more")
    comparison = compare(specimens)
    for sentence in sentences(comparison):
        click.echo(wrapped(sentence))
    if out is not None:
        with writing(out):
            results.write_table(out / results.COMPARISON, comparison)
    if problems:
        raise click.exceptions.Exit(1)
