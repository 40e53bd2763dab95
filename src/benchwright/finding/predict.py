"""What each check would show, sound and under every fault: the judgement's view of the physics."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ..board import Board
from ..circuit import Meter, Network
from ..circuit.network import GROUND, EditTable, Frame, Prepared, Probe
from ..faults import Fault
from ..faults.universe import table
from .calibrate import Likeness
from .outcomes import KNEE_OHMS, Outcome, Spread, Words, bend_of, log_ohms
from .reading import HEATS, LOOKS, SMELLS, Spot

if TYPE_CHECKING:
    from ..circuit.junctions import JunctionNetwork
    from .running import Running

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

COPPER_OHMS, COPPER_SPREAD = 0.1, 0.12
"""Tracks, joints and a socket between two points of one net (own: below 0.5 ohm is good)."""
TRACK_OHMS_MM = 0.0012
"""Ohms of a millimetre of track: 0.4 mm wide and 35 micrometres thick, from copper's 17 nanoohm metres."""
OPEN_SPREAD = 1.0
"""Spread of ln R where an open leaves only chips' junctions to measure (own)."""
DETOUR_SPREAD = 0.8
"""Further spread of ln R where a fault leads the current over other lines than those measured (own)."""
HARDLY = 1e-4
"""Junctions that conduct this much worse than the model count as none."""
MIXED = 0.005
"""With junctions, or all the rest, of a smaller share than this, how they are joined does not matter."""
LEAST_SHIFT = 0.6
"""A fault is kept for a check if it moves the reading by at least this many standard deviations."""


class Predictor:
    """Predicts readings of one board under its faults.

    Parameters
    ----------
    board : Board
    faults : sequence of Fault
    meter : Meter
    """

    def __init__(self, board: Board, faults: Sequence[Fault], meter: Meter | None = None) -> None:
        self.board = board
        self.faults = tuple(faults)
        self.meter = meter or Meter()
        self.frame = Frame(board)
        self.edits = EditTable(self.frame, [fault.edit for fault in self.faults])
        self._states: dict[frozenset[str], Prepared] = {}
        self._extents: dict[str | None, float] = {}
        self._hard: dict[frozenset[str], Prepared] = {}
        self._running: Running | None = None
        self._junctions: dict[frozenset[str], JunctionNetwork] = {}
        self._top = float(log_ohms(self.meter.top_ohms))
        self._bridged = np.array([f.place[0] == "bridge" for f in self.faults], dtype=bool)
        self._by_part: dict[str, list[int]] = {}
        self._heat_by_part: dict[str, list[int]] = {}
        for index, fault in enumerate(self.faults):
            for ref in fault.looks:
                self._by_part.setdefault(ref, []).append(index)
            for ref in fault.heat:
                self._heat_by_part.setdefault(ref, []).append(index)

    # -- states ---------------------------------------------------------------------------------

    def prepared(self, removed: frozenset[str]) -> Prepared:
        """The network of a state with every fault's edit ready."""
        found = self._states.get(removed)
        if found is None:
            found = Prepared(Network(self.frame, removed), self.edits)
            if len(self._states) > 24:
                self._states.pop(next(key for key in self._states if key))
            self._states[removed] = found
        return found

    def without_junctions(self, removed: frozenset[str]) -> Prepared:
        """The same with chips' junctions hardly conducting."""
        found = self._hard.get(removed)
        if found is None:
            network = Network(self.frame, removed)
            network.siemens = np.where(self.frame.soft, HARDLY * network.siemens, network.siemens)
            found = Prepared(network, self.edits)
            if len(self._hard) > 24:
                self._hard.pop(next(key for key in self._hard if key))
            self._hard[removed] = found
        return found

    def outcome(self, spot: Spot) -> Outcome:
        """What a check at `spot` would show, sound and under each fault that matters to it."""
        if spot.quantity in ("resistance", "continuity"):
            return self.resistance(spot)
        if spot.quantity == "look":
            return self.look(spot.part)
        if spot.quantity in ("heat", "smell"):
            return self._warmth(spot)
        if spot.quantity == "diode":
            from .junction_check import diode_outcome

            return diode_outcome(self, spot)
        return self.running.outcome(spot)

    @property
    def running(self) -> Running:
        """What the powered board shows."""
        if self._running is None:
            from .running import Running

            self._running = Running(self)
        return self._running

    def junctions(self, removed: frozenset[str]) -> JunctionNetwork:
        """The junction network of a state."""
        found = self._junctions.get(removed)
        if found is None:
            from ..circuit.junctions import JunctionNetwork

            found = self._junctions[removed] = JunctionNetwork(self.frame, removed)
        return found

    # -- resistance -----------------------------------------------------------------------------

    def probes(self, spot: Spot) -> tuple[Probe, Probe]:
        return self.frame.probe(spot.pin_a, spot.net_a), self.frame.probe(spot.pin_b, spot.net_b)

    def resistance(self, spot: Spot) -> Spread:
        """Resistance between two points, power off."""
        prepared = self.prepared(spot.state.removed)
        i, j = self.probes(spot)
        ohms = prepared.resistances(i, j)
        return self._spread(prepared, i, j, ohms, prepared.sides(i, j), self.copper(spot))

    def resistance_many(self, spots: Sequence[Spot], chunk: int = 128) -> list[Spread]:
        """The same for many checks in one state, in a few array operations."""
        if not spots:
            return []
        prepared = self.prepared(spots[0].state.removed)
        network = prepared.network
        inverse = network.inverse
        if inverse is None:
            return [self.resistance(spot) for spot in spots]
        found: list[Spread] = []
        pairs = [self.probes(spot) for spot in spots]
        padded = np.concatenate([inverse, np.zeros((len(inverse), 1))], axis=1)
        with np.errstate(divide="ignore"):
            over_c = np.where(prepared.active, 1.0 / prepared.c, 0.0)
        for start in range(0, len(spots), chunk):
            part = pairs[start : start + chunk]
            nodes_i = np.array([i.node for i, _ in part])
            nodes_j = np.array([j.node for _, j in part])
            moved = padded[:, nodes_i] - padded[:, nodes_j]
            u = -np.asarray(prepared.w @ moved)
            base = np.array([network.resistance(i.node, j.node) for i, j in part])
            alphas: list[dict[int, float]] = []
            for column, (i, j) in enumerate(part):
                alpha: dict[int, float] = {}
                for probe, sign in ((i, 1.0), (j, -1.0)):
                    if probe.pin is not None and probe.pin.ref not in network.removed:
                        for index in self.edits.splits_at.get(probe.pin, ()):
                            alpha[index] = alpha.get(index, 0.0) + sign
                for index, sign in alpha.items():
                    u[index, column] += sign
                alphas.append(alpha)
            change = u * u * over_c[:, None]
            change[(change < 0) & self.edits.is_split[:, None]] = np.inf
            for column, (i, j) in enumerate(part):
                moving = self._moving(change[:, column], float(base[column]), i, j)
                ohms = np.maximum(base[column] + change[moving, column], 0.0)
                sides = np.array([alphas[column].get(int(index), 0.0) for index in moving])
                copper = self.copper(spots[start + column])
                found.append(self.spread_of(prepared, i, j, base[column], moving, ohms, sides, copper))
        return found

    def copper(self, spot: Spot) -> tuple[float, float]:
        """Ohms of the tracks that a reading runs over, and how unsure they are.

        Between two pins of one net that is the way between them; else some part of either net, to wherever
        the current leaves it.
        """
        pads = self.board.pads_of
        a, b = spot.pin_a, spot.pin_b
        if a is not None and b is not None and a in pads and b in pads and spot.net_a == spot.net_b:
            (ax, ay), (bx, by) = pads[a].at, pads[b].at
            way = abs(ax - bx) + abs(ay - by)
        else:
            way = (self._extent(spot.net_a) + self._extent(spot.net_b)) / 3.0
        ohms = TRACK_OHMS_MM * way
        return COPPER_OHMS + ohms, math.hypot(COPPER_SPREAD, ohms)

    def _extent(self, net: str | None) -> float:
        """Half the perimeter of the box around a net's pads, millimetres; 0 where they are not known."""
        if net not in self._extents:
            at = [
                self.board.pads_of[pin].at
                for pin in self.board.nets.get(net or "", ())
                if pin in self.board.pads_of
            ]
            box = np.ptp(np.array(at), axis=0).sum() if len(at) > 1 else 0.0
            self._extents[net] = float(box)
        return self._extents[net]

    def _spread(
        self,
        prepared: Prepared,
        i: Probe,
        j: Probe,
        ohms: Floats,
        sides: Floats,
        copper: tuple[float, float],
    ) -> Spread:
        base = prepared.network.resistance(i.node, j.node)
        moving = self._moving(ohms - base, base, i, j)
        return self.spread_of(prepared, i, j, base, moving, ohms[moving], sides[moving], copper)

    def _moving(self, change: Floats, base: float, i: Probe, j: Probe) -> Ints:
        """Faults that change a reading; bridges on a line read to ground always count (see ties.py)."""
        found = np.abs(change) > 0.02 * (base + KNEE_OHMS)
        if GROUND in (i.node, j.node):
            found |= self._on_line(i.node if j.node == GROUND else j.node)
        return np.flatnonzero(found)

    def _on_line(self, node: int) -> NDArray[np.bool_]:
        """The bridges with an end on a node, shape (faults,)."""
        return np.asarray(self._bridged & ((self.edits.node_a == node) | (self.edits.node_b == node)))

    def spread_of(
        self,
        prepared: Prepared,
        i: Probe,
        j: Probe,
        base: float,
        moving: Ints,
        ohms: Floats,
        sides: Floats,
        copper: tuple[float, float],
    ) -> Spread:
        """Outcome of a resistance check from the readings `ohms` under the faults `moving`.

        Parameters
        ----------
        prepared : Prepared
        i, j : Probe
        base : float
            Reading on a sound board, ohms.
        moving : ndarray of int
            Numbers of the faults.
        ohms, sides : ndarray
            For each of them: the reading, and which probe stands on a split-off side (see `Prepared.sides`).
        copper : (float, float)
            Ohms of the tracks, and their spread.
        """
        sd_ln, soft = prepared.network.spread(i.node, j.node)
        sd0 = self._sd(np.array([base]), np.array([sd_ln]), copper)[0]
        mean0 = float(self._mean(np.array([base]), copper)[0])
        edits = self.edits
        rising = ohms > base
        # Where a path is gone, what is left to measure is chips' junctions; a drifted value, or what is
        # left of a contact, has a size of its own.
        gone = rising & (edits.change_target[moving] <= 0.0)
        gone &= ~(edits.is_split[moving] & (sides != 0.0) & (edits.ohms[moving] > 0.0))
        share = np.minimum(ohms, base) / np.maximum(np.maximum(ohms, base), 1e-9)
        gain_ln = np.where(
            gone,
            (1.0 - share) * OPEN_SPREAD,
            edits.ohm_spread[moving] * self._hangs(prepared, moving, ohms, base),
        )
        # The rest of the reading runs over other parts of the board than on a sound one.
        rest = np.where(gone, share, 1.0 - gain_ln / np.maximum(edits.ohm_spread[moving], 1e-9))
        detour = DETOUR_SPREAD * soft * np.where(gone, 0.0, 1.0 - share)
        rest_ln = np.maximum(rest, 0.0) * np.hypot(sd_ln, detour)
        soft_f = np.where(gone, share * soft + (1.0 - share), np.maximum(rest, 0.0) * soft)
        mean = self._mean(ohms, copper)
        bend0, bend = 1.0 - soft, 1.0 - soft_f
        if MIXED < soft < 1.0 - MIXED:
            hard = self.without_junctions(prepared.network.removed)
            bare = hard.network.resistance(i.node, j.node)
            bend0 = float(bend_of(np.array(soft), np.array(base), np.array(bare)))
            bend = bend_of(soft_f, ohms, hard.resistances(i, j)[moving])
        keep = np.abs(mean - mean0) > LEAST_SHIFT * min(float(sd0), 1.0)
        keep &= ~((mean > self._top) & (mean0 > self._top))
        if GROUND in (i.node, j.node):
            # Bridges on the line itself stay in sight: see ties.py.
            keep |= self._on_line(i.node if j.node == GROUND else j.node)[moving]
        gain = gain_ln * self._relative(ohms, copper)
        return Spread(
            mean0,
            float(sd0),
            soft,
            moving[keep],
            mean[keep],
            self._sd(ohms, rest_ln, copper)[keep],
            soft_f[keep],
            self._top,
            gain=gain[keep],
            bend0=bend0,
            bend=bend[keep],
            copper=copper[1],
        )

    def _hangs(self, prepared: Prepared, moving: Ints, ohms: Floats, base: float) -> Floats:
        """d ln R' / d ln r: how far a reading hangs on the fault's own resistance r, between 0 and 1."""
        edits = self.edits
        own = edits.ohms[moving]
        slope = np.abs(ohms - base) / np.maximum(np.abs(prepared.c[moving]), 1e-30)
        target = edits.change_target[moving]
        with np.errstate(divide="ignore", invalid="ignore"):
            split = slope / np.maximum(own, 1e-9)
            change = target * prepared.base[moving] ** 2 * slope
            add = own * slope
            found = np.where(
                edits.is_split[moving], split, np.where(edits.change_element[moving] >= 0, change, add)
            )
        found = found / np.maximum(ohms, 1e-9)
        return np.clip(np.nan_to_num(found, nan=0.0, posinf=1.0), 0.0, 1.0)

    def _relative(self, ohms: Floats, copper: tuple[float, float]) -> Floats:
        """dx / d ln R."""
        finite = np.minimum(ohms, 1e12)
        return finite / (finite + copper[0] + self.meter.lead_ohms + KNEE_OHMS)

    def _mean(self, ohms: Floats, copper: tuple[float, float]) -> Floats:
        return log_ohms(np.minimum(ohms + copper[0] + self.meter.lead_ohms, 1e12))

    def _sd(self, ohms: Floats, sd_ln: Floats, copper: tuple[float, float]) -> Floats:
        """Spread of x: unit to unit, meter and copper together."""
        finite = np.minimum(ohms, 1e12)
        knee = finite + copper[0] + self.meter.lead_ohms + KNEE_OHMS
        relative = sd_ln * self._relative(ohms, copper)
        absolute = np.hypot(self.meter.ohm_error(np.minimum(finite, self.meter.top_ohms)), copper[1]) / knee
        return np.maximum(np.hypot(relative, absolute), 0.02)

    def likeness(self, spot: Spot) -> Likeness:
        """What a resistance reading has in common with others: its kind of line and its lines."""
        keys = []
        lines = []
        for pin, net in ((spot.pin_a, spot.net_a), (spot.pin_b, spot.net_b)):
            if net is None:
                keys.append(str(pin))
                lines.append(str(pin))
            elif net == self.board.ground or net in self.board.rails:
                keys.append(net)
            else:
                keys.append(self._line_key(net))
                lines.append(net)
        share = 1.0 if len(lines) == 1 else 0.7
        if not lines:
            lines = [net for net in (spot.net_a, spot.net_b) if net != self.board.ground and net is not None]
        return Likeness(tuple(keys), tuple((line, share) for line in lines))

    def _line_key(self, net: str) -> str:
        names = sorted(
            f"{self.board.parts[pin.ref].kind}:{self.board.kind_pin(pin).direction}"
            for pin in self.board.nets[net]
            if pin.ref in self.board.parts
        )
        return "|".join(names)

    # -- looking, feeling, smelling ------------------------------------------------------------------

    def look(self, ref: str) -> Words:
        """What is seen on looking at a part and the copper around it."""
        base = table("places")["look"]
        chance0 = np.array([0.0, *(base[word] for word in LOOKS[1:])])
        chance0[0] = 1.0 - chance0.sum()
        faults = np.array(self._by_part.get(ref, []), dtype=np.int64)
        chance = np.empty((len(faults), len(LOOKS)))
        for row, index in enumerate(faults):
            seen = self.faults[index].looks[ref]
            total = sum(seen.values())
            chance[row] = (1.0 - total) * chance0
            for word, p in seen.items():
                chance[row, LOOKS.index(word)] += p
        return Words(LOOKS, chance0, faults, chance)

    def _warmth(self, spot: Spot) -> Words:
        if spot.quantity == "smell":
            faults = np.array([i for i, f in enumerate(self.faults) if _burns(f)], dtype=np.int64)
            return Words(
                SMELLS, np.array([0.95, 0.03, 0.02]), faults, np.tile([0.55, 0.33, 0.12], (len(faults), 1))
            )
        faults = np.array(self._heat_by_part.get(spot.part, []), dtype=np.int64)
        chance0 = np.array([0.85, 0.12, 0.03])
        chance = np.array(
            [
                (1 - self.faults[i].heat[spot.part]) * chance0
                + self.faults[i].heat[spot.part] * np.array([0, 0.2, 0.8])
                for i in faults
            ]
        ).reshape(len(faults), len(HEATS))
        return Words(HEATS, chance0, faults, chance)


def _burns(fault: Fault) -> bool:
    return any(seen.get("burnt", 0.0) + seen.get("leaked", 0.0) >= 0.2 for seen in fault.looks.values())


def measured(spot: Spot, value: float | str) -> float | str:
    """A reading's value on the scale of its outcome: ln ohms for resistance, volts as they are."""
    if spot.quantity in ("resistance", "continuity") and isinstance(value, float):
        return math.inf if math.isinf(value) else float(log_ohms(value))
    return value
