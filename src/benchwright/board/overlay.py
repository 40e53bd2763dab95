"""The overlay: what a netlist does not say, in a small TOML beside it that a re-import keeps.

::

    [board]
    inlets = ["J1"]
    sockets = ["U[1..3]", "U9"]
    closed = ["SW1"]              # switches and jumpers that are on

    [rails]
    "+5V" = { nominal = 5.0, from = "REG1.3" }

    [parts.U7]
    kind = "6502"
    socket = true

    [blocks.video]
    needs = ["U5", "clock"]

Keys mean what they mean in a board file. Apply it before `infer`, so that inference sees the right kinds.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from ..errors import UnknownName
from ..toml_file import TomlFile, near_names
from .board_file import (
    PART_KEYS,
    check_blocks,
    expanded,
    known_refs,
    part_of,
    read_blocks,
    read_inlets,
    read_kinds,
    read_rails,
)
from .kinds import recognise
from .model import Board, Kind, KindPin, Part
from .report import ImportReport

TOP_KEYS = ("board", "rails", "parts", "kinds", "blocks")
BOARD_KEYS = ("name", "revision", "ground", "inlets", "sockets", "closed", "open")


def apply_overlay(board: Board, path: Path, report: ImportReport) -> Board:
    """Correct and complete a board by an overlay file.

    Parameters
    ----------
    board : Board
    path : Path
    report : ImportReport
        Gets a note of what the overlay changed.

    Raises
    ------
    BadFile
        An unknown key, part, net or kind, or a value that cannot be used; with line, key and near names.
    """
    file = TomlFile(Path(path))
    file.known((), file.data, TOP_KEYS)
    head = file.table(("board",))
    file.known(("board",), head, BOARD_KEYS)
    own = read_kinds(file)
    changed = _own_kinds_found(board, own, report)
    changed = _parts(file, changed.with_(kinds={**board.kinds, **own}), own, report)
    changed = _switches(file, changed, head)
    changed = _head(file, changed, head)
    rails = read_rails(file, changed)
    for net, rail in rails.items():
        _feed(file, changed, net, rail.source)
    blocks = read_blocks(file)
    changed = changed.with_(rails={**changed.rails, **rails}, blocks={**changed.blocks, **blocks})
    check_blocks(file, changed, blocks)
    told = [
        f"{len(table)} {name}" for name, table in (
            ("rails", rails), ("parts", file.table(("parts",))), ("kinds", own), ("blocks", blocks),
        ) if table
    ]  # fmt: skip
    report.noted(f"overlay applied: {', '.join(told) or 'board settings'}", file.name)
    return changed


def _head(file: TomlFile, board: Board, head: Mapping[str, Any]) -> Board:
    changes: dict[str, Any] = {}
    for key in ("name", "revision"):
        if key in head:
            changes[key] = file.string(("board", key), head)
    if "ground" in head:
        ground = file.string(("board", "ground"), head)
        try:
            changes["ground"] = board.net(ground)
        except UnknownName:
            hint = near_names(ground, board.nets)
            raise file.bad(("board", "ground"), f"there is no net {ground!r}{hint}") from None
    if "inlets" in head:
        changes["inlets"] = read_inlets(file, board, head)
    return board.with_(**changes)


def _own_kinds_found(board: Board, own: Mapping[str, Kind], report: ImportReport) -> Board:
    """Parts that nobody knew and whose value is a kind of the overlay become of that kind."""
    if not own:
        return board
    parts = dict(board.parts)
    for ref, part in parts.items():
        if not board.kind_of(ref).generic or not part.value:
            continue
        found = recognise(
            part.value, ref=ref, footprint=part.footprint, pin_count=part.pin_count, kinds=own
        )  # fmt: skip
        if found.kind.name in own:
            parts[ref] = replace(part, kind=found.kind.name)
            report.noted(f"{ref} ({part.value}) is of kind {found.kind.name} of the overlay")
    return board.with_(parts=parts)


def _parts(file: TomlFile, board: Board, own: Mapping[str, Kind], report: ImportReport) -> Board:
    parts, kinds = dict(board.parts), dict(board.kinds)
    for written, place, table in file.tables(("parts",), "[{place}] or {{ kind = ... }}"):
        file.known(place, table, PART_KEYS)
        for text in expanded(file, place, written):
            (ref,) = _one(file, place, board, text)
            part, kind, note = part_of(file, place, table, parts[ref], own)
            if note:
                report.noted(f"{ref}: {note}", file.name, file.line(place))
            parts[ref] = part
            if part.kind != board.parts[ref].kind or part.kind not in kinds:
                kinds[part.kind] = _with_pins(kind, board, ref)
    return board.with_(parts=parts, kinds=kinds)


def _one(file: TomlFile, place: tuple[str, ...], board: Board, text: str) -> tuple[str]:
    """A reference of the board, its case forgiven."""
    try:
        return (board.ref(text),)
    except UnknownName:
        hint = near_names(text, board.parts)
        raise file.bad(place, f"there is no part {text!r} on this board{hint}") from None


def _with_pins(kind: Kind, board: Board, ref: str) -> Kind:
    """An unknown kind keeps the pins that the netlist gives the part."""
    if not kind.generic or kind.pins:
        return kind
    pins = (KindPin(pin.number, pin.number, "?") for pin in board.pins_of.get(ref, ()))
    return replace(kind, pins=tuple(pins))


def _switches(file: TomlFile, board: Board, head: Mapping[str, Any]) -> Board:
    parts = dict(board.parts)

    def each(key: str) -> list[tuple[str, Part]]:
        refs = known_refs(file, ("board", key), board, file.strings(("board", key), head))
        return [(ref, parts[ref]) for ref in refs]

    for ref, part in each("sockets"):
        parts[ref] = replace(part, socket=True)
    for key, closed in (("closed", True), ("open", False)):
        for ref, part in each(key):
            if board.kind_of(ref).category not in ("switch", "jumper", "relay", "connector", "generic"):
                raise file.bad(
                    ("board", key), f"{ref} is a {board.kind_of(ref).title or part.kind}, not a switch", ref
                )
            parts[ref] = replace(part, closed=closed)
    return board.with_(parts=parts)


def _feed(file: TomlFile, board: Board, net: str, source: str) -> None:
    if not source:
        return
    try:
        if "." in source:
            board.pin(source)
        else:
            board.ref(source)
    except UnknownName as problem:
        raise file.bad(("rails", net, "from"), str(problem)) from None
