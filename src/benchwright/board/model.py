"""The board: parts, pins, nets, rails, blocks, pads. Plain data, never edited in place.

Lengths are millimetres, x to the right, y up, seen from the component side.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from ..errors import UnknownName

if TYPE_CHECKING:
    from .report import ImportReport


class Pin(NamedTuple):
    """One pin of one part, by reference and pin number."""

    ref: str
    number: str

    def __str__(self) -> str:
        return f"{self.ref}.{self.number}"


@dataclass(frozen=True, slots=True)
class KindPin:
    """One pin of a part kind.

    Attributes
    ----------
    number : str
        As printed in the data sheet.
    name : str
        Function; a trailing ``#`` marks active low.
    direction : str
        P supply, G ground, I input, O output, T three-state, B bidirectional, C open collector
        or drain, X analogue or crystal, N no connection, ``?`` unknown.
    """

    number: str
    name: str
    direction: str


@dataclass(frozen=True, slots=True)
class Supply:
    """What one supply pin of a kind wants.

    Attributes
    ----------
    pin : str
        Function name of the supply pin.
    nominal : float
        Volts.
    typical, worst : float
        Amperes.
    """

    pin: str
    nominal: float
    typical: float = 0.0
    worst: float = 0.0
    source: str = ""


@dataclass(frozen=True, slots=True)
class Substitute:
    """Another kind that does the same job, and on which condition."""

    kind: str
    condition: str


@dataclass(frozen=True)
class Kind:
    """What all parts of one type have in common.

    Attributes
    ----------
    name : str
        Trade number or generic name: ``6502``, ``74LS245``, ``resistor``.
    category : str
        One of `CATEGORIES`.
    family : str
        Technology, which decides how its pins look to a meter: ``ttl``, ``ls``, ``als``, ``s``,
        ``f``, ``hc``, ``hct``, ``ac``, ``act``, ``cmos4000``, ``nmos``, ``cmos``, ``bipolar``
        (analogue), ``passive`` or ``unknown``.
    package : str
        ``DIP-40``, ``TO-220`` ... or empty.
    minutes, skill : float, int
        Bench minutes to change one, and how hard it is from 1 (plug in) to 3 (many pins).
    """

    name: str
    title: str = ""
    category: str = "generic"
    family: str = "unknown"
    package: str = ""
    pins: tuple[KindPin, ...] = ()
    supplies: tuple[Supply, ...] = ()
    substitutes: tuple[Substitute, ...] = ()
    rate_group: str = ""
    minutes: float = 0.0
    skill: int = 1
    price: float = 0.0
    source: str = ""
    generic: bool = False

    @cached_property
    def by_number(self) -> dict[str, KindPin]:
        return {pin.number: pin for pin in self.pins}

    def numbers_named(self, name: str) -> tuple[str, ...]:
        """All pin numbers whose function is `name` (case and active-low mark are ignored)."""
        wanted = name.upper().rstrip("#")
        return tuple(pin.number for pin in self.pins if pin.name.upper().rstrip("#") == wanted)


CATEGORIES = (
    "cpu", "support", "video", "sound", "dynamic_ram", "static_ram", "rom", "eprom", "logic",
    "programmable_logic", "regulator", "opamp", "comparator", "timer", "line_driver", "line_receiver",
    "driver_array", "optocoupler", "converter", "transistor", "mosfet", "diode", "zener", "bridge_rectifier",
    "led", "crystal", "oscillator", "resistor", "resistor_network", "potentiometer", "thermistor",
    "capacitor", "trimmer_capacitor", "inductor", "ferrite", "transformer", "fuse", "switch", "relay",
    "connector", "membrane", "battery", "speaker", "modulator", "jumper", "test_point", "mechanical",
    "generic",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Part:
    """One part on the board.

    Attributes
    ----------
    ref : str
        Reference, such as ``U3``.
    kind : str
        Name of its kind in `Board.kinds`.
    value : str
        As printed in the parts list.
    size : float or None
        The value as a number: ohms, farads, henries, volts (zener, regulator), hertz (crystal).
    socket : bool
        It can be pulled without a soldering iron.
    at : tuple of float or None
        Centre, millimetres.
    turn : float
        Degrees counter-clockwise.
    side : str
        ``top`` or ``bottom``.
    style : str
        Finer class within the kind: for capacitors ``ceramic``, ``electrolytic``, ``tantalum``,
        ``film``, ``mica``; for resistors ``film``, ``composition``, ``wirewound``.
    closed : bool or None
        For switches and jumpers: contact made or not; None if not known.
    extra : Mapping
        Columns of the parts list that mean nothing to us, kept.
    """

    ref: str
    kind: str = "generic"
    value: str = ""
    size: float | None = None
    socket: bool = False
    at: tuple[float, float] | None = None
    turn: float = 0.0
    side: str = "top"
    footprint: str = ""
    pin_count: int | None = None
    style: str = ""
    closed: bool | None = None
    extra: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Pad:
    """Bare copper that a probe or a stray bit of solder can touch.

    Attributes
    ----------
    pin : Pin or None
        None for a via.
    net : str or None
        None for unconnected copper.
    at, size : tuple of float
        Centre and extent before turning, millimetres; a round pad has equal extents.
    round : bool
    turn : float
        Degrees counter-clockwise.
    side : str
        ``both``, ``top``, ``bottom`` or ``inner``.
    drill : float
        Hole diameter, 0 for none.
    covered : bool
        Solder mask covers it on every side that has copper.
    """

    pin: Pin | None
    net: str | None
    at: tuple[float, float]
    size: tuple[float, float] = (1.5, 1.5)
    round: bool = True
    turn: float = 0.0
    side: str = "both"
    drill: float = 0.0
    covered: bool = False
    midpoint: bool = False


@dataclass(frozen=True, slots=True)
class Track:
    """One run of copper of a net on one layer: points in millimetres and the width."""

    net: str
    layer: int
    width: float
    points: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class Rail:
    """A supply net.

    Attributes
    ----------
    nominal : float
        Volts against the board's ground.
    limits : tuple of float
        Lowest and highest voltage at which the board should work.
    source : str
        Pin or connector that feeds it, such as ``REG1.3``; empty if not known.
    """

    net: str
    nominal: float
    limits: tuple[float, float]
    source: str = ""


@dataclass(frozen=True, slots=True)
class Block:
    """A function of the machine and what it stands on.

    Attributes
    ----------
    needs : tuple of str
        References, nets, rails and names of other blocks.
    shows : tuple of str
        Symptoms seen when it does not work.
    """

    name: str
    needs: tuple[str, ...] = ()
    shows: tuple[str, ...] = ()


@dataclass(frozen=True)
class Board:
    """A whole board.

    Attributes
    ----------
    nets : Mapping of str to tuple of Pin
        Every net with its pins. A pin is on one net at most.
    rails : Mapping of str to Rail
        By net name.
    pads, tracks : sequences
        Geometry, empty if not known.
    adjacency : frozenset of frozenset of str
        Pairs of nets that a netlist declares close enough to short.
    outline : tuple of points
        Board edge in millimetres.
    report : ImportReport or None
        What an import repaired, refused, inferred.
    """

    name: str = "board"
    revision: str = ""
    ground: str = "GND"
    parts: Mapping[str, Part] = field(default_factory=dict)
    nets: Mapping[str, tuple[Pin, ...]] = field(default_factory=dict)
    rails: Mapping[str, Rail] = field(default_factory=dict)
    blocks: Mapping[str, Block] = field(default_factory=dict)
    kinds: Mapping[str, Kind] = field(default_factory=dict)
    pads: tuple[Pad, ...] = ()
    tracks: tuple[Track, ...] = ()
    adjacency: frozenset[frozenset[str]] = frozenset()
    outline: tuple[tuple[float, float], ...] = ()
    inlets: tuple[str, ...] = ()
    """References of the connectors through which supply power comes in."""
    report: ImportReport | None = None

    # -- reading -----------------------------------------------------------------------------

    @classmethod
    def load(cls, path: str | Path) -> Board:
        """Read a board file (TOML).

        Raises
        ------
        BadFile
            With the line and key that cannot be used.
        """
        from .board_file import read_board_file

        return read_board_file(Path(path))

    @classmethod
    def from_ipc356(
        cls, path: str | Path, parts: str | Path | None = None, overlay: str | Path | None = None
    ) -> Board:
        """Read an IPC-D-356, A or B netlist with an optional parts list CSV and overlay TOML.

        Everything repaired, refused or inferred stands in `Board.report`.

        Raises
        ------
        BadFile
            Nothing usable is left.
        """
        from .imports import import_ipc356

        return import_ipc356(Path(path), _path(parts), _path(overlay))

    @classmethod
    def from_net_table(
        cls, path: str | Path, parts: str | Path | None = None, overlay: str | Path | None = None
    ) -> Board:
        """Read a CSV table of net, ref, pin. See `from_ipc356` for the rest."""
        from .imports import import_net_table

        return import_net_table(Path(path), _path(parts), _path(overlay))

    @classmethod
    def from_spice(
        cls, path: str | Path, parts: str | Path | None = None, overlay: str | Path | None = None
    ) -> Board:
        """Read a SPICE netlist (R, C, L, D, Q, V, X elements). See `from_ipc356` for the rest."""
        from .imports import import_spice

        return import_spice(Path(path), _path(parts), _path(overlay))

    # -- looking things up -------------------------------------------------------------------

    @cached_property
    def net_of(self) -> dict[Pin, str]:
        """The net each connected pin is on."""
        return {pin: net for net, pins in self.nets.items() for pin in pins}

    @cached_property
    def pins_of(self) -> dict[str, tuple[Pin, ...]]:
        """All pins of each part: those of its kind and those on nets or pads, in a stable order."""
        found: dict[str, dict[Pin, None]] = {ref: {} for ref in self.parts}
        for ref, part in self.parts.items():
            kind = self.kinds.get(part.kind)
            if kind is not None:
                found[ref].update((Pin(ref, pin.number), None) for pin in kind.pins)
        for pin in self.net_of:
            found.setdefault(pin.ref, {})[pin] = None
        for pad in self.pads:
            if pad.pin is not None:
                found.setdefault(pad.pin.ref, {})[pad.pin] = None
        return {ref: tuple(pins) for ref, pins in found.items()}

    @cached_property
    def pads_of(self) -> dict[Pin, Pad]:
        """The first pad of each pin."""
        found: dict[Pin, Pad] = {}
        for pad in self.pads:
            if pad.pin is not None:
                found.setdefault(pad.pin, pad)
        return found

    def kind_of(self, ref: str) -> Kind:
        """The kind of a part; a bare generic kind if it has none."""
        part = self.parts.get(ref)
        if part is None:
            raise UnknownName("part", ref, self._near(ref, self.parts))
        return self.kinds.get(part.kind) or Kind(name=part.kind, generic=True)

    def kind_pin(self, pin: Pin) -> KindPin:
        """What the kind says of one pin; an unknown pin is named by its number."""
        found = self.kind_of(pin.ref).by_number.get(pin.number)
        return found or KindPin(pin.number, pin.number, "?")

    def pin(self, text: str) -> Pin:
        """Find a pin written as ``U3.14``, ``U3.VCC``, ``U3-14`` or ``U3 pin 14``.

        Raises
        ------
        UnknownName
            No such part, or the part has no such pin.
        """
        cleaned = text.strip().replace(" pin ", ".").replace(" ", "")
        for mark in (".", "-", ":", "/"):
            ref, found, number = cleaned.partition(mark)
            if not found:
                continue
            matched = self._match_ref(ref)
            if matched is None:
                continue
            pins = self.pins_of.get(matched, ())
            for pin in pins:
                if pin.number == number:
                    return pin
            named = self.kind_of(matched).numbers_named(number)
            if named:
                return Pin(matched, named[0])
            for pin in pins:
                if pin.number.upper() == number.upper():
                    return pin
            raise UnknownName(f"pin on {matched}", number, self._near(number, [pin.number for pin in pins]))
        raise UnknownName("pin", text, self._near(cleaned, self.parts))

    def net(self, text: str) -> str:
        """Find a net by name (exact first, then ignoring case, a slash or brackets).

        Raises
        ------
        UnknownName
            No such net.
        """
        if text in self.nets:
            return text
        if text.upper() in ("GND", "GROUND", "0V") and self.ground:
            return self.ground
        folded = _fold(text)
        if folded in self._folded_nets:
            return self._folded_nets[folded]
        raise UnknownName("net", text, self._near(text, self.nets))

    def point(self, text: str) -> tuple[Pin | None, str | None]:
        """Find where a probe goes: a pin (with its net, if it has one) or a net.

        Returns
        -------
        (Pin or None, str or None)
            The pin, if one was named, and the net.

        Raises
        ------
        UnknownName
            Neither a pin nor a net of this board.
        """
        cleaned = text.strip()
        if cleaned in self.nets:
            return None, cleaned
        try:
            pin = self.pin(cleaned)
        except UnknownName as no_pin:
            try:
                return None, self.net(cleaned)
            except UnknownName:
                if self._match_ref(cleaned.partition(".")[0]) is not None:
                    raise no_pin from None
                raise UnknownName(
                    "pin or net", cleaned, self._near(cleaned, [*self.nets, *self.parts])
                ) from None
        return pin, self.net_of.get(pin)

    def ref(self, text: str) -> str:
        """Find a part by reference, ignoring case.

        Raises
        ------
        UnknownName
            No such part.
        """
        found = self._match_ref(text.strip())
        if found is None:
            raise UnknownName("part", text, self._near(text, self.parts))
        return found

    def with_(self, **changes: object) -> Board:
        """A copy with some attributes replaced."""
        return replace(self, **changes)  # type: ignore[arg-type]

    @cached_property
    def _folded_nets(self) -> dict[str, str]:
        return {_fold(net): net for net in reversed(list(self.nets))}

    @cached_property
    def _folded_refs(self) -> dict[str, str]:
        return {ref.upper(): ref for ref in self.parts}

    def _match_ref(self, text: str) -> str | None:
        return text if text in self.parts else self._folded_refs.get(text.upper())

    @staticmethod
    def _near(name: str, names: Mapping[str, object] | Sequence[str]) -> list[str]:
        folded = {candidate.upper(): candidate for candidate in names}
        return [folded[hit] for hit in difflib.get_close_matches(name.upper(), list(folded), 3, 0.6)]


def _fold(name: str) -> str:
    return name.upper().lstrip("/").replace("[", "").replace("]", "").replace("~", "")


def _path(path: str | Path | None) -> Path | None:
    return None if path is None else Path(path)
