"""What the board shows with the power on: rails, logic activity, symptoms, current, clock.

A home computer is not simulated here; what is used is which part drives which net, which rail feeds
which block, and which block a fault stops. Chances are common practice at the bench, from memory.
"""

from __future__ import annotations

import math
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ..board import Pin
from ..board.blocks import depends, net_blocks, part_blocks, symptoms
from ..circuit.elements import supply_pins
from ..circuit.powered import rail_voltages
from ..faults import Fault
from ..faults.universe import PASSIVE
from .outcomes import Outcome, Spread, Words
from .reading import LOGIC, Spot

if TYPE_CHECKING:
    from .predict import Predictor

Floats = NDArray[np.float64]

# Order of LOGIC: low, high, toggling, floating, between.
_LIVE = np.array([0.17, 0.20, 0.58, 0.03, 0.02])
_UNDRIVEN = np.array([0.15, 0.40, 0.20, 0.20, 0.05])
_LOW = np.array([0.92, 0.01, 0.04, 0.01, 0.02])
_HIGH = np.array([0.01, 0.92, 0.04, 0.01, 0.02])
_FIGHT = np.array([0.22, 0.08, 0.30, 0.02, 0.38])
_OPEN = np.array([0.12, 0.15, 0.05, 0.58, 0.10])
_STATIC = np.array([0.40, 0.40, 0.10, 0.08, 0.02])
_SILENT = np.array([0.30, 0.32, 0.08, 0.26, 0.04])
_NO_POWER = np.array([0.80, 0.01, 0.02, 0.15, 0.02])

# What a voltmeter makes of each logic state on 5 V logic: below 0.8 V, between, above 2.0 V.
_VOLT_WORDS = ("low", "between", "high")
_VOLTS_SEEN = np.array(
    [[0.96, 0.03, 0.01], [0.01, 0.09, 0.90], [0.12, 0.55, 0.33], [0.45, 0.47, 0.08], [0.05, 0.90, 0.05]]
)

SEVERITY = {
    "down": 1.0, "dead": 0.9, "low": 0.8, "high": 0.8, "float": 0.75, "fight": 0.8, "wrong": 0.45,
    "none": 0.0,
}  # fmt: skip
"""How likely a fault stops a block that it touches (own)."""


class Running:
    """The powered board's checks."""

    def __init__(self, predictor: Predictor) -> None:
        self.predictor = predictor
        self.board = predictor.board
        self.faults = predictor.faults

    def outcome(self, spot: Spot) -> Outcome:
        if spot.quantity == "symptom":
            return self.symptom(spot.phrase)
        if spot.quantity == "logic":
            return self.logic(spot)
        if spot.quantity == "voltage":
            return self.voltage(spot)
        if spot.quantity == "current":
            return self.current()
        if spot.quantity == "frequency":
            return self.frequency(spot)
        raise KeyError(spot.quantity)

    # -- blocks and symptoms ---------------------------------------------------------------------------

    @cached_property
    def touched(self) -> list[frozenset[str]]:
        """For each fault, the blocks it touches directly."""
        board = self.board
        of, of_part = net_blocks(board), part_blocks(board)
        shorted = {board.ground, *board.rails}
        found: list[frozenset[str]] = []
        for fault in self.faults:
            names: set[str] = set()
            if fault.acts == "down":
                for net in fault.nets:
                    if net != board.ground:
                        names |= of.get(net, frozenset())
            for ref in fault.parts if fault.acts in ("dead", "wrong", "down") else ():
                names |= of_part.get(ref, frozenset())
            signal = [net for net in fault.nets if net not in shorted]
            for net in signal:
                names |= of.get(net, frozenset())
            if fault.acts == "float" and not signal and fault.pins:
                names |= of_part.get(fault.pins[0].ref, frozenset())
            if fault.acts == "fight" and not signal:
                for net in fault.nets:
                    names |= of.get(net, frozenset())
            found.append(frozenset(names))
        return found

    @cached_property
    def stopped(self) -> list[dict[str, float]]:
        """For each fault, the blocks it may stop and how likely, dependents included."""
        needs = depends(self.board)
        cache: dict[tuple[frozenset[str], str], dict[str, float]] = {}
        found = []
        for fault, direct in zip(self.faults, self.touched, strict=True):
            key = (direct, fault.acts)
            known = cache.get(key)
            if known is None:
                severity = SEVERITY.get(fault.acts, 0.5)
                known = {
                    block: severity * (1.0 if block in direct else 0.8)
                    for block, needed in needs.items()
                    if block in direct or needed & direct
                }
                cache[key] = known
            found.append(known)
        return found

    def symptom(self, phrase: str) -> Words:
        """Whether a symptom is seen: yes or no."""
        known = symptoms()[phrase]
        base = known.seen_without
        chances: Floats = np.full(len(self.faults), base)
        if phrase == "works":
            chances = np.array([max(0.03, 1.0 - 0.97 * max(s.values(), default=0.0)) for s in self.stopped])
            base = 0.97
        else:
            for index, (direct, stopped) in enumerate(zip(self.touched, self.stopped, strict=True)):
                quiet = 1.0
                for block, chance in stopped.items():
                    quiet *= 1.0 - known.causes.get(block, 0.0) * chance
                # A machine whose supply is down shows no garbage: what must be alive counts too.
                dead = max((stopped[block] for block in direct if block in known.alive), default=0.0)
                chances[index] = (1.0 - (1.0 - base) * quiet) * (1.0 - 0.9 * dead)
        faults = np.flatnonzero(np.abs(chances - base) > 0.01).astype(np.int64)
        both = np.stack([chances[faults], 1.0 - chances[faults]], axis=1)
        return Words(("yes", "no"), np.array([base, 1.0 - base]), faults, both)

    # -- logic ---------------------------------------------------------------------------------------------

    @cached_property
    def drivers(self) -> dict[str, tuple[Pin, ...]]:
        """The pins that can drive each net."""
        found: dict[str, tuple[Pin, ...]] = {}
        for net, pins in self.board.nets.items():
            found[net] = tuple(
                pin
                for pin in pins
                if pin.ref in self.board.parts and self.board.kind_pin(pin).direction in "OTBC"
            )
        return found

    @cached_property
    def _global(self) -> list[tuple[int, frozenset[str], Floats]]:
        """Faults that still whole blocks: number, blocks, what their nets then show."""
        found = []
        for index, (fault, stopped) in enumerate(zip(self.faults, self.stopped, strict=True)):
            if fault.acts == "down" and len(fault.nets):
                found.append((index, frozenset(b for b, c in stopped.items() if c >= 0.7), _NO_POWER))
            elif fault.acts == "dead" and self._still(fault):
                found.append((index, frozenset(b for b, c in stopped.items() if c >= 0.7), _STATIC))
        return found

    def _still(self, fault: Fault) -> bool:
        category = self.board.kind_of(fault.parts[0]).category if fault.parts else ""
        return category in ("crystal", "oscillator", "cpu")

    def logic(self, spot: Spot) -> Words:
        """Logic activity at a point."""
        net = spot.net_a
        pin = spot.pin_a
        chances: dict[int, Floats] = {}
        drivers = self.drivers.get(net, ()) if net else ()
        base = _LIVE if drivers else _UNDRIVEN
        if net is not None:
            of_net = net_blocks(self.board).get(net, frozenset())
            for index, blocks, shown in self._global:
                if blocks & of_net:
                    chances[index] = shown
            for index in self._on_net.get(net, ()):
                chance = self._signal(self.faults[index], net, pin, drivers)
                if chance is not None:
                    chances[index] = chance
        faults = np.array(sorted(chances), dtype=np.int64)
        chance = np.array([chances[int(i)] for i in faults]).reshape(len(faults), len(LOGIC))
        return Words(LOGIC, base, faults, chance)

    @cached_property
    def _on_net(self) -> dict[str, list[int]]:
        found: dict[str, list[int]] = {}
        for index, fault in enumerate(self.faults):
            nets = set(fault.nets)
            if fault.acts == "dead" and fault.parts:
                nets |= {
                    self.board.net_of[pin]
                    for pin in self.board.pins_of.get(fault.parts[0], ())
                    if pin in self.board.net_of and self.board.kind_pin(pin).direction in "OTBC"
                }
            for net in nets:
                found.setdefault(net, []).append(index)
        return found

    def _signal(self, fault: Fault, net: str, pin: Pin | None, drivers: tuple[Pin, ...]) -> Floats | None:
        board = self.board
        if fault.acts == "low":
            return _LOW
        if fault.acts == "high":
            return _HIGH
        if fault.acts == "fight":
            other = [n for n in fault.nets if n != net]
            if board.ground in other:
                return _LOW
            if other and other[0] in board.rails:
                return _HIGH
            return _FIGHT
        if fault.acts == "float":
            side = fault.edit.pins
            here = pin in side if pin is not None else False
            driven = any((driver in side) == here for driver in drivers)
            if driven or not drivers:
                return None
            return 0.6 * _OPEN + 0.4 * _LIVE if fault.edit.ohms > 0 else _OPEN
        if fault.acts == "dead":
            mine = [driver for driver in drivers if driver.ref in fault.parts]
            if not mine:
                return None
            share = len(mine) / len(drivers)
            return share * _SILENT + (1.0 - share) * _LIVE
        return None

    # -- volts ---------------------------------------------------------------------------------------------

    @cached_property
    def _rails(self) -> tuple[dict[str, float], dict[str, dict[int, float]]]:
        """Volts of each rail on a sound board, and under each fault that moves it."""
        board = self.board
        sound = {net: state.volts for net, state in rail_voltages(board).items()}
        moved: dict[str, dict[int, float]] = {net: {} for net in sound}
        feeding = {pin.ref for net in board.rails for pin in board.nets.get(net, ())}
        known: dict[tuple[object, ...], dict[str, float]] = {}
        for index, fault in enumerate(self.faults):
            key = (fault.edit.action, frozenset(fault.nets), fault.edit.ohms)
            # What a short does to the rails depends on the nets it joins, not on where it joins them.
            shared = fault.edit.action == "add" and len(set(fault.nets)) == 2
            if shared and key in known:
                volts = known[key]
            else:
                volts = known[key] = self._rail_volts(fault, sound, feeding)
            for net, value in volts.items():
                if abs(value - sound[net]) > 0.05:
                    moved[net][index] = value
        return sound, moved

    def _rail_volts(self, fault: Fault, sound: dict[str, float], feeding: set[str]) -> dict[str, float]:
        board = self.board
        edit = fault.edit
        on_rail = [net for net in fault.nets if net in board.rails]
        if edit.action == "add" and on_rail:
            return {net: state.volts for net, state in rail_voltages(board, edit=edit).items()}
        if edit.action in ("split", "change") and fault.parts and fault.parts[0] in feeding:
            category = board.kind_of(fault.parts[0]).category
            if category not in PASSIVE and category != "regulator":
                return {}
            if on_rail:
                return {net: state.volts for net, state in rail_voltages(board, edit=edit).items()}
        if fault.mode == "no output" and fault.parts:
            return {
                net: state.volts
                for net, state in rail_voltages(board, dead=frozenset(fault.parts[:1])).items()
            }
        return {}

    def voltage(self, spot: Spot) -> Outcome:
        """Volts between a point and ground (or another point)."""
        board = self.board
        net = spot.net_a
        if net is None or (spot.net_b not in (board.ground, None) and spot.net_b not in board.rails):
            return Words(
                _VOLT_WORDS, np.array([0.4, 0.3, 0.3]), np.zeros(0, dtype=np.int64), np.zeros((0, 3))
            )
        if net not in board.rails:
            logic = self.logic(spot)
            return Words(_VOLT_WORDS, logic.chance0 @ _VOLTS_SEEN, logic.faults, logic.chance @ _VOLTS_SEEN)
        rail = board.rails[net]
        sound, moved = self._rails
        tolerance = max((rail.limits[1] - rail.limits[0]) / 4.0, 0.05)
        mean0 = sound.get(net, rail.nominal)
        black = board.rails.get(spot.net_b or "")
        other = black.nominal if black is not None else 0.0
        means = dict(moved.get(net, {}))
        loose: set[int] = set()
        if spot.pin_a is not None:
            for index in self.predictor.edits.splits_at.get(spot.pin_a, ()):
                if not self._has_source(net, self.faults[index].edit.pins):
                    means[index] = (
                        0.15 * rail.nominal if self.faults[index].edit.ohms == 0 else 0.8 * rail.nominal
                    )
                    loose.add(index)
        faults = np.array(sorted(means), dtype=np.int64)
        mean = np.array([means[int(i)] for i in faults]) - other
        sd = np.array(
            [0.25 * abs(rail.nominal) if int(i) in loose else 0.3 + 0.08 * abs(rail.nominal) for i in faults]
        )
        size = max(abs(rail.nominal), 1.0)
        edges = np.sort(
            np.array(
                [0.1 * mean0, 0.4 * mean0, 0.75 * mean0, mean0 - 2.5 * tolerance, mean0 + 2.5 * tolerance,
                 1.25 * mean0, 1.6 * mean0]
            )
        ) - other  # fmt: skip
        return Spread(
            mean0 - other, float(np.hypot(tolerance, 0.01 * size)), 0.0, faults, mean, sd,
            np.zeros(len(faults)), slip_density=1.0 / (4.0 * size), edges=edges,
        )  # fmt: skip

    def _has_source(self, net: str, side: frozenset[Pin]) -> bool:
        """Whether the pins split off a rail include what feeds it."""
        source = self.board.rails[net].source
        return any(str(pin) == source or pin.ref in self.board.inlets for pin in side)

    # -- current and clock ------------------------------------------------------------------------

    @cached_property
    def budget(self) -> float:
        """Sum of typical supply currents, amperes."""
        total = 0.0
        for ref in self.board.parts:
            kind = self.board.kind_of(ref)
            total += sum(supply.typical for supply in kind.supplies)
            if not kind.supplies and kind.category not in PASSIVE and supply_pins(self.board, ref)[1]:
                total += 0.01
        return max(total, 0.02)

    def current(self) -> Spread:
        """Supply current of the whole board, amperes."""
        drawn = self.budget
        means: dict[int, float] = {}
        for index, fault in enumerate(self.faults):
            if fault.acts == "down" or (fault.acts == "fight" and len(set(fault.nets) & self._power) == 2):
                means[index] = drawn + 1.0 if fault.edit.action == "add" else 0.2 * drawn
            elif fault.acts == "dead" and self._still(fault):
                means[index] = 0.6 * drawn
        faults = np.array(sorted(means), dtype=np.int64)
        mean = np.array([means[int(i)] for i in faults])
        edges = drawn * np.array([0.1, 0.3, 0.6, 0.8, 1.3, 1.7, 2.5])
        return Spread(
            drawn, 0.3 * drawn, 0.0, faults, mean, 0.35 * mean + 0.02, np.zeros(len(faults)),
            slip_density=0.2 / drawn, edges=edges,
        )  # fmt: skip

    @cached_property
    def _power(self) -> frozenset[str]:
        return frozenset((self.board.ground, *self.board.rails))

    def frequency(self, spot: Spot) -> Spread:
        """Frequency at a point, hertz; zero where the clock has stopped."""
        expected = self._expected_hertz(spot)
        logic = self.logic(spot)
        still = logic.chance[:, LOGIC.index("toggling")] < 0.3
        faults = logic.faults[still]
        scale = math.log1p(expected) if expected else math.log1p(1e6)
        sd0 = 0.02 if expected else 4.0
        zeros = np.zeros(len(faults))
        return Spread(
            scale, sd0, 0.0, faults, zeros, np.full(len(faults), 0.5), zeros, slip_density=1.0 / 20.0,
            edges=np.array([1.0, 3.0, 6.0, scale - 0.3, scale - 0.05, scale + 0.05, scale + 0.3]),
        )  # fmt: skip

    def _expected_hertz(self, spot: Spot) -> float | None:
        for pin in self.board.nets.get(spot.net_a or "", ()):
            part = self.board.parts.get(pin.ref)
            if part is not None and self.board.kind_of(pin.ref).category in ("crystal", "oscillator"):
                return part.size
        return None
