"""The diode test: junctions on top of the linear network, and what every fault does to a reading.

A junction carries I = IS (exp(V / (n VT)) - 1) from anode to cathode (Shockley's diode equation).
The meter drives its test current from the red probe to the black one.

The sound board is solved by Newton over the junctions, whose voltages see the linear network through the
matrix of transfer resistances between them. For a fault the network is linearised where the sound board
settled; there a fault is again one vector w and one scalar c (see `network`), so that every transfer
resistance M_pq becomes M_pq + u_p u_q / c. Its first-order effect is u_0 u / c, with u its drive at the sound
solution; only where the junctions' departure from their tangents could move the reading is the fault solved
anew, over just those junctions. Faults that carry no current, or that
the reading cannot feel, are never touched.
"""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from importlib.resources import files
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from ..board import Board, Kind, Part, Pin
from .elements import LEAK_SIEMENS, Element, behaviour, ordered_pins, supply_pins
from .meter import Meter
from .network import (
    Edit,
    EditTable,
    Frame,
    Network,
    Prepared,
    Probe,
    _across,
    _at,
    factorised,
)

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

THERMAL_VOLTS = 0.02585
"""k T / q at 27 degrees Celsius."""

ZENER_AMPS = 5.0e-3
"""Current at which a zener has its printed voltage (common practice of data sheets, from memory)."""

MATTERS_VOLTS = 2.0e-5
"""A fault or a junction that moves the reading by less is left at its first-order effect."""

SETTLED_VOLTS = 1.0e-9
KEPT_SOLUTIONS = 16
ROUNDS = 60
STEPS = 400


class Junction(NamedTuple):
    """One junction between two pins.

    Attributes
    ----------
    anode, cathode : Pin
    saturation : float
        IS, amperes.
    ideality : float
        n.
    part : str
    knee : float
        Volts that are taken off before it conducts: a zener's breakdown.
    spread : float
        Standard deviation of its drop from unit to unit, volts.
    """

    anode: Pin
    cathode: Pin
    saturation: float
    ideality: float
    part: str
    knee: float = 0.0
    spread: float = 0.0


@lru_cache(maxsize=1)
def table() -> dict[str, Any]:
    """The table `junctions.toml`."""
    return tomllib.loads(files(__package__).joinpath("junctions.toml").read_text(encoding="utf-8"))


def saturation(volts: float, ideality: float, amps: float = 1.0e-3) -> float:
    """IS of a junction that drops `volts` at `amps`."""
    return amps / math.expm1(volts / (ideality * THERMAL_VOLTS))


def junctions(board: Board) -> tuple[Junction, ...]:
    """All junctions of a board, part by part."""
    found: list[Junction] = []
    for ref, part in board.parts.items():
        found.extend(j for j in part_junctions(board, ref, part) if j.anode != j.cathode)
    return tuple(found)


def part_junctions(board: Board, ref: str, part: Part) -> Iterator[Junction]:
    """The junctions of one part, by its category and the names of its pins."""
    kind = board.kind_of(ref)
    pins = ordered_pins(board, ref)
    category = kind.category
    if category in ("diode", "zener", "led"):
        yield from _diode(board, ref, part, kind, pins)
    elif category == "transistor":
        yield from _transistor(ref, part, kind, pins)
    elif category == "mosfet":
        yield from _mosfet(ref, part, kind, pins)
    elif category == "bridge_rectifier":
        yield from _bridge(ref, kind, pins)
    elif category not in _NO_JUNCTIONS:
        yield from _chip(board, ref, kind, pins)
        if category == "regulator":
            yield from _regulator(board, ref, kind, pins)


_NO_JUNCTIONS = frozenset(
    (
        "resistor", "resistor_network", "potentiometer", "thermistor", "capacitor", "trimmer_capacitor",
        "inductor", "ferrite", "transformer", "fuse", "switch", "relay", "connector", "membrane", "battery",
        "speaker", "jumper", "test_point", "mechanical", "crystal",
    )
)  # fmt: skip


def _of(row: dict[str, Any], a: Pin, k: Pin, ref: str, spread: str, knee: float = 0.0) -> Junction:
    return Junction(
        a, k, saturation(row["volts"], row["n"]), row["n"], ref, knee, float(table()["spread"][spread])
    )


def named_pins(kind: Kind, pins: Sequence[Pin], *names: str) -> list[Pin]:
    """The pins of a part with one of these functions, else those with one of these numbers."""
    wanted = {name.upper() for name in names}
    found = [
        pin for pin in pins
        if pin.number in kind.by_number and kind.by_number[pin.number].name.upper().rstrip("#") in wanted
    ]  # fmt: skip
    return found or [pin for pin in pins if pin.number.upper() in wanted]


def _diode(board: Board, ref: str, part: Part, kind: Kind, pins: tuple[Pin, ...]) -> Iterator[Junction]:
    if len(pins) < 2:
        return
    anodes = named_pins(kind, pins, "A", "ANODE", "+")
    cathodes = named_pins(kind, pins, "K", "C", "CATHODE", "KATHODE", "-")
    if not anodes or not cathodes:
        # Pin 1 is the cathode: common practice in parts lists, no source.
        cathodes, anodes = [pins[0]], [pins[1]]
    rows = table()["part"]
    row = rows[told(part, kind)]
    # Several anodes on one cathode, or the reverse, make a double diode.
    for a in anodes:
        for k in cathodes:
            yield _of(row, a, k, ref, "discrete")
            if kind.category == "zener" and part.size is not None and part.size > 0.0:
                below = rows["breakdown"]
                at_one = part.size - below["n"] * THERMAL_VOLTS * math.log(ZENER_AMPS / table()["test_amps"])
                yield _of(below, k, a, ref, "discrete", max(at_one - below["volts"], 0.1))


def told(part: Part, kind: Kind) -> str:
    """Which row of the table a discrete diode is, by what is printed on it."""
    if kind.category in ("zener", "led"):
        return kind.category
    for rule in table()["told"]:
        for text in (part.value, kind.name, kind.title):
            if re.search(rule["value"], text, re.IGNORECASE):
                return str(rule["as"])
    return "silicon"


def _is_other(part: Part, kind: Kind, name: str) -> bool:
    return any(
        re.search(table()[name]["value"], text, re.IGNORECASE) for text in (part.value, kind.name, kind.title)
    )


def _transistor(ref: str, part: Part, kind: Kind, pins: tuple[Pin, ...]) -> Iterator[Junction]:
    if len(pins) < 3:
        return
    base, emitter, collector = (named_pins(kind, pins, name, long) for name, long in (
        ("B", "BASE"), ("E", "EMITTER"), ("C", "COLLECTOR"),
    ))  # fmt: skip
    if not (base and emitter and collector):
        # Emitter, base, collector in the order of the small plastic can: common practice, no source.
        emitter, base, collector = [pins[0]], [pins[1]], [pins[2]]
    rows = table()["part"]
    for name, other in (("base_emitter", emitter[0]), ("base_collector", collector[0])):
        a, k = (other, base[0]) if _is_other(part, kind, "pnp") else (base[0], other)
        yield _of(rows[name], a, k, ref, "discrete")


def _mosfet(ref: str, part: Part, kind: Kind, pins: tuple[Pin, ...]) -> Iterator[Junction]:
    source, drain = named_pins(kind, pins, "S", "SOURCE"), named_pins(kind, pins, "D", "DRAIN")
    if source and drain:
        a, k = (drain[0], source[0]) if _is_other(part, kind, "p_channel") else (source[0], drain[0])
        yield _of(table()["part"]["body"], a, k, ref, "discrete")


def _bridge(ref: str, kind: Kind, pins: tuple[Pin, ...]) -> Iterator[Junction]:
    plus, minus = named_pins(kind, pins, "+", "P", "DC+"), named_pins(kind, pins, "-", "M", "DC-")
    if not plus or not minus:
        return
    row = table()["part"]["rectifier"]
    for pin in pins:
        if pin not in (plus[0], minus[0]):
            yield _of(row, pin, plus[0], ref, "discrete")
            yield _of(row, minus[0], pin, ref, "discrete")


def _regulator(board: Board, ref: str, kind: Kind, pins: tuple[Pin, ...]) -> Iterator[Junction]:
    into = named_pins(kind, pins, "IN", "VIN", "VI", "INPUT")
    out = named_pins(kind, pins, "OUT", "VOUT", "VO", "OUTPUT")
    if into and out:
        a, k = (into[0], out[0]) if is_negative(kind) else (out[0], into[0])
        yield _of(table()["part"]["pass"], a, k, ref, "discrete")


def is_negative(kind: Kind) -> bool:
    """Whether a regulator kind makes a negative voltage."""
    return bool(re.search(r"79[LM]?\d\d|LM320|LM337|UA79", kind.name, re.IGNORECASE))


def _chip(board: Board, ref: str, kind: Kind, pins: tuple[Pin, ...]) -> Iterator[Junction]:
    grounds, supplies = supply_pins(board, ref)
    same, rows = behaviour()["same"], table()["pin"]
    family = kind.family.lower()
    row = rows.get(same.get(family, family)) or rows["unknown"]
    substrate = _substrate(board, grounds, supplies)
    if substrate is None:
        return
    top = _highest(board, supplies)
    negative = kind.category == "regulator" and is_negative(kind)
    power = {*grounds, *supplies}
    for pin in supplies:
        if pin != substrate:
            yield _of(row["supply"], substrate, pin, ref, "pin")
    if grounds and substrate != grounds[0]:
        yield _of(row["supply"], substrate, grounds[0], ref, "pin")
    for pin in pins:
        if pin in power:
            continue
        direction = kind.by_number[pin.number].direction if pin.number in kind.by_number else "?"
        if direction == "N":
            continue
        look = row["output" if direction in "OTBC" else "input"]
        if negative:
            yield _of(look, pin, substrate, ref, "pin")
            continue
        yield _of(look, substrate, pin, ref, "pin")
        if "above" in row and top is not None and direction != "C":
            yield _of(row["above"], pin, top, ref, "pin")


def _volts(board: Board, pin: Pin) -> float | None:
    net = board.net_of.get(pin, "")
    if net == board.ground:
        return 0.0
    rail = board.rails.get(net)
    return None if rail is None else rail.nominal


def _substrate(board: Board, grounds: Sequence[Pin], supplies: Sequence[Pin]) -> Pin | None:
    """The most negative supply pin: a negative rail if the chip has one, else ground."""
    best: tuple[float, Pin] | None = (0.0, grounds[0]) if grounds else None
    for pin in supplies:
        volts = _volts(board, pin)
        if volts is not None and volts < (0.0 if best is None else best[0]):
            best = (volts, pin)
    return None if best is None else best[1]


def _highest(board: Board, supplies: Sequence[Pin]) -> Pin | None:
    known = [(volts, pin) for pin in supplies if (volts := _volts(board, pin)) is not None and volts > 0.0]
    if known:
        # Logic that has a clamp upwards has it to its logic supply, the lowest positive one.
        return min(known, key=lambda pair: pair[0])[1]
    unknown = [pin for pin in supplies if _volts(board, pin) is None]
    return unknown[0] if unknown else None


# -- solving -----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Curves:
    """Several junctions' curves."""

    saturation: Floats
    scale: Floats
    knee: Floats

    def amps(self, v: Floats) -> Floats:
        return np.asarray(
            self.saturation
            * (np.exp(np.minimum((v - self.knee) / self.scale, 200.0)) - np.exp(-self.knee / self.scale))
        )

    def siemens(self, v: Floats) -> Floats:
        return np.asarray(
            self.saturation / self.scale * np.exp(np.minimum((v - self.knee) / self.scale, 200.0))
        )

    def pick(self, at: Ints) -> _Curves:
        return _Curves(self.saturation[at], self.scale[at], self.knee[at])

    def limit(self, new: Floats, old: Floats) -> Floats:
        """Keep a Newton step on the steep side within reach of the exponential.

        Where the junction conducts, a step up is taken in current instead of voltage.
        """
        with np.errstate(divide="ignore"):
            critical = self.knee + self.scale * np.log(self.scale / (math.sqrt(2.0) * self.saturation))
        far = (new > critical) & (new - old > 2.0 * self.scale)
        if not far.any():
            return new
        start = np.maximum(old, critical - 5.0 * self.scale)
        climbed = start + self.scale * np.log1p(np.maximum(new - start, 0.0) / self.scale)
        return np.where(far, np.minimum(climbed, new), new)


class _FrameWithJunctions(Frame):
    """A frame with each junction's conductance at zero bias as one more element."""

    def __init__(self, frame: Frame, found: Sequence[Junction]) -> None:
        self.__dict__.update(frame.__dict__)
        self.plain_count = len(frame.elements)
        self.elements = frame.elements + tuple(
            Element(j.anode, j.cathode, 1.0, 0.0, j.part, True) for j in found
        )
        extra = self.elements[self.plain_count :]
        part = self.part_number

        def more(old: NDArray[Any], values: list[Any]) -> NDArray[Any]:
            return np.concatenate([old, np.array(values, dtype=old.dtype)])

        self.element_a = more(frame.element_a, [self.pin_index[e.a] for e in extra])
        self.element_b = more(frame.element_b, [self.pin_index[e.b] for e in extra])
        self.siemens = more(frame.siemens, [0.0] * len(extra))
        self.spread = more(frame.spread, [0.0] * len(extra))
        self.soft = more(frame.soft, [True] * len(extra))
        self.element_part = more(frame.element_part, [part.get(e.part, -1) for e in extra])


class _Tangent(Network):
    """The network with each junction as a conductance."""

    def __init__(self, frame: _FrameWithJunctions, removed: Iterable[str], siemens: Floats) -> None:
        super().__init__(frame, removed)
        self.siemens = self.siemens.copy()
        tail = self.siemens[frame.plain_count :]
        tail[:] = np.where(self.present[frame.plain_count :], siemens, 0.0)


class JunctionNetwork:
    """The unpowered network of one board state, junctions included.

    Parameters
    ----------
    frame : Frame
        The board's nodes and elements.
    removed : iterable of str
        References of the parts that are out.
    """

    def __init__(self, frame: Frame, removed: Iterable[str] = ()) -> None:
        self.removed = frozenset(removed)
        self.found = junctions(frame.board)
        self.frame = _FrameWithJunctions(frame, self.found)
        self.plain = frame
        self.anode_pin = np.array([frame.pin_index[j.anode] for j in self.found], dtype=np.int64)
        self.cathode_pin = np.array([frame.pin_index[j.cathode] for j in self.found], dtype=np.int64)
        at = frame.node_at_pin
        self.anode = at[self.anode_pin] if len(self.found) else np.zeros(0, dtype=np.int64)
        self.cathode = at[self.cathode_pin] if len(self.found) else np.zeros(0, dtype=np.int64)
        self.curves = _Curves(
            np.array([j.saturation for j in self.found], dtype=float),
            np.array([j.ideality * THERMAL_VOLTS for j in self.found], dtype=float),
            np.array([j.knee for j in self.found], dtype=float),
        )
        self.live = np.array([j.part not in self.removed for j in self.found], dtype=bool)
        self._at_pin: dict[Pin, list[int]] = {}
        self._between: dict[frozenset[Pin], list[int]] = {}
        for index in np.flatnonzero(self.live):
            one = self.found[index]
            self._at_pin.setdefault(one.anode, []).append(int(index))
            self._at_pin.setdefault(one.cathode, []).append(int(index))
            self._between.setdefault(frozenset((one.anode, one.cathode)), []).append(int(index))
        self._sound: dict[tuple[int, int, float], _Sound] = {}
        self._table: tuple[object, EditTable] | None = None
        self._carried: tuple[EditTable, sparse.csr_matrix] | None = None

    def diode(self, i: Probe, j: Probe, meter: Meter, edit: Edit | None = None) -> float:
        """The diode-test reading with the red probe at `i` and the black one at `j`.

        Returns
        -------
        float
            Volts between the probes (leads not included); ``math.inf`` where the meter shows OL.
        """
        if edit is None:
            volts = self._settled(i.node, j.node, meter.test_amps).volts
            return math.inf if volts > meter.test_volts else volts
        return float(self.diodes(i, j, meter, [edit])[0])

    def spread(self, i: Probe, j: Probe, meter: Meter) -> float:
        """Standard deviation of the sound reading from unit to unit, volts.

        First order: a junction whose drop is off by dv moves the reading by the share of the test
        current that it carries at small signal; an element whose logarithm is off by dr, by its voltage
        times that share.
        """
        sound = self._settled(i.node, j.node, meter.test_amps)
        unit = sound.tangent.difference(i.node, j.node)
        drops = sound.siemens * _across(unit, self.anode, self.cathode)
        spreads = np.array([j.spread for j in self.found], dtype=float)
        found = float(np.sum(np.where(self.live, drops * spreads, 0.0) ** 2))
        net, count = sound.tangent, self.frame.plain_count
        a, b = net.node_a[:count], net.node_b[:count]
        moved = net.siemens[:count] * _across(unit, a, b) * _across(sound.v, a, b) * self.frame.spread[:count]
        return math.sqrt(found + float(np.sum(moved**2)))

    def diodes(self, i: Probe, j: Probe, meter: Meter, edits: Sequence[Edit] | EditTable) -> Floats:
        """The diode-test reading under each fault, shape (edits,), volts; infinite for OL.

        Parameters
        ----------
        i, j : Probe
            Red and black.
        edits : sequence of Edit, or EditTable
            The same object twice is prepared once.
        """
        sound = self._settled(i.node, j.node, meter.test_amps)
        table = self._edit_table(edits)
        prepared = Prepared(sound.tangent, table)
        alpha = prepared.sides(i, j)
        feels = alpha - prepared.w @ sound.unit
        bent = np.where(self.live, sound.amps - sound.siemens * sound.across, 0.0)
        at_pin = np.zeros(len(self.frame.pins))
        np.add.at(at_pin, self.anode_pin, bent)
        np.add.at(at_pin, self.cathode_pin, -bent)
        drive = alpha * meter.test_amps - prepared.w @ sound.v - table.members @ at_pin
        volts = np.full(table.count, sound.volts)
        # An upper bound of the first-order effect. An added resistance has |c| >= its own ohms; across an
        # open joint, ten times the meter's voltage is as good as any.
        with np.errstate(divide="ignore", invalid="ignore"):
            most = np.abs(feels * drive / prepared.base)
        most = np.where(table.is_split, np.abs(feels) * 10.0 * meter.test_volts, most)
        most[(table.change_element >= 0) & (prepared.base < 0)] = np.inf
        chosen = np.flatnonzero(prepared.active & (drive != 0.0) & (most > MATTERS_VOLTS))
        killed = self._killed(table)
        if killed:
            chosen = np.union1d(
                chosen, np.array([index for index in killed if prepared.active[index]], dtype=np.int64)
            )
        if len(chosen):
            volts[chosen] += self._moved(sound, prepared, chosen, feels[chosen], drive[chosen], killed)
        return np.where(volts > meter.test_volts, np.inf, volts)

    def _edit_table(self, edits: Sequence[Edit] | EditTable) -> EditTable:
        if isinstance(edits, EditTable):
            return edits
        if self._table is None or self._table[0] is not edits:
            self._table = (edits, EditTable(self.frame, edits))
        return self._table[1]

    def _killed(self, table: EditTable) -> dict[int, list[int]]:
        """Junctions that go with an element taken out, by edit."""
        found: dict[int, list[int]] = {}
        for index in np.flatnonzero((table.change_element >= 0) & (table.change_target == 0.0)):
            a, b = table.ends[index]
            if a is not None and b is not None and (gone := self._between.get(frozenset((a, b)))):
                found[int(index)] = gone
        return found

    # -- the sound board -----------------------------------------------------------------------------

    def _settled(self, i: int, j: int, amps: float) -> _Sound:
        key = (i, j, amps)
        found = self._sound.get(key)
        if found is None:
            if len(self._sound) >= KEPT_SOLUTIONS:
                del self._sound[next(iter(self._sound))]
            found = self._sound[key] = self._settle(i, j, amps)
        return found

    def _settle(self, i: int, j: int, amps: float) -> _Sound:
        """Newton on the nodes; each junction is linearised where its own step was held back to."""
        count = self.frame.node_count
        current = np.zeros(count)
        if i >= 0:
            current[i] += amps
        if j >= 0:
            current[j] -= amps
        groups, linear = self._groups, self._linear.conductance
        x = np.zeros(len(groups.anode))
        v = np.zeros(count)
        for _ in range(STEPS):
            siemens = groups.curves.siemens(x)
            matrix = linear + sparse.csc_matrix(groups.ports @ sparse.diags_array(siemens) @ groups.ports.T)
            v = factorised(matrix).solve(current - groups.ports @ (groups.curves.amps(x) - siemens * x))
            across = groups.ports.T @ v
            limited = groups.curves.limit(across, x)
            error = float(np.max(np.abs(across - x), initial=0.0))
            x = limited
            if error < SETTLED_VOLTS or (error < 1e-12 * float(np.max(np.abs(across), initial=0.0))):
                break
        over = _across(v, self.anode, self.cathode)
        live = np.where(self.live, 1.0, 0.0)
        siemens = self.curves.siemens(over) * live
        tangent = _Tangent(self.frame, self.removed, siemens)
        return _Sound(
            _at(v, i) - _at(v, j),
            v,
            over,
            self.curves.amps(over) * live,
            siemens,
            tangent,
            tangent.difference(i, j),
        )

    @cached_property
    def _linear(self) -> Network:
        return _Tangent(self.frame, self.removed, np.zeros(len(self.found)))

    @cached_property
    def _groups(self) -> _Groups:
        """Junctions between the same two nodes with the same curve, as one each."""
        seen: dict[tuple[int, int, float, float], int] = {}
        total: list[float] = []
        member = np.full(len(self.found), -1, dtype=np.int64)
        for index in np.flatnonzero(self.live):
            a, k = int(self.anode[index]), int(self.cathode[index])
            if a != k:
                key = (a, k, float(self.curves.scale[index]), float(self.curves.knee[index]))
                if key not in seen:
                    seen[key] = len(total)
                    total.append(0.0)
                member[index] = seen[key]
                total[seen[key]] += float(self.curves.saturation[index])
        keys = np.array(list(seen), dtype=float).reshape(-1, 4)
        anode, cathode = keys[:, 0].astype(np.int64), keys[:, 1].astype(np.int64)
        number = np.arange(len(anode))
        ends = np.concatenate([anode, cathode])
        signs = np.concatenate([np.ones(len(anode)), -np.ones(len(cathode))])
        kept = ends >= 0
        ports = sparse.csc_matrix(
            (signs[kept], (ends[kept], np.concatenate([number, number])[kept])),
            shape=(self.frame.node_count, len(anode)),
        )
        curves = _Curves(np.array(total, dtype=float), keys[:, 2].copy(), keys[:, 3].copy())
        return _Groups(anode, cathode, curves, ports, member)

    # -- faults --------------------------------------------------------------------------------------

    def _moved(
        self, sound: _Sound, prepared: Prepared, chosen: Ints, feels: Floats, drive: Floats,
        killed: dict[int, list[int]],
    ) -> Floats:  # fmt: skip
        """How far each chosen fault moves the reading, shape (chosen,), volts."""
        w = prepared.w[chosen]
        tangent = sound.tangent
        spread_out = np.asarray(tangent.solve(w.T.toarray())).T
        base = prepared.base[chosen]
        c = -(base + np.asarray(w.multiply(spread_out).sum(axis=1)).ravel())
        # An open leaves at least the board's leakage behind it; rounding must not turn that round.
        split = prepared.table.is_split[chosen]
        c = np.where(split, np.maximum(c, 0.1 * LEAK_SIEMENS), c)
        opened = (prepared.table.change_element[chosen] >= 0) & (base < 0)
        c = np.where(opened, np.maximum(c, 1e-13 * np.abs(base)), c)
        step = drive / c
        moved: Floats = feels * step
        groups = self._groups
        if not len(groups.anode):
            return moved
        at_rest = groups.ports.T @ sound.v
        reach = groups.ports.T @ sound.unit
        amps, siemens = groups.curves.amps(at_rest), groups.curves.siemens(at_rest)
        taken = self._taken(prepared.table)[chosen]
        reach_own = _across(sound.unit, self.anode, self.cathode)
        for start in range(0, len(chosen), 256):
            part = slice(start, start + 256)
            ratio = feels[part] / c[part]
            u = -np.asarray((groups.ports.T @ spread_out[part].T).T)
            bend = self._bend(groups.curves, at_rest, amps, siemens, u * step[part, None])
            effect = np.abs((reach + u * ratio[:, None]) * bend).sum(axis=1)
            # Junctions that an open carries along see its whole voltage.
            along = taken[part].tocoo()
            rows, index = along.row.astype(np.int64), along.col.astype(np.int64)
            own = u[rows, groups.member[index]] + along.data
            bend = self._bend(
                self.curves.pick(index), sound.across[index], sound.amps[index], sound.siemens[index],
                own * step[part][rows],
            )  # fmt: skip
            effect += np.bincount(
                rows, np.abs((reach_own[index] + own * ratio[rows]) * bend), minlength=len(effect)
            )
            for row in range(u.shape[0]):
                number, at = int(chosen[start + row]), start + row
                if effect[row] < MATTERS_VOLTS and number not in killed:
                    continue
                line = slice(taken.indptr[at], taken.indptr[at + 1])
                carried = dict(zip(taken.indices[line].tolist(), taken.data[line].tolist(), strict=True))
                ports = _Ports.of(
                    self, sound, u[row], amps, siemens, at_rest, carried, killed.get(number, [])
                )
                moved[at] = _solve_fault(
                    tangent, ports, sound.unit, float(feels[at]), float(c[at]), float(step[at])
                )
        return moved

    @staticmethod
    def _bend(curves: _Curves, start: Floats, amps: Floats, siemens: Floats, shift: Floats) -> Floats:
        """Current beyond the tangent at a shift from the sound voltages."""
        return np.asarray(curves.amps(start + shift) - amps - siemens * shift)

    def _taken(self, table: EditTable) -> sparse.csr_matrix:
        """Junctions that a split carries away, shape (edits, junctions): +1 by the anode, -1 by the other."""
        if self._carried is None or self._carried[0] is not table:
            live = np.flatnonzero(self.live & (self._groups.member >= 0))
            ends = np.concatenate([self.anode_pin[live], self.cathode_pin[live]])
            signs = np.concatenate([np.ones(len(live)), -np.ones(len(live))])
            at_pins = sparse.csr_matrix(
                (signs, (ends, np.concatenate([live, live]))), shape=(len(self.frame.pins), len(self.found))
            )
            found = sparse.csr_matrix(table.members @ at_pins)
            found.eliminate_zeros()
            self._carried = (table, found)
        return self._carried[1]


class _Sound(NamedTuple):
    """The sound board under one diode test: node voltages, junctions, and its tangent network."""

    volts: float
    v: Floats
    across: Floats
    amps: Floats
    siemens: Floats
    tangent: Network
    unit: Floats


class _Groups(NamedTuple):
    anode: Ints
    cathode: Ints
    curves: _Curves
    ports: sparse.csc_matrix
    member: Ints


@dataclass(frozen=True, slots=True)
class _Ports:
    """Junctions as a fault leaves them: where, which curve, and which tangent stands for them so far."""

    anode: Ints
    cathode: Ints
    curves: _Curves
    start: Floats
    amps: Floats
    siemens: Floats
    u: Floats

    @classmethod
    def of(
        cls, net: JunctionNetwork, sound: _Sound, u: Floats, amps: Floats, siemens: Floats, at_rest: Floats,
        taken: dict[int, float], gone: list[int],
    ) -> _Ports:  # fmt: skip
        groups = net._groups
        curves = groups.curves
        if not taken and not gone:
            return cls(groups.anode, groups.cathode, curves, at_rest, amps, siemens, u)
        strength, amps, siemens = curves.saturation.copy(), amps.copy(), siemens.copy()
        for index in gone:
            group = groups.member[index]
            if group >= 0:
                strength[group] = max(strength[group] - net.curves.saturation[index], 0.0)
        moved = np.array(sorted(taken), dtype=np.int64)
        beta = np.array([taken[index] for index in moved], dtype=float)
        own = np.zeros(len(moved))
        for number, index in enumerate(moved):
            group = groups.member[index]
            if group >= 0:
                strength[group] = max(strength[group] - net.curves.saturation[index], 0.0)
                amps[group] -= sound.amps[index]
                siemens[group] -= sound.siemens[index]
                own[number] = u[group]
        return cls(
            np.concatenate([groups.anode, net.anode[moved]]),
            np.concatenate([groups.cathode, net.cathode[moved]]),
            _Curves(
                np.concatenate([strength, net.curves.saturation[moved]]),
                np.concatenate([curves.scale, net.curves.scale[moved]]),
                np.concatenate([curves.knee, net.curves.knee[moved]]),
            ),
            np.concatenate([at_rest, sound.across[moved]]),
            np.concatenate([amps, sound.amps[moved]]),
            np.concatenate([siemens, sound.siemens[moved]]),
            np.concatenate([u, own + beta]),
        )

    def pick(self, at: Ints) -> _Ports:
        return _Ports(
            self.anode[at], self.cathode[at], self.curves.pick(at), self.start[at], self.amps[at],
            self.siemens[at], self.u[at],
        )  # fmt: skip

    def bend(self, shift: Floats) -> Floats:
        """Current beyond the tangent at a shift from the sound voltages."""
        return np.asarray(self.curves.amps(self.start + shift) - self.amps - self.siemens * shift)


def _solve_fault(tangent: Network, ports: _Ports, unit: Floats, feels: float, c: float, step: float) -> float:
    """How far a fault moves the reading, with the junctions that depart from their tangents solved for."""
    reach = _across(unit, ports.anode, ports.cathode) + ports.u * (feels / c)
    linear = ports.u * step
    shift = linear
    felt = reach
    moved = feels * step
    active = np.zeros(len(linear), dtype=bool)
    for _ in range(ROUNDS):
        effect = np.where(active, 0.0, np.abs(felt * ports.bend(shift)))
        if float(effect.sum()) < MATTERS_VOLTS:
            break
        new = (effect > MATTERS_VOLTS / 50.0) | (effect == effect.max())
        active |= new
        at = np.flatnonzero(active)
        own = ports.pick(at)
        matrix = _transfer(tangent, own.anode, own.cathode)
        matrix += np.outer(own.u, own.u) / c
        shift_own = _solve(matrix, own, linear[at], np.where(new[at], 0.0, shift[at]))
        bent = own.bend(shift_own)
        # How the reading feels a current at any junction, now that those solved for have other slopes.
        slope = own.curves.siemens(own.start + shift_own) - own.siemens
        weight = np.linalg.solve((np.eye(len(at)) + matrix * slope[None, :]).T, slope * reach[at])
        injected = np.zeros((tangent.frame.node_count, 2))
        for column, amps in enumerate((bent, weight)):
            np.add.at(injected[:, column], own.anode[own.anode >= 0], amps[own.anode >= 0])
            np.add.at(injected[:, column], own.cathode[own.cathode >= 0], -amps[own.cathode >= 0])
        back = tangent.solve(injected)
        shift = linear - _across(back[:, 0], ports.anode, ports.cathode) - ports.u * (float(own.u @ bent) / c)
        shift[at] = shift_own
        felt = reach - _across(back[:, 1], ports.anode, ports.cathode) - ports.u * (float(own.u @ weight) / c)
        moved = feels * step - float(reach[at] @ bent)
    return moved


def _solve(matrix: Floats, ports: _Ports, linear: Floats, start: Floats) -> Floats:
    """Shifts of some junctions' voltages: shift = linear - matrix @ bend(shift)."""
    x = start
    eye = np.eye(len(x))
    for _ in range(STEPS):
        slope = ports.curves.siemens(ports.start + x) - ports.siemens
        v = np.linalg.solve(eye + matrix * slope[None, :], linear - matrix @ (ports.bend(x) - slope * x))
        error = float(np.max(np.abs(v - x)))
        x = ports.curves.limit(ports.start + v, ports.start + x) - ports.start
        if error < 1e-7 or error < 1e-10 * float(np.max(np.abs(v))):
            break
    return np.asarray(x)


def _transfer(tangent: Network, anode: Ints, cathode: Ints) -> Floats:
    """Transfer resistances between junctions, shape (junctions, junctions)."""
    ports = np.zeros((tangent.frame.node_count, len(anode)))
    number = np.arange(len(anode))
    ports[anode[anode >= 0], number[anode >= 0]] += 1.0
    ports[cathode[cathode >= 0], number[cathode >= 0]] -= 1.0
    nodes = np.union1d(anode[anode >= 0], cathode[cathode >= 0])
    inverse = tangent.inverse
    if inverse is None:
        return np.asarray(ports.T @ tangent.solve(ports))
    small = ports[nodes]
    return np.asarray(small.T @ (inverse[np.ix_(nodes, nodes)] @ small))
