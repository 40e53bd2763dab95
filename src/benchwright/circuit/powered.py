"""The powered board's direct voltages: supplies, regulators, fuses, loads and what a fault does to them.

Only the rails and what stands between them are solved: some ten to thirty nodes. Chips are loads that draw
in proportion to their voltage. A supply is a voltage behind a resistance up to its current limit, a
regulator the same with dropout and fold-back (makers' data sheets), a diode a drop and a
resistance. All of these are linear between break points, so that the operating point is found exactly.
"""

from __future__ import annotations

import math
import re
import tomllib
import weakref
from collections.abc import Collection, Iterator
from dataclasses import dataclass, field
from functools import lru_cache
from importlib.resources import files
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..board import Board, Kind, Pin
from .elements import behaviour, is_chip, ordered_pins, supply_pins
from .junctions import ZENER_AMPS, is_negative, named_pins, told
from .laid_out import comes_off
from .network import Edit

Floats = NDArray[np.float64]

GROUND = "ground"
WEAK_SIEMENS = 1.0e-6
"""Keeps a net that nothing feeds defined; also what a voltmeter draws, within a factor of ten."""
STEPS = 400
FOLDS = 12
KEPT_BOARDS = 8


class RailState(NamedTuple):
    """One rail of the powered board.

    Attributes
    ----------
    volts : float
    limited : bool
        What feeds it is at its current limit.
    text : str
        In a restorer's words.
    spread : float
        Standard deviation from unit to unit, volts.
    """

    volts: float
    limited: bool
    text: str
    spread: float = 0.0


class Powered(NamedTuple):
    """The powered board in one state.

    Attributes
    ----------
    rails : dict of str to RailState
        By net.
    pins : dict of Pin to float
        Volts at each chip's supply pins; 0 where the joint is open.
    amps : dict of str to float
        Current that each supply and regulator delivers.
    """

    rails: dict[str, RailState]
    pins: dict[Pin, float]
    amps: dict[str, float]


@lru_cache(maxsize=1)
def table() -> dict[str, Any]:
    """The table `powered.toml`."""
    return tomllib.loads(files(__package__).joinpath("powered.toml").read_text(encoding="utf-8"))


def rail_voltages(
    board: Board, removed: Collection[str] = (), edit: Edit | None = None, dead: Collection[str] = ()
) -> dict[str, RailState]:
    """The voltage of every rail with the power on.

    Parameters
    ----------
    board : Board
    removed : collection of str
        Parts that are out.
    edit : Edit, optional
        A fault: a bridge, a part or joint open, a part changed.
    dead : collection of str
        Regulators that give no output.

    Returns
    -------
    dict of str to RailState
        By net, without the ground; empty if the board has no rails.
    """
    return power_network(board, removed).solve(edit, dead).rails


def supply_voltages(
    board: Board, removed: Collection[str] = (), edit: Edit | None = None, dead: Collection[str] = ()
) -> dict[Pin, float]:
    """The voltage at every chip's supply pins with the power on, 0 where the pin's joint is open."""
    return power_network(board, removed).solve(edit, dead).pins


_kept: list[tuple[weakref.ref[Board], frozenset[str], PowerNetwork]] = []


def power_network(board: Board, removed: Collection[str] = ()) -> PowerNetwork:
    """The rails of a board, built once for each board and set of parts that are out."""
    gone = frozenset(removed)
    for known, state, network in _kept:
        if known() is board and state == gone:
            return network
    network = PowerNetwork(board, gone)
    _kept.insert(0, (weakref.ref(board), gone, network))
    del _kept[KEPT_BOARDS:]
    return network


@dataclass(slots=True)
class _Branch:
    """A resistance between two pins, or from a pin to ground."""

    a: Pin
    b: Pin | None
    ohms: float
    part: str
    load: bool = False


@dataclass(slots=True)
class _Diode:
    anode: Pin
    cathode: Pin
    volts: float
    ohms: float
    part: str
    breakdown: float = math.inf


@dataclass(slots=True)
class _Regulator:
    ref: str
    into: Pin
    out: Pin
    low: Pin | None
    sign: float
    volts: float
    row: dict[str, Any]


@dataclass(slots=True)
class _Source:
    """A supply from outside, joined to pins or, if none is known, to a whole net."""

    name: str
    pins: tuple[Pin, ...]
    net: str
    volts: float
    ohms: float
    limit: float


_RegulatorRow = tuple[int, int, int, float, float, dict[str, Any]]
"""Nodes of input, output and low pin; sign; volts above the low pin; row of the table."""


@dataclass(slots=True)
class _System:
    """Equations of one state."""

    linear: Floats
    sources: list[tuple[int, float, float, float]] = field(default_factory=list)
    regulators: list[_RegulatorRow] = field(default_factory=list)
    diodes: list[tuple[int, int, float, float, float]] = field(default_factory=list)
    limits: list[float] = field(default_factory=list)
    refs: list[str] = field(default_factory=list)


class PowerNetwork:
    """The supply side of a board in one state.

    Parameters
    ----------
    board : Board
    removed : frozenset of str
        Parts that are out.
    """

    def __init__(self, board: Board, removed: frozenset[str] = frozenset()) -> None:
        self.board = board
        self.removed = removed
        self.branches: list[_Branch] = []
        self.diodes: list[_Diode] = []
        self.regulators: list[_Regulator] = []
        self.sources: list[_Source] = []
        self.supply_pins: list[Pin] = []
        self._adjusting: dict[str, tuple[Pin | None, Pin | None]] = {}
        self._find_parts()
        # What feeds the board does not change with a part that is out; whether it gets there does.
        whole = power_network(board) if removed else None
        self.nets: frozenset[str] = whole.nets if whole is not None else self._power_nets()
        self.branches = [b for b in self.branches if b.load or self._both_on(b.a, b.b)]
        self.diodes = [d for d in self.diodes if self._both_on(d.anode, d.cathode)]
        self._find_loads()
        if whole is None:
            self._find_sources()
        else:
            self.sources = [
                source for source in whole.sources
                if not source.pins or any(pin.ref not in removed for pin in source.pins)
            ]  # fmt: skip
        self._sound: Powered | None = None

    # -- reading the board ------------------------------------------------------------------------------

    def _net(self, pin: Pin | None) -> str:
        if pin is None:
            return self.board.ground
        return self.board.net_of.get(pin, "")

    def _both_on(self, a: Pin, b: Pin | None) -> bool:
        return self._net(a) in self.nets and self._net(b) in self.nets and self._net(a) != self._net(b)

    def _find_parts(self) -> None:
        board, series, drop = self.board, table()["series"], table()["diode"]
        for ref, part in board.parts.items():
            if ref in self.removed:
                continue
            kind = board.kind_of(ref)
            pins = ordered_pins(board, ref)
            if kind.category == "regulator":
                self._find_regulator(ref, kind, pins)
            elif len(pins) < 2:
                continue
            elif kind.category == "resistor" and part.size is not None:
                self.branches.append(_Branch(pins[0], pins[1], max(part.size, 0.01), ref))
            elif kind.category in ("fuse", "ferrite", "inductor", "thermistor"):
                self.branches.append(_Branch(pins[0], pins[1], series[kind.category], ref))
            elif kind.category in ("switch", "jumper"):
                # A board under power is taken as switched on, unless the switch is known to be open.
                if part.closed is not False and (part.closed or kind.category == "switch" or len(pins) == 2):
                    for a, b in _contacts(pins):
                        self.branches.append(_Branch(a, b, series[kind.category], ref))
            elif kind.category in ("diode", "zener"):
                ends = _anode_cathode(kind, pins)
                metal = told(part, kind) == "metal"
                breakdown = math.inf
                if kind.category == "zener" and part.size:
                    breakdown = part.size - ZENER_AMPS * drop["zener_ohms"]
                self.diodes.append(
                    _Diode(
                        *ends, drop["metal_volts"] if metal else drop["volts"], drop["ohms"], ref, breakdown
                    )
                )
            elif kind.category == "bridge_rectifier":
                plus, minus = named_pins(kind, pins, "+", "P"), named_pins(kind, pins, "-", "M")
                for pin in pins:
                    if plus and minus and pin not in (plus[0], minus[0]):
                        self.diodes.append(_Diode(pin, plus[0], drop["volts"], drop["ohms"], ref))
                        self.diodes.append(_Diode(minus[0], pin, drop["volts"], drop["ohms"], ref))

    def _find_regulator(self, ref: str, kind: Kind, pins: tuple[Pin, ...]) -> None:
        board, part = self.board, self.board.parts[ref]
        into = named_pins(kind, pins, "IN", "VIN", "VI", "INPUT")
        out = named_pins(kind, pins, "OUT", "VOUT", "VO", "OUTPUT")
        low = named_pins(kind, pins, "GND", "GROUND", "COM", "ADJ", "ADJUST")
        row: dict[str, Any] = {}
        volts = 0.0
        for text in (kind.name, part.value, ""):
            row, volts = _told_regulator(text)
            if row["value"]:
                break
        if not (into and out) and len(pins) == 3:
            # Pins without names: the rail it makes is its output, the ground its middle, the rest its input.
            ground = [pin for pin in pins if self._net(pin) == board.ground]
            fed = [
                pin for pin in pins
                if (rail := board.rails.get(self._net(pin))) is not None
                and (rail.source.partition(".")[0] == ref or abs(abs(rail.nominal) - volts) < 0.3)
            ]  # fmt: skip
            if fed:
                out, low = fed[:1], ground[:1]
                into = [pin for pin in pins if pin not in (*out, *low)][:1]
        if not into or not out:
            return
        rail = board.rails.get(self._net(out[0]))
        sign = -1.0 if is_negative(kind) or (rail is not None and rail.nominal < 0.0) else 1.0
        size = part.size if part.size is not None and 1.0 < abs(part.size) < 60.0 else 0.0
        volts = volts or abs(size) or (abs(rail.nominal) if rail is not None else 5.0)
        pin_low = low[0] if low else None
        self.regulators.append(_Regulator(ref, into[0], out[0], pin_low, sign, volts, row))
        if pin_low is not None and self._net(pin_low) == board.ground:
            self.branches.append(_Branch(into[0], pin_low, 2.0 * volts / row["own"], ref, load=True))

    def _power_nets(self) -> frozenset[str]:
        """Rails, ground, and the nets between them that only series parts join."""
        board = self.board
        found = {board.ground, *board.rails} & {board.ground, *board.nets}
        for regulator in self.regulators:
            found |= {net for net in (self._net(regulator.into), self._net(regulator.out)) if net}
        joined: dict[str, set[str]] = {}
        for a, b, ohms in [
            *((b.a, b.b, b.ohms) for b in self.branches if not b.load),
            *((d.anode, d.cathode, 0.1) for d in self.diodes),
        ]:
            first, second = self._net(a), self._net(b)
            if first and second and first != second and ohms <= 10.0:
                joined.setdefault(first, set()).add(second)
                joined.setdefault(second, set()).add(first)
        inlets = {self._net(pin) for ref in board.inlets for pin in board.pins_of.get(ref, ())}
        edge = [net for net in found if net != board.ground]
        while edge:
            net = edge.pop()
            for other in joined.get(net, ()):
                if other not in found:
                    found.add(other)
                    edge.append(other)
        found |= {net for net in inlets if net in joined and joined[net] & (found - {board.ground})}
        return frozenset(found)

    def _find_loads(self) -> None:
        board, loads = self.board, table()["load"]
        same = behaviour()["same"]
        for ref in board.parts:
            kind = board.kind_of(ref)
            if ref in self.removed or kind.category == "regulator" or not is_chip(kind):
                continue
            grounds, supplies = supply_pins(board, ref)
            wants = {number: supply for supply in kind.supplies for number in kind.numbers_named(supply.pin)}
            family = kind.family.lower()
            for pin in supplies:
                net = self._net(pin)
                if net not in self.nets or net == board.ground:
                    continue
                self.supply_pins.append(pin)
                rail = board.rails.get(net)
                supply = wants.get(pin.number)
                nominal = abs(rail.nominal) if rail is not None else 5.0
                amps = loads.get(same.get(family, family), loads["unknown"])
                if supply is not None:
                    amps = supply.typical or supply.worst / 2.0
                    nominal = abs(supply.nominal) or nominal
                    amps /= max(1, len(kind.numbers_named(supply.pin)))
                if amps > 0.0 and nominal > 0.0:
                    self.branches.append(
                        _Branch(pin, grounds[0] if grounds else None, nominal / amps, ref, load=True)
                    )

    def _wanted(self) -> dict[str, tuple[float, bool]]:
        """Volts that each power net should have, and whether that is before a regulator."""
        board = self.board
        found = {net: (rail.nominal, False) for net, rail in board.rails.items() if net in self.nets}
        headroom = table()["unregulated"]["headroom"]
        for regulator in self.regulators:
            net = self._net(regulator.into)
            volts = regulator.sign * (regulator.volts + headroom)
            known = found.get(net)
            if (
                net
                and (known is None or (known[1] and abs(known[0]) < abs(volts)))
                and net not in board.rails
            ):
                found[net] = (volts, True)
        for _ in range(len(self.nets)):
            grown = dict(found)
            for branch in self.branches:
                if not branch.load and branch.ohms <= 10.0:
                    _share(grown, self._net(branch.a), self._net(branch.b), 0.0)
            for diode in self.diodes:
                _share(grown, self._net(diode.anode), self._net(diode.cathode), diode.volts)
            grown.pop(board.ground, None)
            if len(grown) == len(found):
                break
            found = grown
        return found

    def _find_sources(self) -> None:
        board, wanted = self.board, self._wanted()
        inlets: dict[str, list[Pin]] = {}
        for ref in board.inlets:
            for pin in board.pins_of.get(ref, ()):
                net = self._net(pin)
                if net in wanted and net not in self._made():
                    inlets.setdefault(net, []).append(pin)
        for net, found in inlets.items():
            self._add_source(", ".join(sorted({pin.ref for pin in found})), tuple(found), net, *wanted[net])
        for net in sorted(self.nets - {board.ground}, key=lambda n: (n not in board.rails, n)):
            before_regulator = any(self._net(r.into) == net for r in self.regulators)
            if (net in board.rails or before_regulator) and net in wanted and net not in self._reached():
                source = board.rails[net].source if net in board.rails else ""
                ref = source.partition(".")[0]
                maker = board.parts.get(ref)
                if maker is not None and board.kind_of(ref).category == "regulator" and self._made_by(ref):
                    continue
                pins = tuple(pin for pin in board.nets.get(net, ()) if source in (pin.ref, str(pin)))
                self._add_source(ref or "its supply", pins, net, *wanted[net])

    def _made_by(self, ref: str) -> bool:
        return any(regulator.ref == ref for regulator in self.regulators)

    def _made(self) -> set[str]:
        return {self._net(regulator.out) for regulator in self.regulators}

    def _add_source(self, name: str, pins: tuple[Pin, ...], net: str, volts: float, raw: bool) -> None:
        if volts == 0.0:
            return
        row = table()["unregulated" if raw else "supply"]
        limit = row.get("limit") or row["limit_5" if abs(volts) <= 6.0 else "limit_other"]
        self.sources.append(_Source(name, pins, net, volts, row["ohms"], limit))

    def _reached(self) -> set[str]:
        """Nets that something feeds."""
        found = {source.net for source in self.sources} | self._made()
        zeners = {
            self._net(pin) for d in self.diodes if d.breakdown < math.inf for pin in (d.anode, d.cathode)
        }
        for _ in range(len(self.nets)):
            before = len(found)
            for branch in self.branches:
                a, b = self._net(branch.a), self._net(branch.b)
                for near, far in ((a, b), (b, a)):
                    if branch.load or near not in found or far == self.board.ground:
                        continue
                    if branch.ohms <= 22.0 or far in zeners or far not in self.board.rails:
                        found.add(far)
            for diode in self.diodes:
                a, k = self._net(diode.anode), self._net(diode.cathode)
                if diode.breakdown == math.inf:
                    volts = self._wanted().get(a, (0.0, False))[0]
                    if volts > 0 and a in found:
                        found.add(k)
                    if self._wanted().get(k, (0.0, False))[0] < 0 and k in found:
                        found.add(a)
            found.discard(self.board.ground)
            if len(found) == before:
                break
        return found

    # -- solving ----------------------------------------------------------------------------------------

    def solve(self, edit: Edit | None = None, dead: Collection[str] = ()) -> Powered:
        """The board's direct voltages with a fault.

        Returns
        -------
        Powered
            Empty if the board has no rails.
        """
        if edit is None and not dead and self._sound is not None:
            return self._sound
        nodes: dict[str, int] = {self.board.ground: -1}
        for net in sorted(self.nets - {self.board.ground}):
            nodes[net] = len(nodes) - 1
        of_pin: dict[Pin, int] = {}
        count = len(nodes) - 1
        bypass: tuple[int, int, float] | None = None
        off: frozenset[Pin] = frozenset()
        inside = edit is not None and edit.part in self.removed and edit.part != ""
        if edit is not None and edit.action == "split" and not inside:
            came_off = [pin for pin in edit.pins if comes_off(edit, pin, self.removed)]
            off = frozenset(came_off if edit.ohms <= 0.0 else ())
            moved = [pin for pin in came_off if self._net(pin) in nodes]
            if moved:
                of_pin = dict.fromkeys(moved, count)
                if edit.ohms > 0.0:
                    bypass = (nodes[self._net(moved[0])], count, edit.ohms)
                count += 1

        def at(pin: Pin | None) -> int:
            if pin is None:
                return -1
            found = of_pin.get(pin)
            if found is not None:
                return found
            return nodes.get(self._net(pin), -2)

        loose: dict[Pin, int] = {}
        for regulator in self.regulators:
            low = regulator.low
            if low is not None and at(low) == -2 and not regulator.row.get("adjustable"):
                loose[low] = count
                count += 1
        of_pin.update(loose)
        system = _System(np.zeros((count + len(self.sources), count + len(self.sources))))
        size = len(system.linear)
        system.linear[np.arange(size), np.arange(size)] += WEAK_SIEMENS
        changed = self._changed(edit)
        for branch in self.branches:
            ohms = changed.get(frozenset((branch.a, branch.b)), branch.ohms) if branch.b else branch.ohms
            _stamp(system.linear, at(branch.a), at(branch.b), 0.0 if math.isinf(ohms) else 1.0 / ohms)
        if bypass is not None:
            _stamp(system.linear, bypass[0], bypass[1], 1.0 / bypass[2])
        if edit is not None and edit.action == "add" and not inside:
            self._bridge(system.linear, edit, at, nodes)
        for diode in self.diodes:
            a, k = at(diode.anode), at(diode.cathode)
            ends = frozenset((diode.anode, diode.cathode))
            if math.isinf(changed.get(ends, 0.0)):
                continue
            if ends in changed:
                _stamp(system.linear, a, k, 1.0 / changed[ends])
            if a > -2 and k > -2 and a != k:
                system.diodes.append((a, k, diode.volts, diode.ohms, diode.breakdown))
        for regulator in self.regulators:
            if regulator.ref in dead:
                continue
            volts, low_node = self._set_volts(regulator, changed, off, at)
            row = (at(regulator.into), at(regulator.out), low_node, regulator.sign, volts, regulator.row)
            if -2 not in row[:3]:
                system.regulators.append(row)
                system.refs.append(regulator.ref)
        for number, source in enumerate(self.sources):
            node = count + number
            # Each pin carries its share; 10 mohm is a good contact (turned-pin socket, from memory).
            for where in self._joined(source, at, nodes):
                _stamp(system.linear, node, where, 100.0)
            system.sources.append(
                (node, source.volts, source.ohms, 0.0 if source.name in dead else source.limit)
            )
        v = _settle(system)
        result = self._told(system, v, at, nodes, dead)
        if edit is None and not dead:
            self._sound = result
        return result

    def _joined(self, source: _Source, at: Any, nodes: dict[str, int]) -> list[int]:
        """Where a supply comes in."""
        return [at(pin) for pin in source.pins if pin.ref not in self.removed] or [nodes[source.net]]

    def _changed(self, edit: Edit | None) -> dict[frozenset[Pin | None], float]:
        if edit is None or edit.action != "change" or edit.a is None or edit.b is None:
            return {}
        return {frozenset((edit.a, edit.b)): edit.ohms}

    def _bridge(self, linear: Floats, edit: Edit, at: Any, nodes: dict[str, int]) -> None:
        ends = []
        for pin, net in ((edit.a, edit.net_a), (edit.b, edit.net_b)):
            ends.append(at(pin) if pin is not None else nodes.get(net, -2))
        siemens = 1.0 / max(edit.ohms, 1e-3)
        if -2 not in ends:
            _stamp(linear, ends[0], ends[1], siemens)
        elif max(ends) >= 0:
            # The other end is a signal.
            _stamp(linear, max(ends), -1, 1.0 / (1.0 / siemens + table()["signal"]["ohms"]))

    def _set_volts(
        self,
        regulator: _Regulator,
        changed: dict[frozenset[Pin | None], float],
        off: frozenset[Pin],
        at: Any,
    ) -> tuple[float, int]:
        """Output above the node of its low pin; an adjustable one is worked out from its two resistors."""
        if not regulator.row.get("adjustable"):
            return regulator.volts, at(regulator.low)
        fixed = table()["fixed"]
        if regulator.low is None or regulator.low in off:
            return 1e3, -1
        upper, lower = (
            self._resistor(self._net(regulator.low), net, changed, off)
            for net in (self._net(regulator.out), self.board.ground)
        )
        if upper is None or lower is None:
            return regulator.volts, -1
        if math.isinf(lower):
            return 1e3, -1
        if math.isinf(upper):
            return fixed["reference"], -1
        return fixed["reference"] * (1.0 + lower / upper) + fixed["adjust_amps"] * lower, -1

    def _resistor(
        self, one: str, other: str, changed: dict[frozenset[Pin | None], float], off: frozenset[Pin]
    ) -> float | None:
        """Resistance between two nets by single resistors; None if there is none on the board."""
        board = self.board
        siemens, seen = 0.0, False
        for pin in board.nets.get(one, ()):
            part = board.parts.get(pin.ref)
            kind = board.kind_of(pin.ref) if part is not None else None
            if (
                part is None
                or kind is None
                or kind.category not in ("resistor", "potentiometer")
                or not part.size
            ):
                continue
            for far in board.pins_of[pin.ref]:
                if far != pin and self._net(far) == other:
                    seen = True
                    ohms = changed.get(frozenset((pin, far)), part.size)
                    if pin.ref not in self.removed and pin not in off and far not in off:
                        siemens += 0.0 if math.isinf(ohms) else 1.0 / max(ohms, 0.01)
        if not seen:
            return None
        return 1.0 / siemens if siemens > 0.0 else math.inf

    # -- telling ----------------------------------------------------------------------------------------

    def _told(
        self, system: _System, v: Floats, at: Any, nodes: dict[str, int], dead: Collection[str]
    ) -> Powered:
        amps: dict[str, float] = {}
        limited: dict[int, str] = {}
        starved: dict[int, str] = {}
        for source, (node, volts, ohms, limit) in zip(self.sources, system.sources, strict=True):
            given = _source_amps(float(v[node]), volts, ohms, limit)
            amps[source.name] = amps.get(source.name, 0.0) + given
            if 0.0 < 0.999 * limit < given:
                for where in self._joined(source, at, nodes):
                    limited[where] = f"{source.name} is at its current limit, {given:.2g} A"
        delivered = _regulator_amps(system, v, system.limits)
        for ref, row, given, limit in zip(
            system.refs, system.regulators, delivered, system.limits, strict=True
        ):
            amps[ref] = given
            into, out, low, sign, volts, data = row
            if given > 0.999 * limit:
                limited[out] = f"{ref} is at its current limit, {given:.2g} A"
            elif sign * (_volts(v, into) - _volts(v, low)) < volts + data["dropout"]:
                starved[out] = f"{ref} has too little at its input"
        group = _groups(system, v)
        rails: dict[str, RailState] = {}
        for net, rail in self.board.rails.items():
            if net not in nodes or nodes[net] < 0:
                continue
            node = nodes[net]
            volts = float(v[node])
            reasons = [text for where, text in limited.items() if where >= 0 and group[where] == group[node]]
            short = [text for where, text in starved.items() if where >= 0 and group[where] == group[node]]
            text = f"{net} at {volts:.2f} V"
            least, most = sorted(rail.limits)
            if reasons:
                text += f": {reasons[0]}"
            elif abs(volts) < 0.1 * abs(rail.nominal):
                text += ": nothing feeds it"
            elif abs(volts) < min(abs(least), abs(most)) and short:
                text += f": {short[0]}"
            elif not least <= volts <= most:
                text += f", outside {least:g} to {most:g} V"
            rails[net] = RailState(volts, bool(reasons), text, self._spread(net, rail.nominal))
        pins = {pin: float(v[at(pin)]) if at(pin) >= 0 else 0.0 for pin in self.supply_pins}
        return Powered(rails, pins, amps)

    def _spread(self, net: str, nominal: float) -> float:
        share = table()["supply"]["share"]
        if net in self._made():
            share = table()["fixed"]["share"]
        elif any(self._net(regulator.into) == net for regulator in self.regulators):
            share = table()["unregulated"]["share"]
        return float(share * abs(nominal))


def _contacts(pins: tuple[Pin, ...]) -> Iterator[tuple[Pin, Pin]]:
    half = len(pins) // 2
    if len(pins) > 2 and len(pins) % 2 == 0:
        yield from ((pins[index], pins[len(pins) - 1 - index]) for index in range(half))
    else:
        yield pins[0], pins[1]


def _anode_cathode(kind: Kind, pins: tuple[Pin, ...]) -> tuple[Pin, Pin]:
    anodes = named_pins(kind, pins, "A", "ANODE", "+")
    cathodes = named_pins(kind, pins, "K", "C", "CATHODE", "KATHODE", "-")
    if not anodes or not cathodes:
        return pins[1], pins[0]
    return anodes[0], cathodes[0]


def _told_regulator(text: str) -> tuple[dict[str, Any], float]:
    for row in table()["regulator"]:
        match = re.search(row["value"], text, re.IGNORECASE)
        if match and (row["value"] or not text):
            volts = float(row.get("volts", 0.0)) or (float(match[1]) if match.groups() and match[1] else 0.0)
            return row, volts
    return table()["regulator"][-1], 0.0


def _share(wanted: dict[str, tuple[float, bool]], a: str, b: str, drop: float) -> None:
    """Let a net across a series part want what its neighbour wants; a diode's drop is added before it."""
    if not a or not b or a == b:
        return
    if b in wanted and a not in wanted and (drop == 0.0 or wanted[b][0] > 0.0):
        wanted[a] = (wanted[b][0] + drop, wanted[b][1])
    elif a in wanted and b not in wanted and (drop == 0.0 or wanted[a][0] < 0.0):
        wanted[b] = (wanted[a][0] - drop, wanted[a][1])


def _stamp(linear: Floats, a: int, b: int, siemens: float) -> None:
    if a == b or siemens == 0.0 or a == -2 or b == -2:
        return
    if a >= 0:
        linear[a, a] += siemens
    if b >= 0:
        linear[b, b] += siemens
    if a >= 0 and b >= 0:
        linear[a, b] -= siemens
        linear[b, a] -= siemens


def _groups(system: _System, v: Floats) -> list[int]:
    """Which nodes are tied together by less than 5 ohm or by a diode that conducts."""
    tied = list(zip(*np.nonzero(np.triu(system.linear < -0.2, 1)), strict=True))
    tied += [
        (a, k) for a, k, drop, _, _ in system.diodes
        if a >= 0 and k >= 0 and _volts(v, a) - _volts(v, k) > drop
    ]  # fmt: skip
    group = list(range(len(v)))
    for a, b in tied:
        old, new = group[a], group[b]
        if old != new:
            group = [new if entry == old else entry for entry in group]
    return group


def _settle(system: _System) -> Floats:
    """Solve the piecewise-linear network by following its one path from no voltage anywhere.

    Every source, regulator and diode is linear between its break points. From zero volts one goes towards
    the solution of the present pieces, stops where the first break point is crossed, changes that one piece,
    and goes on (Katzenelson's method, 1965). Fold-back is put in afterwards: limits are set by the
    voltages found, and the path is followed again until they stand.
    """
    v = np.zeros(len(system.linear))
    limits = [row[5]["limit"] for row in system.regulators]
    for turn in range(FOLDS):
        v = _follow(system, limits)
        new = [_folded(row, v) for row in system.regulators]
        change = max((abs(a - b) for a, b in zip(new, limits, strict=True)), default=0.0)
        if change < 0.01 or not any(
            amps > 0.98 * limit
            for amps, limit in zip(_regulator_amps(system, v, limits), limits, strict=True)
        ):
            break
        share = 1.0 if turn < 3 else 0.5
        limits = [share * a + (1.0 - share) * b for a, b in zip(new, limits, strict=True)]
    system.limits = limits
    return v


def _folded(row: _RegulatorRow, v: Floats) -> float:
    into, out, _, sign, _, data = row
    across = max(sign * (_volts(v, into) - _volts(v, out)), 0.0)
    fall = (data["limit"] - data["folded"]) / data["folded_at"]
    return float(max(data["limit"] - fall * across, data["folded"]))


def _volts(v: Floats, node: int) -> float:
    return float(v[node]) if node >= 0 else 0.0


def _pieces(system: _System, limits: list[float]) -> tuple[Floats, Floats]:
    """All break points as zeros of affine functions of the node voltages: matrix and offsets."""
    size = len(system.linear)
    rows: list[Floats] = []
    offsets: list[float] = []

    def add(terms: tuple[tuple[int, float], ...], offset: float) -> None:
        line = np.zeros(size)
        for node, factor in terms:
            if node >= 0:
                line[node] += factor
        rows.append(line)
        offsets.append(offset)

    for node, volts, ohms, limit in system.sources:
        sign = math.copysign(1.0, volts)
        add(((node, -sign),), sign * volts)
        add(((node, sign),), limit * ohms - sign * volts)
    drop_ohms = table()["fixed"]["ohms"]
    for (into, out, low, sign, volts, data), limit in zip(system.regulators, limits, strict=True):
        regulated, possible = ((low, sign), (out, -sign)), ((into, sign), (out, -sign))
        add(((into, sign), (low, -sign)), -data["dropout"] - volts)
        for terms, offset in ((regulated, volts), (possible, -data["dropout"])):
            add(terms, offset)
            add(tuple((node, -factor) for node, factor in terms), limit * drop_ohms - offset)
    for a, k, drop, _, breakdown in system.diodes:
        add(((a, 1.0), (k, -1.0)), -drop)
        add(((a, -1.0), (k, 1.0)), -min(breakdown, 1e9))
    return np.array(rows).reshape(len(rows), size), np.array(offsets)


def _follow(system: _System, limits: list[float]) -> Floats:
    size = len(system.linear)
    slack, offset = _pieces(system, limits)
    v = np.zeros(size)
    above = offset > 0.0
    for _ in range(STEPS):
        matrix, constant = _region(system, above, limits)
        try:
            step = np.linalg.solve(matrix, -constant) - v
        except np.linalg.LinAlgError:
            step = np.linalg.lstsq(matrix, -constant, rcond=None)[0] - v
        here, moved = slack @ v + offset, slack @ step
        ahead = np.where(above, moved < -1e-12, moved > 1e-12)
        with np.errstate(divide="ignore", invalid="ignore"):
            share = np.where(ahead, np.maximum(-here / moved, 0.0), np.inf)
        nearest = int(np.argmin(share)) if len(share) else -1
        if nearest < 0 or share[nearest] >= 1.0:
            return v + step
        v = v + share[nearest] * step
        above[nearest] = not above[nearest]
    return v


def _region(system: _System, above: NDArray[np.bool_], limits: list[float]) -> tuple[Floats, Floats]:
    """The network with every part on its present piece: matrix @ v + constant leaves each node."""
    matrix = system.linear.copy()
    constant = np.zeros(len(matrix))
    at = 0
    for node, volts, ohms, limit in system.sources:
        if above[at] and above[at + 1]:
            matrix[node, node] += 1.0 / ohms
            constant[node] -= volts / ohms
        elif above[at]:
            constant[node] -= math.copysign(limit, volts)
        at += 2
    siemens = 1.0 / table()["fixed"]["ohms"]
    for (into, out, low, sign, volts, data), limit in zip(system.regulators, limits, strict=True):
        starved = not above[at]
        first = at + 3 if starved else at + 1
        control, level = (into, -data["dropout"]) if starved else (low, volts)
        for node, way in ((into, 1.0), (out, -1.0)):
            if node < 0 or not above[first]:
                continue
            if not above[first + 1]:
                constant[node] += way * sign * limit
                continue
            constant[node] += way * sign * level * siemens
            if control >= 0:
                matrix[node, control] += way * siemens
            if out >= 0:
                matrix[node, out] -= way * siemens
        at += 5
    for a, k, drop, ohms, breakdown in system.diodes:
        if above[at]:
            conducts, level = 1.0 / ohms, drop
        elif above[at + 1]:
            conducts, level = 1.0 / table()["diode"]["zener_ohms"], -breakdown
        else:
            conducts, level = 0.0, 0.0
        _stamp(matrix, a, k, conducts)
        if a >= 0:
            constant[a] -= conducts * level
        if k >= 0:
            constant[k] += conducts * level
        at += 2
    return matrix, constant


def _source_amps(v: float, volts: float, ohms: float, limit: float) -> float:
    """Current that a source delivers, as a magnitude."""
    return min(max(math.copysign(1.0, volts) * (volts - v) / ohms, 0.0), limit)


def _regulator_amps(system: _System, v: Floats, limits: list[float]) -> list[float]:
    """Current that each regulator delivers, as a magnitude."""
    found = []
    for (into, out, low, sign, volts, data), limit in zip(system.regulators, limits, strict=True):
        target = min(sign * _volts(v, low) + volts, sign * _volts(v, into) - data["dropout"])
        wish = (target - sign * _volts(v, out)) / table()["fixed"]["ohms"]
        found.append(min(max(wish, 0.0), limit))
    return found
