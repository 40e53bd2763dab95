"""Read an IPC-D-356, A or B netlist, with the liberties that real writers take."""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field

from ..errors import BadFile
from .ipc356_records import (
    MOST_PLACE,
    POINT_CODES,
    REF_LENGTH,
    STANDS_FOR,
    UNITS,
    UNPLACED,
    TestRecord,
    Units,
    check_text,
    read_paths,
    read_test_record,
)
from .model import Pad, Pin, Track
from .netlist_data import Line, NetBuilder, NetlistData, PartRow, Point, Step, Tally, natural
from .report import ImportReport

_ENDS = re.compile(r"\r\n|\n|\r")
_ALIAS = re.compile(r"NNAME\s?(\S{1,10})\s+(\S.*)")
_VALUE = re.compile(r"\b([RCL])\s+(\d*\.?\d+)\s*E\s*([+-]? *\d{1,2})", re.ASCII)
_LAYER = re.compile(r"L(\d\d)$", re.ASCII)
_STEP = re.compile(r"\s*(MY)?\s*(?:R\s*(\d{1,3}))?\s*X\s*([+-]? *\d{1,7})\s*Y\s*([+-]? *\d{1,7})", re.ASCII)
_KEPT = ("JOB", "TITLE", "NUM", "REV", "VER")
_KNOWN = frozenset((
    *_KEPT, "CODE", "UNITS", "IMAGE", "DIM", "REMOVED_CONDUCTORS", "TEST", "SECONDARY_SIDE_LAYER",
    "GRID_UNITS", "SOURCE", "ADJACENCY", "BOARD_THICKNESS",
))  # fmt: skip
_IGNORED = {
    "099": "tester location: of no use at the bench, left out",
    "088": "soldermask clearance: left out",
    "390": "feature that is not tested: left out",
    "090": "reference point of a feature that is not tested: left out",
}
_BOARD = "PRIMARY"
_LARGEST = 1500.0
"""Millimetres; a home computer's board is far smaller, so that beyond this the units must be wrong."""


def read_test_records(text: str, file: str, report: ImportReport) -> list[TestRecord]:
    """Read the test records of the board's own image one by one, in the order of the file.

    Parameters
    ----------
    text : str
    file : str
        For messages.
    report : ImportReport

    Returns
    -------
    list of TestRecord
        As `read_ipc356` sees them before pins, nets and pads are put together.

    Raises
    ------
    BadFile
        It is no text.
    """
    return _read(text, file, report).points


def read_ipc356(text: str, file: str, report: ImportReport) -> NetlistData:
    """Read an IPC-D-356, A or B netlist.

    Parameters
    ----------
    text : str
        The whole file.
    file : str
        For messages.
    report : ImportReport
        Gets a remark for everything that was repaired, refused or is worth knowing.

    Returns
    -------
    NetlistData
        Lengths in millimetres. One pin on several lines is one pin with all its pads.

    Raises
    ------
    BadFile
        It is no text, or holds no test record that names a net or pin.
    """
    source = _read(text, file, report)
    data = _Assembly(source).made()
    if not data.nets and not data.unconnected:
        raise BadFile(
            file, "no test record (317, 327 ...) with a net was found: expected an IPC-D-356, A or B netlist"
        )
    source.tally.tell()
    return data


@dataclass
class _Source:
    """The file sorted into records."""

    file: str
    tally: Tally
    units: Units = UNITS["CUST 0"]
    header: dict[str, str] = field(default_factory=dict)
    aliases: dict[str, str] = field(default_factory=dict)
    folded: dict[str, str] = field(default_factory=dict)
    long_refs: dict[str, str] = field(default_factory=dict)
    long_pins: dict[str, str] = field(default_factory=dict)
    unplaced: bool = False
    points: list[TestRecord] = field(default_factory=list)
    others: list[tuple[int, str, str, list[tuple[int, str]]]] = field(default_factory=list)
    """Line, code, text and continuation lines of records that are no points."""
    steps: list[Step] = field(default_factory=list)


def _read(text: str, file: str, report: ImportReport) -> _Source:
    check_text(text, file)
    source = _Source(file, Tally(report, file))
    lines = list(_lines(text, source.tally))
    data = _header(lines, source)
    _records(data, source)
    return source


def _lines(text: str, tally: Tally) -> Iterator[tuple[int, str]]:
    ended = None
    number = 0
    for number, line in enumerate(_ENDS.split(text), 1):
        line = line.rstrip(" \x1a\x0c")
        if ended is not None:
            if line:
                tally.add("noted", "line after the end record 999: left out", number)
            continue
        if "\t" in line:
            tally.add("repaired", "tabs taken as blanks", number)
            line = line.expandtabs(8)
        if line[:1] == " " and re.match(r"\s+(?:[CP]  |\d{3}\S)", line):
            tally.add("repaired", "record moved left to column 1", number)
            line = line.lstrip()
        if line[:3] == "999":
            ended = number
        elif line.strip():
            yield number, line
    if ended is None:
        tally.add("repaired", "the end record 999 is missing: the file may be cut short", number)


def _header(lines: list[tuple[int, str]], source: _Source) -> list[tuple[int, str, str]]:
    """Take parameters and comments; give back the data records with the image they stand under."""
    tally = source.tally
    data: list[tuple[int, str, str]] = []
    image = _BOARD
    units_line: int | None = None
    for number, line in lines:
        first = line[0]
        if first in "Cc" and line[1:3].strip() == "":
            _comment(number, line, source)
        elif first in "Pp" and not line[1:2].isalnum():
            name, _, value = line[1:].strip().partition(" ")
            said, name, value = name, name.upper(), value.strip()
            if name.startswith("NNAME"):
                _alias(number, line, source)
            elif name == "UNITS":
                units_line = _units(number, value, units_line, source)
            elif name == "IMAGE":
                image = value.upper() or _BOARD
            elif name in _KEPT:
                source.header.setdefault(name, value)
            elif name == "REMOVED_CONDUCTORS":
                tally.add("noted", "conductors were left out of the file for some nets", number)
            elif name not in _KNOWN:
                tally.add("refused", f"unknown parameter {said[:40]!r}: left out", number)
        elif line[:3].isdecimal() and line[:3].isascii():
            data.append((number, image, line))
        else:
            tally.add("refused", "not a comment (C), a parameter (P) or a record number: left out", number)
    if units_line is None:
        start = lines[0][0] if lines else 1
        tally.add("inferred", "no UNITS parameter: counts taken as 0.0001 inch (CUST 0)", start)
    return data


def _comment(number: int, line: str, source: _Source) -> None:
    body = line[1:].strip()
    if body.startswith("NNAME"):
        if _alias(number, line, source):
            source.tally.add("repaired", "long net name given in a comment: used all the same", number)
    elif body == UNPLACED:
        source.unplaced = True
    elif STANDS_FOR in body:
        short, _, full = body.partition(STANDS_FOR)
        what, _, short = short.partition(" ")
        if what in ("REF", "PIN"):
            target = source.long_refs if what == "REF" else source.long_pins
            target[short] = full.strip()


def _alias(number: int, line: str, source: _Source) -> bool:
    found = _ALIAS.match(line[1:].strip())
    if found is None:
        source.tally.add("refused", "NNAME without an alias and a name: left out", number)
        return False
    key, name = found[1], found[2].strip()
    known = source.aliases.setdefault(key, name)
    if known != name:
        source.tally.add(
            "refused", f"alias {key} stands for {known[:80]} already: not for {name[:80]} too", number
        )
        return False
    source.folded.setdefault(_folded(key), name)
    return True


def _folded(key: str) -> str:
    return key.upper().removeprefix("NNAME")


def _units(number: int, value: str, earlier: int | None, source: _Source) -> int:
    units = UNITS.get(" ".join(value.upper().split()))
    if units is None:
        expected = "expected CUST 0, CUST 1, CUST 2 or SI"
        source.tally.add("repaired", f"unknown units {value[:40]!r}: {expected}", number)
    elif earlier is None:
        source.units = units
    elif units != source.units:
        source.tally.add(
            "refused",
            f"units {units.name}, but {source.units.name} in line {earlier}: left out",
            number,
        )
        return earlier
    return number if earlier is None else earlier


def _records(data: list[tuple[int, str, str]], source: _Source) -> None:
    tally = source.tally
    only = _BOARD
    if data and not any(image == _BOARD and line[:3] in POINT_CODES for _, image, line in data):
        images = [image for _, image, line in data if line[:3] in POINT_CODES]
        if images:
            only = images[0]
            tally.add("repaired", f"no test records in the primary image: image {only} is read", data[0][0])
    parent = ""
    for number, image, line in data:
        code = line[:3]
        if code == "309":
            _step(number, image, line, source)
        elif image != only:
            tally.add("noted", "record of the panel or a stepped image, not the board: left out", number)
        elif code in POINT_CODES:
            parent = code
            source.points.append(read_test_record(line, number, source.units))
        elif code in _IGNORED:
            tally.add("noted", _IGNORED[code], number)
        elif code in ("370", "380", "378", "379", "389"):
            parent = code
            source.others.append((number, code, line, []))
        elif code in ("070", "080", "078", "079", "089"):
            if parent[1:] == code[1:] and source.others:
                source.others[-1][3].append((number, line))
            else:
                tally.add("refused", f"record {code} continues nothing: left out", number)
        else:
            tally.add("refused", f"unknown record {code}: left out", number)


def _step(number: int, image: str, line: str, source: _Source) -> None:
    found = _STEP.match(line, 3)
    if found is None:
        source.tally.add("refused", "image offset without X and Y: left out", number)
        return
    x, y = (source.units.length(int(found[group].replace(" ", ""))) for group in (3, 4))
    source.steps.append(Step(image, found[1] is not None, int(found[2] or 0), (x, y)))
    source.tally.add("noted", "one more image of the board on the panel: left out", number)


@dataclass
class _RawPad:
    pin: Pin | None
    net: str | None
    record: TestRecord
    at: Point
    drill: float


class _Assembly:
    """Puts records together to pins, nets and pads."""

    def __init__(self, source: _Source) -> None:
        self.source = source
        self.tally = source.tally
        self.nets = NetBuilder(self.tally)
        self.pads: list[_RawPad] = []
        self.holes: list[Pad] = []
        self.rows: dict[str, PartRow] = {}
        self.case: dict[str, str] = {}
        self.last_layer = 2
        self.names: dict[str, str | None] = {}

    def made(self) -> NetlistData:
        self._points()
        tracks, outline, lines, adjacency = self._others()
        pads = self._finished_pads()
        self._whole_checks(pads)
        header = self.source.header
        return NetlistData(
            name=header.get("JOB", ""),
            title=header.get("TITLE", ""),
            number=header.get("NUM", ""),
            revision=header.get("REV", ""),
            version=header.get("VER", ""),
            nets=self.nets.made(),
            unconnected=tuple(self.nets.loose),
            pads=tuple(pads),
            holes=tuple(self.holes),
            tracks=tuple(tracks),
            adjacency=adjacency,
            outline=outline,
            lines=tuple(lines),
            steps=tuple(self.source.steps),
            rows=self.rows,
        )

    # -- names ----------------------------------------------------------------------------------

    def net(self, key: str, line: int) -> str | None:
        """The net a record means; None for N/C."""
        known = self.names.get(key, key)
        if known is None or key in self.names:
            return known
        name = self._looked_up(key, line)
        if name is not None:
            twin = self.case.setdefault(name.upper(), name)
            if twin != name:
                self.tally.add(
                    "noted",
                    f"nets {twin} and {name} differ only in capitals: kept apart; are they one net?",
                    line,
                )
        self.names[key] = name
        return name

    def _looked_up(self, key: str, line: int) -> str | None:
        if key.upper() in ("N/C", "N.C.", ""):
            return None
        aliases = self.source.aliases
        for variant in (key, key.removeprefix("NNAME"), f"NNAME{key}"):
            if variant in aliases:
                return aliases[variant]
        if _folded(key) in self.source.folded:
            name = self.source.folded[_folded(key)]
            self.tally.add("repaired", f"alias {key} found by ignoring capitals: {name}", line)
            return name
        if re.fullmatch(r"NNAME\S+", key):
            self.tally.add("repaired", f"alias {key} is not explained by any NNAME: kept as the name", line)
        if " " in key:
            name = "_".join(key.split())
            self.tally.add("repaired", f"blank inside net name {key!r}: named {name}", line)
            return name
        return key

    def pin(self, record: TestRecord) -> Pin | None:
        if record.via or not record.ref:
            return None
        ref, number = record.ref, record.pin
        if not number:
            number = "1"
            self.tally.add("repaired", "no pin number: taken as pin 1", record.line)
        full = self.source.long_pins.get(f"{ref}-{number}")
        return Pin(self.source.long_refs.get(ref, ref), full or number)

    # -- points ---------------------------------------------------------------------------------

    def _points(self) -> None:
        group: list[TestRecord] = []
        for record in self.source.points:
            if record.code[0] == "0":
                if not group:
                    self.tally.add("repaired", "continues nothing: taken as a record of its own", record.line)
                else:
                    self._inherit(record, group[0])
                    group.append(record)
                    continue
            self._group(group)
            group = [record]
        self._group(group)

    def _inherit(self, record: TestRecord, parent: TestRecord) -> None:
        record.net = record.net or parent.net
        if not record.ref and not record.via:
            record.ref, record.pin, record.via = parent.ref, parent.pin, parent.via
        if record.at is None:
            record.at = parent.at

    def _group(self, group: list[TestRecord]) -> None:
        fresh: list[_RawPad] = []
        hole: float | None = None
        for record in group:
            self._told(record)
            if record.code == "367":
                self._tooling_hole(record)
                continue
            bare_hole = record.drill and record.size is None and record.code == "017" and fresh
            if bare_hole and record.at == fresh[-1].at:
                hole = record.drill
                continue
            pad = self._pad(record)
            if pad is not None:
                fresh.append(pad)
        for pad in fresh:
            if hole and not pad.drill:
                pad.drill = hole
        self.pads += fresh

    def _told(self, record: TestRecord) -> None:
        add, line = self.tally.add, record.line
        if record.overflow and record.at is not None:
            add("repaired", "columns do not hold (column overflow): fields found by their letters", line)
        if record.clamped:
            add("noted", "a size, hole or place is the largest its columns can hold: it may be cut", line)
        if record.absurd:
            add("refused", "a number too large for any board: left out", line)
        if record.no_dash:
            add("repaired", "no dash in column 27: reference and pin parted all the same", line)
        for layer in (record.access or 0, *(record.layers or ())):
            self.last_layer = max(self.last_layer, layer)

    def _tooling_hole(self, record: TestRecord) -> None:
        if record.at is None:
            self.tally.add("refused", "hole without a place: left out", record.line)
            return
        drill = record.drill or (record.size[0] if record.size else 0.0)
        size = record.size or (drill, drill)
        self.holes.append(Pad(None, None, record.at, size, record.round, drill=drill))
        self.tally.add("noted", "hole without copper: on no net, whatever the record says", record.line)

    def _pad(self, record: TestRecord) -> _RawPad | None:
        net = self.net(record.net, record.line)
        if not record.net:
            self.tally.add("repaired", "no net name: taken as unconnected", record.line)
        pin = self.pin(record)
        at = record.at
        if at is not None and self.source.unplaced and at == (0.0, 0.0) and record.size is None:
            at = None
        elif at is None:
            what = "pin kept without a pad" if pin is not None else "left out"
            self.tally.add("repaired" if pin else "refused", f"no place found: {what}", record.line)
            if pin is None:
                return None
        if pin is not None:
            pin = self.nets.put(pin, net, record.line, at)
            if pin is None:
                return None
        elif net is not None:
            self.nets.net(net)
        if pin is None and not record.via:
            self.tally.add("noted", "point without a reference: kept as a bare point of its net", record.line)
        if at is None:
            return None
        on = net if pin is None else self.nets.net_of.get(pin)
        return _RawPad(pin, on, record, at, record.drill or 0.0)

    def _finished_pads(self) -> list[Pad]:
        through = [raw.record.mask for raw in self.pads if raw.pin and raw.record.mask is not None]
        inverted = len(through) > 3 and through.count(3) > len(through) / 2
        if inverted:
            self.tally.add(
                "repaired", "soldermask digits cover most pins: 0 and 3 taken the other way round",
                self.pads[0].record.line,
            )  # fmt: skip
        if len(self.pads) > 2 and len({raw.at for raw in self.pads}) == 1:
            line = self.pads[0].record.line
            self.tally.add("inferred", "all points lie at one place: places are not used", line)
            return []
        pads: list[Pad] = []
        lines: list[int] = []
        seen: set[Pad] = set()
        for raw in self.pads:
            record, line = raw.record, raw.record.line
            side = self._side(record)
            size = record.size
            if size is None:
                if record.code in ("327", "027"):
                    size = (1.0, 1.0)
                else:
                    size = (max(raw.drill + 0.6, 1.0),) * 2 if raw.drill else (1.5, 1.5)
                self.tally.add("inferred", "no pad size in the file: a usual size is taken", line)
            elif raw.drill > max(size) * 1.001:
                self.tally.add("noted", "the hole is larger than the pad", line)
            pad = Pad(
                raw.pin, raw.net, raw.at, size, record.round, record.turn or 0.0, side, raw.drill,
                self._covered(raw, side, inverted), record.midpoint,
            )  # fmt: skip
            if pad in seen:
                self.tally.add("repaired", "says the same as an earlier line: counted once", line)
                continue
            seen.add(pad)
            pads.append(pad)
            lines.append(line)
        self._same_place(pads, lines)
        return pads

    def _side(self, record: TestRecord) -> str:
        access = record.access
        if record.code == "307":
            start, end = record.layers or (2, 2)
            if access is None or (record.layers and start > 1 and end < self.last_layer):
                return "top" if start == 1 else "bottom" if end >= self.last_layer > 2 else "inner"
        if access is None:
            return "top" if record.code in ("327", "027") else "both"
        return "both" if access == 0 else "top" if access == 1 else "bottom"

    @staticmethod
    def _covered(raw: _RawPad, side: str, inverted: bool) -> bool:
        # What is soldered cannot lie under the mask, whatever a careless writer says.
        if raw.pin is not None or raw.record.mask is None:
            return False
        mask = 3 - raw.record.mask if inverted else raw.record.mask
        return bool({"top": mask & 1, "bottom": mask & 2}.get(side, mask == 3))

    def _same_place(self, pads: list[Pad], lines: list[int]) -> None:
        taken: dict[tuple[float, float, str], Pad] = {}
        for pad, line in zip(pads, lines, strict=True):
            if pad.net is None:
                continue
            x, y = round(pad.at[0], 3), round(pad.at[1], 3)
            for side in ("top", "bottom") if pad.side == "both" else (pad.side,):
                other = taken.setdefault((x, y, side), pad)
                if other.net != pad.net:
                    self.tally.add(
                        "noted",
                        f"nets {other.net} and {pad.net} have points at one place, {x:g}, {y:g} mm",
                        line,
                    )
                    break

    # -- other records --------------------------------------------------------------------------

    def _others(self) -> tuple[list[Track], tuple[Point, ...], list[Line], frozenset[frozenset[str]]]:
        tracks: list[Track] = []
        edges: list[Line] = []
        pairs: set[frozenset[str]] = set()
        for number, code, text, more in self.source.others:
            if code == "378":
                tracks += self._conductor(number, text, more)
            elif code == "389":
                edges += self._outline(number, text, more)
            elif code == "379":
                words = " ".join((text[3:], *(line[3:] for _, line in more))).split()
                names = [name for word in words if (name := self._old_net(word, number)) is not None]
                pairs.update(frozenset((names[0], other)) for other in names[1:] if other != names[0])
            else:
                self._embedded(number, code, text, more)
        boards = [edge for edge in edges if edge.name == "BOARD_EDGE" and len(edge.points) > 2]
        board = max(boards, key=_extent, default=None)
        return (
            tracks,
            board.points if board else (),
            [edge for edge in edges if edge is not board],
            frozenset(pairs),
        )

    def _old_net(self, key: str, line: int) -> str | None:
        name = self.net(key, line)
        if name is not None and name not in self.nets.nets:
            self.tally.add("refused", f"net {name[:80]} has no test record: not used here", line)
            return None
        return name

    def _conductor(self, number: int, text: str, more: list[tuple[int, str]]) -> Iterator[Track]:
        net = self._old_net(text[3:18].strip(), number)
        found = _LAYER.match(text[18:21])
        body = text[21:]
        if found is None and (found := re.match(r"\s*L(\d\d)\s", text[17:])):
            body = text[17 + found.end() :]
        if found is None:
            self.tally.add("repaired", "conductor without a layer: taken as layer 1", number)
        layer = int(found[1]) if found else 1
        pen, paths = self._paths(number, body, more, text[3:17].strip())
        if net is None:
            return
        if pen is None:
            self.tally.add("inferred", "conductor without a width: 0.3 mm taken", number)
        self.last_layer = max(self.last_layer, layer)
        for path in paths:
            if len(path) > 1:
                yield Track(net, layer, min(pen) if pen else 0.3, tuple(path))
            else:
                self.tally.add("noted", "conductor of one point: left out", number)

    def _outline(self, number: int, text: str, more: list[tuple[int, str]]) -> Iterator[Line]:
        name = text[3:17].strip()
        body = text[17:]
        if " " in name:
            name, _, rest = name.partition(" ")
            body = rest + body
        _, paths = self._paths(number, body, more, name)
        for path in paths:
            if len(path) > 1 and path[0] == path[-1]:
                path = path[:-1]
            yield Line(name, tuple(path))

    def _paths(
        self, number: int, body: str, more: list[tuple[int, str]], name: str
    ) -> tuple[Point | None, list[list[Point]]]:
        pieces = [body]
        for _, line in more:
            piece = line[3:]
            if name and piece.startswith(name):
                piece = piece[len(name) :]
            pieces.append(re.sub(r"^\s*L\d\d\s", " ", piece))
        pen, paths, refused = read_paths(" ".join(pieces), self.source.units)
        if refused:
            self.tally.add("refused", f"not a point: {' '.join(refused)[:60]!r}, left out", number)
        return pen, paths

    def _embedded(self, number: int, code: str, text: str, more: list[tuple[int, str]]) -> None:
        found = _VALUE.search(text, 20)
        name = text[65:79].strip() or (re.split(r"\s+", text[20:].strip())[-1] if found is None else "")
        second = next((line for _, line in more), None)
        if found is None or second is None:
            self.tally.add("refused", "part inside the board without value or second node: left out", number)
            return
        what = found[1]
        scale = {"R": 1.0, "C": 1e-12, "L": 1e-12}[what]
        size = float(f"{found[2][:20]}e{found[3].replace(' ', '')}") * scale
        ref = name or f"{what}_{number}"
        self.rows[ref] = PartRow(
            ref,
            kind={"R": "resistor", "C": "capacitor", "L": "inductor"}[what],
            size=size,
            pin_count=2,
            line=number,
        )
        if any(pin.ref == ref for pin in (*self.nets.net_of, *self.nets.loose)):
            return  # mounted part, whose pins have test records of their own
        for place, line in (("1", text), ("2", second)):
            net = self.net(line[3:17].strip(), number)
            self.nets.put(Pin(ref, place), net, number)
        self.tally.add("noted", "part inside the board: kept as a part with pins 1 and 2", number)

    # -- the whole ------------------------------------------------------------------------------

    def _whole_checks(self, pads: list[Pad]) -> None:
        tally = self.tally
        numbers: dict[str, list[str]] = defaultdict(list)
        for pin in (*self.nets.net_of, *self.nets.loose):
            numbers[pin.ref].append(pin.number)
        first: dict[str, int] = {}
        for record in self.source.points:
            first.setdefault(record.ref, record.line)
        cut = [ref for ref in numbers if len(ref) == REF_LENGTH]
        if cut:
            tally.add(
                "noted",
                f"references of {REF_LENGTH} letters may be cut short by the writer: {_some(cut)}",
                min(first.get(ref, 1) for ref in cut),
            )
        gaps = []
        for ref, used in numbers.items():
            counted = {int(each) for each in used if each.isdecimal() and each.isascii() and len(each) < 5}
            if len(counted) == len(used) and counted and max(counted) > len(counted):
                gaps.append(ref)
        if gaps:
            tally.add(
                "noted", f"parts with gaps in their pin numbers, which the file leaves out: {_some(gaps)}",
                min(first.get(ref, 1) for ref in gaps),
            )  # fmt: skip
        if pads:
            xs, ys = [pad.at[0] for pad in pads], [pad.at[1] for pad in pads]
            wide, high = max(xs) - min(xs), max(ys) - min(ys)
            if max(wide, high) > _LARGEST or (0 < max(wide, high) < 5 and len(pads) > 50):
                tally.add(
                    "noted", f"the points spread over {wide:.3g} x {high:.3g} mm: are the units right?", 1
                )
            edge = MOST_PLACE * self.source.units.mm * 0.999999
            if Counter(abs(value) >= edge for value in (*xs, *ys))[True] > 1:
                tally.add("noted", "several places are at the largest value that the columns hold", 1)


def _extent(line: Line) -> float:
    xs, ys = [x for x, _ in line.points], [y for _, y in line.points]
    return (max(xs) - min(xs)) * (max(ys) - min(ys))


def _some(names: list[str]) -> str:
    names = sorted(names, key=natural)
    return ", ".join(names[:12]) + (f" and {len(names) - 12} more" if len(names) > 12 else "")
