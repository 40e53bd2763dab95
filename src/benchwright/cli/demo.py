"""`benchwright demo`: the whole job on an invented machine."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import click

from ..board import Board
from ..demo.fulmar65 import paths as fulmar65_paths
from ..demo.tour import Unit, investigate, units, verify
from ..finding.reading import value_text
from ..finding.readings_csv import write_readings
from ..textfile import write_text
from .lazy import LazyGroup
from .tell import print_remedies, print_suspects, suspect_json

_COMMANDS = {
    "bench": ("demo_bench", "bench", "A bench full of invented jobs: queue, money, stock, sheets, backup."),
    "tape": ("demo_tape", "tape", "The tape bench on an invented deck and a damaged tape."),
}


@click.group(cls=LazyGroup, commands_at=_COMMANDS, invoke_without_command=True)
@click.option("--folder", type=click.Path(path_type=Path, file_okay=False), default=Path("benchwright-demo"),
              show_default=True, help="Where the demo's files are written.")  # fmt: skip
@click.pass_context
def demo(ctx: click.Context, folder: Path) -> None:
    """Find the faults of three make-believe units of the Fulmar 65, an invented computer.

    `benchwright demo tape` shows the tape bench, `benchwright demo bench` the records.
    """
    ctx.obj = folder
    if ctx.invoked_subcommand is None:
        _units(folder)


def _units(folder: Path) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    paths = fulmar65_paths()
    for path in paths:
        shutil.copyfile(path, folder / path.name)
    netlist, parts, overlay = (folder / path.name for path in paths)
    board = Board.from_ipc356(netlist, parts, overlay)
    click.echo(
        f"The {board.name} {board.revision}, an invented computer, from its netlist and parts list:".replace(
            "  ", " "
        )
    )
    click.echo(
        f"  {len(board.parts)} parts, {len(board.nets)} nets, {len(board.pads)} pads, "
        f"rails {', '.join(board.rails)}"
    )
    if board.report is not None:
        inferred = board.report.of("inferred")
        click.echo(
            f"  {len(inferred)} things inferred, such as: {inferred[0].text}"
            if inferred
            else "  nothing inferred"
        )
    for unit in units(board):
        _play(board, unit, folder)
    click.echo(f"\nFiles are in {folder}/. Go on by hand with:")
    click.echo(f"  benchwright suspects {netlist} --readings {folder / 'unit-1-readings.csv'}")
    click.echo(f"  benchwright find {netlist}")


def _play(board: Board, unit: Unit, folder: Path) -> None:
    click.echo(f"\n=== {unit.name}: {unit.story}")
    click.echo(f"Symptom recorded: {', '.join(unit.symptoms)}")
    harms = list(unit.harms)
    finder, steps = investigate(board, unit)
    name = unit.name.replace(" ", "-")
    round_ = 1
    while True:
        taken = []
        minutes = 0.0
        for step in steps:
            taken.append(step)
            minutes += step.check.minutes
            click.echo(
                f"{len(taken):3}. {step.check.text}: {value_text(step.check.spot, step.value)}"
                f"   -> {step.leader.probability:.0%} {_short(step.leader.text)}"
            )
        click.echo(f"After {len(taken)} checks and {minutes:.0f} bench minutes:")
        print_suspects(finder, 3)
        advice = finder.advice()
        click.echo(f"Now: {advice.text}")
        best = finder.suspects(1)[0]
        print_remedies(best)
        write_text(
            folder / f"{name}-readings{'' if round_ == 1 else f'-{round_}'}.csv",
            write_readings(finder.readings),
        )
        write_text(folder / f"{name}-suspects{'' if round_ == 1 else f'-{round_}'}.json",
                   json.dumps([suspect_json(s) for s in finder.suspects(5)], indent=2))  # fmt: skip
        mended = [
            harm
            for harm in harms
            if set(harm.nets) & set(best.nets) or set(harm.parts[:1]) & set(best.parts[:1])
        ]
        if not mended:
            click.echo("That was not it. (This should not happen in the demo.)")
            return
        harms = [harm for harm in harms if harm not in mended]
        click.echo("Mended. The readings that were wrong, taken again:")
        for check, before, after in verify(board, unit, harms, taken):
            click.echo(
                f"  {check.a} to {check.b}: {value_text(check.spot, before)} before, "
                f"{value_text(check.spot, after)} now"
            )
        if not harms:
            click.echo("It works: nothing that was measured wrong is wrong any more.")
            return
        click.echo("Still not right: there is a second fault.")
        round_ += 1
        finder, steps = investigate(board, unit, harms)


def _short(text: str) -> str:
    return text if len(text) <= 70 else text[:67] + "..."
