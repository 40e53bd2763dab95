"""Random boards for the tests: chips of every family, passives, sockets, rails."""

from __future__ import annotations

import random

from benchwright.board import Board, Kind, KindPin, Part, Pin, Rail
from benchwright.circuit import Edit

FAMILIES = ("ls", "ttl", "nmos", "cmos", "hct", "bipolar", "unknown")


def chip_kind(family: str, pins: int) -> Kind:
    """A chip with ground and supply at the usual corners and directions in turn."""
    half = pins // 2
    ways = "IIOTBCX?N"
    found = []
    for number in range(1, pins + 1):
        if number == half:
            found.append(KindPin(str(number), "GND", "G"))
        elif number == pins:
            found.append(KindPin(str(number), "VCC", "P"))
        else:
            found.append(KindPin(str(number), f"P{number}", ways[number % len(ways)]))
    return Kind(f"{family}{pins}", category="logic", family=family, pins=tuple(found))


def random_board(seed: int, chips: int = 8, nets: int = 40, passives: int = 30) -> Board:
    """A board of about `nets` nets with sockets, resistors, capacitors, diodes, transistors, links."""
    rng = random.Random(seed)
    kinds = {
        kind.name: kind for kind in (
            *(chip_kind(family, pins) for family in FAMILIES for pins in (14, 20, 40)),
            Kind("resistor", category="resistor", family="passive"),
            Kind("network", category="resistor_network", family="passive"),
            Kind("capacitor", category="capacitor", family="passive"),
            Kind("diode", category="diode", family="passive"),
            Kind("zener", category="zener", family="passive"),
            Kind("led", category="led", family="passive"),
            Kind("npn", category="transistor", family="passive"),
            Kind("fuse", category="fuse", family="passive"),
            Kind("inductor", category="inductor", family="passive"),
            Kind("connector", category="connector", family="passive"),
        )
    }  # fmt: skip
    names = [f"N{index}" for index in range(nets)]
    on: dict[str, list[Pin]] = {name: [] for name in ("GND", "+5V", *names)}
    parts: dict[str, Part] = {}

    def put(pin: Pin, net: str) -> None:
        on[net].append(pin)

    for index in range(chips):
        kind = chip_kind(rng.choice(FAMILIES), rng.choice((14, 20, 40)))
        ref = f"U{index + 1}"
        parts[ref] = Part(ref, kind.name, socket=rng.random() < 0.5)
        for pin in kind.pins:
            if pin.direction == "G":
                put(Pin(ref, pin.number), "GND")
            elif pin.direction == "P":
                put(Pin(ref, pin.number), "+5V")
            elif rng.random() < 0.9:
                put(Pin(ref, pin.number), rng.choice(names))
    choices = ("resistor",) * 10 + ("capacitor",) * 6 + (
        "network", "diode", "diode", "zener", "led", "npn", "fuse", "inductor"
    )  # fmt: skip
    for index in range(passives):
        kind_name = rng.choice(choices)
        ref = f"X{index + 1}"
        size = None
        style = ""
        if kind_name in ("resistor", "network"):
            size = rng.choice((1.0, 22.0, 100.0, 470.0, 4.7e3, 10e3, 100e3, 1e6))
        elif kind_name == "capacitor":
            size = rng.choice((1e-10, 1e-7, 1e-5))
            style = rng.choice(("ceramic", "electrolytic", "tantalum"))
        elif kind_name == "zener":
            size = rng.choice((2.4, 3.3, 5.1))
        parts[ref] = Part(ref, kind_name, size=size, style=style, socket=rng.random() < 0.2)
        count = {"network": 5, "npn": 3}.get(kind_name, 2)
        where = rng.sample(["GND", "+5V", *names] if rng.random() < 0.5 else names, count)
        for number, net in enumerate(where, 1):
            put(Pin(ref, str(number)), net)
    parts["J1"] = Part("J1", "connector")
    for number, net in enumerate(["GND", "+5V", *rng.sample(names, min(8, len(names)))], 1):
        put(Pin("J1", str(number)), net)
    return Board(
        name=f"random {seed}", parts=parts, nets={net: tuple(pins) for net, pins in on.items() if pins},
        rails={"+5V": Rail("+5V", 5.0, (4.75, 5.25))}, kinds=kinds, inlets=("J1",),
    )  # fmt: skip


def random_removed(board: Board, rng: random.Random) -> frozenset[str]:
    """A few parts out."""
    return frozenset(rng.sample(sorted(board.parts), rng.choice((0, 0, 1, 3))))


def random_edit(board: Board, rng: random.Random, elements: tuple[tuple[Pin, Pin, str], ...]) -> Edit:
    """A bridge, an element changed or open, pins off their net, or a poor contact."""
    what = rng.choice(("bridge", "inside", "change", "open", "split", "split", "split", "poor"))
    nets = sorted(board.nets)
    if what in ("bridge", "inside"):
        ohms = rng.choice((0.05, 1.0, 20.0, 1e3, 1e5))
        if what == "bridge":
            a, b = rng.sample(nets, 2)
            return Edit("add", ohms=ohms, net_a=a, net_b=b)
        ref = rng.choice([ref for ref in sorted(board.parts) if len(board.pins_of[ref]) > 1])
        pin_a, pin_b = rng.sample(board.pins_of[ref], 2)
        return Edit("add", pin_a, pin_b, ohms, part=ref)
    if what in ("change", "open"):
        pin_a, pin_b, ref = rng.choice(elements)
        ohms = float("inf") if what == "open" else rng.choice((0.5, 300.0, 2e4))
        return Edit("change", pin_a, pin_b, ohms, part=ref)
    net = rng.choice([net for net in nets if len(board.nets[net]) > 1])
    pins = board.nets[net]
    side = frozenset(rng.sample(pins, rng.randint(1, max(1, min(4, len(pins) - 1)))))
    return Edit("split", pins=side, ohms=30.0 if what == "poor" else 0.0)


def random_points(
    board: Board, rng: random.Random, edit: Edit | None
) -> tuple[tuple[Pin | None, str | None], tuple[Pin | None, str | None]]:
    """Two points, often near the fault."""
    near: list[tuple[Pin | None, str | None]] = []
    if edit is not None:
        pins = [pin for pin in (edit.a, edit.b, *sorted(edit.pins)) if pin is not None]
        near = [(pin, board.net_of.get(pin)) for pin in pins]
        near += [(None, board.net_of[pin]) for pin in pins if pin in board.net_of]
        near += [(None, net) for net in (edit.net_a, edit.net_b) if net]
    anywhere: list[tuple[Pin | None, str | None]] = [(None, net) for net in sorted(board.nets)]
    anywhere += [(pin, net) for pin, net in sorted(board.net_of.items())]
    a = rng.choice(near) if near and rng.random() < 0.6 else rng.choice(anywhere)
    b = (
        (None, board.ground)
        if rng.random() < 0.5
        else rng.choice(near if near and rng.random() < 0.4 else anywhere)
    )
    return a, b
