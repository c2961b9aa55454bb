"""The command that measures, compares and reports a whole study."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import click

from micro.address import Address, is_address
from micro.cli.options import measure_and_print, out_option, parquet_option, skip_option, workers_option


class Place(click.Path):
    """A folder, or an address."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Take what starts with a scheme as an address, all else as click does."""
        text = os.fspath(value)
        return Address(text) if is_address(text) else super().convert(value, param, ctx)


@click.command(name="run")
@click.argument("study", type=click.Path(path_type=Path))
@out_option
@workers_option
@parquet_option
@skip_option
@click.option(
    "--allow", multiple=True, type=Place(path_type=Path, exists=True, file_okay=False),
    help="A folder beside the study's own, or an address, that the study file may point into; may be repeated.",
)  # fmt: skip
@click.option("--scheduler", help="Address of a dask scheduler that measures the fields, such as tcp://host:8786.")
def command(
    study: Path,
    out: Path,
    workers: int | None,
    parquet: bool,
    skip_bad_tallies: bool,
    allow: tuple[Path | Address, ...],
    scheduler: str | None,
) -> None:
    """Measure all specimens of the study file STUDY (TOML), compare them, write a report.

    Run it again after a stop: what is measured already is kept.
    """
    from micro.study.reader import read_study

    measure_and_print(read_study(study, allow), out, workers, parquet, scheduler, skip_bad_tallies)
