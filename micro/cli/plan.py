"""The command that says what to photograph next."""

from __future__ import annotations

from pathlib import Path

import click

from micro.cli.points import accuracy_option


@click.command(name="plan")
@click.argument("folder", metavar="[RESULTS]", required=False, type=click.Path(path_type=Path))
@accuracy_option
@click.option("--expected-pct", type=click.FloatRange(0, 100, min_open=True, max_open=True), help="Expected fraction.")
@click.option("--ecd-um", type=click.FloatRange(0, min_open=True), help="Expected mean diameter, with --expected-pct.")
@click.option(
    "--field-um", type=click.FloatRange(0, min_open=True), nargs=2, default=(200.0, 150.0), show_default=True,
    help="Width and height of a field, with --expected-pct.",
)  # fmt: skip
def command(
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
