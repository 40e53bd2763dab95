"""Write a board as an IPC-D-356A netlist."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator

from .ipc356_records import (
    MOST_PLACE,
    MOST_SIZE,
    NAME_LENGTH,
    PIN_LENGTH,
    REF_LENGTH,
    STANDS_FOR,
    UNITS,
    UNPLACED,
)
from .model import Board, Pad, Pin, Track

_WIDTH = 72
_CODE = {"top": 1, "bottom": 2}


def write_ipc356(board: Board, cust: int = 1) -> str:
    """Write a board as an IPC-D-356A netlist.

    Parameters
    ----------
    board : Board
    cust : int
        1 counts in 0.001 mm, 0 in 0.0001 inch.

    Returns
    -------
    str
        What `read_ipc356` reads back to the same nets, pins, pads, tracks and outline, to half a count
        and half a degree. Net names that do not fit 14 columns have an alias; references and pins that
        do not fit are shortened, and a comment says what each stands for. Pins without a pad stand at
        X+000000Y+000000 without a size, and a comment says that their places are not known. Sizes and
        places too large for their columns are cut, and a comment names the points.

    Raises
    ------
    ValueError
        `cust` is neither 0 nor 1.
    """
    if cust not in (0, 1):
        raise ValueError(f"cust is {cust}: expected 0 (0.0001 inch) or 1 (0.001 mm)")
    return _Writer(board, cust).text()


def _plain(text: str) -> str:
    """One line without control characters."""
    return "".join(letter if letter.isprintable() else "?" for letter in text).strip()


def _fits(text: str, length: int) -> bool:
    return 0 < len(text) <= length and text.isascii() and text.isprintable() and " " not in text


class _Writer:
    def __init__(self, board: Board, cust: int) -> None:
        self.board = board
        self.units = UNITS[f"CUST {cust}"]
        self.names: dict[str, str] = {}
        self.aliases: list[tuple[str, str]] = []
        self.refs: dict[str, str] = {}
        self.pins: dict[Pin, str] = {}
        self.notes: list[str] = []
        self.cut: list[str] = []
        self.unplaced = False

    def text(self) -> str:
        board = self.board
        self._name_nets()
        self._name_parts()
        points = list(self._points())
        copper = [*self._tracks(), *self._outline(), *self._adjacency()]
        if self.unplaced:
            self.notes.append(UNPLACED)
        if self.cut:
            self.notes.append(f"TOO LARGE FOR THE COLUMNS, CUT: {' '.join(self.cut)}")
        lines = [
            f"P  JOB   {_plain(board.name)}",
            "P  CODE  00",
            f"P  UNITS {self.units.name}",
            f"P  TITLE {_plain(board.name)}",
            f"P  REV   {_plain(board.revision)}" if board.revision else "",
            "P  VER   IPC-D-356A",
            "P  IMAGE PRIMARY",
            *(f"C  {note}" for note in self.notes),
            *(f"P  NNAME{key} {name}" for key, name in self.aliases),
            *points,
            *copper,
            "999",
        ]
        return "".join(f"{line}\n" for line in lines if line)

    # -- names ----------------------------------------------------------------------------------

    def _name_nets(self) -> None:
        board = self.board
        every = dict.fromkeys([*board.nets, *(pad.net for pad in board.pads if pad.net is not None)])
        taken: set[str] = set()
        for net in every:
            name = _plain(net) or "unnamed"
            while name in taken:
                name += "_"
            taken.add(name)
            fits = _fits(name, NAME_LENGTH) and name.upper() != "N/C" and name.upper() != "N.C."
            if fits and not name.upper().startswith("NNAME") and not re.fullmatch(r"\d{5,}", name):
                self.names[net] = name
            else:
                key = f"{len(self.aliases) + 1:05d}"
                self.aliases.append((key, name))
                self.names[net] = f"NNAME{key}"

    def _name_parts(self) -> None:
        board = self.board
        pins = dict.fromkeys(pin for on_net in board.nets.values() for pin in on_net)
        pins |= dict.fromkeys(pad.pin for pad in board.pads if pad.pin is not None)
        refs = dict.fromkeys(pin.ref for pin in pins)
        short = {ref for ref in refs if _fits(ref, REF_LENGTH) and ref.upper() != "VIA"}
        for ref in refs:
            if ref in short:
                self.refs[ref] = ref
                continue
            self.refs[ref] = made = _shortened(ref, REF_LENGTH, short)
            short.add(made)
            self.notes.append(f"REF {made}{STANDS_FOR}{_plain(ref)}")
        by_ref: dict[str, set[str]] = {}
        for pin in pins:
            if _fits(pin.number, PIN_LENGTH):
                by_ref.setdefault(pin.ref, set()).add(pin.number)
                self.pins[pin] = pin.number
        for pin in pins:
            if pin not in self.pins:
                taken = by_ref.setdefault(pin.ref, set())
                self.pins[pin] = made = _shortened(pin.number, PIN_LENGTH, taken)
                taken.add(made)
                self.notes.append(f"PIN {self.refs[pin.ref]}-{made}{STANDS_FOR}{_plain(pin.number)}")

    # -- points ---------------------------------------------------------------------------------

    def _points(self) -> Iterator[str]:
        board = self.board
        of_pin: dict[Pin, list[Pad]] = {}
        bare: dict[str | None, list[Pad]] = {}
        for pad in board.pads:
            if pad.pin is None:
                bare.setdefault(pad.net, []).append(pad)
            else:
                of_pin.setdefault(pad.pin, []).append(pad)
        for net, name in self.names.items():
            pins = board.nets.get(net, ())
            for pin in pins:
                pads = [pad for pad in of_pin.pop(pin, ()) if _placed(pad)]
                yield from (self._point(pad, name) for pad in pads)
                if not pads:
                    yield self._without_place(pin, name)
            yield from (self._point(pad, name) for pad in bare.get(net, ()) if _placed(pad))
            if not pins and net not in bare:
                self.notes.append(f"NET {_plain(net)} HAS NO POINTS")
        for pads in of_pin.values():
            yield from (self._point(pad, "N/C") for pad in pads if _placed(pad))
        yield from (self._point(pad, "N/C") for pad in bare.get(None, ()) if _placed(pad))

    def _start(self, code: str, net: str, pin: Pin | None) -> str:
        where = f"{self.refs[pin.ref]:<6}-{self.pins[pin]:<4}" if pin is not None else "VIA   -    "
        return f"{code}{net:<17}{where}"

    def _without_place(self, pin: Pin, net: str) -> str:
        self.unplaced = True
        return f"{self._start('317', net, pin)}       A00X+000000Y+000000"

    def _point(self, pad: Pad, net: str) -> str:
        code = "307" if pad.side == "inner" else "317" if pad.drill > 0 or pad.side == "both" else "327"
        drill = self._size(pad.drill, pad)
        hole = f"D{drill:04d}P" if pad.drill > 0 else " " * 6
        access = "   " if pad.side == "inner" else f"A{_CODE.get(pad.side, 0):02d}"
        wide, high = (self._size(each, pad) for each in pad.size)
        if pad.round and wide == high:
            high = 0
        turn = round(pad.turn) % 360
        mask = 0
        if pad.covered and pad.pin is None:
            mask = _CODE.get(pad.side, 3)
        x, y = (self._place(each, pad) for each in pad.at)
        line = (
            f"{self._start(code, net, pad.pin)}{'M' if pad.midpoint else ' '}{hole}{access}"
            f"X{x:+07d}Y{y:+07d}X{wide:04d}Y{high:04d}R{turn:03d} S{mask}"
        )
        return f"{line}L02L03" if pad.side == "inner" else line

    def _size(self, length: float, pad: Pad) -> int:
        return self._within(length, MOST_SIZE, 1, pad)

    def _place(self, length: float, pad: Pad) -> int:
        return self._within(length, MOST_PLACE, -MOST_PLACE, pad)

    def _within(self, length: float, most: int, least: int, pad: Pad) -> int:
        count = round(length / self.units.mm) if math.isfinite(length) else most
        if count > most or count < min(least, 0):
            self.cut.append(_plain(str(pad.pin or pad.net)))
        return max(least, min(count, most))

    # -- copper, edge, neighbours ---------------------------------------------------------------

    def _tracks(self) -> Iterator[str]:
        runs: dict[tuple[str, int, int], list[Track]] = {}
        for track in self.board.tracks:
            points = [each for point in track.points for each in point]
            if track.net in self.names and len(track.points) > 1 and all(map(math.isfinite, points)):
                key = (track.net, track.layer, max(1, round(track.width / self.units.mm)))
                runs.setdefault(key, []).append(track)
        for (net, layer, width), tracks in runs.items():
            words = [f"X{width}"]
            for number, track in enumerate(tracks):
                points_of = self._path(track.points)
                words.append(("*" if number else "") + points_of[0])
                words += points_of[1:]
            yield from _wrapped(f"378{self.names[net]:<14} L{layer:02d} ", "078" + " " * 19, words)

    def _outline(self) -> Iterator[str]:
        points = self.board.outline
        if len(points) > 2:
            words = ["X100", *self._path((*points, points[0]))]
            yield from _wrapped(f"389{'BOARD_EDGE':<14}     ", "089" + " " * 19, words)

    def _path(self, points: Iterable[tuple[float, float]]) -> list[str]:
        return [f"X{round(x / self.units.mm)}Y{round(y / self.units.mm)}" for x, y in points]

    def _adjacency(self) -> Iterator[str]:
        order = {net: place for place, net in enumerate(self.names)}
        near: dict[str, list[str]] = {}
        for pair in self.board.adjacency:
            known = sorted((net for net in pair if net in order), key=order.__getitem__)
            if len(known) == 2:
                near.setdefault(known[0], []).append(known[1])
        for net in sorted(near, key=order.__getitem__):
            words = [self.names[other] for other in sorted(near[net], key=order.__getitem__)]
            yield from _wrapped(f"379{self.names[net]} ", "079", words)


def _placed(pad: Pad) -> bool:
    return all(map(math.isfinite, pad.at))


def _shortened(name: str, length: int, taken: set[str]) -> str:
    plain = "".join(letter for letter in name if letter.isascii() and letter.isalnum()) or "P"
    made = plain[:length]
    number = 1
    while made in taken or made.upper() == "VIA":
        number += 1
        tail = f"~{number}"
        made = plain[: max(0, length - len(tail))] + tail
    return made


def _wrapped(start: str, more: str, words: list[str]) -> Iterator[str]:
    line = start
    empty = True
    for word in words:
        if not empty and len(line) + len(word) + 1 > _WIDTH:
            yield line
            line, empty = more, True
        line += word if empty else f" {word}"
        empty = False
    yield line
