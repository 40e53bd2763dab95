"""The Fulmar 65, an invented 6502 home computer: the script that lays it out, and its files.

``python -m benchwright.demo.fulmar65 DIR`` writes the netlist (IPC-D-356A), the parts list and the
overlay into a folder; those in ``demo/data`` were made so.

Places are in grid steps of 0.1 inch from the front left corner, seen from the component side.
"""

from __future__ import annotations

import csv
import io
import math
import re
import sys
import tomllib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from importlib.resources import files
from pathlib import Path
from typing import NamedTuple

from ..board import Board, Kind, Pad, Part, Pin, Track
from ..board.kinds import kind_from_table, load_kinds, recognise
from ..textfile import write_text

GRID_MM = 2.54

Place = tuple[float, float]


class Land(NamedTuple):
    """One pad of a footprint, millimetres from the point by which the part is placed."""

    number: str
    x: float
    y: float
    size: float
    drill: float
    square: bool = False
    side: str = "both"
    tall: float = 0.0


# -- footprints ---------------------------------------------------------------------------------------


def _dual_row(match: re.Match[str]) -> Iterator[Land]:
    """Two rows, pin 1 top left, counted down and up again; a few pins only where some are missing."""
    count = int(match["count"])
    row = 7.62 if count < 24 else 15.24
    for place in range(count // 2):
        yield Land(str(place + 1), 0.0, -2.54 * place, 1.6, 0.8, place == 0)
    for place in range(count // 2):
        yield Land(str(count - place), row, -2.54 * place, 1.6, 0.8)


def _can(match: re.Match[str]) -> Iterator[Land]:
    """A crystal oscillator in the outline of a 14-pin chip with its corner pins only."""
    for number, x, y in (("1", 0.0, 0.0), ("7", 0.0, -15.24), ("8", 7.62, -15.24), ("14", 7.62, 0.0)):
        yield Land(number, x, y, 1.6, 0.8, number == "1")


def _in_line(match: re.Match[str]) -> Iterator[Land]:
    """Pins in one line; the pad grows with the pitch."""
    count, pitch = int(match["count"]), float(match["pitch"])
    size, drill = (1.6, 0.8) if pitch < 2.6 else (2.4, 1.3)
    return (Land(str(n + 1), pitch * n, 0.0, size, drill, n == 0) for n in range(count))


def _two_legs(match: re.Match[str]) -> Iterator[Land]:
    pitch = float(match["pitch"])
    size, drill = (2.2, 1.1) if pitch in (7.62, 20.32) else (1.6, 0.8)
    polar = "radial" in match[0]
    return (Land(str(n + 1), pitch * n, 0.0, size, drill, polar and n == 0) for n in range(2))


def _tab(match: re.Match[str]) -> Iterator[Land]:
    return (Land(str(n + 1), 2.54 * n, 0.0, 1.8, 1.1, n == 0) for n in range(3))


def _small_transistor(match: re.Match[str]) -> Iterator[Land]:
    return (Land(str(n + 1), 2.54 * n, 0.0, 1.5, 0.8, n == 0) for n in range(3))


def _bridge(match: re.Match[str]) -> Iterator[Land]:
    return (Land(n, 5.08 * k, 0.0, 2.2, 1.2, k == 0) for k, n in enumerate(("+", "AC1", "AC2", "-")))


def _two_row_header(match: re.Match[str]) -> Iterator[Land]:
    for n in range(2 * int(match["count"])):
        yield Land(str(n + 1), 2.54 * (n // 2), -2.54 * (n % 2), 1.7, 1.0, n == 0)


def _din(match: re.Match[str]) -> Iterator[Land]:
    for n in range(int(match["count"])):
        yield Land(str(n + 1), 2.54 * n, -5.08 * (n % 2), 2.2, 1.3, n == 0)


def _d_shape(match: re.Match[str]) -> Iterator[Land]:
    count = int(match["count"])
    longer = (count + 1) // 2
    for n in range(count):
        if n < longer:
            yield Land(str(n + 1), 2.77 * n, 0.0, 1.7, 1.1, n == 0)
        else:
            yield Land(str(n + 1), 2.77 * (n - longer + 0.5), -2.84, 1.7, 1.1)


def _plcc_socket(match: re.Match[str]) -> Iterator[Land]:
    """Through-hole socket of a square chip: contacts 1.27 mm apart, in turn in an outer and an inner row.

    Placed by its centre. Pin 1 is in the middle of the top, counted to the left.
    """
    count = int(match["count"])
    side = count // 4
    half = (side - 1) // 2
    for n in range(count):
        face, place = divmod(n + half, side)
        along = (place - half) * 1.27
        out = half * 1.27 + (3.81 if (place - half) % 2 == 0 else 1.27)
        x, y = ((-along, out), (-out, -along), (along, -out), (out, along))[face % 4]
        yield Land(str(n + 1), x, y, 1.4, 0.8, n == 0)


def _small_outline(match: re.Match[str]) -> Iterator[Land]:
    """Surface-mount, two rows 1.27 mm pitch; placed by pin 1."""
    count = int(match["count"])
    row = 5.4 if count <= 16 else 9.3
    for place in range(count // 2):
        yield Land(str(place + 1), 0.0, -1.27 * place, 1.9, 0.0, True, "top", 0.6)
    for place in range(count // 2):
        yield Land(str(count - place), row, -1.27 * place, 1.9, 0.0, True, "top", 0.6)


def _chip_part(match: re.Match[str]) -> Iterator[Land]:
    """Surface-mount resistor or capacitor; the number is its length and width in hundredths of an inch."""
    apart = {"0805": 1.9, "1206": 3.0}[match["count"]]
    return (Land(str(n + 1), apart * n, 0.0, 1.1, 0.0, True, "top", 1.4) for n in range(2))


_FOOTPRINTS: tuple[tuple[str, Callable[[re.Match[str]], Iterator[Land]]], ...] = (
    (r"DIP-(?P<count>\d+)", _dual_row),
    (r"can DIP-14", _can),
    (r"pin header 2 x (?P<count>\d+)", _two_row_header),
    (r"SIL-(?P<count>\d+) (?P<pitch>2\.54)", _in_line),
    (r"(?:in line|pin header) (?P<count>\d+) x (?P<pitch>[\d.]+)", _in_line),
    (r"(?:axial|radial|disc|film)[a-z ]* (?P<pitch>[\d.]+)", _two_legs),
    (r"TO-220", _tab),
    (r"TO-92", _small_transistor),
    (r"bridge in line", _bridge),
    (r"DIN-(?P<count>\d)", _din),
    (r"DB-(?P<count>\d+)", _d_shape),
    (r"PLCC-(?P<count>\d+) through hole", _plcc_socket),
    (r"SO-(?P<count>\d+)", _small_outline),
    (r"[RC] (?P<count>0805|1206)", _chip_part),
)


def lands(footprint: str) -> tuple[Land, ...]:
    """The pads of a footprint by its name in the parts list.

    Raises
    ------
    KeyError
        No such footprint here.
    """
    for pattern, draw in _FOOTPRINTS:
        match = re.fullmatch(pattern, footprint)
        if match is not None:
            return tuple(draw(match))
    raise KeyError(footprint)


# -- the drawing board --------------------------------------------------------------------------------


class Drawing:
    """A board while it is drawn: parts are put down with the nets of their pins.

    Parameters
    ----------
    name, revision : str
    size_mm : tuple of float
        Width and depth, millimetres.
    own : Mapping of str to Kind, optional
        Kinds that are not among the shipped ones.
    grid_mm : float
        Step of the places, millimetres.
    """

    def __init__(
        self,
        name: str,
        revision: str,
        size_mm: tuple[float, float],
        own: Mapping[str, Kind] | None = None,
        grid_mm: float = GRID_MM,
    ) -> None:
        self.name, self.revision, self.size_mm, self.grid_mm = name, revision, size_mm, grid_mm
        self.kinds: dict[str, Kind] = {**load_kinds(), **(own or {})}
        self.used: dict[str, Kind] = {}
        self.parts: dict[str, Part] = {}
        self.nets: dict[str, list[Pin]] = {}
        self.pads: list[Pad] = []
        self.tracks: list[Track] = []

    def put(
        self,
        ref: str,
        value: str,
        footprint: str,
        at: Place,
        nets: str,
        turn: float = 0.0,
        socket: bool = False,
    ) -> None:
        """Put one part down and connect its pins.

        Parameters
        ----------
        at : tuple of float
            Grid steps to the point by which the footprint is placed: pin 1, or the middle of a PLCC.
        nets : str
            ``PIN=NET`` words: ``D0..D7=BD0..BD7 CS0,CS1=+5V 9=GND``. A pin is given by its function or
            number; pins that are not named stay unconnected.
        turn : float
            Degrees counter-clockwise.
        """
        shape = lands(footprint)
        found = recognise(value, ref=ref, footprint=footprint, pin_count=len(shape), kinds=self.kinds)
        on = dict(_connections(nets, found.kind, [land.number for land in shape]))
        angle = math.radians(turn)
        cos, sin = round(math.cos(angle), 12), round(math.sin(angle), 12)
        middle_x: list[float] = []
        middle_y: list[float] = []
        for land in shape:
            x = at[0] * self.grid_mm + land.x * cos - land.y * sin
            y = at[1] * self.grid_mm + land.x * sin + land.y * cos
            pin, net = Pin(ref, land.number), on.get(land.number)
            size = (land.size, land.tall or land.size)
            where = (round(x, 4), round(y, 4))
            self.pads.append(Pad(pin, net, where, size, not land.square, turn % 360, land.side, land.drill))
            if net is not None:
                self.nets.setdefault(net, []).append(pin)
            middle_x.append(x)
            middle_y.append(y)
        self.used[found.kind.name] = found.kind
        self.parts[ref] = Part(
            ref=ref,
            kind=found.kind.name,
            value=value,
            size=found.size,
            socket=socket,
            at=(_middle(middle_x), _middle(middle_y)),
            turn=turn,
            footprint=footprint,
            pin_count=len(shape),
            style=found.style,
        )

    def two(
        self, ref: str, value: str, footprint: str, at: Place, first: str, second: str, turn: float = 0.0
    ) -> None:
        """Put down a part with two legs."""
        self.put(ref, value, footprint, at, f"1={first} 2={second}", turn)

    def via(self, net: str, at: Place, size: float = 0.9, drill: float = 0.4) -> None:
        """Put down a plated hole between the layers, under solder mask like most of its day."""
        where = (round(at[0] * self.grid_mm, 4), round(at[1] * self.grid_mm, 4))
        self.pads.append(
            Pad(None, net, where, (size, size), True, 0.0, "both", drill, covered=True, midpoint=True)
        )

    def track(self, net: str, layer: int, width: float, *points: Place) -> None:
        """Draw one run of copper through points in grid steps."""
        path = tuple((round(x * self.grid_mm, 4), round(y * self.grid_mm, 4)) for x, y in points)
        self.tracks.append(Track(net, layer, width, path))

    def midpoints(self, net: str, refs: Iterable[str]) -> None:
        """Mark the pads that parts have on a net as passed through, not ends of it."""
        chosen = set(refs)
        self.pads = [
            replace(pad, midpoint=True)
            if pad.net == net and pad.pin is not None and pad.pin.ref in chosen
            else pad
            for pad in self.pads
        ]

    def board(self) -> Board:
        """The board as drawn; it knows no rails or blocks."""
        width, depth = self.size_mm
        return Board(
            name=self.name,
            revision=self.revision,
            parts=self.parts,
            nets={net: tuple(pins) for net, pins in self.nets.items()},
            kinds=self.used,
            pads=tuple(self.pads),
            tracks=tuple(self.tracks),
            outline=((0.0, 0.0), (width, 0.0), (width, depth), (0.0, depth)),
        )


def _middle(values: Sequence[float]) -> float:
    return round((min(values) + max(values)) / 2, 4)


_RANGE = re.compile(r"(.*?)(\d+)([^\d.]*)\.\.\1(\d+)\3")


def _spread(word: str) -> list[str]:
    """``D0..D7`` as eight names, ``CS0,CS1`` as two."""
    found: list[str] = []
    for each in word.split(","):
        match = _RANGE.fullmatch(each)
        if match is None:
            found.append(each)
            continue
        front, low, end, high = match.groups()
        step = 1 if int(high) >= int(low) else -1
        found += [f"{front}{n}{end}" for n in range(int(low), int(high) + step, step)]
    return found


def _connections(nets: str, kind: Kind, numbers: Sequence[str]) -> Iterator[tuple[str, str]]:
    """Pin number and net, for each pin named in a line of ``PIN=NET`` words."""
    for word in nets.split():
        names, _, on = word.rpartition("=")
        pins, targets = _spread(names), _spread(on)
        if len(targets) == 1:
            targets *= len(pins)
        for name, net in zip(pins, targets, strict=True):
            found = [pin.number for pin in kind.pins if pin.name == name and pin.number in numbers]
            if not found and name in numbers:
                found = [name]
            if not found:
                raise KeyError(f"{kind.name} has no pin {name}")
            yield from ((number, net) for number in found)


def parts_csv(board: Board) -> str:
    """The parts list as text: ref, value, footprint, x, y, rotation, pin_count, socket."""
    text = io.StringIO()
    rows = csv.writer(text, lineterminator="\n")
    rows.writerow(["ref", "value", "footprint", "x", "y", "rotation", "pin_count", "socket"])
    for ref, part in board.parts.items():
        x, y = part.at or (0.0, 0.0)
        rows.writerow(
            [
                ref,
                part.value,
                part.footprint,
                f"{x:.3f}",
                f"{y:.3f}",
                f"{part.turn:g}",
                part.pin_count,
                "yes" if part.socket else "",
            ]
        )
    return text.getvalue()


# -- the machine --------------------------------------------------------------------------------------

OVERLAY = '''# What the netlist of the Fulmar 65 does not say.

[board]
name = "Fulmar 65"
revision = "C"
ground = "GND"
inlets = ["J1"]

[rails]
"+5V" = { nominal = 5.0, limits = [4.75, 5.25], from = "REG1.3" }
"+12V" = { nominal = 12.0, limits = [11.4, 12.6], from = "REG2.3" }
"-12V" = { nominal = -12.0, limits = [-12.6, -11.4], from = "REG3.3" }
"+RAW9" = { nominal = 11.0, limits = [8.0, 15.0], from = "BR1.+" }
"+RAW18" = { nominal = 20.0, limits = [15.0, 28.0], from = "BR2.+" }
"-RAW18" = { nominal = -20.0, limits = [-28.0, -15.0], from = "BR2.-" }

[blocks.clock]
needs = ["XO1", "U11", "U12", "U13", "+5V", "supply"]
shows = ["no picture", "black screen", "no sound"]

[blocks.RAM]
needs = [
  "U21", "U22", "U23", "U24", "U25", "U26", "U27", "U28", "U15", "U16", "U17", "U33",
  "R11", "R12", "R13", "R14", "R15", "R16", "R17", "R18", "R19", "R20", "R21",
  "MUXSEL", "/CPUAE", "+5V", "clock", "address decode", "supply",
]
shows = ["garbage on the screen", "black screen", "white screen", "hangs"]

[blocks.video]
needs = [
  "U15", "Q1", "Q2", "Q3", "Q4", "R3", "R4", "R5", "R6", "R7", "R8", "R9", "R10", "MOD1", "J5", "J6",
  "+5V", "clock", "reset", "RAM", "supply",
]
shows = ["no picture", "black screen", "unstable picture", "white screen", "garbage on the screen"]

[kinds.FVG65]
title = "video generator and memory timing, gate array"
category = "video"
family = "nmos"
package = "PLCC-68"
pins = """
VCC:P D0..D7:B RD0..RD7:I GND:G A0..A3:I CS#:I R/W#:I PHI2:I RAMCS#:I RES#:I CLK:I VCC:P MA0..MA7:T
RAS#:O CAS#:O WE#:O CPUAE#:O LATCH:O GND:G R:O G:O B:O I:O CSYNC#:O HSYNC#:O VSYNC#:O CHROMA:O GND:G
IRQ#:C RDY:C LPEN#:I TEST:I VCC:P NC:N NC:N NC:N NC:N NC:N NC:N NC:N NC:N NC:N GND:G VCC:P"""
supplies = [{ pin = "VCC", nominal = 5.0, typical = 0.12, worst = 0.2, source = "invented" }]
rate_group = "mos_digital_3001_10000"
minutes = 1.0
skill = 1
price = 40
source = "invented for the demo"
'''


def draw() -> Drawing:
    """Lay the Fulmar 65 out."""
    own = tomllib.loads(OVERLAY)["kinds"]
    kinds = {name: kind_from_table(name, table, "overlay") for name, table in own.items()}
    drawing = Drawing("Fulmar 65", "C", (299.72, 198.12), kinds)
    for area in (
        _power, _processor, _decoding, _clock_and_reset, _video, _memory, _keyboard, _cassette, _serial,
        _sound, _expansion, _copper,
    ):  # fmt: skip
        area(drawing)
    return drawing


def _decouple(d: Drawing, first: int, *places: Place) -> None:
    for number, place in enumerate(places, first):
        d.two(f"C{number}", "100n", "disc 5.08", place, "+5V", "GND")


def _power(d: Drawing) -> None:
    d.put("J1", "power inlet 5-way", "in line 5 x 5.08", (4, 75), "1=AC9_IN 2=AC9_B 3=AC15_A 4=GND 5=AC15_B")
    d.two("F1", "2A fuse", "axial 20.32", (4, 71), "AC9_IN", "AC9_A")
    d.put("BR1", "W02 bridge", "bridge in line", (4, 67), "+=+RAW9 AC1=AC9_A AC2=AC9_B -=GND")
    d.put("BR2", "W02 bridge", "bridge in line", (14, 67), "+=+RAW18 AC1=AC15_A AC2=AC15_B -=-RAW18")
    d.two("C1", "4700u 25V", "radial electrolytic 7.62", (4, 62), "+RAW9", "GND")
    d.two("C2", "1000u 35V", "radial electrolytic 5.08", (11, 62), "+RAW18", "GND")
    d.two("C3", "1000u 35V", "radial electrolytic 5.08", (17, 62), "GND", "-RAW18")
    d.put("REG1", "UA7805", "TO-220", (4, 56), "IN=+RAW9 GND=GND OUT=+5V")
    d.put("REG2", "UA7812", "TO-220", (10, 56), "IN=+RAW18 GND=GND OUT=+12V")
    d.put("REG3", "UA7912", "TO-220", (16, 56), "GND=GND IN=-RAW18 OUT=-12V")
    d.two("C4", "10u 16V", "radial tantalum 2.54", (5, 51), "+5V", "GND")
    d.two("C5", "10u 25V", "radial tantalum 2.54", (11, 51), "+12V", "GND")
    d.two("C6", "10u 25V", "radial tantalum 2.54", (17, 51), "GND", "-12V")
    d.two("C7", "47u 16V", "radial electrolytic 5.08", (36, 36), "+5V", "GND")
    d.two("C8", "22u 16V", "radial tantalum 2.54", (94, 57), "+5V", "GND")
    d.two("D1", "LED red", "radial 2.54", (20, 4), "GND", "POWER_LED")
    d.two("R1", "330R", "axial 10.16", (14, 4), "+5V", "POWER_LED")


def _processor(d: Drawing) -> None:
    d.put(
        "U1", "6502A", "DIP-40", (109, 55),
        "VSS=GND VCC=+5V RDY=RDY IRQ#=/IRQ NMI#=/NMI SYNC=SYNC A0..A15=A0..A15 D0..D7=D0..D7 "
        "R/W#=R/W PHI0IN=PHI0 PHI2OUT=PHI2 SO#=/SO RES#=/RESET",
        socket=True,
    )  # fmt: skip
    address = "A0..A13=BA0..BA13 O0..O7=BD0..BD7 OE#=/RD VPP,PGM#,VCC=+5V GND=GND"
    d.put("U2", "27128-25", "DIP-28", (98, 55), f"{address} CE#=/ROM0CS", socket=True)
    d.put("U3", "27128-25", "DIP-28", (98, 38), f"{address} CE#=/ROM1CS", socket=True)
    for ref, x, low in (("U4", 103, 0), ("U5", 110, 8)):
        d.put(
            ref, "SN74LS244N", "DIP-20", (x, 70),
            f"1A1..1A4=A{low}..A{low + 3} 2A1..2A4=A{low + 4}..A{low + 7} "
            f"1Y1..1Y4=BA{low}..BA{low + 3} 2Y1..2Y4=BA{low + 4}..BA{low + 7} 1G#,2G#,GND=GND VCC=+5V",
        )  # fmt: skip
    d.put(
        "U6", "SN74LS245N", "DIP-20", (96, 70),
        "A1..A8=BD0..BD7 B1..B8=D0..D7 DIR=R/W G#,GND=GND VCC=+5V",
    )  # fmt: skip
    d.put(
        "RN1", "8x4k7 SIL", "SIL-9 2.54", (66, 20),
        "1=+5V 2=/IRQ 3=/NMI 4=RDY 5=/SO 6=TIE_HIGH 7=/LPEN 8=SOUND_READY 9=USER_CB2",
    )  # fmt: skip
    _decouple(d, 10, (111, 57), (100, 57), (100, 40), (98, 72))


def _decoding(d: Drawing) -> None:
    d.put(
        "U7", "SN74LS138N", "DIP-16", (78, 31),
        "A=BA8 B=BA9 C=BA10 G1=TIE_HIGH G2A#=/IOPAGE G2B#=BA11 Y0#=/PIASEL Y1#=/ACIASEL Y2#=/VIDSEL "
        "Y4#=/CTLSEL Y5#=/EXPSEL GND=GND VCC=+5V",
    )  # fmt: skip
    d.put(
        "U8", "SN74LS139N", "DIP-16", (84, 31),
        "1G#=GND 1A=BA14 1B=BA15 1Y2#=/ROM0CS 1Y3#=/HIGH16K 2G#=/HIGH16K 2A=BA12 2B=BA13 2Y0#=/IOPAGE "
        "GND=GND VCC=+5V",
    )  # fmt: skip
    d.put(
        "U9", "SN74LS00N", "DIP-14", (66, 31),
        "1A=W/R 1B=BPHI2 1Y=/WR 2A=BR/W 2B=BPHI2 2Y=/RD 3A,3B=/IOPAGE 3Y=IOPAGE 4A,4B=GND GND=GND VCC=+5V",
    )  # fmt: skip
    d.put(
        "U10", "SN74LS32N", "DIP-14", (72, 31),
        "1A=/CTLSEL 1B=/WR 1Y=CONTROL_LATCH_STROBE 2A=/HIGH16K 2B=IOPAGE 2Y=/ROM1CS 3A=/RD 3B=BA15 3Y=/RAMRD "
        "4A,4B=GND GND=GND VCC=+5V",
    )  # fmt: skip
    d.put(
        "U34", "SN74LS174N", "DIP-16", (90, 31),
        "CLR#=/RESET CLK=CONTROL_LATCH_STROBE 1D..6D=BD0..BD5 1Q=CASSETTE_DATA_OUT 2Q=RAM_PAGE 3Q=SND_WE "
        "4Q=CAPS_LED GND=GND VCC=+5V",
    )  # fmt: skip
    _decouple(d, 14, (66, 33), (78, 33))


def _clock_and_reset(d: Drawing) -> None:
    d.put("XO1", "16MHz oscillator", "can DIP-14", (36, 31), "GND=GND OUT=XOUT VCC=+5V")
    d.put(
        "U11", "SN74LS04N", "DIP-14", (30, 31),
        "1A,2A=XOUT 1Y=CLK16 2Y=VIDEO_CLOCK_16MHZ 3A=PHI2 3Y=/PHI2 4A=R/W 4Y,5A=W/R 5Y=BR/W "
        "6A=/CSYNC 6Y=CSYNC GND=GND VCC=+5V",
    )  # fmt: skip
    d.put(
        "U12", "SN74LS163AN", "DIP-16", (42, 31),
        "CLR#,LOAD#,ENP,ENT=TIE_HIGH CLK=CLK16 A,B,C,D=GND QA=CLK8 QB=CLK4 QC=CLK2 QD=CLK1 GND=GND VCC=+5V",
    )  # fmt: skip
    d.put(
        "U35", "SN74LS163AN", "DIP-16", (48, 31),
        "CLR#,ENP,ENT,A,B=TIE_HIGH CLK=CLK2 C,D=GND LOAD#=/SERLOAD RCO=SERIAL_CARRY QD=SERIAL_CLOCK_16X "
        "GND=GND VCC=+5V",
    )  # fmt: skip
    d.put(
        "U13", "SN74LS74AN", "DIP-14", (54, 31),
        "1CLR#,1PRE#,2CLR#,2PRE#=TIE_HIGH 1D=CLK1 1CLK,2CLK=CLK16 1Q=PHI0 2D=VRAS 2Q#=MUXSEL GND=GND VCC=+5V",
    )  # fmt: skip
    d.put(
        "U14", "SN74LS14N", "DIP-14", (60, 31),
        "1A=RESET_RC 1Y,2A=RESET 2Y=/RESET 3A=SND_WE 3Y=/SNDWE 4A=CASSETTE_SQUARED 4Y=CASS_IN "
        "5A=SERIAL_CARRY 5Y=/SERLOAD 6A=/PHI2 6Y=BPHI2 GND=GND VCC=+5V",
    )  # fmt: skip
    d.two("R2", "47k", "axial 10.16", (60, 17), "+5V", "RESET_RC", 90)
    d.two("D2", "1N4148", "axial 10.16", (57, 17), "+5V", "RESET_RC", 90)
    d.two("C9", "22u 16V", "radial electrolytic 2.54", (63, 19), "RESET_RC", "GND")
    d.two("SW1", "reset push button", "in line 2 x 5.08", (60, 4), "RESET_RC", "GND")
    _decouple(d, 16, (42, 33), (54, 33))


def _video(d: Drawing) -> None:
    d.put(
        "U15", "FVG65", "PLCC-68 through hole", (34, 54),
        "VCC=+5V GND=GND D0..D7=BD0..BD7 RD0..RD7=RD0..RD7 A0..A3=BA0..BA3 CS#=/VIDSEL R/W#=BR/W PHI2=BPHI2 "
        "RAMCS#=BA15 RES#=/RESET CLK=VIDEO_CLOCK_16MHZ MA0..MA7=MX0..MX7 RAS#=VRAS CAS#=VCAS WE#=VWE "
        "CPUAE#=/CPUAE LATCH=RAM_LATCH R=VR G=VG B=VB CSYNC#=/CSYNC VSYNC#=/VSYNC "
        "IRQ#=/IRQ RDY=RDY LPEN#=/LPEN TEST=GND",
        socket=True,
    )  # fmt: skip
    for n, (net, x) in enumerate((("VR", 38), ("VG", 43), ("VB", 48))):
        d.put(f"Q{n + 1}", "2N3904", "TO-92", (x, 63), f"E={net}_BUF B={net} C=+5V")
        d.two(f"R{n + 3}", "75R", "axial 10.16", (x, 65), f"{net}_BUF", f"{net}_OUT", 90)
    for ref, value, net, x in (("R6", "1k2", "VR", 24), ("R7", "680R", "VG", 26), ("R8", "2k7", "VB", 28),
                               ("R9", "1k", "/CSYNC", 30)):  # fmt: skip
        d.two(ref, value, "axial 10.16", (x, 63), net, "COMPOSITE_MIX", 90)
    d.put("Q4", "2N3904", "TO-92", (33, 63), "E=COMPOSITE_EMITTER B=COMPOSITE_MIX C=+5V")
    d.two("R10", "75R", "axial 10.16", (33, 65), "COMPOSITE_EMITTER", "COMPOSITE_VIDEO_OUT", 90)
    d.put("MOD1", "UHF modulator", "in line 4 x 5.08", (24, 75), "1=COMPOSITE_VIDEO_OUT 2,4=GND 3=+5V")
    d.put("J6", "phono", "in line 2 x 5.08", (34, 75), "1=COMPOSITE_VIDEO_OUT 2=GND")
    d.put("J5", "RGB DIN-6", "DIN-6", (42, 75), "1=VR_OUT 2=VG_OUT 3=VB_OUT 4=CSYNC 5=GND 6=+5V")
    _decouple(d, 18, (42, 54))


def _memory(d: Drawing) -> None:
    for ref, low, at in (("U16", 0, (23, 47)), ("U17", 4, (23, 37))):
        column = [f"BA{8 + low + n}" if low + n < 7 else "RAM_PAGE" for n in range(4)]
        d.put(
            ref, "SN74LS257AN", "DIP-16", at,
            f"SEL=MUXSEL OE#=/CPUAE 1A=BA{low} 2A=BA{low + 1} 3A=BA{low + 2} 4A=BA{low + 3} "
            f"1B={column[0]} 2B={column[1]} 3B={column[2]} 4B={column[3]} "
            f"1Y=MX{low} 2Y=MX{low + 1} 3Y=MX{low + 2} 4Y=MX{low + 3} GND=GND VCC=+5V",
        )  # fmt: skip
    lines = [(f"MX{n}", f"MA{n}") for n in range(8)] + [("VRAS", "/RAS"), ("VCAS", "/CAS"), ("VWE", "/WE")]
    for n, (source, line) in enumerate(lines):
        d.two(f"R{11 + n}", "33R", "axial 10.16", (29, 46 - n), source, line)
    for n in range(8):
        d.put(
            f"U{21 + n}", "4164-15", "DIP-16", (40 + 6 * n, 44),
            f"DIN=BD{n} DOUT=RD{n} WE#=/WE RAS#=/RAS CAS#=/CAS A0..A7=MA0..MA7 VCC(+5V)=+5V VSS=GND",
            socket=True,
        )  # fmt: skip
    d.put(
        "U33", "SN74LS373N", "DIP-20", (90, 46),
        "OE#=/RAMRD LE=RAM_LATCH 1D..8D=RD0..RD7 1Q..8Q=BD0..BD7 GND=GND VCC=+5V",
    )  # fmt: skip
    _decouple(d, 19, (23, 49), (90, 48), *((40 + 6 * n, 46) for n in range(8)))


def _keyboard(d: Drawing) -> None:
    d.put(
        "U18", "MC6821P", "DIP-40", (109, 32),
        "VSS=GND VCC=+5V PA0..PA7=KCOL0..KCOL7 PB0..PB7=KROW0..KROW7 CA1=CASS_IN CA2=/VSYNC CB1=SOUND_READY "
        "CB2=USER_CB2 R/W#=BR/W CS0,CS1=+5V CS2#=/PIASEL E=BPHI2 D0..D7=BD0..BD7 RESET#=/RESET "
        "RS0=BA0 RS1=BA1 IRQA#,IRQB#=/IRQ",
        socket=True,
    )  # fmt: skip
    d.put(
        "J2", "keyboard 20-way header", "pin header 20 x 2.54", (86, 3),
        "1..8=KCOL0..KCOL7 9..16=KROW0..KROW7 17,20=GND 18=+5V 19=CAPS_LED",
    )  # fmt: skip
    d.put("RN2", "8x10k SIL", "SIL-9 2.54", (92, 8), "1=+5V 2..9=KROW0..KROW7")
    _decouple(d, 29, (111, 34))


def _cassette(d: Drawing) -> None:
    d.put("J3", "cassette DIN-7", "DIN-7", (53, 75), "1=CASSETTE_RECORD_OUT 2=GND 3=CASSETTE_PLAY_IN")
    d.two("C30", "100n", "film 5.08", (53, 69), "CASSETTE_PLAY_IN", "CASSETTE_AC")
    d.two("R22", "4k7", "axial 10.16", (53, 61), "CASSETTE_AC", "CASSETTE_SUM", 90)
    d.two("R23", "100k", "axial 10.16", (55, 61), "CASSETTE_SUM", "CASSETTE_AMPLIFIED", 90)
    d.put(
        "U32", "LM358N", "DIP-8", (58, 66),
        "1OUT=CASSETTE_AMPLIFIED 1IN-=CASSETTE_SUM 1IN+,2IN-=HALF_12V 2IN+=CASSETTE_TRIP "
        "2OUT=CASSETTE_SLICED V-/GND=GND V+=+12V",
    )  # fmt: skip
    d.two("R24", "22k", "axial 10.16", (63, 61), "+12V", "HALF_12V", 90)
    d.two("R25", "22k", "axial 10.16", (65, 61), "HALF_12V", "GND", 90)
    d.two("C31", "10u 16V", "radial electrolytic 2.54", (63, 57), "HALF_12V", "GND")
    d.two("R26", "10k", "axial 10.16", (67, 61), "CASSETTE_AMPLIFIED", "CASSETTE_TRIP", 90)
    d.two("R27", "220k", "axial 10.16", (53, 54), "CASSETTE_TRIP", "CASSETTE_SLICED", 90)
    d.two("R28", "10k", "axial 10.16", (55, 54), "CASSETTE_SLICED", "CASSETTE_BASE", 90)
    d.two("R29", "2k2", "axial 10.16", (57, 54), "CASSETTE_SQUARED", "+5V", 90)
    d.put("Q5", "2N3904", "TO-92", (59, 55), "E=GND B=CASSETTE_BASE C=CASSETTE_SQUARED")
    d.two("R30", "10k", "axial 10.16", (67, 54), "CASSETTE_DATA_OUT", "CASSETTE_RECORD_OUT", 90)
    d.two("R31", "470R", "axial 10.16", (69, 54), "CASSETTE_RECORD_OUT", "GND", 90)
    d.two("C32", "100n", "disc 5.08", (58, 68), "+12V", "GND")


def _serial(d: Drawing) -> None:
    d.put(
        "J4", "serial DB-25", "DB-25", (66, 75),
        "1,7=GND 2=SERIAL_TX 3=SERIAL_RX 4=SERIAL_RTS 5=SERIAL_CTS 8=SERIAL_DCD",
    )  # fmt: skip
    d.put(
        "U19", "MC6850P", "DIP-24", (83, 70),
        "VSS=GND VCC=+5V RXDATA=RXD RXCLK,TXCLK=SERIAL_CLOCK_16X RTS#=/RTS TXDATA=TXD IRQ#=/IRQ CS0,CS1=+5V "
        "CS2#=/ACIASEL RS=BA0 R/W#=BR/W E=BPHI2 D0..D7=BD0..BD7 DCD#=/DCD CTS#=/CTS",
    )  # fmt: skip
    d.put(
        "U20", "MC1488P", "DIP-14", (70, 69),
        "VEE=-12V VCC=+12V GND=GND A=TXD AY=SERIAL_TX B1,B2=/RTS BY=SERIAL_RTS C1,C2,D1,D2=GND",
    )  # fmt: skip
    d.put(
        "U29", "MC1489P", "DIP-14", (77, 69),
        "A=SERIAL_RX AY=RXD B=SERIAL_CTS BY=/CTS C=SERIAL_DCD CY=/DCD D=GND GND=GND VCC=+5V",
    )  # fmt: skip
    _decouple(d, 33, (83, 72))


def _sound(d: Drawing) -> None:
    d.put(
        "U30", "SN76489AN", "DIP-16", (8, 40),
        "D0..D7=KCOL7..KCOL0 READY=SOUND_READY WE#=/SNDWE CE#=GND AOUT=SOUND_OUT GND=GND CLOCK=CLK4 VCC=+5V",
    )  # fmt: skip
    d.two("C34", "10u 16V", "radial electrolytic 2.54", (15, 40), "SOUND_OUT", "VOLUME_TOP")
    d.put("VR1", "10k potentiometer", "in line 3 x 5.08", (2, 10), "1=GND 2=VOLUME_WIPER 3=VOLUME_TOP")
    d.put(
        "U31", "LM386N-1", "DIP-8", (8, 27),
        "IN-=GND IN+=VOLUME_WIPER GND=GND OUT=SPEAKER_AC VS=+12V BYPASS=SOUND_BYPASS",
    )  # fmt: skip
    d.two("C35", "10u 16V", "radial electrolytic 2.54", (15, 27), "SOUND_BYPASS", "GND")
    d.two("C36", "220u 16V", "radial electrolytic 5.08", (15, 23), "SPEAKER_AC", "SPEAKER")
    d.put("SP1", "speaker 8R", "in line 2 x 5.08", (15, 15), "1=SPEAKER 2=GND")
    _decouple(d, 37, (8, 42))


def _expansion(d: Drawing) -> None:
    d.put(
        "J7", "expansion 2x20 header", "pin header 2 x 20", (96, 76),
        "1..8=BD0..BD7 9..24=BA0..BA15 25=BR/W 26=BPHI2 27=/RESET 28=/IRQ 29=/NMI 30=RDY 31=SYNC 32=CLK8 "
        "33=/LPEN 34=/EXPSEL 35=USER_CB2 36=+12V 37=-12V 38=+5V 39,40=GND",
    )  # fmt: skip


def _copper(d: Drawing) -> None:
    """The few runs that the netlist carries: MA5, the line of the demo, the +5 V feed; and vias on buses."""
    for n in range(8):
        if n != 5:
            d.via(f"MA{n}", (37.0 if n in (1, 3) else 35.5, 46 - n))
        d.midpoints(f"MA{n}", [f"U{ref}" for ref in range(21, 28)])
        d.via(f"BD{n}", (94.5 + n % 2, 55 - n))
        d.via(f"BA{n}", (106.5 + n % 2, 54 - n))
    # R16 to the via beside C7 on the component side, on to the memories on the solder side.
    d.via("MA5", (37, 38))
    d.track("MA5", 1, 0.4, (33, 41), (37, 41), (37, 38))
    d.track("MA5", 2, 0.4, (37, 38), (37, 35), (86.5, 35))
    for n in range(8):
        x = 40 + 6 * n
        d.track("MA5", 2, 0.4, (x + 4.5, 35), (x + 4.5, 38), (x + 3, 38))
    d.track("+5V", 1, 2.5, (6, 56), (6, 53), (5, 53), (5, 51))
    d.track("+5V", 1, 2.5, (6, 53), (21, 53), (21, 28), (28, 28), (28, 34), (36, 34), (36, 36))


def draw_board() -> Board:
    """The Fulmar 65 as laid out, with pads and copper; without rails and blocks."""
    return draw().board()


def write(folder: Path) -> tuple[Path, Path, Path]:
    """Write netlist, parts list and overlay into a folder.

    Returns
    -------
    tuple of Path
        The three files, in this order.
    """
    from ..board.ipc356 import write_ipc356

    board = draw_board()
    folder.mkdir(parents=True, exist_ok=True)
    texts = (write_ipc356(board), parts_csv(board), OVERLAY)
    targets = tuple(folder / name for name in NAMES)
    for path, text in zip(targets, texts, strict=True):
        write_text(path, text)
    return targets[0], targets[1], targets[2]


NAMES = ("fulmar65.ipc", "fulmar65-parts.csv", "fulmar65-overlay.toml")


def paths() -> tuple[Path, Path, Path]:
    """The shipped netlist, parts list and overlay of the Fulmar 65."""
    folder = Path(str(files(__package__))) / "data"
    return folder / NAMES[0], folder / NAMES[1], folder / NAMES[2]


def board() -> Board:
    """The Fulmar 65, read from its shipped files."""
    return Board.from_ipc356(*paths())


def main(arguments: Sequence[str]) -> int:
    """Write the files into the folder named on the command line."""
    if len(arguments) != 1:
        print("usage: python -m benchwright.demo.fulmar65 DIR", file=sys.stderr)
        return 2
    for path in write(Path(arguments[0])):
        print(path)
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
