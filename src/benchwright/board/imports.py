"""Make a board from a netlist, a parts list and an overlay."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from ..errors import BadFile
from ..textfile import read_text
from .model import Board, Kind, Pad, Part, Pin, Rail
from .netlist_data import NetlistData, PartRow, Point, natural
from .report import ImportReport

if TYPE_CHECKING:
    from .kinds import Recognition

Reader = Callable[[str, str, ImportReport], NetlistData]


def import_ipc356(path: Path, parts: Path | None = None, overlay: Path | None = None) -> Board:
    """Make a board from an IPC-D-356, A or B netlist. See `Board.from_ipc356`.

    Parameters
    ----------
    path : Path
        The netlist.
    parts : Path, optional
        Parts list (CSV).
    overlay : Path, optional
        Corrections (TOML).

    Returns
    -------
    Board
        With kinds, ground, rails, inlets, sockets and blocks inferred; `Board.report` says what was
        repaired, refused, inferred.

    Raises
    ------
    BadFile
        A file cannot be read, or no pin is on any net.
    """
    from .ipc356 import read_ipc356

    return _import(path, parts, overlay, read_ipc356)


def import_net_table(path: Path, parts: Path | None = None, overlay: Path | None = None) -> Board:
    """Make a board from a CSV table of net, ref, pin. See `import_ipc356` for the rest."""
    from .net_table import read_net_table

    return _import(path, parts, overlay, read_net_table)


def import_spice(path: Path, parts: Path | None = None, overlay: Path | None = None) -> Board:
    """Make a board from a SPICE netlist. See `import_ipc356` for the rest."""
    from .spice_read import read_spice

    return _import(path, parts, overlay, read_spice)


def _import(path: Path, parts: Path | None, overlay: Path | None, reader: Reader) -> Board:
    from .blocks import with_blocks
    from .infer import infer

    report = ImportReport()
    data = reader(_text(path), str(path), report)
    rows: dict[str, PartRow] | None = None
    if parts is not None:
        from .parts_list import read_parts_list

        rows = read_parts_list(_text(parts), str(parts), report)
    board = make_board(data, rows, report, name=path.stem)
    if not any(board.nets.values()):
        raise BadFile(str(path), "no pin is on any net: expected a netlist with at least one connected part")
    # The overlay first: what a person says is kept, and what is inferred sees the corrected kinds.
    if overlay is not None:
        from .overlay import apply_overlay

        board = apply_overlay(board, overlay, report)
    board = with_blocks(infer(board, report))
    return board.with_(report=report)


def _text(path: Path) -> str:
    try:
        return read_text(path)
    except OSError as error:
        raise BadFile(str(path), f"the file cannot be read: {error.strerror or error}") from None


def make_board(
    data: NetlistData, rows: Mapping[str, PartRow] | None, report: ImportReport, name: str = "board"
) -> Board:
    """Put a netlist and a parts list together and give every part its kind.

    Parameters
    ----------
    data : NetlistData
    rows : Mapping of str to PartRow or None
        The parts list; None if there is none.
    report : ImportReport
    name : str
        Of the board, if the netlist has none.

    Returns
    -------
    Board
        Without rails (but those of voltage sources), inlets and blocks.
    """
    from .infer import usual_limits

    if rows is not None:
        data = _with_full_refs(data, rows, report)
    used = _pins_by_ref(data)
    listed = _listed(data, rows, used, report)
    kinds: dict[str, Kind] = {}
    parts: dict[str, Part] = {}
    renamed: dict[Pin, Pin] = {}
    teller = _Teller(report)
    places = _places(data.pads)
    for ref in sorted(used, key=natural):
        row = listed.get(ref, PartRow(ref))
        found = _recognised(row, used[ref], teller)
        kind, moved = _fitted(found.kind, row, used[ref], teller)
        renamed |= moved
        at, side = places.get(ref, (row.at, ""))
        parts[ref] = Part(
            ref=ref,
            kind=_shelved(kind, ref, kinds),
            value=row.value,
            size=row.size if row.size is not None else found.size,
            socket=bool(row.socket),
            at=at,
            turn=row.turn or 0.0,
            side=row.side or side or "top",
            footprint=row.footprint,
            pin_count=row.pin_count,
            style=row.style or found.style,
            closed=row.closed,
            extra=dict(row.extra),
        )
    teller.tell()
    if renamed:
        data = _with_pins_renamed(data, renamed)
    rails = {
        net: Rail(net, volts, usual_limits(volts), source)
        for net, (volts, source) in data.rails.items()
        if net in data.nets
    }
    for rail in rails.values():
        report.inferred(f"rail {rail.net} is {rail.nominal:g} V, from the voltage source {rail.source}")
    title = data.name.replace("\\", "/").rstrip("/").rpartition("/")[2].strip()
    return Board(
        name=title or name,
        revision=data.revision,
        ground=data.ground or "GND",
        parts=parts,
        nets=data.nets,
        rails=rails,
        kinds=kinds,
        pads=data.pads,
        tracks=data.tracks,
        adjacency=data.adjacency,
        outline=data.outline,
        inlets=tuple(dict.fromkeys(rail.source.partition(".")[0] for rail in rails.values())),
        report=report,
    )


# -- references --------------------------------------------------------------------------------------


def _pins_by_ref(data: NetlistData) -> dict[str, list[Pin]]:
    used: dict[str, dict[Pin, None]] = {}
    for pins in (*data.nets.values(), data.unconnected):
        for pin in pins:
            used.setdefault(pin.ref, {})[pin] = None
    return {ref: list(pins) for ref, pins in used.items()}


def _with_full_refs(data: NetlistData, rows: Mapping[str, PartRow], report: ImportReport) -> NetlistData:
    """Give parts the references of the parts list where the netlist has them cut or in other capitals."""
    from .ipc356_records import REF_LENGTH

    used = _pins_by_ref(data)
    folded: dict[str, list[str]] = defaultdict(list)
    cut: dict[str, list[str]] = defaultdict(list)
    for ref in rows:
        if ref not in used:
            folded[ref.upper()].append(ref)
            if len(ref) > REF_LENGTH:
                cut[ref[:REF_LENGTH].upper()].append(ref)
    new: dict[str, str] = {}
    for ref in used:
        if ref in rows:
            continue
        same = folded.get(ref.upper(), [])
        longer = cut.get(ref.upper(), []) if len(ref) == REF_LENGTH else []
        for candidates, why in (
            (same, "which differs in capitals"),
            (longer, "which the netlist cuts short"),
        ):
            if len(candidates) == 1 and candidates[0] not in new.values():
                new[ref] = candidates[0]
                report.inferred(f"part {ref} of the netlist is {new[ref]} of the parts list, {why}")
                break
    if not new:
        return data
    moved = {
        pin: Pin(new[ref], pin.number) for ref, pins in used.items() if ref in new for pin in pins
    }  # fmt: skip
    return _with_pins_renamed(data, moved)


def _with_pins_renamed(data: NetlistData, new: Mapping[Pin, Pin]) -> NetlistData:
    return replace(
        data,
        nets={net: tuple(new.get(pin, pin) for pin in pins) for net, pins in data.nets.items()},
        unconnected=tuple(new.get(pin, pin) for pin in data.unconnected),
        pads=tuple(
            replace(pad, pin=new[pad.pin]) if pad.pin is not None and pad.pin in new else pad
            for pad in data.pads
        ),
        rails={
            net: (volts, next((str(to) for old, to in new.items() if str(old) == source), source))
            for net, (volts, source) in data.rails.items()
        },
    )


def _listed(
    data: NetlistData,
    rows: Mapping[str, PartRow] | None,
    used: Mapping[str, object],
    report: ImportReport,
) -> dict[str, PartRow]:
    listed = dict(data.rows)
    if rows is None:
        unsaid = [ref for ref in used if ref not in listed]
        if unsaid:
            report.inferred("no parts list: kinds are taken from the letters of the references")
        return listed
    for ref, row in rows.items():
        own = listed.get(ref)
        listed[ref] = row if own is None else replace(
            row, value=row.value or own.value, kind=row.kind or ("" if row.value else own.kind),
            size=own.size, pin_count=row.pin_count or own.pin_count, like=own.like,
        )  # fmt: skip
    missing = sorted((ref for ref in rows if ref not in used), key=natural)
    if missing:
        report.noted(f"in the parts list but not in the netlist, left out: {', '.join(missing)}")
    unlisted = sorted((ref for ref in used if ref not in listed), key=natural)
    if unlisted:
        report.noted(
            "in the netlist but not in the parts list, kinds taken from the letters of the references: "
            + ", ".join(unlisted)
        )
    return listed


def _places(pads: Iterable[Pad]) -> dict[str, tuple[Point, str]]:
    """Centre and side of every part from its pads."""
    of: dict[str, list[Pad]] = defaultdict(list)
    for pad in pads:
        if pad.pin is not None:
            of[pad.pin.ref].append(pad)
    found = {}
    for ref, mine in of.items():
        xs, ys = [pad.at[0] for pad in mine], [pad.at[1] for pad in mine]
        middle = ((min(xs) + max(xs)) / 2, (min(ys) + max(ys)) / 2)
        side = "bottom" if all(pad.side == "bottom" for pad in mine) else "top"
        found[ref] = ((round(middle[0], 6), round(middle[1], 6)), side)
    return found


# -- kinds -------------------------------------------------------------------------------------------


class _Teller:
    """Remarks about parts, told once for all parts that earn the same."""

    def __init__(self, report: ImportReport) -> None:
        self.report = report
        self.refs: dict[tuple[str, str], list[str]] = defaultdict(list)

    def add(self, grade: str, text: str, ref: str) -> None:
        self.refs[grade, text].append(ref)

    def tell(self) -> None:
        for (grade, text), refs in self.refs.items():
            self.report.add(grade, f"{', '.join(refs)}: {text}")


def _recognised(row: PartRow, pins: list[Pin], teller: _Teller) -> Recognition:
    from .kinds import Recognition, kind_named, recognise

    if row.kind:
        named = kind_named(row.kind)
        if named is not None:
            size = recognise(row.value, ref=row.ref, footprint=row.footprint).size if row.value else None
            return Recognition(named, size, row.style)
        teller.add("noted", f"kind {row.kind!r} is not known: recognised from the value instead", row.ref)
    count = row.pin_count or _likely_count(pins)
    ref = row.like or row.ref
    found = recognise(row.value, ref=ref, footprint=row.footprint, pin_count=count)
    if row.pin_count is None and (found.kind.generic or not found.certain):
        # The netlist may leave unconnected pins out, so its count is no evidence against a kind.
        other = recognise(row.value, ref=ref, footprint=row.footprint)
        if not other.kind.generic and len(other.kind.pins) >= len(pins):
            found = other
    if found.note:
        teller.add("inferred", found.note, row.ref)
    return found


def _likely_count(pins: list[Pin]) -> int:
    numbers = [int(pin.number) for pin in pins if pin.number.isdecimal() and len(pin.number) < 4]
    return max([len(pins), *numbers])


def _fitted(
    kind: Kind, row: PartRow, pins: list[Pin], teller: _Teller
) -> tuple[Kind, dict[Pin, Pin]]:  # fmt: skip
    """The kind if its pins fit those of the netlist, else a generic one; and pins to be renamed."""
    from .kinds import generic_kind

    ref = row.ref
    if kind.generic:
        numbers = {pin.number for pin in kind.pins} | {pin.number for pin in pins}
        return generic_kind(sorted(numbers, key=natural), kind.name), {}
    if not kind.pins:
        return kind, {}
    moved: dict[Pin, Pin] = {}
    taken = {pin.number for pin in pins if pin.number in kind.by_number}
    strange = [pin for pin in pins if pin.number not in kind.by_number]
    for pin in list(strange):
        number = next((each for each in _named(kind, pin.number) if each not in taken), None)
        if number is not None:
            taken.add(number)
            moved[pin] = Pin(ref, number)
            strange.remove(pin)
    if moved:
        teller.add("inferred", f"pins are named by function: numbered as in {kind.name}", ref)
    spare = 2 if kind.package.startswith("TO-") else 0
    if len(pins) > len(kind.pins) + spare:
        teller.add(
            "noted",
            f"{kind.name} has {len(kind.pins)} pins but the netlist uses {len(pins)}: taken as generic",
            ref,
        )
        name = f"{row.value or kind.name}, {len(pins)} pins"
        return generic_kind(sorted({pin.number for pin in pins}, key=natural), name), {}
    if strange:
        numbers_of = ", ".join(sorted((pin.number for pin in strange), key=natural)[:20])
        teller.add("noted", f"{kind.name} has no pin {numbers_of}: kept all the same", ref)
    return kind, moved


_ALSO = {
    "A": ("ANODE", "+"), "K": ("CATHODE", "C", "CATH", "-"), "+": ("P", "POS", "PLUS"),
    "-": ("N", "NEG", "MINUS"), "C": ("COLLECTOR",), "B": ("BASE",), "E": ("EMITTER",), "G": ("GATE",),
    "D": ("DRAIN",), "S": ("SOURCE",),
}  # fmt: skip


def _named(kind: Kind, name: str) -> tuple[str, ...]:
    """Numbers of the pins whose function is `name`."""
    numbers = kind.numbers_named(name)
    if numbers:
        return numbers
    for own, others in _ALSO.items():
        if name.upper() in others and (numbers := kind.numbers_named(own)):
            return numbers
    return ()


def _shelved(kind: Kind, ref: str, kinds: dict[str, Kind]) -> str:
    """Put a kind on the board's shelf; the name under which it is found there."""
    name = kind.name
    for name in (kind.name, f"{kind.name}, {len(kind.pins)} pins", f"{kind.name} as {ref}"):
        known = kinds.get(name)
        if known is None:
            kinds[name] = kind if name == kind.name else replace(kind, name=name)
            return name
        if known is kind or known == replace(kind, name=name):
            return name
    return name
