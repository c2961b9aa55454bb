"""The command line: parse, call, print; nothing is computed here."""

from __future__ import annotations

import importlib
import os
import signal
import sys
from types import FrameType
from typing import NoReturn

import click

from micro import __version__
from micro.errors import InputError, UsageError
from micro.processes import hold_threads

COMMANDS = {
    "calibrate": "Find the scale on a stage micrometer picture.",
    "measure": "Measure one or many fields as one specimen.",
    "run": "Measure, compare and report a whole study.",
    "compare": "Compare the specimens of one or more results folders.",
    "points": "Plan a point count, and compare it with the result.",
    "coupons": "Compare toughness coupons, longitudinal against transverse.",
    "verify": "Measure a finished run again and say whether its results still hold.",
    "phantom": "Make synthetic micrographs with a known answer.",
}


class LazyGroup(click.Group):
    """Loads a command's module when it is called, so that --help answers at once."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the commands in the order of the work."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, name: str) -> click.Command | None:
        """Return the command of that name, from the module of that name."""
        if name not in COMMANDS:
            return None
        return importlib.import_module(f"micro.cli.{name}").command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands without loading them."""
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))


@click.group(cls=LazyGroup)
@click.version_option(__version__)
def group() -> None:
    """Measure etched carbides in micrographs of tool steel."""


class TerminatedError(KeyboardInterrupt):
    """The system asked the program to end; it does so as cleanly as by Ctrl-C."""


def _terminate(number: int, frame: FrameType | None) -> NoReturn:
    raise TerminatedError


def main(args: list[str] | None = None) -> NoReturn:
    """Run the command line; troubles become one line on stderr and the exit status."""
    signal.signal(signal.SIGTERM, _terminate)
    hold_threads()
    try:
        sys.exit(group.main(args=args, prog_name="micro", standalone_mode=False) or 0)
    except click.Abort as stop:
        click.echo("stopped; run the same command again to go on", err=True)
        sys.exit(143 if isinstance(stop.__cause__, TerminatedError) else 130)
    except BrokenPipeError:
        # Whoever read the output has closed it; a last flush at the end would complain.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(1)
    except click.ClickException as trouble:
        trouble.show()
        sys.exit(2)
    except InputError as trouble:
        click.echo(str(trouble), err=True)
        sys.exit(1)
    except UsageError as trouble:
        click.echo(str(trouble), err=True)
        sys.exit(2)
    except OSError as trouble:
        place = trouble.filename or "the system"
        problem = f"cannot be read or written ({trouble.strerror or trouble})"
        click.echo(
            str(InputError(place, problem, "mend the disk or its rights, then run the same command again")), err=True
        )
        sys.exit(1)
    except MemoryError:
        click.echo("micro: does not fit into memory; close other programs, or measure in smaller studies", err=True)
        sys.exit(1)
