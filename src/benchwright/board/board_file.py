"""The board file: TOML that a person writes from a paper schematic, or that an import makes.

::

    [board]
    name = "Fulmar 65"
    revision = "C"
    ground = "GND"
    inlets = ["J1"]

    [rails]
    "+5V" = { nominal = 5.0, limits = [4.75, 5.25], from = "REG1.3" }

    [parts]
    U1 = { kind = "6502", socket = true, at = [30.5, 42.0], turn = 90 }
    R4 = { value = "4k7" }

    [nets]
    "D[0..7]" = ["U1.D[0..7]", "U2.D[0..7]"]
    "+5V" = ["U1.VCC", "REG1.3", "C1.1"]

    [blocks.video]
    needs = ["U5", "clock", "RAM", "+5V"]
    shows = ["no picture"]

    [kinds.VDG1]
    category = "video"
    pins = "GND:G D0..D7:B VCC:P"

    [layout]
    pads = [{ pin = "U1.1", at = [30.5, 42.0], size = [1.5, 1.5] }]

A pin is written by number or by function; a supply or ground function stands for all its pins. Where text
would not do, ``["U1", "5"]`` is part and pin, exactly. Ground, rails, inlets and blocks that the file does
not give are inferred, unless it says ``[board] complete = true``.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from ..errors import BadFile, UnknownName
from ..toml_file import Place, TomlFile, near_names
from .blocks import with_blocks
from .infer import infer, usual_limits, volts_of_name
from .kinds import Recognition, generic_kind, kind_from_table, kind_named, kind_to_table, recognise
from .model import Block, Board, Kind, KindPin, Pad, Part, Pin, Rail, Track
from .ranges import escape, expand, fan_out
from .report import ImportReport

TOP_KEYS = ("board", "rails", "parts", "nets", "blocks", "kinds", "layout", "pads", "tracks")
BOARD_KEYS = ("name", "revision", "ground", "inlets", "complete")
RAIL_KEYS = ("nominal", "limits", "from")
PART_KEYS = (
    "kind", "value", "size", "socket", "at", "turn", "side", "footprint", "pin_count", "style", "closed",
    "extra",
)  # fmt: skip
BLOCK_KEYS = ("needs", "shows")
LAYOUT_KEYS = ("pads", "tracks", "outline", "close")
PAD_KEYS = ("pin", "net", "at", "size", "round", "turn", "side", "drill", "covered", "midpoint")
TRACK_KEYS = ("net", "layer", "width", "points")
LAYERS = (0, 1_000_000_000)

DERIVED_BLOCKS = (
    "clock", "reset", "CPU", "ROM", "RAM", "address decode", "video", "keyboard", "sound", "tape", "serial",
    "ports", "supply",
)  # fmt: skip


# -- reading -------------------------------------------------------------------------------------


def read_board_file(path: Path, text: str | None = None) -> Board:
    """Read a board file.

    Parameters
    ----------
    path : Path
    text : str, optional
        What the file holds, where it is kept elsewhere: then nothing is opened.

    Returns
    -------
    Board
        `Board.report` tells what was inferred and which kinds are not known.

    Raises
    ------
    BadFile
        With the line and key that cannot be used, what was expected and, for a wrong name, near ones.
    """
    file = TomlFile(Path(path), text)
    if not file.data:
        raise file.bad((), "the file is empty: expected [board], [parts] and [nets]")
    file.known((), file.data, TOP_KEYS)
    report = ImportReport()
    head = file.table(("board",))
    file.known(("board",), head, BOARD_KEYS)
    kinds = read_kinds(file)
    parts, used = _parts(file, kinds, report)
    used.update({name: kind for name, kind in kinds.items() if name not in used})
    bare = Board(
        name=file.string(("board", "name"), head, "board"),
        revision=file.string(("board", "revision"), head),
        ground=file.string(("board", "ground"), head, "GND"),
        parts=parts,
        kinds=used,
    )
    board = bare.with_(nets=_nets(file, bare))
    complete = file.flag(("board", "complete"), head)
    board = board if complete else _generic_pins(board)
    board = board.with_(rails=read_rails(file, board), inlets=read_inlets(file, board, head))
    board = _layout(file, board)
    own = read_blocks(file)
    board = board.with_(blocks=own)
    if not complete:
        board = with_blocks(infer(board, report))
    check_blocks(file, board, own)
    return board.with_(report=report)


def expanded(file: TomlFile, place: Place, text: str) -> list[str]:
    """`expand`, with the line looked up only if the range is bad: the search takes longer than all else."""
    try:
        return expand(text)
    except BadFile as problem:
        raise file.bad(place, problem.problem, text) from None


def _fanned(file: TomlFile, place: Place, net: str, point: str) -> list[tuple[str, list[str]]]:
    try:
        return fan_out(net, [point])
    except BadFile as problem:
        raise file.bad(place, problem.problem, point) from None


def read_kinds(file: TomlFile) -> dict[str, Kind]:
    """The ``[kinds]`` of a file, by name."""
    found = {}
    for name, place, table in file.tables(("kinds",)):
        exact = table.pop("pin_list", None)
        kind = kind_from_table(name, table, _where(file, place))
        found[name] = kind if exact is None else replace(kind, pins=_pin_list(file, name, exact))
    return found


def _where(file: TomlFile, place: Place) -> str:
    line = file.line(place)
    return file.name if line is None else f"{file.name}, line {line}"


def _pin_list(file: TomlFile, name: str, rows: object) -> tuple[KindPin, ...]:
    place = ("kinds", name, "pin_list")
    if not isinstance(rows, list):
        raise file.bad(place, 'expected a list of ["number", "name", "direction"]')
    pins = []
    for row in rows:
        if not (isinstance(row, list) and len(row) == 3 and all(isinstance(text, str) for text in row)):
            raise file.bad(place, f'{row!r} is not ["number", "name", "direction"]')
        pins.append(KindPin(*row))
    return tuple(pins)


def _parts(
    file: TomlFile, own: Mapping[str, Kind], report: ImportReport
) -> tuple[dict[str, Part], dict[str, Kind]]:
    parts: dict[str, Part] = {}
    used: dict[str, Kind] = {}
    for written, place, table in file.tables(("parts",), '{name} = {{ kind = "..." }}'):
        file.known(place, table, PART_KEYS)
        for ref in expanded(file, place, written):
            if not ref:
                raise file.bad(place, "a part needs a reference, such as U1")
            if ref in parts:
                raise file.bad(place, f"{ref} is given twice")
            part, kind, note = part_of(file, place, table, Part(ref, kind=""), own)
            if note:
                report.noted(f"{ref}: {note}", file.name, file.line(place))
            parts[ref] = part
            used[part.kind] = kind
    return parts, used


def part_of(
    file: TomlFile, place: Place, table: Mapping[str, Any], part: Part, own: Mapping[str, Kind]
) -> tuple[Part, Kind, str]:
    """A part changed by what a table says: the part, its kind, and what to tell."""
    made = _plain_fields(file, place, table, part)
    kind_text = file.string((*place, "kind"), table, "")
    kind, note = None, ""
    if kind_text:
        kind = kind_named(kind_text, own) or (generic_kind((), "generic") if kind_text == "generic" else None)
    if kind is None and (kind_text or "value" in table):
        if kind_text:
            found = recognise(kind_text, kinds=own or None)
        else:
            found = _recognised(made, own)
        if part.kind and not kind_text and found.kind.generic:
            return made, Kind(part.kind, generic=True), ""  # a label that says nothing new
        kind, note = found.kind, found.note
        made = replace(made, size=found.size, style=found.style)
        if kind_text and (found.kind.generic or not found.certain):
            kind, note = generic_kind((), kind_text), f"kind {kind_text!r} is not known: its pins are generic"
            made = replace(made, size=None, style="")
    if kind_text and "value" in table:
        sized = _recognised(made, own)
        if kind is not None and sized.kind.category == kind.category:
            made = replace(made, size=sized.size, style=sized.style or made.style)
    if kind is None and not part.kind:
        kind = generic_kind((), "generic")
        note = note or "neither kind nor value is given: its pins are generic"
    if "size" in table:
        blank = table["size"] == ""
        made = replace(made, size=None if blank else file.number((*place, "size"), table["size"]))
    if "style" in table:
        made = replace(made, style=file.string((*place, "style"), table))
    if kind is None:
        return made, Kind(part.kind, generic=True), note
    return replace(made, kind=kind.name), kind, note


def _recognised(part: Part, own: Mapping[str, Kind]) -> Recognition:
    return recognise(
        part.value, ref=part.ref, footprint=part.footprint, pin_count=part.pin_count, kinds=own or None
    )


def _plain_fields(file: TomlFile, place: Place, table: Mapping[str, Any], part: Part) -> Part:
    changes: dict[str, Any] = {}
    for key in ("value", "footprint", "side"):
        if key in table:
            changes[key] = file.string((*place, key), table)
    if changes.get("side", "top") not in ("top", "bottom"):
        raise file.bad((*place, "side"), f'{changes["side"]!r} is not a side: expected "top" or "bottom"')
    for key in ("socket", "closed"):
        if key in table:
            changes[key] = file.flag((*place, key), table)
    if "at" in table:
        changes["at"] = file.pair((*place, "at"), table["at"], "a place in millimetres")
    if "turn" in table:
        changes["turn"] = file.number((*place, "turn"), table["turn"], "an angle in degrees")
    if "pin_count" in table:
        changes["pin_count"] = file.whole((*place, "pin_count"), table, 0, (0, 100_000), "a number of pins")
    if "extra" in table:
        extra = file.table((*place, "extra"), table)
        for key in extra:
            file.string((*place, "extra", key), extra)
        changes["extra"] = dict(extra)
    return replace(part, **changes)


def _nets(file: TomlFile, board: Board) -> dict[str, tuple[Pin, ...]]:
    nets: dict[str, dict[Pin, None]] = {}
    taken: dict[Pin, str] = {}
    for written, points in file.table(("nets",)).items():
        place = ("nets", written)
        if isinstance(points, str):
            points = [points]
        if not isinstance(points, list):
            raise file.bad(place, f'{points!r} is not a list of pins, such as ["U1.5", "U2.VCC"]')
        for net in expanded(file, place, written):
            if not net:
                raise file.bad(place, "a net needs a name")
            nets.setdefault(net, {})
        for point in points:
            for net, pins in _dealt(file, place, board, written, point):
                for pin in pins:
                    if pin.ref not in board.parts:
                        raise file.no_such(place, "part", pin.ref, board.parts)
                    if taken.setdefault(pin, net) != net:
                        raise file.bad(place, f"pin {pin} is on net {taken[pin]!r} and on {net!r}", pin.ref)
                    nets[net][pin] = None
    return {net: tuple(pins) for net, pins in nets.items()}


def _dealt(
    file: TomlFile, place: Place, board: Board, written: str, point: object
) -> Iterator[tuple[str, list[Pin]]]:
    """The nets of one line, each with the pins that one point of it gives."""
    if isinstance(point, str):
        for net, names in _fanned(file, place, written, point):
            yield net, [pin for name in names for pin in pins_named(file, place, board, name)]
    elif isinstance(point, list) and len(point) == 2 and all(isinstance(text, str) for text in point):
        names = expand(written)
        if len(names) > 1:
            raise file.bad(place, f"{point!r} is one pin, but {written!r} is {len(names)} nets")
        yield names[0], [Pin(*point)]
    else:
        raise file.bad(place, f'{point!r} is not a pin: expected "U1.5" or ["U1", "5"]')


def pins_named(file: TomlFile, place: Place, board: Board, text: str) -> list[Pin]:
    """The pins that one text such as ``U1.5`` or ``U1.VSS`` stands for.

    An unknown part's pins, and those of a part whose kind has no list of pins, go by what is written.
    """
    dots = [index for index, letter in enumerate(text) if letter == "."]
    if not dots:
        raise file.bad(place, f"{text!r} is not a pin: expected part, point and pin, such as U1.5", text)
    for dot in dots:
        ref = _ref(board, text[:dot].strip())
        if ref:
            return _pins_of_part(file, place, board, ref, text[dot + 1 :].strip())
    ref = text[: dots[0]].strip()
    raise file.no_such(place, "part", ref, board.parts, text)


def _ref(board: Board, text: str) -> str:
    """A reference of the board, its case forgiven; empty if there is none."""
    if text in board.parts:
        return text
    try:
        return board.ref(text)
    except UnknownName:
        return ""


def _pins_of_part(file: TomlFile, place: Place, board: Board, ref: str, name: str) -> list[Pin]:
    kind = board.kind_of(ref)
    if not name:
        raise file.bad(place, f"{ref} is named without a pin: write {ref}.5 or {ref}.VCC", ref)
    if not kind.pins or name in kind.by_number:
        return [Pin(ref, name)]
    numbers = kind.numbers_named(name) or _also_named(kind, name)
    if len(numbers) > 1:
        ways = {kind.by_number[number].direction for number in numbers}
        if not ways <= {"P", "G"}:
            told = ", ".join(numbers)
            raise file.bad(
                place, f"{kind.name} has {name!r} on pins {told}: name the pin by number", f"{ref}.{name}"
            )
    if numbers:
        return [Pin(ref, number) for number in numbers]
    if name.isdigit():
        raise file.bad(
            place, f"{ref} ({kind.name}) has pins 1 to {len(kind.pins)}, not {name}", f"{ref}.{name}"
        )
    known = [pin.name for pin in kind.pins]
    raise file.bad(place, f"{ref} ({kind.name}) has no pin {name!r}{near_names(name, known)}", f"{ref}.")


_DATA_LETTERS = re.compile(r"(?:DQ|IO|I/O|[DOQ])(\d+)", re.IGNORECASE)
_MEMORY = ("rom", "eprom", "static_ram", "dynamic_ram")


def _also_named(kind: Kind, name: str) -> tuple[str, ...]:
    """Pins with more than one name, or a remark in it: VCC for ``VCC(+5V)``, VSS for ``VSS/VP#``.

    Data pins of memories are D, O, Q, DQ or IO as the maker likes, so each stands for the others.
    """
    wanted = name.upper().rstrip("#")
    found = [
        pin.number for pin in kind.pins
        if wanted in (alias.rstrip("#") for alias in re.split(r"[(/)]", pin.name.upper()) if alias)
    ]  # fmt: skip
    data = _DATA_LETTERS.fullmatch(wanted)
    if not found and data is not None and kind.category in _MEMORY:
        found = [
            pin.number for pin in kind.pins
            if (match := _DATA_LETTERS.fullmatch(pin.name)) is not None and match[1] == data[1]
        ]  # fmt: skip
    return tuple(found)


def _generic_pins(board: Board) -> Board:
    """Parts of unknown kind get the pins that the nets give them."""
    kinds = dict(board.kinds)
    for part in board.parts.values():
        kind = kinds[part.kind]
        if kind.generic and kind.name == "generic":
            continue
        if kind.generic and not kind.pins:
            numbers = dict.fromkeys(
                pin.number for pins in board.nets.values() for pin in pins
                if pin.ref in board.parts and board.parts[pin.ref].kind == part.kind
            )  # fmt: skip
            kinds[part.kind] = replace(
                kind, pins=tuple(KindPin(number, number, "?") for number in sorted(numbers, key=_pin_order))
            )
    return board.with_(kinds=kinds)


def _pin_order(number: str) -> tuple[str, int, str]:
    match = re.fullmatch(r"(\D*)(\d+)(.*)", number)
    return (match[1], int(match[2]), match[3]) if match else (number, 0, "")


def read_rails(file: TomlFile, board: Board) -> dict[str, Rail]:
    """The ``[rails]`` of a file; each must be a net of the board."""
    rails = {}
    for net, table in file.table(("rails",)).items():
        place = ("rails", net)
        if isinstance(table, int | float) and not isinstance(table, bool):
            table = {"nominal": table}
        if not isinstance(table, dict):
            raise file.bad(place, f"{table!r} is not a table: write {{ nominal = 5.0 }}")
        file.known(place, table, RAIL_KEYS)
        if net not in board.nets:
            raise file.no_such(place, "net", net, board.nets)
        named = volts_of_name(net)
        if "nominal" in table:
            nominal = file.number((*place, "nominal"), table["nominal"], "a number of volts")
        elif named is not None:
            nominal = named
        else:
            raise file.bad(place, "nominal is missing: how many volts should this rail have?")
        limits = usual_limits(nominal)
        if "limits" in table:
            limits = file.pair((*place, "limits"), table["limits"], "a lowest and a highest voltage")
            if limits[0] > limits[1]:
                raise file.bad((*place, "limits"), f"{list(limits)!r}: the lowest voltage comes first")
        rails[net] = Rail(net, nominal, limits, file.string((*place, "from"), table))
    return rails


def read_inlets(file: TomlFile, board: Board, head: Mapping[str, Any]) -> tuple[str, ...]:
    """``[board] inlets``, each a part of the board."""
    place = ("board", "inlets")
    return tuple(known_refs(file, place, board, file.strings(place, head)))


def known_refs(file: TomlFile, place: Place, board: Board, texts: Iterable[str]) -> Iterator[str]:
    """References, ranges written out, each checked to be a part of the board."""
    for text in texts:
        for ref in expanded(file, place, text):
            if ref not in board.parts:
                raise file.no_such(place, "part", ref, board.parts, text)
            yield ref


def read_blocks(file: TomlFile) -> dict[str, Block]:
    """The ``[blocks]`` of a file; what they need is looked at by `check_blocks`."""
    found = {}
    for name, place, table in file.tables(("blocks",)):
        file.known(place, table, BLOCK_KEYS)
        needs = [
            each for text in file.strings((*place, "needs"), table)
            for each in expanded(file, (*place, "needs"), text)
        ]  # fmt: skip
        found[name] = Block(name, tuple(needs), file.strings((*place, "shows"), table))
    return found


def check_blocks(file: TomlFile, board: Board, own: Mapping[str, Block]) -> None:
    """Everything a block of the file needs must be a part, net or block."""
    blocks = {name.lower() for name in (*board.blocks, *DERIVED_BLOCKS)}
    for name, block in own.items():
        for need in block.needs:
            if need not in board.parts and need not in board.nets and need.lower() not in blocks:
                hint = near_names(need, [*board.parts, *board.nets, *board.blocks, *DERIVED_BLOCKS])
                raise file.bad(("blocks", name, "needs"), f"{need!r} is no part, net or block{hint}", need)


# -- layout --------------------------------------------------------------------------------------


def _rows(file: TomlFile, layout: Mapping[str, Any], key: str) -> Iterator[tuple[Place, dict[str, Any]]]:
    for place, holder in ((("layout", key), layout), ((key,), file.data)):
        rows = holder.get(key, [])
        if not isinstance(rows, list):
            raise file.bad(place, f"expected a list of tables, such as [[{key}]]")
        for row in rows:
            if not isinstance(row, dict):
                raise file.bad(place, f"{row!r} is not a table such as {{ at = [1.0, 2.0] }}")
            yield place, row


def _layout(file: TomlFile, board: Board) -> Board:
    layout = file.table(("layout",))
    file.known(("layout",), layout, LAYOUT_KEYS)
    pads = tuple(_pad(file, place, row, board) for place, row in _rows(file, layout, "pads"))
    tracks = tuple(_track(file, place, row, board) for place, row in _rows(file, layout, "tracks"))
    outline = _points(file, ("layout", "outline"), layout.get("outline", []))
    close = set()
    pairs = layout.get("close", [])
    if not isinstance(pairs, list):
        raise file.bad(("layout", "close"), 'expected a list of pairs of nets, such as [["D0", "D1"]]')
    for nets in pairs:
        if not isinstance(nets, list) or not nets or not all(isinstance(net, str) for net in nets):
            raise file.bad(("layout", "close"), f"{nets!r} is not a pair of nets")
        close.add(frozenset(nets))
    return board.with_(pads=pads, tracks=tracks, outline=outline, adjacency=frozenset(close))


def _points(file: TomlFile, place: Place, value: object) -> tuple[tuple[float, float], ...]:
    if not isinstance(value, list):
        raise file.bad(place, f"{value!r} is not a list of places, such as [[0.0, 0.0], [10.0, 0.0]]")
    return tuple(file.pair(place, point, "a place in millimetres") for point in value)


def _net_name(file: TomlFile, place: Place, row: Mapping[str, Any], board: Board) -> str:
    net = file.string((*place, "net"), row)
    if net not in board.nets:
        raise file.no_such(place, "net", net, board.nets)
    return net


def _pad(file: TomlFile, place: Place, row: Mapping[str, Any], board: Board) -> Pad:
    file.known(place, row, PAD_KEYS)
    if "at" not in row:
        raise file.bad(place, f"{row!r}: at is missing, the place of the pad in millimetres")
    pin = None
    written = row.get("pin")
    if isinstance(written, list) and len(written) == 2 and all(isinstance(text, str) for text in written):
        pin = Pin(*written)
        if pin.ref not in board.parts:
            raise file.no_such(place, "part", pin.ref, board.parts)
    elif written is not None:
        (pin, *more) = pins_named(file, place, board, file.string((*place, "pin"), row))
        if more:
            raise file.bad(place, f"{written!r} is more than one pin: name it by number", str(written))
    if "net" in row:
        net = None if row["net"] == "" else _net_name(file, place, row, board)
    else:
        net = None if pin is None else board.net_of.get(pin)
    plain = Pad(pin, net, file.pair((*place, "at"), row["at"], "a place in millimetres"))
    side = file.string((*place, "side"), row, plain.side)
    if side not in ("both", "top", "bottom", "inner"):
        raise file.bad(place, f'{side!r} is not a side: expected "both", "top", "bottom" or "inner"', side)
    return replace(
        plain,
        size=file.pair((*place, "size"), row.get("size", list(plain.size)), "a width and a height"),
        round=file.flag((*place, "round"), row, plain.round),
        turn=file.number((*place, "turn"), row.get("turn", plain.turn)),
        side=side,
        drill=file.number((*place, "drill"), row.get("drill", plain.drill)),
        covered=file.flag((*place, "covered"), row, plain.covered),
        midpoint=file.flag((*place, "midpoint"), row, plain.midpoint),
    )


def _track(file: TomlFile, place: Place, row: Mapping[str, Any], board: Board) -> Track:
    file.known(place, row, TRACK_KEYS)
    return Track(
        _net_name(file, place, row, board),
        file.whole((*place, "layer"), row, 1, LAYERS, "a layer, 1 for the component side"),
        file.number((*place, "width"), row.get("width", 0.3)),
        _points(file, place, row.get("points", [])),
    )


# -- writing -------------------------------------------------------------------------------------

_PLAIN_KEY = re.compile(r"[A-Za-z0-9_-]+")


def write_board_file(board: Board) -> str:
    """Write a board as a board file that reads back to the same board.

    Returns
    -------
    str
        TOML. Kinds that are not shipped are written out. Pins are written by number.
    """
    board = _with_all_parts(board)
    lines = ["[board]", f"name = {_text(board.name)}"]
    if board.revision:
        lines.append(f"revision = {_text(board.revision)}")
    lines.append(f"ground = {_text(board.ground)}")
    if board.inlets:
        lines.append(f"inlets = {_texts(map(escape, board.inlets))}")
    lines.append("complete = true  # infer nothing; take this out when the file is added to")
    if board.rails:
        lines += ["", "[rails]"]
        for net, rail in board.rails.items():
            source = f", from = {_text(rail.source)}" if rail.source else ""
            limits = f"[{_number(rail.limits[0])}, {_number(rail.limits[1])}]"
            lines.append(f"{_key(net)} = {{ nominal = {_number(rail.nominal)}, limits = {limits}{source} }}")
    own = {name: kind for name, kind in board.kinds.items() if not _shipped(kind)}
    if board.parts:
        lines += ["", "[parts]"]
        lines += [_part_line(part, own) for part in board.parts.values()]
    if board.nets:
        lines += ["", "[nets]"]
        lines += [_net_line(board, net, pins) for net, pins in board.nets.items()]
    for name, block in board.blocks.items():
        lines += ["", f"[blocks.{_key(name)}]", f"needs = {_texts(map(escape, block.needs))}"]
        lines.append(f"shows = {_texts(block.shows)}")
    for name, kind in own.items():
        lines += ["", f"[kinds.{_key(name)}]", *_kind_lines(kind)]
    lines += _layout_lines(board)
    return "\n".join(lines) + "\n"


def _with_all_parts(board: Board) -> Board:
    """Parts that only nets or pads name are parts too."""
    missing = {
        pin.ref: Part(pin.ref)
        for pin in (*board.net_of, *(pad.pin for pad in board.pads if pad.pin is not None))
        if pin.ref not in board.parts
    }
    bare = {part.kind: generic_kind((), part.kind) for part in (*board.parts.values(), *missing.values())}
    return board.with_(parts={**board.parts, **missing}, kinds={**bare, **board.kinds})


def _shipped(kind: Kind) -> bool:
    return kind_named(kind.name) == kind or (kind == generic_kind((), "generic"))


def _part_line(part: Part, own: Mapping[str, Kind]) -> str:
    fields: dict[str, str] = {"kind": _text(part.kind)}
    if part.value:
        fields["value"] = _text(part.value)
    if part.footprint:
        fields["footprint"] = _text(part.footprint)
    if part.socket:
        fields["socket"] = "true"
    if part.at is not None:
        fields["at"] = f"[{_number(part.at[0])}, {_number(part.at[1])}]"
    if part.turn:
        fields["turn"] = _number(part.turn)
    if part.side != "top":
        fields["side"] = _text(part.side)
    if part.pin_count is not None:
        fields["pin_count"] = str(part.pin_count)
    if part.closed is not None:
        fields["closed"] = "true" if part.closed else "false"
    size, style = _read_back(part, own)
    if size != part.size:
        fields["size"] = '""' if part.size is None else _number(part.size)
    if style != part.style:
        fields["style"] = _text(part.style)
    if part.extra:
        inner = ", ".join(f"{_key(key)} = {_text(value)}" for key, value in part.extra.items())
        fields["extra"] = f"{{ {inner} }}"
    written = ", ".join(f"{key} = {value}" for key, value in fields.items())
    return f"{_key(escape(part.ref))} = {{ {written} }}"


def _read_back(part: Part, own: Mapping[str, Kind]) -> tuple[float | None, str]:
    """Size and style that reading would make of a part's kind and value alone."""
    kind = kind_named(part.kind, own)
    if kind is None or not part.value:
        return None, ""
    found = _recognised(part, own)
    return (found.size, found.style) if found.kind.category == kind.category else (None, "")


def _net_line(board: Board, net: str, pins: tuple[Pin, ...]) -> str:
    return f"{_key(escape(net))} = [{', '.join(_point(board, pin) for pin in pins)}]"


def _point(board: Board, pin: Pin) -> str:
    """A pin as text, or as part and pin where text would be read as something else."""
    text = f"{pin.ref}.{pin.number}"
    kind = board.kinds.get(board.parts[pin.ref].kind)
    known = kind is None or not kind.pins or pin.number in kind.by_number
    plain = re.fullmatch(r"[A-Za-z0-9_+/-]+", pin.ref) and re.fullmatch(r"[^\s.\[\]\\]+", pin.number)
    return _text(text) if plain and known else f"[{_text(pin.ref)}, {_text(pin.number)}]"


def _kind_lines(kind: Kind) -> list[str]:
    table = kind_to_table(kind)
    try:
        same = kind_from_table(kind.name, table, "") == kind
    except ValueError:
        same = False
    lines = []
    if not same:
        table.pop("pins", None)
        lines.append(f"pin_list = {_value([[pin.number, pin.name, pin.direction] for pin in kind.pins])}")
    return [*(f"{_key(key)} = {_value(value)}" for key, value in table.items()), *lines]


def _layout_lines(board: Board) -> list[str]:
    if not (board.pads or board.tracks or board.outline or board.adjacency):
        return []
    lines = ["", "[layout]"]
    if board.outline:
        lines.append(f"outline = {_value([list(point) for point in board.outline])}")
    if board.adjacency:
        lines.append(f"close = {_value(sorted(sorted(nets) for nets in board.adjacency if nets))}")
    if board.pads:
        lines += ["pads = [", *(f"  {_pad_text(board, pad)}," for pad in board.pads), "]"]
    if board.tracks:
        lines.append("tracks = [")
        for track in board.tracks:
            points = _value([list(point) for point in track.points])
            lines.append(
                f"  {{ net = {_text(track.net)}, layer = {track.layer}, width = {_number(track.width)}, "
                f"points = {points} }},"
            )
        lines.append("]")
    return lines


def _pad_text(board: Board, pad: Pad) -> str:
    fields: dict[str, str] = {}
    if pad.pin is not None:
        fields["pin"] = _point(board, pad.pin)
    if pad.net != (board.net_of.get(pad.pin) if pad.pin is not None else None):
        fields["net"] = _text(pad.net or "")
    fields["at"] = _value(list(pad.at))
    fields["size"] = _value(list(pad.size))
    usual = Pad(None, None, (0.0, 0.0))
    for key in ("round", "turn", "side", "drill", "covered", "midpoint"):
        if getattr(pad, key) != getattr(usual, key):
            fields[key] = _value(getattr(pad, key))
    return f"{{ {', '.join(f'{key} = {value}' for key, value in fields.items())} }}"


def _text(text: str) -> str:
    # JSON's escapes are TOML's, but TOML has no surrogates and wants DEL escaped
    made = json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
    return made.encode("utf-8", "replace").decode("utf-8")


def _texts(texts: Iterable[str]) -> str:
    return f"[{', '.join(map(_text, texts))}]"


def _key(text: str) -> str:
    return text if _PLAIN_KEY.fullmatch(text) else _text(text)


def _number(value: float) -> str:
    if math.isfinite(value) and value == int(value) and abs(value) < 1e15:
        return f"{value:.1f}"
    return repr(float(value))


def _value(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return _text(value)
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float):
        return _number(value)
    if isinstance(value, Mapping):
        return f"{{ {', '.join(f'{_key(str(key))} = {_value(item)}' for key, item in value.items())} }}"
    if isinstance(value, list | tuple):
        return f"[{', '.join(map(_value, value))}]"
    raise TypeError(f"cannot write {value!r}")
