"""Deliberate changes to a board: cut, link, lift, fit, remove. Each gives a new board.

::

    cut U7.3 | U9.5                part a net between two pins; more pins may be named on either side
    link J3.2 C12.-                join two points with a wire
    lift U4.6                      take a pin out of its hole or off its pad
    fit R90 10k U1.40 +5V          add a part, its pins in order; or 1=U1.40 2=+5V
    fit U5 65C02                   put another part in the place of U5
    remove U5                      take a part off the board for good
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

from ..errors import BadChange, UnknownName
from .kinds import generic_kind, kind_named, recognise
from .model import Block, Board, Kind, Part, Pin

Proof = tuple[str, str, str, str, str]
"""Quantity, first point, second point, what it reads before, what it must read after."""

BEEP, SILENT = "beeps", "does not beep"


class Change(Protocol):
    """What every change can do."""

    def made_on(self, board: Board) -> Board:
        """The changed board."""

    def proof(self, board: Board) -> list[Proof]:
        """Readings that show it is done, power off; `board` is the board before."""

    @property
    def text(self) -> str:
        """The change as `parse_change` reads it."""

    @property
    def undo_text(self) -> str:
        """How to put it back."""


def apply(board: Board, changes: Iterable[Change]) -> Board:
    """Make changes in turn.

    Returns
    -------
    Board
        A new board; `board` stays as it is.

    Raises
    ------
    BadChange
        A change that cannot be made on the board as the changes before it leave it.
    UnknownName
        A part, pin or net that is not on it.
    """
    for change in changes:
        board = change.made_on(board)
    return board


# -- cut --------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Cut:
    """Part a net, with the pins of `a` on one side and those of `b` on the other.

    Pins that are not named stay with the side they are nearer to: the net is taken to be routed as the
    shortest tree over its pads, and parts at the longest stretch between the sides.
    """

    a: tuple[Pin, ...]
    b: tuple[Pin, ...]

    @property
    def text(self) -> str:
        return f"cut {' '.join(map(str, self.a))} | {' '.join(map(str, self.b))}"

    @property
    def undo_text(self) -> str:
        return f"bridge the cut: solder a wire from {self.a[0]} to {self.b[0]}"

    def made_on(self, board: Board) -> Board:
        net = self._net(board)
        mine, other = _parted(board, net, self.a, self.b)
        keep, gone = (mine, other) if _keeps_name(board, net, mine, other) else (other, mine)
        name = _free_name(board, f"{net}~")
        order = board.nets[net]
        nets = {}
        for known, pins in board.nets.items():
            nets[known] = tuple(pin for pin in order if pin in keep) if known == net else pins
            if known == net:
                nets[name] = tuple(pin for pin in order if pin in gone)
        beyond = _nearer(board, keep, gone)

        def moved(at: tuple[float, float], pin: Pin | None) -> bool:
            return pin in gone if pin is not None else beyond(at)

        pads = tuple(
            replace(pad, net=name) if pad.net == net and moved(pad.at, pad.pin) else pad for pad in board.pads
        )
        tracks = tuple(
            replace(track, net=name) if track.net == net and track.points and moved(track.points[0], None)
            else track for track in board.tracks
        )  # fmt: skip
        close = board.adjacency | {
            frozenset((name, *(pair - {net}))) for pair in board.adjacency if net in pair
        }
        blocks = {
            key: replace(block, needs=(*block.needs, name))
            if net in block.needs and net not in board.rails
            else block
            for key, block in board.blocks.items()
        }
        return board.with_(nets=nets, pads=pads, tracks=tracks, adjacency=close, blocks=blocks)

    def _net(self, board: Board) -> str:
        nets = set()
        for pin in (*self.a, *self.b):
            net = board.net_of.get(pin)
            if net is None:
                raise BadChange(f"{self.text}: {pin} is on no net, so there is nothing to cut")
            nets.add(net)
        if not self.a or not self.b or set(self.a) & set(self.b):
            raise BadChange(f"{self.text}: name one pin at least on each side, and no pin on both")
        if len(nets) > 1:
            told = ", ".join(f"{pin} is on {board.net_of[pin]}" for pin in (*self.a, *self.b))
            raise BadChange(f"{self.text}: these pins are not on one net ({told}), so they are apart already")
        return nets.pop()

    def proof(self, board: Board) -> list[Proof]:
        self._net(board)
        return [("continuity", str(self.a[0]), str(self.b[0]), BEEP, SILENT)]


def _parted(
    board: Board, net: str, a: Sequence[Pin], b: Sequence[Pin]
) -> tuple[frozenset[Pin], frozenset[Pin]]:
    """Grow the two sides along the shortest links first, never joining one to the other."""
    pins = board.nets[net]
    head = {pin: pin for pin in pins}
    side: dict[Pin, int] = {**dict.fromkeys(a, 1), **dict.fromkeys(b, 2)}

    def find(pin: Pin) -> Pin:
        while head[pin] != pin:
            head[pin] = head[head[pin]]
            pin = head[pin]
        return pin

    def join(one: Pin, two: Pin) -> None:
        one, two = find(one), find(two)
        if one == two or {side.get(one, 0), side.get(two, 0)} == {1, 2}:
            return
        head[two] = one
        if side.get(two, 0):
            side[one] = side[two]

    for group in (a, b):
        for pin in group[1:]:
            join(group[0], pin)
    for _, one, two in sorted(_links(board, pins)):
        join(one, two)
    mine = frozenset(pin for pin in pins if side.get(find(pin), 0) != 2)
    return mine, frozenset(pins) - mine


def _links(board: Board, pins: Sequence[Pin]) -> list[tuple[float, Pin, Pin]]:
    """Every pair of pins with the length of track between them; by order on the net without pads."""
    pads = board.pads_of
    found = []
    for i, one in enumerate(pins):
        for j in range(i + 1, len(pins)):
            two = pins[j]
            if one in pads and two in pads:
                far = abs(pads[one].at[0] - pads[two].at[0]) + abs(pads[one].at[1] - pads[two].at[1])
            else:
                far = 1000.0 * (j - i)
            found.append((far, one, two))
    return found


def _keeps_name(board: Board, net: str, mine: frozenset[Pin], other: frozenset[Pin]) -> bool:
    """Whether the first side keeps the net's name: the side that is fed, else the larger one."""
    rail = board.rails.get(net)
    if rail is not None and rail.source:
        for side, answer in ((mine, True), (other, False)):
            if any(str(pin) == rail.source or pin.ref == rail.source for pin in side):
                return answer
    return len(mine) >= len(other)


def _nearer(board: Board, keep: Iterable[Pin], gone: Iterable[Pin]) -> Callable[[tuple[float, float]], bool]:
    """A test whether a place is nearer to the pads that went than to those that stay."""
    pads = board.pads_of
    stay = [pads[pin].at for pin in keep if pin in pads]
    went = [pads[pin].at for pin in gone if pin in pads]

    def test(at: tuple[float, float]) -> bool:
        return min((math.dist(at, place) for place in went), default=math.inf) < min(
            (math.dist(at, place) for place in stay), default=math.inf
        )

    return test


def _free_name(board: Board, start: str) -> str:
    number = 2
    while f"{start}{number}" in board.nets:
        number += 1
    return f"{start}{number}"


# -- link -------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Link:
    """Join two points, each a pin or a net's name, with a wire."""

    a: str
    b: str

    @property
    def text(self) -> str:
        return f"link {_quoted(self.a)} {_quoted(self.b)}"

    @property
    def undo_text(self) -> str:
        return f"take the wire from {self.a} to {self.b} off"

    def made_on(self, board: Board) -> Board:
        first, second = _point(board, self.a), _point(board, self.b)
        if first == second or (first[1] is not None and first[1] == second[1]):
            raise BadChange(f"{self.text}: they are joined already, on net {first[1] or first[0]}")
        return _joined(board, first, second)

    def proof(self, board: Board) -> list[Proof]:
        return [("continuity", self.a, self.b, SILENT, BEEP)]


def _joined(
    board: Board, first: tuple[Pin | None, str | None], second: tuple[Pin | None, str | None]
) -> Board:
    (pin_a, net_a), (pin_b, net_b) = first, second
    if net_a is None and net_b is None:
        assert pin_a is not None
        assert pin_b is not None
        name = str(pin_a) if str(pin_a) not in board.nets else _free_name(board, f"{pin_a}~")
        nets = {**board.nets, name: (pin_a, pin_b)}
        return _renamed_pads(board.with_(nets=nets), {pin_a: name, pin_b: name})
    if net_a is None or net_b is None:
        pin, net = (pin_a, net_b) if net_a is None else (pin_b, net_a)
        assert pin is not None
        assert net is not None
        nets = {**board.nets, net: (*board.nets[net], pin)}
        return _renamed_pads(board.with_(nets=nets), {pin: net})
    keep, gone = sorted((net_a, net_b), key=lambda net: _standing(board, net), reverse=True)
    nets = {
        net: (*pins, *board.nets[gone]) if net == keep else pins
        for net, pins in board.nets.items() if net != gone
    }  # fmt: skip
    return board.with_(
        nets=nets,
        rails={net: rail for net, rail in board.rails.items() if net != gone},
        pads=tuple(replace(pad, net=keep) if pad.net == gone else pad for pad in board.pads),
        tracks=tuple(replace(track, net=keep) if track.net == gone else track for track in board.tracks),
        adjacency=frozenset(
            pair for pair in (
                frozenset(keep if net == gone else net for net in nets) for nets in board.adjacency
            ) if len(pair) == 2
        ),
        blocks={
            name: replace(block, needs=_renamed(block.needs, gone, keep))
            for name, block in board.blocks.items()
        },
    )  # fmt: skip


def _renamed(needs: Iterable[str], old: str, new: str) -> tuple[str, ...]:
    return tuple(dict.fromkeys(new if need == old else need for need in needs))


def _standing(board: Board, net: str) -> tuple[bool, bool, int, int]:
    """Which of two joined nets gives its name: ground, then rails, then the larger."""
    return net == board.ground, net in board.rails, len(board.nets[net]), -len(net)


def _renamed_pads(board: Board, nets: Mapping[Pin, str]) -> Board:
    pads = tuple(
        replace(pad, net=nets[pad.pin]) if pad.pin is not None and pad.pin in nets else pad
        for pad in board.pads
    )
    return board.with_(pads=pads)


# -- lift, fit, remove ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Lift:
    """Take a pin out of its hole or off its pad. The bare pad stays on its net."""

    pin: Pin

    @property
    def text(self) -> str:
        return f"lift {self.pin}"

    @property
    def undo_text(self) -> str:
        return f"bend {self.pin} back and solder it into its pad"

    def made_on(self, board: Board) -> Board:
        pin, net = self.pin, board.net_of.get(self.pin)
        if net is None:
            raise BadChange(f"{self.text}: {pin} is on no net, so lifting it changes nothing")
        nets = {name: tuple(p for p in pins if p != pin) if name == net else pins
                for name, pins in board.nets.items()}  # fmt: skip
        pads = tuple(replace(pad, pin=None) if pad.pin == pin else pad for pad in board.pads)
        return board.with_(nets=nets, pads=pads)

    def proof(self, board: Board) -> list[Proof]:
        net = board.net_of.get(self.pin)
        others = [pin for pin in board.nets.get(net or "", ()) if pin != self.pin]
        other = str(others[0]) if others else "its pad"
        return [("continuity", str(self.pin), other, BEEP, SILENT)]


@dataclass(frozen=True, slots=True)
class Fit:
    """Add a part, or put another in the place of one.

    Attributes
    ----------
    ref, value : str
    pins : tuple of (str, str)
        Pin and the point it goes to. Empty if the part takes the place of another of the same reference.
    kind : str
        Empty: recognised from the value.
    """

    ref: str
    value: str
    pins: tuple[tuple[str, str], ...] = ()
    kind: str = ""

    @property
    def text(self) -> str:
        plain = [number for number, _ in self.pins] == [str(n) for n in range(1, len(self.pins) + 1)]
        points = (_quoted(point if plain else f"{number}={point}") for number, point in self.pins)
        return " ".join(("fit", _quoted(self.ref), _quoted(self.value), *points))

    @property
    def undo_text(self) -> str:
        if self.pins:
            return f"take {self.ref} off again"
        return f"take {self.ref} ({self.value}) out and put the part that was there back"

    def made_on(self, board: Board) -> Board:
        there = board.parts.get(self.ref)
        if not self.pins:
            if there is None:
                raise BadChange(f"{self.text}: there is no {self.ref}: name the points its pins go to")
            return self._replaced(board, there)
        if there is not None:
            raise BadChange(f"{self.text}: there is a {self.ref} already: choose another reference")
        part, kind = self._part(board, Part(self.ref), [number for number, _ in self.pins])
        numbers = [_pin_number(kind, number, self.text) for number, _ in self.pins]
        for number in numbers:
            if numbers.count(number) > 1:
                raise BadChange(f"{self.text}: pin {number} is named twice")
        bare = board.with_(parts={**board.parts, self.ref: part}, kinds={**board.kinds, kind.name: kind})
        for number, (_, point) in zip(numbers, self.pins, strict=True):
            bare = _joined(bare, (Pin(self.ref, number), None), _point(bare, point))
        return bare

    def _part(self, board: Board, part: Part, numbers: Sequence[str]) -> tuple[Part, Kind]:
        found = recognise(self.value, ref=self.ref, footprint=part.footprint, kinds=board.kinds)
        kind = found.kind
        if self.kind:
            named = kind_named(self.kind, board.kinds)
            if named is None:
                raise UnknownName("kind", self.kind)
            kind = named
        if kind.generic and not kind.pins:
            kind = replace(generic_kind(numbers, kind.name), category=kind.category, family=kind.family)
        made = replace(part, kind=kind.name, value=self.value, size=found.size, style=found.style)
        return made, kind

    def _replaced(self, board: Board, there: Part) -> Board:
        pins = [pin.number for pin in board.pins_of.get(self.ref, ())]
        part, kind = self._part(board, there, pins)
        missing = [
            pin.number for pin in board.pins_of.get(self.ref, ())
            if pin in board.net_of and kind.pins and pin.number not in kind.by_number
        ]  # fmt: skip
        if missing:
            raise BadChange(
                f"{self.text}: {kind.name} has no pin {', '.join(missing)}, which {self.ref} uses"
            )
        return board.with_(parts={**board.parts, self.ref: part}, kinds={**board.kinds, kind.name: kind})

    def proof(self, board: Board) -> list[Proof]:
        if not self.pins:
            return [("look", self.ref, "", f"{board.parts[self.ref].value or 'the old part'}", self.value)]
        return [
            ("continuity", f"{self.ref}.{number}", point, "not there", BEEP) for number, point in self.pins
        ]


@dataclass(frozen=True, slots=True)
class Remove:
    """Take a part off the board for good. Its bare pads stay."""

    ref: str

    @property
    def text(self) -> str:
        return f"remove {self.ref}"

    @property
    def undo_text(self) -> str:
        return f"solder {self.ref} back in"

    def made_on(self, board: Board) -> Board:
        if self.ref not in board.parts:
            raise UnknownName("part", self.ref)
        blocks: dict[str, Block] = {
            name: replace(block, needs=tuple(need for need in block.needs if need != self.ref))
            for name, block in board.blocks.items()
        }
        return board.with_(
            parts={ref: part for ref, part in board.parts.items() if ref != self.ref},
            nets={net: tuple(pin for pin in pins if pin.ref != self.ref) for net, pins in board.nets.items()},
            pads=tuple(
                replace(pad, pin=None) if pad.pin is not None and pad.pin.ref == self.ref else pad
                for pad in board.pads
            ),
            rails={
                net: replace(rail, source="") if rail.source.partition(".")[0] == self.ref else rail
                for net, rail in board.rails.items()
            },
            blocks=blocks,
            inlets=tuple(ref for ref in board.inlets if ref != self.ref),
        )

    def proof(self, board: Board) -> list[Proof]:
        value = board.parts[self.ref].value if self.ref in board.parts else ""
        return [("look", self.ref, "", value or "fitted", "gone")]


# -- points -----------------------------------------------------------------------------------------


_PLUS_MINUS = {"+": "1", "-": "2"}
"""Pin 1 of a two-pin polarised part is its plus (common practice in schematics, no source)."""


def _pin(board: Board, text: str) -> Pin:
    """A pin as `Board.pin` finds it; also ``C12.+`` and ``C12.-``."""
    ref, dot, number = text.strip().rpartition(".")
    if dot and number in _PLUS_MINUS:
        ref = board.ref(ref)
        if Pin(ref, number) in board.pins_of[ref]:
            return Pin(ref, number)
        named = board.kind_of(ref).numbers_named(number)
        if named:
            return Pin(ref, named[0])
        if len(board.pins_of[ref]) == 2 and Pin(ref, "1") in board.pins_of[ref]:
            return Pin(ref, _PLUS_MINUS[number])
        raise UnknownName(f"pin on {ref}", number)
    return board.pin(text)


def _point(board: Board, text: str) -> tuple[Pin | None, str | None]:
    cleaned = text.strip()
    if cleaned.rpartition(".")[2] in _PLUS_MINUS and cleaned not in board.nets and "." in cleaned:
        pin = _pin(board, cleaned)
        return pin, board.net_of.get(pin)
    return board.point(cleaned)


def _pin_number(kind: Kind, number: str, text: str) -> str:
    if not kind.pins or number in kind.by_number:
        return number
    named = kind.numbers_named(number)
    if not named:
        raise BadChange(f"{text}: {kind.name} has no pin {number!r}")
    return named[0]


def _quoted(text: str) -> str:
    return f'"{text}"' if re.search(r"[\s|]", text) else text


# -- reading ----------------------------------------------------------------------------------------

_WORD = re.compile(r'"([^"]*)"|(\||[^\s|"]+)')
_WAYS = "cut U7.3 | U9.5, link J3.2 C12.-, lift U4.6, fit R90 10k U1.40 +5V, or remove U5"


def parse_change(board: Board, text: str) -> Change:
    """Read a change as people write it.

    Parameters
    ----------
    board : Board
        The board it is to be made on; names are looked up on it.
    text : str

    Raises
    ------
    BadChange
        It is not a change, or one that cannot be made.
    UnknownName
        A part, pin or net that the board does not have.
    """
    words = [quoted or plain for quoted, plain in _WORD.findall(text)]
    verb = words[0].lower() if words else ""
    reader = _READERS.get(verb)
    if reader is None:
        raise BadChange(f"{text!r} is not a change: expected {_WAYS}")
    return reader(board, words[1:], text)


def _read_cut(board: Board, words: Sequence[str], text: str) -> Change:
    if words.count("|") == 1:
        bar = list(words).index("|")
        sides = words[:bar], words[bar + 1 :]
    elif "|" not in words and len(words) == 2:
        sides = words[:1], words[1:]
    elif len(words) == 1 and words[0] in board.nets:
        pins = board.nets[words[0]]
        if len(pins) != 2:
            raise BadChange(
                f"{text!r}: net {words[0]} has {len(pins)} pins: name the two between which to cut, "
                "cut U7.3 | U9.5"
            )
        return Cut(pins[:1], pins[1:])
    else:
        raise BadChange(f"{text!r}: expected the pins either side of the cut, cut U7.3 | U9.5")
    a, b = (tuple(dict.fromkeys(_pin(board, word) for word in side)) for side in sides)
    change = Cut(a, b)
    change._net(board)
    return change


def _read_link(board: Board, words: Sequence[str], text: str) -> Change:
    if len(words) != 2:
        raise BadChange(f"{text!r}: expected two points, link J3.2 C12.-")
    names = []
    for word in words:
        pin, net = _point(board, word)
        names.append(str(pin) if pin is not None else str(net))
    change = Link(*names)
    change.made_on(board)
    return change


def _read_lift(board: Board, words: Sequence[str], text: str) -> Change:
    if len(words) != 1:
        raise BadChange(f"{text!r}: expected one pin, lift U4.6")
    change = Lift(_pin(board, words[0]))
    change.made_on(board)
    return change


def _read_fit(board: Board, words: Sequence[str], text: str) -> Change:
    if len(words) < 2:
        raise BadChange(f"{text!r}: expected reference, value and points, fit R90 10k U1.40 +5V")
    pins = []
    for index, word in enumerate(words[2:], 1):
        number, equals, point = word.partition("=")
        if not equals or word in board.nets:
            number, point = str(index), word
        pins.append((number, point))
    change = Fit(words[0], words[1], tuple(pins))
    change.made_on(board)
    return change


def _read_remove(board: Board, words: Sequence[str], text: str) -> Change:
    if len(words) != 1:
        raise BadChange(f"{text!r}: expected one reference, remove U5")
    return Remove(board.ref(words[0]))


_READERS: Mapping[str, Callable[[Board, Sequence[str], str], Change]] = {
    "cut": _read_cut,
    "link": _read_link,
    "lift": _read_lift,
    "fit": _read_fit,
    "remove": _read_remove,
}
