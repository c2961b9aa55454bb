"""The command that measures a finished run again."""

from __future__ import annotations

from pathlib import Path

import click

from micro.cli.options import available_cores, fields_bar, workers_option


@click.command(name="verify")
@click.argument("folder", metavar="RESULTS", type=click.Path(path_type=Path))
@workers_option
def command(folder: Path, workers: int | None) -> None:
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
