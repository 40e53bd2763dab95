"""The options that say how to read a board, and telling what an import did."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from ..board.opening import kind_of_file, open_board
from ..board.report import ImportReport

__all__ = ["FORMATS", "board_argument", "board_options", "kind_of_file", "open_board", "show_report"]

FORMATS = ("auto", "board", "ipc356", "spice", "nets")


def board_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """The options that say how to read a board: --parts, --overlay, --format."""
    for option in (
        click.option("--format", "kind", type=click.Choice(FORMATS), default="auto", show_default=True,
                     help="How to read BOARD; auto goes by its name and first lines."),
        click.option("--overlay", type=click.Path(path_type=Path, exists=True, dir_okay=False),
                     help="TOML with what the netlist does not say. BOARD-overlay.toml is found by itself."),
        click.option("--parts", type=click.Path(path_type=Path, exists=True, dir_okay=False),
                     help="Parts list CSV. BOARD-parts.csv is found by itself."),
    ):  # fmt: skip
        command = option(command)
    return command


board_argument = click.argument(
    "board_path", metavar="BOARD", type=click.Path(path_type=Path, exists=True, dir_okay=False)
)


def show_report(report: ImportReport | None, full: bool = False) -> None:
    """Print what an import repaired, refused and inferred."""
    if report is None:
        return
    for grade, title in (
        ("refused", "Could not be used"), ("repaired", "Repaired"), ("inferred", "Inferred, please check"),
        ("noted", "Noted"),
    ):  # fmt: skip
        remarks = report.of(grade)
        if not remarks:
            continue
        click.echo(f"{title} ({len(remarks)}):")
        shown = remarks if full or len(remarks) <= 12 else remarks[:10]
        for remark in shown:
            click.echo(f"  {remark}")
        if len(shown) < len(remarks):
            click.echo(f"  ... and {len(remarks) - len(shown)} more (--all shows them)")
