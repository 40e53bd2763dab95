"""From a board to resistive elements between pins.

Every element hangs on pins, not on nets, so that an open joint can carry its elements away.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from itertools import pairwise
from typing import Any, NamedTuple

from ..board import Board, Kind, Part, Pin

LEAK_SIEMENS = 1.0e-10
"""Leakage of the bare board from each pin to ground: keeps every node defined. 10 Gohm is what clean
epoxy-glass between two pads shows in ordinary air (common practice, no source)."""

INTERNAL_OHMS = 0.5
"""Between pins of one chip that are joined inside, such as two ground pins (from memory)."""


class Element(NamedTuple):
    """A resistance between two pins.

    Attributes
    ----------
    a, b : Pin
    ohms : float
    spread : float
        Standard deviation of the natural logarithm.
    part : str
        Reference of the part it belongs to.
    soft : bool
        Set by a chip's junctions rather than by a value: it moves with the whole board.
    """

    a: Pin
    b: Pin
    ohms: float
    spread: float
    part: str
    soft: bool


@dataclass(frozen=True, slots=True)
class FamilyPins:
    input_ground: float
    input_supply: float
    output_ground: float
    output_supply: float
    supply: float
    spread: float


@lru_cache(maxsize=1)
def behaviour() -> dict[str, Any]:
    """The table `behaviour.toml`."""
    return tomllib.loads(files(__package__).joinpath("behaviour.toml").read_text(encoding="utf-8"))


@lru_cache(maxsize=64)
def family_pins(family: str) -> FamilyPins:
    """How the pins of a family look unpowered; an unknown family gets the broad row."""
    table = behaviour()
    name = family.lower()
    name = table["same"].get(name, name)
    row = table["family"].get(name) or table["family"]["unknown"]
    return FamilyPins(
        row["input"]["ground"], row["input"]["supply"], row["output"]["ground"], row["output"]["supply"],
        row["supply"], row["spread"],
    )  # fmt: skip


def elements(board: Board) -> tuple[Element, ...]:
    """All resistive elements of a board, part by part.

    Returns
    -------
    tuple of Element
        Leakage of the bare board is not among them.
    """
    found: list[Element] = []
    for ref, part in board.parts.items():
        found.extend(part_elements(board, ref, part))
    return tuple(found)


def part_elements(board: Board, ref: str, part: Part) -> Iterator[Element]:
    """The resistive elements of one part."""
    kind = board.kind_of(ref)
    pins = ordered_pins(board, ref)
    rule = _RULES.get(kind.category)
    if rule is None:
        yield from _chip(board, ref, kind, pins)
    else:
        yield from rule(board, ref, part, kind, pins)


def ordered_pins(board: Board, ref: str) -> tuple[Pin, ...]:
    """The pins of a part: as its kind lists them, else by number, whatever order the nets name them in."""
    pins = board.pins_of.get(ref, ())
    if board.kind_of(ref).pins:
        return pins
    return tuple(
        sorted(
            pins, key=lambda pin: (len(pin.number), pin.number) if pin.number.isdigit() else (99, pin.number)
        )
    )


def is_chip(kind: Kind) -> bool:
    """Whether a kind is taken as an integrated circuit: whatever is no passive or discrete part."""
    return kind.category not in _RULES


def _two_pin(
    ref: str, pins: tuple[Pin, ...], ohms: float, spread: float, soft: bool = False
) -> Iterator[Element]:
    if len(pins) >= 2:
        yield Element(pins[0], pins[1], ohms, spread, ref, soft)


def _resistor(board: Board, ref: str, part: Part, kind: Kind, pins: tuple[Pin, ...]) -> Iterator[Element]:
    if part.size is not None:
        yield from _two_pin(ref, pins, max(part.size, 0.01), behaviour()["part"]["resistor"]["spread"])
    else:
        yield from _two_pin(ref, pins, 3.0e3, 2.0)


def _resistor_network(
    board: Board, ref: str, part: Part, kind: Kind, pins: tuple[Pin, ...]
) -> Iterator[Element]:
    ohms = part.size if part.size is not None else 4.7e3
    spread = behaviour()["part"]["resistor_network"]["spread"] if part.size is not None else 1.0
    if part.style == "isolated" and len(pins) % 2 == 0:
        half = len(pins) // 2
        dual_row = "DIP" in (part.footprint + kind.package).upper()
        for index in range(half):
            other = pins[len(pins) - 1 - index] if dual_row else pins[2 * index + 1]
            yield Element(pins[index] if dual_row else pins[2 * index], other, ohms, spread, ref, False)
        return
    for pin in pins[1:]:
        yield Element(pins[0], pin, ohms, spread, ref, False)


def _potentiometer(
    board: Board, ref: str, part: Part, kind: Kind, pins: tuple[Pin, ...]
) -> Iterator[Element]:
    ohms = part.size if part.size is not None else 10.0e3
    if len(pins) < 3:
        yield from _two_pin(ref, pins, ohms, 0.7)
        return
    yield Element(pins[0], pins[1], ohms / 2, 0.7, ref, False)
    yield Element(pins[1], pins[2], ohms / 2, 0.7, ref, False)


def _capacitor(board: Board, ref: str, part: Part, kind: Kind, pins: tuple[Pin, ...]) -> Iterator[Element]:
    table = behaviour()["capacitor"]
    row = table.get(part.style) or table["ceramic"]
    microfarads = (part.size or 1.0e-7) * 1.0e6
    ohms = min(row["most"], row["ohm_microfarads"] / max(microfarads, 1.0e-6))
    yield from _two_pin(ref, pins, ohms, row["spread"], soft=True)


def _fixed(name: str) -> Any:
    def rule(board: Board, ref: str, part: Part, kind: Kind, pins: tuple[Pin, ...]) -> Iterator[Element]:
        row = behaviour()["part"][name]
        yield from _two_pin(ref, pins, row["ohms"], row["spread"], soft=row["ohms"] > 1e5)

    return rule


def _all_pairs(name: str) -> Any:
    def rule(board: Board, ref: str, part: Part, kind: Kind, pins: tuple[Pin, ...]) -> Iterator[Element]:
        row = behaviour()["part"][name]
        for index, a in enumerate(pins[:4]):
            for b in pins[index + 1 : 4]:
                yield Element(a, b, row["ohms"], row["spread"], ref, True)

    return rule


def _contact(board: Board, ref: str, part: Part, kind: Kind, pins: tuple[Pin, ...]) -> Iterator[Element]:
    if part.closed:
        row = behaviour()["part"]["closed"]
        half = len(pins) // 2
        if len(pins) > 2 and len(pins) % 2 == 0:
            for index in range(half):
                yield Element(
                    pins[index], pins[len(pins) - 1 - index], row["ohms"], row["spread"], ref, False
                )
        else:
            yield from _two_pin(ref, pins, row["ohms"], row["spread"])


def _nothing(board: Board, ref: str, part: Part, kind: Kind, pins: tuple[Pin, ...]) -> Iterator[Element]:
    return iter(())


_RULES: dict[str, Any] = {
    "resistor": _resistor, "resistor_network": _resistor_network, "potentiometer": _potentiometer,
    "capacitor": _capacitor, "trimmer_capacitor": _capacitor, "thermistor": _fixed("thermistor"),
    "inductor": _fixed("inductor"), "ferrite": _fixed("ferrite"), "fuse": _fixed("fuse"),
    "transformer": _fixed("transformer"), "speaker": _fixed("speaker"), "relay": _fixed("relay"),
    "battery": _fixed("battery"), "diode": _fixed("diode"), "zener": _fixed("diode"), "led": _fixed("diode"),
    "crystal": _fixed("crystal"), "transistor": _all_pairs("transistor"), "mosfet": _all_pairs("transistor"),
    "bridge_rectifier": _all_pairs("diode"), "switch": _contact, "jumper": _contact, "connector": _nothing,
    "membrane": _nothing, "test_point": _nothing, "mechanical": _nothing,
}  # fmt: skip


def supply_pins(board: Board, ref: str) -> tuple[list[Pin], list[Pin]]:
    """Ground pins and supply pins of a chip: from its kind, else from the nets they are on."""
    kind = board.kind_of(ref)
    grounds: list[Pin] = []
    supplies: list[Pin] = []
    for pin in board.pins_of.get(ref, ()):
        direction = kind.by_number[pin.number].direction if pin.number in kind.by_number else "?"
        net = board.net_of.get(pin)
        if direction == "G" or (direction == "?" and net == board.ground):
            grounds.append(pin)
        elif direction == "P" or (direction == "?" and net in board.rails):
            supplies.append(pin)
    if not grounds:
        grounds = [pin for pin in board.pins_of.get(ref, ()) if board.net_of.get(pin) == board.ground]
    return grounds, supplies


def _chip(board: Board, ref: str, kind: Kind, pins: tuple[Pin, ...]) -> Iterator[Element]:
    grounds, supplies = supply_pins(board, ref)
    look = family_pins(kind.family)
    power = {*grounds, *supplies}
    for first, second in pairwise(grounds):
        yield Element(first, second, INTERNAL_OHMS, 0.7, ref, False)
    ground = grounds[0] if grounds else None
    main = _main_supply(board, supplies)
    if ground is not None:
        for pin in supplies:
            yield Element(pin, ground, look.supply, look.spread, ref, True)
    for pin in pins:
        if pin in power:
            continue
        direction = kind.by_number[pin.number].direction if pin.number in kind.by_number else "?"
        if direction == "N":
            continue
        drives = direction in "OTB"
        to_ground = look.output_ground if drives else look.input_ground
        to_supply = look.output_supply if drives else look.input_supply
        if ground is not None:
            yield Element(pin, ground, to_ground, look.spread, ref, True)
        if main is not None and direction != "C":
            yield Element(pin, main, to_supply, look.spread, ref, True)


def _main_supply(board: Board, supplies: list[Pin]) -> Pin | None:
    """The logic supply of a chip: the positive rail nearest to 5 V, else the first supply pin."""
    best: tuple[float, Pin] | None = None
    for pin in supplies:
        rail = board.rails.get(board.net_of.get(pin, ""))
        off = abs(rail.nominal - 5.0) if rail is not None else 50.0
        if best is None or off < best[0]:
            best = (off, pin)
    return None if best is None else best[1]
