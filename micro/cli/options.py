"""Options and printing that the measuring commands share."""

from __future__ import annotations

import gc
import os
import sys
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from micro.cli.terminal import bare
from micro.errors import MicroError, one_line

if TYPE_CHECKING:
    from micro.batch.job import Outcome
    from micro.run.study import RunSummary
    from micro.study.model import Study

out_option = click.option(
    "--out", type=click.Path(path_type=Path, file_okay=False), default=Path("results"), show_default=True,
    help="Results folder.",
)  # fmt: skip
workers_option = click.option(
    "--workers",
    type=click.IntRange(1, 1024),
    default=None,
    help="Processes; by default what cores and memory allow.",
)
parquet_option = click.option(
    "--parquet", is_flag=True, help="Write the tables as Parquet too (needs the extra parquet)."
)


def available_cores() -> int:
    """Cores that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def load_beside(workers: int | None, alone: bool = False) -> None:
    """Let what workers are forked from load its libraries while this process loads its own; the first call counts.

    All of measuring, or what draws where this process measures the one field alone.
    """
    from micro.processes import FOR_FIELDS, FOR_FIGURES, load_early

    if (workers or available_cores()) > 1:
        load_early(FOR_FIGURES if alone else FOR_FIELDS)


def fields_bar(count: int) -> Any:
    """Progress bar over fields, on stderr, with the time left."""
    return click.progressbar(length=count, label="measuring", file=bare(sys.stderr), show_pos=True, width=24)


skip_option = click.option(
    "--skip-bad-tallies", is_flag=True, help="Go on without a tally that cannot teach, in place of stopping."
)


def measure_and_print(
    study: Study,
    out: Path,
    workers: int | None,
    parquet: bool,
    scheduler: str | None = None,
    skip_bad_tallies: bool = False,
) -> None:
    """Run a study with a progress bar, print its table, exit with 1 where a field failed."""
    load_beside(workers, alone=sum(len(specimen.fields) for specimen in study.specimens) == 1)
    from micro.results import require_parquet

    if parquet:
        require_parquet()
    if study.is_taught:
        from micro.run.taught import checked_study

        study = checked_study(study, skip_bad_tallies)
    if any(specimen.review for specimen in study.specimens):
        from micro.batch.fields import checked_reviews

        study = checked_reviews(study)
    for message in study.messages:
        click.echo(one_line(message), err=True)
    workers = workers or workers_for(study)
    with untouched_libraries() as loaded:
        ending = _run_and_answer(study, out, workers, scheduler, parquet, loaded)
    measured = sum(not outcome.trouble for outcome in ending.outcomes)
    click.echo(f"{measured} of {len(ending.outcomes)} fields measured; open {out / 'report.html'}")
    if ending.failed or ending.troubles:
        raise click.exceptions.Exit(1)


@contextmanager
def untouched_libraries() -> Iterator[Callable[[], None]]:
    """Look for nothing to clear away until the function that this gives is called, and never in what is loaded by then.

    Libraries stay. Python would look through them again and again, for a twentieth of the time to the first answer.
    """
    gc.disable()

    def loaded() -> None:
        if not gc.isenabled():
            gc.freeze()
            gc.enable()

    try:
        yield loaded
    finally:
        gc.enable()
        gc.unfreeze()


def _run_and_answer(
    study: Study, out: Path, workers: int, scheduler: str | None, parquet: bool, loaded: Callable[[], None]
) -> RunSummary:
    """Run with a bar that moves with the fields; print the answer before the figures are drawn."""
    from micro.run.study import run_study

    count = sum(len(specimen.fields) for specimen in study.specimens)
    for line in beside_the_bar(study):
        click.echo(line, err=True)
    lost: list[str] = []
    with ExitStack() as drawn:
        bar = drawn.enter_context(fields_bar(count))

        def ended(outcome: Outcome) -> None:
            loaded()
            bar.update(1)
            lost.extend([outcome.trouble] if outcome.trouble else [])

        def answered(ending: RunSummary) -> None:
            drawn.close()  # the bar's line ends before the answer begins
            print_answer(study, ending)
            lost.clear()

        if study.is_taught:
            loaded()  # it learns before a field ends
        try:
            ending = run_study(study, out, workers, ended, scheduler, parquet, answered)
        except (MicroError, OSError, MemoryError):
            # What ends the run here must not hide which fields were lost before.
            drawn.close()
            for trouble in lost:
                click.echo(trouble, err=True)
            raise
    return ending


def beside_the_bar(study: Study) -> Iterator[str]:
    """Say what takes long while the bar of the fields stands still."""
    if study.is_taught:
        yield "the count teaches the outlines before the first field is measured"
    searched = sum(specimen.detection for specimen in study.specimens)
    if searched:
        fields = f"{searched * FIELDS_A_DETECTION} more fields"
        yield f"detection: after the last field carbides are set in, which takes about as long as {fields}"


FIELDS_A_DETECTION = 24
"""Fields that setting carbides into a specimen takes as long as (docs/howto.md)."""


def workers_for(study: Study) -> int:
    """One worker a core, or as many as fit into the free memory; a line where they are fewer."""
    from micro.batch.workers import fitting_workers
    from micro.processes import free_memory

    cores, free = available_cores(), free_memory()
    workers = fitting_workers([field for one in study.specimens for field in one.fields], cores, free)
    if free is not None and workers < cores:
        told = f"{free / 2**30:.1f} GiB of memory are free for pictures of this size"
        click.echo(f"micro: {workers} of {cores} workers, as {told} (--workers says otherwise)", err=True)
    return workers


def print_answer(study: Study, ending: RunSummary) -> None:
    """Print troubles and issues on stderr, the table and what it says on stdout, at once."""
    from micro.report.wording import specimen_table, wrapped

    for outcome in ending.outcomes:
        if outcome.trouble:
            click.echo(outcome.trouble, err=True)
    for line in issue_lines(ending.outcomes):
        click.echo(one_line(line), err=True)
    for line in (*ending.remarks, *ending.troubles):
        click.echo(line, err=True)
    click.echo(specimen_table(study, ending.specimens))
    for sentence in ending.sentences:
        click.echo(wrapped(sentence))
    sys.stdout.flush()  # a pipe would hold it back until the report is drawn


def issue_lines(outcomes: Sequence[Outcome]) -> list[str]:
    """Issues of the fields, each once, with three of its pictures by name; what touches no number comes last.

    Fields that share a picture, pages or parts of a mosaic, go by the field's name too.
    """
    from micro.issues import gravest_first, grouped
    from micro.report.wording import listed

    fields_of = Counter(o.image for o in outcomes)
    named = [(o, o.image if fields_of[o.image] == 1 else f"{o.image} {o.field}") for o in outcomes]
    issues = (one.at(place) for outcome, place in named for one in outcome.issues)
    return [f"{listed(group.places, 3)}: {group.text}" for group in grouped(gravest_first(issues))]
