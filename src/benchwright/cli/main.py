"""The command `benchwright`."""

from __future__ import annotations

import sys
from typing import Any

import click

from .. import __version__
from ..errors import BenchwrightError
from .lazy import LazyGroup

_COMMANDS = {
    "bench": ("bench", "bench", "Back up, check and bring back the bench's records."),
    "bid": ("bid", "bid", "What a faulty machine is worth: the most to pay, and why."),
    "board": ("board", "board", "Import, check, show and export boards."),
    "demo": ("demo", "demo", "Try the whole job on an invented machine."),
    "doctor": ("doctor", "doctor", "Print what a bug report needs."),
    "find": ("find", "find", "Find a fault in a dialogue: it proposes, you measure."),
    "job": ("job", "job", "The machines on the bench: take in, log, look up, hand over."),
    "next": ("ask", "next_command", "The next best checks for a table of readings."),
    "serve": ("serve", "serve", "The bench in the browser, and on paired phones."),
    "stock": ("stock", "stock", "Parts on hand, set aside, used, short."),
    "suspects": ("ask", "suspects_command", "The suspects for a table of readings."),
    "tape": ("tape", "tape", "Measure a deck, read data tapes, rescue damaged ones."),
    "transport": ("transport", "transport", "Belts and rotation lines of a tape deck."),
}


@click.group(cls=LazyGroup, commands_at=_COMMANDS, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="benchwright")
def cli() -> None:
    """Find the fault in a vintage home computer, and serve its tapes.

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
