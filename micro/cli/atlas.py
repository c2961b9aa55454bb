"""The command that sets bars of any number of studies beside each other."""

from __future__ import annotations

from pathlib import Path

import click


@click.command(name="atlas")
@click.argument("folders", metavar="RESULTS...", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--out", type=click.Path(path_type=Path, file_okay=False), default=Path("atlas"), show_default=True,
    help="Folder for the page, its tables and figures.",
)  # fmt: skip
def command(folders: tuple[Path, ...], out: Path) -> None:
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
