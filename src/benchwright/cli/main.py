"""The command `benchwright`. Each command's code loads when it is called, so that help is quick."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from importlib import import_module
from typing import Any

import click

from .. import __version__
from ..errors import BenchwrightError

_COMMANDS: Mapping[str, tuple[str, str, str]] = {
    "board": ("board", "board", "Import, check, show and export boards."),
    "demo": ("demo", "demo", "Try the whole job on an invented machine."),
    "doctor": ("doctor", "doctor", "Print what a bug report needs."),
    "find": ("find", "find", "Find a fault in a dialogue: it proposes, you measure."),
    "next": ("ask", "next_command", "The next best checks for a table of readings."),
    "suspects": ("ask", "suspects_command", "The suspects for a table of readings."),
}


class _Lazy(click.Group):
    """A group whose commands are imported when used."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return sorted(_COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in _COMMANDS:
            return None
        module, name, _ = _COMMANDS[cmd_name]
        command: click.Command = getattr(import_module(f".{module}", __package__), name)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, text) for name, (_, _, text) in sorted(_COMMANDS.items())])


@click.group(cls=_Lazy, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="benchwright")
def cli() -> None:
    """Find the fault in a vintage home computer, and the next best check.

    Exit codes: 0 done, 1 the answer is no, 2 bad input or usage.
    """


def main(args: list[str] | None = None) -> Any:
    """Run the command line; our own errors become one plain message and exit code 2."""
    try:
        return cli.main(args=args, prog_name="benchwright", standalone_mode=True)
    except BenchwrightError as problem:
        click.echo(f"benchwright: {problem}", err=True)
        sys.exit(2)
    except OSError as problem:
        where = f"{problem.filename}: " if problem.filename else ""
        click.echo(f"benchwright: {where}{(problem.strerror or str(problem)).lower()}", err=True)
        sys.exit(2)


if __name__ == "__main__":
    main()
