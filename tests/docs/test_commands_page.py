"""The commands and options that the pages name are those of the program."""

import re
import shlex
from pathlib import Path

import click
import pytest

from micro.cli import COMMANDS, group

DOCS = Path(__file__).parents[2] / "docs"
PAGE = (DOCS / "commands.md").read_text(encoding="utf-8")


def commands():
    """Every command by its words; groups give way to their own commands."""
    context = click.Context(group)
    found = {}
    for name in COMMANDS:
        command = group.get_command(context, name)
        if isinstance(command, click.Group):
            found |= {f"{name} {sub}": command.commands[sub] for sub in command.commands}
        else:
            found[name] = command
    return found


def options(command):
    return {name for p in command.params if isinstance(p, click.Option) for name in p.opts if name.startswith("--")}


def test_the_table_of_options_is_the_programs():
    rows = dict(re.findall(r"^\| `([a-z ]+)` \| (`--.*`) \|$", PAGE, flags=re.MULTILINE))
    assert {name: set(re.findall(r"--[\w-]+", cell)) for name, cell in rows.items()} == {
        name: options(command) for name, command in commands().items() if options(command)
    }


def typed_lines():
    """Indented lines and inline code that call the program, on any page."""
    for page in sorted([*DOCS.rglob("*.md"), DOCS.parent / "README.md"]):
        text = page.read_text(encoding="utf-8")
        for line in re.findall(r"^    (?:\.venv/bin/)?micro (.+)$|`(?:\.venv/bin/)?micro ([^`]+)`", text, re.MULTILINE):
            yield pytest.param(line[0] or line[1], id=f"{page.name}: {line[0] or line[1]}")


@pytest.mark.parametrize("line", list(typed_lines()))
def test_every_call_on_a_page_is_one_the_program_knows(line):
    """Each call names a command, and only options that this command has."""
    words = shlex.split(line)
    if words[0] in {"COMMAND", "--help"}:
        return
    name = " ".join(words[:2]) if words[0] == "points" and len(words) > 1 else words[0]
    known = {**{name: options(c) for name, c in commands().items()}, "points": set()}
    assert name in known
    assert {w for w in words if w.startswith("--")} - known[name] - {"--help"} == set()
