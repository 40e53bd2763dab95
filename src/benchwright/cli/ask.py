"""`benchwright suspects` and `benchwright next`: answers for a table of readings."""

from __future__ import annotations

import json
from pathlib import Path

import click

from ..board import Board
from ..finding import FaultFinder
from ..finding.finder import METER_AND_EYES, WITH_PROBE
from ..finding.readings_csv import read_readings
from ..textfile import read_text
from .boards import board_argument, board_options, open_board
from .tell import check_json, print_check, print_remedies, print_suspects, suspect_json

readings_option = click.option(
    "--readings", type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="Readings CSV: quantity,a,b,value,power,removed,note.",
)  # fmt: skip


probe_option = click.option(
    "--logic-probe", "probe", is_flag=True, help="A logic probe or a scope is at hand: propose it too."
)


def quantities(probe: bool) -> tuple[str, ...]:
    """The kinds of check to propose."""
    return WITH_PROBE if probe else METER_AND_EYES


def _finder(board: Board, readings: Path | None, probe: bool) -> FaultFinder:
    taken = read_readings(read_text(readings), str(readings), board) if readings is not None else []
    finder = FaultFinder(board, quantities=quantities(probe))
    finder.record_all(taken)
    return finder


@click.command("suspects")
@board_argument
@readings_option
@probe_option
@board_options
@click.option("--limit", type=click.IntRange(1), default=10, show_default=True)
@click.option("--json", "as_json", is_flag=True, help="Print as JSON.")
def suspects_command(
    board_path: Path,
    readings: Path | None,
    probe: bool,
    parts: Path | None,
    overlay: Path | None,
    kind: str,
    limit: int,
    as_json: bool,
) -> None:
    """Tell what is most likely wrong with BOARD, given READINGS."""
    finder = _finder(open_board(board_path, parts, overlay, kind), readings, probe)
    if as_json:
        click.echo(
            json.dumps(
                {
                    "suspects": [suspect_json(s) for s in finder.suspects(limit)],
                    "none of these": round(finder.none_of_these, 6),
                    "odd readings": [why for _, why in finder.odd_readings()],
                },
                indent=2,
            )
        )
        return
    print_suspects(finder, limit)
    advice = finder.advice()
    click.echo()
    click.echo(("Next check: " if advice.due == "check" else "Now: ") + advice.text)


@click.command("next")
@board_argument
@readings_option
@probe_option
@board_options
@click.option("--limit", type=click.IntRange(1), default=5, show_default=True)
@click.option("--json", "as_json", is_flag=True, help="Print as JSON.")
def next_command(
    board_path: Path,
    readings: Path | None,
    probe: bool,
    parts: Path | None,
    overlay: Path | None,
    kind: str,
    limit: int,
    as_json: bool,
) -> None:
    """Propose the checks that tell most for the minutes they take."""
    finder = _finder(open_board(board_path, parts, overlay, kind), readings, probe)
    checks = finder.next_checks(limit)
    if as_json:
        advice = finder.advice()
        click.echo(
            json.dumps(
                {"checks": [check_json(c) for c in checks], "due": advice.due, "advice": advice.text},
                indent=2,
            )
        )
        return
    if not checks:
        click.echo(finder.advice().text)
        for suspect in finder.suspects(1):
            print_remedies(suspect)
        return
    shown: set[str] = set()
    for number, check in enumerate(checks, start=1):
        print_check(check, number, shown)
