"""The command that measures, compares and reports a whole study."""

from __future__ import annotations

from pathlib import Path

import click

from micro.cli.options import measure_and_print, out_option, parquet_option, skip_option, workers_option


@click.command(name="run")
@click.argument("study", type=click.Path(path_type=Path))
@out_option
@workers_option
@parquet_option
@skip_option
@click.option(
    "--allow", multiple=True, type=click.Path(path_type=Path, exists=True, file_okay=False),
    help="A folder beside the study's own that the study file may point into; may be repeated.",
)  # fmt: skip
@click.option("--scheduler", help="Address of a dask scheduler that measures the fields, such as tcp://host:8786.")
def command(
    study: Path,
    out: Path,
    workers: int | None,
    parquet: bool,
    skip_bad_tallies: bool,
    allow: tuple[Path, ...],
    scheduler: str | None,
) -> None:
    """Measure all specimens of the study file STUDY (TOML), compare them, write a report.

    Run it again after a stop: what is measured already is kept.
    """
    from micro.study.reader import read_study

    measure_and_print(read_study(study, allow), out, workers, parquet, scheduler, skip_bad_tallies)
