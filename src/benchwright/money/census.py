"""A machine of no board in particular, where there is no board to go by."""

from __future__ import annotations

import re
import tomllib
from functools import cache
from importlib.resources import files
from typing import Any

from ..board import Board, Kind, Part, Pin, Rail
from ..board.blocks import NEEDS_BLOCKS, SUPPLY
from ..board.kinds import kind_named
from ..board.model import Block

_BUS = re.compile(r"(A|D|DQ|DB)(\d+)", re.IGNORECASE)
_GROUND, _SUPPLY_NET = "GND", "+5V"


@cache
def generic_board() -> Board:
    """A board with the parts of census.toml, wired anyhow within their blocks and on one bus.

    It serves to count: how many parts of each kind, pins, joints, lines and neighbours there are, and
    which function each belongs to. Nothing can be measured on it.
    """
    rows = tomllib.loads(files(__package__).joinpath("census.toml").read_text(encoding="utf-8"))["parts"]
    parts: dict[str, Part] = {}
    kinds: dict[str, Kind] = {}
    nets: dict[str, list[Pin]] = {_GROUND: [], _SUPPLY_NET: []}
    needs: dict[str, list[str]] = {}
    for row in rows:
        kind = kind_named(row["kind"])
        if kind is None:
            raise LookupError(f"census.toml: no kind {row['kind']}")
        kinds[kind.name] = kind
        for _ in range(row["count"]):
            ref = f"X{len(parts) + 1}"
            parts[ref] = Part(ref, kind.name, socket=row.get("socket", False), style=row.get("style", ""))
            needs.setdefault(row["block"], []).append(ref)
            _wire(nets, row, kind, ref)
    blocks = {
        name: Block(name, (*refs, *NEEDS_BLOCKS.get(name, ()), *(() if name == SUPPLY else (SUPPLY,))))
        for name, refs in needs.items()
    }
    return Board(
        name="a machine of no board in particular",
        ground=_GROUND,
        parts=parts,
        nets={name: tuple(pins) for name, pins in nets.items() if len(pins) > 1},
        rails={_SUPPLY_NET: Rail(_SUPPLY_NET, 5.0, (4.75, 5.25))},
        blocks=blocks,
        kinds=kinds,
    )


def _wire(nets: dict[str, list[Pin]], row: dict[str, Any], kind: Kind, ref: str) -> None:
    """Power pins to the rails, bus pins to the bus, the rest to lines of the block, pin by pin."""
    if row.get("across"):
        nets[_SUPPLY_NET].append(Pin(ref, "1"))
        nets[_GROUND].append(Pin(ref, "2"))
        return
    numbered = [(pin.number, pin.name, pin.direction) for pin in kind.pins]
    numbered = numbered or [(str(number), "", "?") for number in range(1, row.get("pins", 2) + 1)]
    line = 0
    for number, name, direction in numbered:
        bus = _BUS.fullmatch(name.rstrip("#"))
        if direction == "N":
            continue
        if direction == "G":
            net = _GROUND
        elif direction == "P":
            net = _SUPPLY_NET
        elif bus is not None:
            net = f"{bus[1][0].upper()}{bus[2]}"
        else:
            # Two parts of a block share a line at a time, as most lines join few pins.
            net = f"{row['block']} {line}.{(int(ref[1:]) + line) // 2}"
            line += 1
        nets.setdefault(net, []).append(Pin(ref, number))
