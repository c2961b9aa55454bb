"""The command line: parse, call, print; nothing is computed here."""

from __future__ import annotations

import importlib
import os
import sys
import time
from typing import NoReturn

import click

from micro import __version__
from micro.cli.terminal import StoppedError, Stopping, guarded_screen
from micro.errors import InputError, UsageError, refused
from micro.processes import hold_threads

COMMANDS = {
    "calibrate": "Find the scale on a stage micrometer picture.",
    "measure": "Measure one or many fields as one specimen.",
    "run": "Measure, compare and report a whole study.",
    "compare": "Compare the specimens of one or more results folders.",
    "atlas": "Set the bars of many studies beside each other.",
    "plan": "Say what to photograph next.",
    "review": "Write the page on which a person corrects the outlines.",
    "points": "Plan a point count, and compare it with the result.",
    "coupons": "Compare toughness of test bars, longitudinal against transverse.",
    "verify": "Measure a finished run again and say whether its results still hold.",
    "phantom": "Make synthetic micrographs with a known answer.",
}

SHARED = {"run": "measure", **dict.fromkeys(("compare", "atlas", "plan", "review", "verify"), "on_results")}
"""Modules of the commands that have none of their own."""
SECONDS_FOR_A_LATE_SIGNAL = 0.5
"""Chosen: a signal sent to a group of processes reaches them all within milliseconds, on a busy machine too."""


class LazyGroup(click.Group):
    """Loads a command's module when it is called, so that --help answers at once."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the commands in the order of the work."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, name: str) -> click.Command | None:
        """Return the command of that name, from the module of that name or the one that it shares."""
        if name not in COMMANDS:
            return None
        module = importlib.import_module(f"micro.cli.{SHARED.get(name, name)}")
        command: click.Command = getattr(module, name if name in SHARED else "command")
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands without loading them."""
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))


@click.group(cls=LazyGroup)
@click.version_option(__version__)
def group() -> None:
    """Measure etched carbides in micrographs of tool steel."""


def main(args: list[str] | None = None) -> NoReturn:
    """Run the command line; troubles become one line on stderr and the exit status."""
    with guarded_screen():
        _run(args)


def _run(args: list[str] | None) -> NoReturn:
    stopping = Stopping()
    stopping.listen()
    try:
        sys.exit(_status(args))
    except (click.Abort, KeyboardInterrupt) as stop:
        cause = stop if isinstance(stop, StoppedError) else stop.__cause__
        if isinstance(cause, EOFError):  # click takes it for a person who ends the input; nothing is asked here
            cause = _signal_to_all() or cause
        if isinstance(cause, EOFError):
            click.echo("micro: the processes it works with have ended; run the same command again", err=True)
            sys.exit(1)
        sys.stdout.flush()
        stopping.say(in_order=True)
        sys.exit(cause.status if isinstance(cause, StoppedError) else 130)
    finally:
        stopping.rest()


def _signal_to_all() -> StoppedError | None:
    """Wait for the signal that ended the processes beside this one, where it was sent to all: it may come late."""
    try:
        time.sleep(SECONDS_FOR_A_LATE_SIGNAL)
    except StoppedError as late:
        return late
    return None


def _status(args: list[str] | None) -> int:
    """Run the command line; print troubles, return the exit status."""
    hold_threads()
    try:
        return group.main(args=args, prog_name="micro", standalone_mode=False) or 0
    except BrokenPipeError:
        # Whoever read the output has closed it; a last flush at the end would complain.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 1
    except click.ClickException as trouble:
        trouble.show()
        return 2
    except InputError as trouble:
        click.echo(str(trouble), err=True)
        return 1
    except UsageError as trouble:
        click.echo(str(trouble), err=True)
        return 2
    except OSError as trouble:
        click.echo(str(refused("the system", trouble)), err=True)
        return 1
    except MemoryError:
        click.echo("micro: does not fit into memory; close other programs, or measure in smaller studies", err=True)
        return 1
