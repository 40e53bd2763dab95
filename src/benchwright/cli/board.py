"""`benchwright board`: import, check, show, export."""

from __future__ import annotations

import json
from collections import Counter
from pathlib import Path
from typing import Any

import click

from ..board import Board, Pin
from ..errors import UnknownName
from ..textfile import write_text
from .boards import board_argument, board_options, open_board, show_report


@click.group()
def board() -> None:
    """Import, check, show and export boards."""


def _summary(made: Board) -> dict[str, Any]:
    generic = sorted(ref for ref in made.parts if made.kind_of(ref).generic)
    return {
        "name": made.name,
        "revision": made.revision,
        "parts": len(made.parts),
        "nets": len(made.nets),
        "pins": len(made.net_of),
        "pads": len(made.pads),
        "ground": made.ground,
        "rails": {
            net: {"nominal": r.nominal, "limits": list(r.limits), "from": r.source}
            for net, r in made.rails.items()
        },
        "sockets": sorted(ref for ref, part in made.parts.items() if part.socket),
        "blocks": sorted(made.blocks),
        "not recognised": generic,
    }


def _print_summary(made: Board) -> None:
    facts = _summary(made)
    title = f"{made.name} {made.revision}".strip()
    click.echo(
        f"{title}: {facts['parts']} parts, {facts['nets']} nets, {facts['pins']} pins on nets, "
        f"{facts['pads']} pads"
    )
    click.echo(f"Ground: {made.ground}")
    for net, rail in made.rails.items():
        fed = f", from {rail.source}" if rail.source else ""
        click.echo(f"Rail {net}: {rail.nominal:g} V, {rail.limits[0]:g} to {rail.limits[1]:g} V{fed}")
    if facts["sockets"]:
        click.echo(f"In sockets: {', '.join(facts['sockets'])}")
    if facts["blocks"]:
        click.echo(f"Blocks: {', '.join(facts['blocks'])}")
    if facts["not recognised"]:
        click.echo(f"Not recognised, treated as generic: {', '.join(facts['not recognised'])}")


@board.command("import")
@board_argument
@board_options
@click.option(
    "-o", "--output", type=click.Path(path_type=Path, dir_okay=False), help="Board file to write (TOML)."
)
@click.option("--json", "as_json", is_flag=True, help="Print as JSON.")
@click.option("--all", "full", is_flag=True, help="Print every remark.")
def import_(
    board_path: Path,
    parts: Path | None,
    overlay: Path | None,
    kind: str,
    output: Path | None,
    as_json: bool,
    full: bool,
) -> None:
    """Read BOARD from a netlist, say what was made of it, and write a board file if asked."""
    made = open_board(board_path, parts, overlay, kind)
    if output is not None:
        from ..board.board_file import write_board_file

        write_text(output, write_board_file(made))
    if as_json:
        remarks = [
            {"grade": r.grade, "text": r.text, "file": r.file, "line": r.line}
            for r in (made.report.remarks if made.report else [])
        ]
        click.echo(json.dumps({**_summary(made), "remarks": remarks}, indent=2))
        return
    _print_summary(made)
    show_report(made.report, full)
    if output is not None:
        click.echo(f"Written: {output}")


@board.command()
@board_argument
@board_options
@click.option("--json", "as_json", is_flag=True, help="Print as JSON.")
@click.pass_context
def check(
    ctx: click.Context, board_path: Path, parts: Path | None, overlay: Path | None, kind: str, as_json: bool
) -> None:
    """Say all that looks wrong with BOARD. Exit code 1 if anything does."""
    from ..board.problems import problems

    made = open_board(board_path, parts, overlay, kind)
    found = problems(made)
    refused = [str(remark) for remark in made.report.of("refused")] if made.report else []
    if as_json:
        click.echo(json.dumps({"problems": found, "refused": refused}, indent=2))
    else:
        for line in (*refused, *found):
            click.echo(line)
        if not found and not refused:
            click.echo("Nothing looks wrong.")
    ctx.exit(1 if found or refused else 0)


# Nets are called -12V, too: what is no option of ours is a name.
@board.command(context_settings={"ignore_unknown_options": True})
@board_argument
@click.argument("names", nargs=-1)
@board_options
@click.option("--json", "as_json", is_flag=True, help="Print as JSON.")
def show(
    board_path: Path,
    names: tuple[str, ...],
    parts: Path | None,
    overlay: Path | None,
    kind: str,
    as_json: bool,
) -> None:
    """Show BOARD, or the parts, pins and nets NAMES on it."""
    made = open_board(board_path, parts, overlay, kind)
    if not names:
        if as_json:
            click.echo(json.dumps(_summary(made), indent=2))
            return
        _print_summary(made)
        counts = Counter(made.kind_of(ref).category.replace("_", " ") for ref in made.parts)
        click.echo("Parts: " + ", ".join(f"{n} {name}" for name, n in counts.most_common()))
        return
    shown = [_about(made, name) for name in names]
    if as_json:
        click.echo(json.dumps(shown, indent=2))
        return
    for item in shown:
        _print_about(item)


def _pin_facts(made: Board, pin: Pin) -> dict[str, str]:
    fact = made.kind_pin(pin)
    return {
        "pin": str(pin),
        "function": fact.name,
        "direction": fact.direction,
        "net": made.net_of.get(pin, ""),
    }


def _about(made: Board, name: str) -> dict[str, Any]:
    try:
        ref = made.ref(name)
    except UnknownName:
        pin, net = made.point(name)
        if pin is not None:
            ends = [_pin_facts(made, other) for other in made.nets.get(net or "", ()) if other != pin]
            return {**_pin_facts(made, pin), "joined to": ends}
        return {"net": net, "pins": [_pin_facts(made, other) for other in made.nets[net or ""]]}
    part = made.parts[ref]
    kind = made.kind_of(ref)
    return {
        "part": ref, "value": part.value, "kind": kind.name, "title": kind.title, "package": kind.package,
        "socket": part.socket, "pins": [_pin_facts(made, pin) for pin in made.pins_of[ref]],
        "substitutes": [f"{s.kind}: {s.condition}" for s in kind.substitutes], "source": kind.source,
    }  # fmt: skip


def _print_about(item: dict[str, Any]) -> None:
    if "part" in item:
        socket = ", in a socket" if item["socket"] else ""
        click.echo(f"{item['part']}: {item['value']} ({item['title'] or item['kind']}){socket}")
        for pin in item["pins"]:
            click.echo(
                f"  {pin['pin']:8} {pin['function']:10} {pin['direction']}  {pin['net'] or 'not connected'}"
            )
        for line in item["substitutes"]:
            click.echo(f"  instead: {line}")
        return
    if "pins" in item:
        click.echo(f"net {item['net']}:")
        rows = item["pins"]
    else:
        click.echo(f"{item['pin']} ({item['function']}), net {item['net'] or 'none'}, joined to:")
        rows = item["joined to"]
    for pin in rows:
        click.echo(f"  {pin['pin']:8} {pin['function']}")


def _written(made: Board, target: str, removed: tuple[str, ...]) -> str:
    if target == "board":
        from ..board.board_file import write_board_file

        return write_board_file(made)
    if target == "ipc356":
        from ..board.ipc356 import write_ipc356

        return write_ipc356(made)
    if target == "nets":
        from ..board.net_table import write_net_table

        return write_net_table(made)
    from ..circuit.spice_write import write_spice

    return write_spice(made, removed=[made.ref(ref) for ref in removed])


@board.command()
@board_argument
@board_options
@click.option("--to", "target", type=click.Choice(("board", "ipc356", "spice", "nets")), default="board",
              show_default=True, help="What to write.")  # fmt: skip
@click.option(
    "-o", "--output", type=click.Path(path_type=Path, dir_okay=False), help="File to write; else the screen."
)
@click.option("--out", "removed", multiple=True, help="For spice: a part that is out. May be repeated.")
def export(
    board_path: Path, parts: Path | None, overlay: Path | None, kind: str, target: str, output: Path | None,
    removed: tuple[str, ...],
) -> None:  # fmt: skip
    """Write BOARD as a board file, IPC-D-356A netlist, SPICE network or net table."""
    made = open_board(board_path, parts, overlay, kind)
    text = _written(made, target, removed)
    if output is None:
        click.echo(text, nl=False)
    else:
        write_text(output, text)
        click.echo(f"Written: {output}")
