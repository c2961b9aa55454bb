"""The command that writes the page of review."""

from __future__ import annotations

from pathlib import Path

import click


@click.command(name="review")
@click.argument("folder", metavar="RESULTS", type=click.Path(path_type=Path))
def command(folder: Path) -> None:
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
