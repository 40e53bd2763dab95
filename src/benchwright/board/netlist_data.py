"""What a netlist or parts list says, before kinds, rails and blocks are worked out."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from .model import Pad, Pin, Track
from .report import ImportReport

Point = tuple[float, float]


@dataclass(frozen=True, slots=True)
class PartRow:
    """What a parts list, or the netlist itself, says of one part.

    Attributes
    ----------
    ref, value, footprint, style : str
    at : tuple of float or None
        Centre, millimetres.
    turn : float or None
        Degrees counter-clockwise.
    side : str
        ``top``, ``bottom`` or empty.
    pin_count : int or None
    socket, closed : bool or None
        None if not said.
    kind : str
        A kind named outright; empty to recognise it from the value.
    size : float or None
        The value as a number, where the file gives one.
    like : str
        A reference whose letters tell the sort of part, where its own do not.
    extra : Mapping
        Columns that mean nothing to us, by their heading.
    line : int or None
        Counted from 1.
    """

    ref: str
    value: str = ""
    footprint: str = ""
    at: Point | None = None
    turn: float | None = None
    side: str = ""
    pin_count: int | None = None
    socket: bool | None = None
    kind: str = ""
    style: str = ""
    closed: bool | None = None
    size: float | None = None
    like: str = ""
    extra: Mapping[str, str] = field(default_factory=dict)
    line: int | None = None


@dataclass(frozen=True, slots=True)
class Line:
    """A board edge, score line or other cut: its type name in the file and its points in millimetres."""

    name: str
    points: tuple[Point, ...]


@dataclass(frozen=True, slots=True)
class Step:
    """One more image of the board on a panel: mirrored, turned clockwise, then moved (millimetres)."""

    image: str
    mirrored: bool
    turn: int
    at: Point


@dataclass(frozen=True)
class NetlistData:
    """A netlist as read, with nothing inferred.

    Attributes
    ----------
    name, title, number, revision, version : str
        Job, title, part number and revision; the format the file claims.
    nets : Mapping of str to tuple of Pin
        In the order of the file. A pin is on one net at most. A net known only by a via has no pins.
    unconnected : tuple of Pin
        Pins that the file says are on no net.
    pads : tuple of Pad
    holes : tuple of Pad
        Non-plated holes, which have no copper.
    tracks : tuple of Track
    adjacency : frozenset of frozenset of str
        Pairs of nets that lie close enough to short.
    outline : tuple of points
        Board edge; the last point joins the first.
    lines : tuple of Line
        Other cuts.
    steps : tuple of Step
        Further images on the panel; the board is the primary image only.
    rows : Mapping of str to PartRow
        What the netlist itself says of parts.
    rails : Mapping of str to (float, str)
        Volts of supply nets and the pin that feeds each, where the netlist has voltage sources.
    ground : str
        Empty if the file does not say.
    """

    name: str = ""
    title: str = ""
    number: str = ""
    revision: str = ""
    version: str = ""
    nets: Mapping[str, tuple[Pin, ...]] = field(default_factory=dict)
    unconnected: tuple[Pin, ...] = ()
    pads: tuple[Pad, ...] = ()
    holes: tuple[Pad, ...] = ()
    tracks: tuple[Track, ...] = ()
    adjacency: frozenset[frozenset[str]] = frozenset()
    outline: tuple[Point, ...] = ()
    lines: tuple[Line, ...] = ()
    steps: tuple[Step, ...] = ()
    rows: Mapping[str, PartRow] = field(default_factory=dict)
    rails: Mapping[str, tuple[float, str]] = field(default_factory=dict)
    ground: str = ""


class Tally:
    """Remarks that many lines may earn, told once with all their line numbers."""

    def __init__(self, report: ImportReport, file: str) -> None:
        self.report, self.file = report, file
        self._lines: dict[tuple[str, str], list[int]] = {}

    def add(self, grade: str, text: str, line: int) -> None:
        self._lines.setdefault((grade, text), []).append(line)

    def tell(self) -> None:
        """Put everything counted so far into the report, in the order of the first lines."""
        for (grade, text), lines in sorted(self._lines.items(), key=lambda item: item[1][0]):
            if len(lines) > 1:
                text = f"{text} ({len(lines)} times: lines {ranges(lines)})"
            self.report.add(grade, text, self.file, lines[0])
        self._lines.clear()


def ranges(numbers: Iterable[int]) -> str:
    """Write numbers with runs drawn together: ``3-7, 9``."""
    runs: list[list[int]] = []
    for number in sorted(set(numbers)):
        if runs and number == runs[-1][1] + 1:
            runs[-1][1] = number
        else:
            runs.append([number, number])
    return ", ".join(str(low) if low == high else f"{low}-{high}" for low, high in runs)


_PIECES = re.compile(r"\d+|\D+")


def natural(text: str) -> tuple[tuple[int, int, str], ...]:
    """Sort key that puts U2 before U10."""
    return tuple(
        (0, int(piece), "") if piece.isdecimal() and len(piece) < 19 else (1, 0, piece)
        for piece in _PIECES.findall(text)
    )


class NetBuilder:
    """Collects pins on nets so that each pin is on one net at most."""

    def __init__(self, tally: Tally) -> None:
        self.tally = tally
        self.nets: dict[str, dict[Pin, None]] = {}
        self.net_of: dict[Pin, str] = {}
        self.place_of: dict[Pin, Point | None] = {}
        self.loose: dict[Pin, None] = {}

    def net(self, name: str) -> None:
        self.nets.setdefault(name, {})

    def put(self, pin: Pin, net: str | None, line: int, at: Point | None = None) -> Pin | None:
        """Put a pin on a net, or on none.

        Returns
        -------
        Pin or None
            The pin as it was kept: under another number if its name is taken by a pin on another net
            at another place; None if it contradicts an earlier line and cannot be kept.
        """
        first = pin
        for again in range(2, 1002):
            known = self.net_of.get(pin)
            if net is None and known is None:
                self.loose[pin] = None
                return pin
            if net is None and (at is None or self.place_of[pin] in (None, at)):
                self.tally.add(
                    "repaired",
                    f"{pin} is unconnected here but on net {known} elsewhere: kept on it",
                    line,
                )
                return pin
            if net is not None and known is None:
                self.nets.setdefault(net, {})[pin] = None
                self.net_of[pin] = net
                self.place_of[pin] = at
                if self.loose.pop(pin, 0) is None:
                    self.tally.add(
                        "repaired",
                        f"{pin} is on net {net} here but unconnected elsewhere: kept on it",
                        line,
                    )
                if pin != first:
                    self.tally.add(
                        "repaired",
                        f"{first} is on net {self.net_of[first]} and, at another place, on net {net}: the "
                        f"second is kept as pin {pin.number}; two parts may share a shortened name",
                        line,
                    )
                return pin
            if net is not None and known == net:
                if self.place_of[pin] is None:
                    self.place_of[pin] = at
                return pin
            if at is None or self.place_of[pin] is None or self.place_of[pin] == at:
                break
            pin = Pin(first.ref, f"{first.number}#{again}")
        self.tally.add(
            "refused", f"{first} is on net {self.net_of[first]} already: not put on net {net} too", line
        )
        return None

    def made(self) -> dict[str, tuple[Pin, ...]]:
        return {net: tuple(pins) for net, pins in self.nets.items()}
