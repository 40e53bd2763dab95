"""Rule checks on the difference that changes make: only what a change breaks is told."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations

from .model import Board, Kind, Part, Pin

POLARISED = ("electrolytic", "tantalum")
USUAL_WATTS = 0.25
"""A resistor whose parts list does not say (common practice, no source)."""
OVER_SUPPLY = 1.1
"""A supply pin may see so much more than its nominal voltage (5 V logic: 5.5 V; from memory)."""


@dataclass(frozen=True, slots=True)
class Violation:
    """A rule that the changed board breaks and the board before did not.

    Attributes
    ----------
    rule : str
        ``outputs joined``, ``input floating``, ``supply lost``, ``rails joined``, ``polarity`` or
        ``rating``.
    text : str
        What is wrong, and where.
    pins : tuple of Pin
    nets : tuple of str
        On the changed board.
    """

    rule: str
    text: str
    pins: tuple[Pin, ...] = ()
    nets: tuple[str, ...] = ()


def check_changes(before: Board, after: Board) -> list[Violation]:
    """List the rules that `after` breaks and `before` did not."""
    known = {(found.rule, frozenset(found.pins)) for found in _all(before, before)}
    return [found for found in _all(before, after) if (found.rule, frozenset(found.pins)) not in known]


def _all(before: Board, board: Board) -> Iterator[Violation]:
    yield from _outputs(board)
    yield from _floating(board)
    yield from _unsupplied(before, board)
    yield from _rails(before, board)
    for ref, part in board.parts.items():
        yield from _polarity(board, ref, part)
        yield from _ratings(board, ref, part)


def _live(board: Board) -> Iterator[tuple[str, list[Pin]]]:
    for net, pins in board.nets.items():
        yield net, [pin for pin in pins if pin.ref in board.parts]


def _way(board: Board, pin: Pin) -> str:
    return board.kind_pin(pin).direction


def _named(board: Board, pin: Pin) -> str:
    function = board.kind_pin(pin).name
    return str(pin) if function == pin.number else f"{pin} ({function})"


def _outputs(board: Board) -> Iterator[Violation]:
    for net, pins in _live(board):
        outputs = [
            pin for pin in pins if _way(board, pin) == "O" and board.kind_of(pin.ref).category != "regulator"
        ]
        for one, two in combinations(outputs, 2):
            if _spare_gate(board, one, two):
                continue
            text = (
                f"outputs {_named(board, one)} and {_named(board, two)} are joined on {net}: they will fight"
            )
            yield Violation("outputs joined", text, (one, two), (net,))
        power = net == board.ground or net in board.rails
        for pin in outputs if power else ():
            text = f"output {_named(board, pin)} is on {net}: it is held there whatever the chip does"
            yield Violation("outputs joined", text, (pin,), (net,))


def _spare_gate(board: Board, one: Pin, two: Pin) -> bool:
    """Gates of one chip with the same inputs may share their outputs for more current."""
    if one.ref != two.ref:
        return False

    def inputs(output: Pin) -> set[str | None]:
        gate = board.kind_pin(output).name[:1]
        return {
            board.net_of.get(Pin(one.ref, pin.number)) for pin in board.kind_of(one.ref).pins
            if pin.direction == "I" and gate.isdigit() and pin.name.startswith(gate)
        }  # fmt: skip

    return bool(inputs(one)) and inputs(one) == inputs(two)


def _floating(board: Board) -> Iterator[Violation]:
    for ref in board.parts:
        for pin in board.pins_of.get(ref, ()):
            if _way(board, pin) == "I" and not _driven(board, pin):
                net = board.net_of.get(pin)
                where = f"on {net}, which nothing drives" if net is not None else "not connected"
                text = f"input {_named(board, pin)} is left floating: {where}; tie it high or low"
                yield Violation("input floating", text, (pin,), () if net is None else (net,))


def _driven(board: Board, pin: Pin) -> bool:
    net = board.net_of.get(pin)
    if net is None:
        return False
    if net == board.ground or net in board.rails:
        return True
    # anything but another chip's input may hold the net: outputs, resistors, connectors, unknown pins
    return any(
        other.ref in board.parts and _way(board, other) not in ("I", "N")
        for other in board.nets[net] if other != pin
    )  # fmt: skip


def _unsupplied(before: Board, board: Board) -> Iterator[Violation]:
    for ref in board.parts:
        for pin in board.pins_of.get(ref, ()):
            if _way(board, pin) not in ("P", "G") or board.kind_of(ref).category == "regulator":
                continue
            net = board.net_of.get(pin)
            if net is None or not (net == board.ground or net in board.rails):
                was = before.net_of.get(pin)
                if was is not None and (was == before.ground or was in before.rails):
                    text = f"supply pin {_named(board, pin)} is cut off from {was}"
                    yield Violation("supply lost", text, (pin,), () if net is None else (net,))


def _rails(before: Board, board: Board) -> Iterator[Violation]:
    power = {before.ground, *before.rails}
    for net, pins in board.nets.items():
        joined: dict[str, Pin] = {}
        for pin in pins:
            was = before.net_of.get(pin)
            if was in power and was is not None:
                joined.setdefault(was, pin)
        for one, two in combinations(joined, 2):
            text = f"{one} and {two} are joined: that shorts the supply; do not switch on"
            yield Violation("rails joined", text, (joined[one], joined[two]), (net,))


# -- parts at known voltages ----------------------------------------------------------------------


def _volts(board: Board, pin: Pin) -> float | None:
    """What a pin has for sure: ground and rails."""
    net = board.net_of.get(pin)
    if net is None:
        return None
    if net == board.ground:
        return 0.0
    rail = board.rails.get(net)
    return None if rail is None else rail.nominal


def _ends(board: Board, ref: str) -> tuple[Pin, Pin] | None:
    pins = board.pins_of.get(ref, ())
    return (pins[0], pins[1]) if len(pins) == 2 else None


def _polarity(board: Board, ref: str, part: Part) -> Iterator[Violation]:
    kind = board.kind_of(ref)
    if kind.category != "capacitor" or part.style not in POLARISED:
        return
    ends = _poles(board, ref, kind)
    if ends is None:
        return
    plus, minus = ends
    high, low = _volts(board, plus), _volts(board, minus)
    if high is not None and low is not None and high < low:
        text = (
            f"{ref} ({part.value or part.style}) is the wrong way round: its plus {plus} is at {high:g} V "
            f"and its minus {minus} at {low:g} V; it may burst"
        )
        yield Violation("polarity", text, (plus, minus), ())


def _poles(board: Board, ref: str, kind: Kind) -> tuple[Pin, Pin] | None:
    """Plus and minus pin: by name, else pin 1 is the plus (common practice in schematics, no source)."""
    pins = {pin.number: pin for pin in board.pins_of.get(ref, ())}
    for plus, minus in (("+", "-"), ("P", "N"), ("A", "K"), ("1", "2")):
        named = kind.numbers_named(plus), kind.numbers_named(minus)
        if named[0] and named[1] and plus != "1":
            return Pin(ref, named[0][0]), Pin(ref, named[1][0])
        if plus in pins and minus in pins:
            return pins[plus], pins[minus]
    return None


_RATED_VOLTS = re.compile(r"(?<![\d.])(\d{1,4}(?:\.\d+)?)\s*V(?![A-Za-z])", re.IGNORECASE)
_RATED_WATTS = re.compile(r"(?:(\d+)\s*/\s*(\d+)|(\d*\.?\d+))\s*W(?![A-Za-z])", re.IGNORECASE)


def _ratings(board: Board, ref: str, part: Part) -> Iterator[Violation]:
    kind = board.kind_of(ref)
    ends = _ends(board, ref)
    across = None
    if ends is not None:
        high, low = _volts(board, ends[0]), _volts(board, ends[1])
        across = None if high is None or low is None else abs(high - low)
    if ends is not None and across is not None:
        if kind.category == "capacitor":
            rated = _RATED_VOLTS.search(part.value)
            if rated is not None and across > float(rated[1]):
                text = f"{ref} is rated {rated[1]} V and has {across:g} V across it"
                yield Violation("rating", text, ends, ())
        elif kind.category == "resistor" and part.size:
            watts = across**2 / part.size
            may = _watts(part.value)
            if watts > may:
                text = f"{ref} ({part.value or kind.name}) would turn {watts:.2g} W to heat and may {may:g} W"
                yield Violation("rating", text, ends, ())
    for supply in kind.supplies:
        for number in kind.numbers_named(supply.pin):
            volts = _volts(board, Pin(ref, number))
            if volts is None or supply.nominal == 0.0:
                continue
            over = abs(volts) > abs(supply.nominal) * OVER_SUPPLY and kind.category not in _WIDE
            if over or (volts and volts * supply.nominal < 0):
                where = _named(board, Pin(ref, number))
                text = f"supply pin {where} of {kind.name} wants {supply.nominal:g} V and is on {volts:g} V"
                yield Violation("rating", text, (Pin(ref, number),), ())


_WIDE = frozenset(
    ("opamp", "comparator", "timer", "line_driver", "line_receiver", "driver_array", "converter")
)
"""These take a wide range of supply voltages; the nominal one is typical only."""


def _watts(value: str) -> float:
    found = _RATED_WATTS.search(value)
    if found is None:
        return USUAL_WATTS
    return float(found[3]) if found[3] else float(found[1]) / max(float(found[2]), 1.0)
