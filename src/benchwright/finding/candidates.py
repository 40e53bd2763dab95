"""Which checks are worth considering on a board, with what each costs at the bench."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np

from ..board import Board, Pin
from ..circuit import BoardState
from ..circuit.elements import supply_pins
from ..faults import Fault
from ..faults.routes import breaks
from ..faults.universe import PASSIVE
from .reading import Spot

MINUTES = {
    "resistance": 0.5, "diode": 0.5, "voltage": 0.5, "look": 1.0, "smell": 0.3, "heat": 1.0, "logic": 0.8,
    "frequency": 1.0, "current": 1.0, "symptom": 0.5,
}  # fmt: skip
"""Bench minutes of one check. Half a minute a reading and a minute a look are common practice."""
POWER_MINUTES = 0.5
"""Switching the power on or off, with the look at the rails that goes with it."""
SOCKET_MINUTES = 3.0
"""A socketed part out and back."""
DESOLDER_MINUTES_A_PIN = 25.0 / 40.0
"""Unsoldering and refitting: 25 minutes for 40 pins and in proportion."""


def removal_minutes(board: Board, ref: str) -> float:
    """Bench minutes to take a part out and put it back."""
    part = board.parts[ref]
    if part.socket:
        return SOCKET_MINUTES
    return max(0.6, DESOLDER_MINUTES_A_PIN * len(board.pins_of.get(ref, ())))


def minutes_for(board: Board, spot: Spot, now: BoardState) -> float:
    """Bench minutes of a check from the present state: the reading and what must change first."""
    minutes = MINUTES[spot.quantity]
    if spot.quantity in ("look", "symptom", "smell"):
        return minutes
    if spot.state.powered != now.powered:
        minutes += POWER_MINUTES
    for ref in spot.state.removed - now.removed:
        minutes += removal_minutes(board, ref)
    return minutes


class Points:
    """Picks where on a net to put a probe: chips' pins first, they are easiest to find."""

    def __init__(self, board: Board) -> None:
        self.board = board

    def rank(self, pin: Pin) -> tuple[int, int, str]:
        kind = self.board.kind_of(pin.ref) if pin.ref in self.board.parts else None
        category = kind.category if kind is not None else "generic"
        order = (
            0 if category not in PASSIVE else 1 if category in ("connector", "resistor", "regulator") else 2
        )
        driver = kind is not None and self.board.kind_pin(pin).direction in "OTBC"
        return (order, 0 if driver else 1, str(pin))

    def best(self, net: str) -> Pin:
        return min(self.board.nets[net], key=self.rank)


def standing(board: Board, faults: Iterable[Fault]) -> list[Spot]:
    """The checks of a board as it stands: nothing pulled."""
    found: dict[tuple[object, ...], Spot] = {}
    for spot in _standing(board, tuple(faults)):
        found.setdefault(key_of(spot), spot)
    return list(found.values())


def key_of(spot: Spot) -> tuple[object, ...]:
    """Two checks with the same key are the same check; the probes of a resistance may be swapped."""
    ends: tuple[object, ...] = (
        (str(spot.pin_a) if spot.pin_a else spot.net_a), (str(spot.pin_b) if spot.pin_b else spot.net_b)
    )  # fmt: skip
    if spot.quantity == "resistance":
        ends = tuple(sorted(map(str, ends)))
    return (spot.quantity, *ends, spot.part, spot.phrase, spot.state)


def _standing(board: Board, faults: tuple[Fault, ...]) -> Iterator[Spot]:
    points = Points(board)
    rails = [net for net in board.rails if net in board.nets]
    live = [net for net, pins in board.nets.items() if pins]
    on = BoardState(powered=True)

    def ohms(pin_a: Pin | None, net_a: str | None, pin_b: Pin | None, net_b: str | None) -> Spot:
        return Spot("resistance", pin_a, net_a, pin_b, net_b)

    best = {net: points.best(net) for net in live}
    for net in rails:
        yield ohms(best[net], net, None, board.ground)
    for index, net in enumerate(rails):
        for other in rails[index + 1 :]:
            yield ohms(best[net], net, best[other], other)
    for net in live:
        if net == board.ground or net in board.rails:
            continue
        yield ohms(best[net], net, None, board.ground)
        for rail in rails[:2]:
            yield ohms(best[net], net, best[rail], rail)
    for fault in faults:
        if fault.place[0] == "bridge" and len(fault.nets) == 1 and len(fault.pins) == 2:
            one, two = fault.pins
            yield ohms(one, board.net_of.get(one), two, board.net_of.get(two))
        if fault.place[0] == "bridge" and len(fault.nets) == 2 and all(net in best for net in fault.nets):
            first, second = fault.nets
            if board.ground in (first, second):
                other = second if first == board.ground else first
                yield ohms(best[other], other, None, board.ground)
            else:
                yield ohms(best[first], first, best[second], second)
    for net in live:
        yield from _along(board, net, ohms)
    for ref, _part in board.parts.items():
        category = board.kind_of(ref).category
        pins = board.pins_of.get(ref, ())
        if category in PASSIVE and 2 <= len(pins) <= 3:
            for index, pin in enumerate(pins):
                for other_pin in pins[index + 1 :]:
                    a, b = board.net_of.get(pin), board.net_of.get(other_pin)
                    if a is not None and b is not None and a != b:
                        yield ohms(pin, a, other_pin, b)
    looked = {ref for fault in faults for ref in fault.looks}
    for ref in board.parts:
        if ref in looked:
            yield Spot("look", part=ref)
    yield from _activity(board, points)
    for net in rails:
        yield Spot("voltage", best[net], net, None, board.ground, state=on)
    for ref in board.parts:
        if board.kind_of(ref).category in PASSIVE:
            continue
        for pin in supply_pins(board, ref)[1]:
            fed = board.net_of.get(pin)
            if fed in board.rails:
                yield Spot("voltage", pin, fed, None, board.ground, state=on)


def _activity(board: Board, points: Points) -> Iterator[Spot]:
    """Logic activity of every line that a chip drives: a dead chip's stand still."""
    on = BoardState(powered=True)
    for net, pins in board.nets.items():
        if net == board.ground or net in board.rails or len(pins) < 2:
            continue
        drivers = [pin for pin in pins if _drives(board, pin)]
        if drivers:
            pin = min(drivers, key=points.rank)
            yield Spot("logic", pin, net, None, board.ground, state=on)


def _drives(board: Board, pin: Pin) -> bool:
    chip = board.kind_of(pin.ref).category not in PASSIVE
    return chip and board.kind_pin(pin).direction in "OTB"


def _along(board: Board, net: str, ohms: object) -> Iterator[Spot]:
    """Continuity along a net: between its far ends, and from one end to every pin."""
    pins = board.nets[net]
    if len(pins) < 2:
        return
    if net == board.ground:
        first = None
        for pin in pins:
            yield Spot("resistance", pin, net, first, net)
        return
    gaps = breaks(board, net)
    start = _end(board, pins)
    if len(pins) > 40:
        gaps = []
    for pin in pins:
        if pin != start:
            yield Spot("resistance", start, net, pin, net)
    for gap in gaps:
        if gap.near != start and gap.far != start and len(pins) <= 12:
            yield Spot("resistance", gap.near, net, gap.far, net)


def _end(board: Board, pins: tuple[Pin, ...]) -> Pin:
    pads = board.pads_of
    placed = [pin for pin in pins if pin in pads]
    if len(placed) < 2:
        return pins[0]
    at = np.array([pads[pin].at for pin in placed])
    far = np.abs(at - at.mean(axis=0)).sum(axis=1)
    return placed[int(np.argmax(far))]
