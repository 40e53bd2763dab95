"""The unpowered board as a linear network, and every single fault as a rank-one edit of it.

With G the nodal conductance matrix against ground and Z its inverse, the resistance between nodes i and
j is e_ij^T Z e_ij. Each edit has a sparse vector w and a scalar c so that the edited reading is

    R' = R + (alpha - w^T Z e_ij)^2 / c

* a resistor r added between a and b:    w = e_a - e_b,  c = -(r + w^T Z w)
* an element of conductance g changed by d: the same with r = 1/d (d = -g takes it out)
* pins S split off their net n (an open): w = sum over the elements at S of g (e_n - e_other),
  c = sum of g + 1/r - w^T Z w, with r what is left of the contact, and alpha is +1 or -1 if just one probe
  stands on the split-off side.

The first two are the Sherman-Morrison formula; the third follows from putting
a voltage source into the broken joint and setting its current to zero. Two edits at once need a
2 x 2 solve only. Nothing is refactorised for a fault.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse.linalg import splu

from ..board import Board, Pin
from .elements import LEAK_SIEMENS, Element, elements

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

GROUND = -1
DENSE_NODES = 2500
"""Up to this many nodes the inverse is kept whole; above, columns are solved when asked for."""


@dataclass(frozen=True, slots=True)
class Edit:
    """What one fault does to the linear network.

    Attributes
    ----------
    action : str
        ``add`` (a resistance of `ohms` between `a` and `b`), ``change`` (the element between `a`
        and `b` of `part` gets `ohms`; infinite takes it out), ``split`` (`pins` come off their net, or
        hang on it by `ohms` if that is above zero) or ``none``.
    spread : float
        Standard deviation of the logarithm of `ohms`.
    part : str
        Reference of the part that the edit is inside of; pulling the part undoes it. Empty if it stays.
    """

    action: str = "none"
    a: Pin | None = None
    b: Pin | None = None
    ohms: float = 0.0
    spread: float = 0.0
    pins: frozenset[Pin] = frozenset()
    part: str = ""
    net_a: str = ""
    net_b: str = ""


@dataclass(frozen=True, slots=True)
class Probe:
    """Where a probe stands: a node of the network, and the pin if one was named."""

    node: int
    pin: Pin | None = None


class Frame:
    """Everything about a board's network that does not depend on the state: nodes and elements.

    Parameters
    ----------
    board : Board
    """

    def __init__(self, board: Board) -> None:
        self.board = board
        self.node_of_net: dict[str, int] = {}
        for net in board.nets:
            self.node_of_net[net] = (
                GROUND if net == board.ground else len(self.node_of_net) - (board.ground in self.node_of_net)
            )
        self.node_of_net.setdefault(board.ground, GROUND)
        count = 1 + max(self.node_of_net.values(), default=-1)
        self.pin_node: dict[Pin, int] = {pin: self.node_of_net[net] for pin, net in board.net_of.items()}
        for pins in board.pins_of.values():
            for pin in pins:
                if pin not in self.pin_node:
                    self.pin_node[pin] = count
                    count += 1
        self.node_count = count
        self.pins: list[Pin] = list(self.pin_node)
        self.pin_index: dict[Pin, int] = {pin: index for index, pin in enumerate(self.pins)}
        self.node_at_pin = np.array([self.pin_node[pin] for pin in self.pins], dtype=np.int64)
        self.elements: tuple[Element, ...] = elements(board)
        self.element_a = np.array([self.pin_index[e.a] for e in self.elements], dtype=np.int64)
        self.element_b = np.array([self.pin_index[e.b] for e in self.elements], dtype=np.int64)
        self.siemens = np.array([1.0 / e.ohms for e in self.elements], dtype=float)
        self.spread = np.array([e.spread for e in self.elements], dtype=float)
        self.soft = np.array([e.soft for e in self.elements], dtype=bool)
        refs = {ref: index for index, ref in enumerate(board.parts)}
        self.part_number = refs
        self.pin_part = np.array([refs.get(pin.ref, -1) for pin in self.pins], dtype=np.int64)
        self.element_part = np.array([refs.get(e.part, -1) for e in self.elements], dtype=np.int64)
        self.element_between: dict[tuple[Pin, Pin], int] = {}
        for index, element in enumerate(self.elements):
            self.element_between[element.a, element.b] = index
            self.element_between[element.b, element.a] = index

    def probe(self, pin: Pin | None, net: str | None) -> Probe:
        """Where a probe on a pin, or anywhere on a net, stands."""
        if pin is not None and pin in self.pin_node:
            return Probe(self.pin_node[pin], pin)
        if net is not None:
            return Probe(self.node_of_net[net])
        raise KeyError(pin)


def factorised(conductance: sparse.csc_matrix) -> Any:
    """LU factors of a nodal conductance matrix, ordered for symmetry; the diagonal needs no pivoting."""
    return splu(
        conductance, permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0, options={"SymmetricMode": True}
    )


class Network:
    """The unpowered network of one board state.

    Parameters
    ----------
    frame : Frame
        The board's nodes and elements.
    removed : iterable of str
        References of the parts that are out.
    """

    def __init__(self, frame: Frame, removed: Iterable[str] = ()) -> None:
        self.frame = frame
        self.removed = frozenset(removed)
        gone = [frame.part_number[ref] for ref in self.removed if ref in frame.part_number]
        self.gone = np.array(gone, dtype=np.int64)
        self.present = (
            ~np.isin(frame.element_part, gone) if gone else np.ones(len(frame.elements), dtype=bool)
        )
        self.siemens = np.where(self.present, frame.siemens, 0.0)
        self.node_a = (
            frame.node_at_pin[frame.element_a] if len(frame.elements) else np.zeros(0, dtype=np.int64)
        )
        self.node_b = (
            frame.node_at_pin[frame.element_b] if len(frame.elements) else np.zeros(0, dtype=np.int64)
        )
        self._columns: dict[int, Floats] = {}

    @cached_property
    def conductance(self) -> sparse.csc_matrix:
        """Nodal conductance matrix against ground, shape (nodes, nodes), siemens."""
        n = self.frame.node_count
        rows: list[Ints] = []
        columns: list[Ints] = []
        values: list[Floats] = []

        def stamp(i: Ints, j: Ints, g: Floats) -> None:
            rows.append(i)
            columns.append(j)
            values.append(g)

        live = self.siemens > 0.0
        a, b, g = self.node_a[live], self.node_b[live], self.siemens[live]
        different = a != b
        a, b, g = a[different], b[different], g[different]
        for i in (a, b):
            grounded = i >= 0
            stamp(i[grounded], i[grounded], g[grounded])
        both = (a >= 0) & (b >= 0)
        stamp(a[both], b[both], -g[both])
        stamp(b[both], a[both], -g[both])
        leak_nodes = self.frame.node_at_pin[self.frame.node_at_pin >= 0]
        stamp(leak_nodes, leak_nodes, np.full(len(leak_nodes), LEAK_SIEMENS))
        bare = np.setdiff1d(np.arange(n), leak_nodes)
        stamp(bare, bare, np.full(len(bare), LEAK_SIEMENS))
        return sparse.csc_matrix(
            (np.concatenate(values), (np.concatenate(rows), np.concatenate(columns))), shape=(n, n)
        )

    @cached_property
    def inverse(self) -> Floats | None:
        """Z, shape (nodes, nodes), ohms; None above `DENSE_NODES`."""
        n = self.frame.node_count
        if n > DENSE_NODES:
            return None
        # Sparse, because a board fills in little; and a dense factorisation's threads get in each other's
        # way on a machine that has other work.
        inverse = self._factor.solve(np.eye(n))
        return np.ascontiguousarray(0.5 * (inverse + inverse.T))

    @cached_property
    def _factor(self) -> Any:
        return factorised(self.conductance)

    def solve(self, currents: Floats) -> Floats:
        """Node voltages for injected currents; shape (nodes,) or (nodes, k)."""
        if self.inverse is not None:
            return np.asarray(self.inverse @ currents)
        return np.asarray(self._factor.solve(currents))

    def column(self, node: int) -> Floats:
        """Voltages of all nodes for one ampere into `node`, shape (nodes,)."""
        if node == GROUND:
            return np.zeros(self.frame.node_count)
        if self.inverse is not None:
            return np.asarray(self.inverse[:, node])
        found = self._columns.get(node)
        if found is None:
            unit = np.zeros(self.frame.node_count)
            unit[node] = 1.0
            found = self.solve(unit)
            self._columns[node] = found
        return found

    def difference(self, i: int, j: int) -> Floats:
        """Z (e_i - e_j), shape (nodes,)."""
        return self.column(i) - self.column(j)

    def resistance(self, i: int, j: int) -> float:
        """Resistance between two nodes of the sound board, ohms. `GROUND` is -1."""
        if i == j:
            return 0.0
        v = self.difference(i, j)
        return _at(v, i) - _at(v, j)

    def spread(self, i: int, j: int) -> tuple[float, float]:
        """How much the resistance between two nodes varies from unit to unit.

        Returns
        -------
        (float, float)
            Standard deviation of its logarithm from the elements' own spreads, and the share of it
            that hangs on chips' junctions. First order: dR/dr_k = i_k^2 for unit current.
        """
        if i == j:
            return 0.0, 0.0
        v = self.difference(i, j)
        ohms = _at(v, i) - _at(v, j)
        across = _across(v, self.node_a, self.node_b)
        share = self.siemens * across * across / max(ohms, 1e-12)
        return float(np.sqrt(np.sum((share * self.frame.spread) ** 2))), float(np.sum(share[self.frame.soft]))

    def to_ground(self) -> Floats:
        """Resistance from every node to ground, shape (nodes,), ohms."""
        if self.inverse is not None:
            return np.asarray(np.diag(self.inverse).copy())
        return np.array([self.resistance(node, GROUND) for node in range(self.frame.node_count)])

    def prepare(self, edits: Sequence[Edit]) -> Prepared:
        """Get a list of edits ready for prediction in this state."""
        return Prepared(self, edits)


class EditTable:
    """The state-independent part of a list of edits: which pins and elements each one touches."""

    def __init__(self, frame: Frame, edits: Sequence[Edit]) -> None:
        self.frame = frame
        self.count = len(edits)
        rows: list[int] = []
        columns: list[int] = []
        values: list[float] = []
        self.base = np.full(self.count, np.inf)
        self.part = np.full(self.count, -1, dtype=np.int64)
        self.ohms = np.zeros(self.count)
        self.node_a = np.full(self.count, GROUND - 1, dtype=np.int64)
        self.node_b = np.full(self.count, GROUND - 1, dtype=np.int64)
        self.ohm_spread = np.zeros(self.count)
        self.change_element = np.full(self.count, -1, dtype=np.int64)
        self.change_target = np.zeros(self.count)
        member_rows: list[int] = []
        member_columns: list[int] = []
        self.is_split = np.zeros(self.count, dtype=bool)
        self.splits_at: dict[Pin, list[int]] = {}
        self.ends: list[tuple[Pin | None, Pin | None]] = [(edit.a, edit.b) for edit in edits]
        for index, edit in enumerate(edits):
            self.part[index] = frame.part_number.get(edit.part, -1)
            self.ohm_spread[index] = edit.spread
            self.ohms[index] = edit.ohms
            if edit.action == "add":
                node_a = _node(frame, edit.a, edit.net_a)
                node_b = _node(frame, edit.b, edit.net_b)
                self.base[index] = edit.ohms
                self.node_a[index], self.node_b[index] = node_a, node_b
                if node_a == node_b:
                    self.base[index] = np.inf
                    continue
                for node, sign in ((node_a, 1.0), (node_b, -1.0)):
                    if node >= 0:
                        rows.append(index)
                        columns.append(node)
                        values.append(sign)
            elif edit.action == "change" and edit.a is not None and edit.b is not None:
                element = frame.element_between.get((edit.a, edit.b))
                if element is None:
                    continue
                self.change_element[index] = element
                self.change_target[index] = 0.0 if np.isinf(edit.ohms) else 1.0 / edit.ohms
                for node, sign in ((frame.pin_node[edit.a], 1.0), (frame.pin_node[edit.b], -1.0)):
                    if node >= 0:
                        rows.append(index)
                        columns.append(node)
                        values.append(sign)
            elif edit.action == "split":
                self.is_split[index] = True
                for pin in edit.pins:
                    member_rows.append(index)
                    member_columns.append(frame.pin_index[pin])
                    self.splits_at.setdefault(pin, []).append(index)
        self.direct = sparse.csr_matrix((values, (rows, columns)), shape=(self.count, frame.node_count))
        self.members = sparse.csr_matrix(
            (np.ones(len(member_rows)), (member_rows, member_columns)), shape=(self.count, len(frame.pins))
        )


def _node(frame: Frame, pin: Pin | None, net: str) -> int:
    return frame.pin_node[pin] if pin is not None else frame.node_of_net[net]


class Prepared:
    """Edits ready for prediction in one state.

    Attributes
    ----------
    w : csr_matrix
        Shape (edits, nodes).
    c : ndarray
        Shape (edits,); infinite where the edit does nothing in this state.
    """

    def __init__(self, network: Network, edits: Sequence[Edit] | EditTable) -> None:
        self.network = network
        frame = network.frame
        table = edits if isinstance(edits, EditTable) else EditTable(frame, edits)
        self.table = table
        base = table.base.copy()
        changed = np.flatnonzero(table.change_element >= 0)
        if len(changed):
            now = network.siemens[table.change_element[changed]]
            step = table.change_target[changed] - now
            with np.errstate(divide="ignore"):
                base[changed] = np.where((step != 0.0) & (now > 0.0), 1.0 / step, np.inf)
        w = table.direct
        if table.members.nnz:
            at_pins, siemens_at_pin = self._pin_matrix()
            gone_pin = np.array([pin.ref in network.removed for pin in frame.pins], dtype=float)
            live = sparse.diags_array(1.0 - gone_pin).tocsr() if network.removed else None
            members = table.members if live is None else sparse.csr_matrix(table.members @ live)
            members.eliminate_zeros()
            w = sparse.csr_matrix(w + members @ at_pins)
            total = members @ siemens_at_pin
            total -= self._inside(members)
            alive = np.asarray(members.sum(axis=1)).ravel() > 0
            bypass = np.zeros(table.count)
            np.divide(1.0, table.ohms, out=bypass, where=table.is_split & (table.ohms > 0.0))
            base = np.where(table.is_split, np.where(alive, -(total + bypass), np.inf), base)
        if network.removed:
            gone = [frame.part_number[ref] for ref in network.removed if ref in frame.part_number]
            base = np.where(np.isin(table.part, gone) & ~table.is_split, np.inf, base)
        self.w: sparse.csr_matrix = w
        self.base = base
        self.active = np.isfinite(base)

    @cached_property
    def c(self) -> Floats:
        c = -(self.base + self.quadratic())
        # An open that leaves nothing behind it gives c = 0 but for rounding, on either side of zero.
        c = np.where(self.base < 0.0, np.maximum(c, 1e-13 * np.abs(self.base)), c)
        return np.where(self.active, c, np.inf)

    def _pin_matrix(self) -> tuple[sparse.csr_matrix, Floats]:
        """For every pin, the vector w and the total conductance that it would carry away."""
        net = self.network
        frame = net.frame
        g = net.siemens
        pins = np.concatenate([frame.element_a, frame.element_b])
        own = np.concatenate([net.node_a, net.node_b])
        other = np.concatenate([net.node_b, net.node_a])
        g2 = np.concatenate([g, g])
        leak_pins = np.arange(len(frame.pins))
        rows = np.concatenate([pins, pins, leak_pins])
        columns = np.concatenate([own, other, frame.node_at_pin])
        values = np.concatenate([g2, -g2, np.full(len(leak_pins), LEAK_SIEMENS)])
        keep = (columns >= 0) & (values != 0.0)
        matrix = sparse.csr_matrix(
            (values[keep], (rows[keep], columns[keep])), shape=(len(frame.pins), frame.node_count)
        )
        total = np.bincount(pins, weights=g2, minlength=len(frame.pins)).astype(np.float64) + LEAK_SIEMENS
        return matrix, total

    def _inside(self, members: sparse.csr_matrix) -> Floats:
        """Conductance counted twice because an element has both ends among the split-off pins."""
        net = self.network
        frame = net.frame
        same = np.flatnonzero((net.node_a == net.node_b) & (net.siemens > 0.0))
        extra = np.zeros(members.shape[0])
        for element in same:
            a = members[:, [frame.element_a[element]]].toarray().ravel()
            b = members[:, [frame.element_b[element]]].toarray().ravel()
            extra += 2.0 * net.siemens[element] * a * b
        return extra

    def quadratic(self) -> Floats:
        """w^T Z w for every edit, shape (edits,)."""
        net = self.network
        count = self.w.shape[0]
        found = np.zeros(count)
        inverse = net.inverse
        step = 512
        for start in range(0, count, step):
            part = self.w[start : start + step]
            moved = part @ inverse if inverse is not None else net.solve(part.T.toarray()).T
            found[start : start + step] = np.asarray(part.multiply(moved).sum(axis=1)).ravel()
        # A link of a few milliohms on a net of many megohms loses its digits in the difference; one
        # step of iterative refinement brings them back.
        weight = np.asarray(abs(self.w).max(axis=1).toarray()).ravel() if count else np.zeros(0)
        highest = np.asarray(
            abs(self.w).sign().multiply(net.to_ground()[None, :]).max(axis=1).toarray()
        ).ravel()
        with np.errstate(invalid="ignore"):
            lost = self.active & (1e-16 * weight**2 * highest > 1e-9 * np.abs(self.base + found))
        for start in range(0, np.count_nonzero(lost), step):
            rows = np.flatnonzero(lost)[start : start + step]
            target = self.w[rows].toarray().T
            moved = net.solve(target)
            moved = moved + net.solve(target - net.conductance @ moved)
            found[rows] = np.sum(target * moved, axis=0)
        return found

    def sides(self, i: Probe, j: Probe) -> Floats:
        """alpha for every edit: which probe stands on the split-off side, shape (edits,)."""
        alpha = np.zeros(self.table.count)
        for probe, sign in ((i, 1.0), (j, -1.0)):
            if probe.pin is not None and probe.pin.ref not in self.network.removed:
                for index in self.table.splits_at.get(probe.pin, ()):
                    alpha[index] += sign
        return alpha

    def reach(self, i: Probe, j: Probe) -> Floats:
        """u = alpha - w^T Z e_ij for every edit, shape (edits,)."""
        psi = self.w @ self.network.difference(i.node, j.node)
        return np.asarray(self.sides(i, j) - psi)

    def resistances(self, i: Probe, j: Probe) -> Floats:
        """The reading between two probes under each edit, shape (edits,), ohms; never negative."""
        ohms = self.network.resistance(i.node, j.node)
        u = self.reach(i, j)
        with np.errstate(divide="ignore", invalid="ignore"):
            change = np.where(self.active, u * u / self.c, 0.0)
        change = np.where(np.isnan(change) | ((u != 0) & (self.c == 0)), np.inf, change)
        return np.maximum(ohms + change, 0.0)

    def all_to_ground(self) -> Floats:
        """Readings from every node to ground under every edit, shape (edits, nodes), ohms.

        Probes are on the nets' main sides, away from split-off pins.
        """
        net = self.network
        inverse = net.inverse
        psi = np.asarray(self.w @ inverse) if inverse is not None else net.solve(self.w.T.toarray()).T
        np.square(psi, out=psi)
        with np.errstate(divide="ignore"):
            psi *= np.where(self.active, 1.0 / self.c, 0.0)[:, None]
        psi += net.to_ground()[None, :]
        return psi

    def pair_resistance(self, first: int, second: int, i: Probe, j: Probe) -> float:
        """The reading with two edits at once: a 2 x 2 solve."""
        ohms = self.network.resistance(i.node, j.node)
        kept = [index for index in (first, second) if self.active[index]]
        if not kept:
            return ohms
        w = self.w[kept].toarray()
        u = np.array([self.sides(i, j)[index] for index in kept]) - w @ self.network.difference(
            i.node, j.node
        )
        matrix = np.diag(self.c[kept])
        if len(kept) == 2:
            cross = -float(w[0] @ self.network.solve(w[1])) + self._meets(kept[0], kept[1])
            matrix[0, 1] = matrix[1, 0] = cross
        try:
            change = float(u @ np.linalg.solve(matrix, u))
        except np.linalg.LinAlgError:
            return np.inf
        value = ohms + change
        # Below zero is no resistance: a piece was left with nothing but rounding behind it.
        return np.inf if not np.isfinite(value) or value < -1e-6 * ohms - 1e-9 else max(value, 0.0)

    def _meets(self, first: int, second: int) -> float:
        """What two faults have in common besides the network: how one hangs on the other's split-off side."""
        table = self.table
        if table.is_split[first] and table.is_split[second]:
            net, frame = self.network, self.network.frame
            sides = []
            for number in (first, second):
                side = np.zeros(len(frame.pins))
                side[table.members[[number]].indices] = 1.0
                sides.append(side * ~np.isin(frame.pin_part, net.gone))
            one, other = sides
            across = (one[frame.element_a] - one[frame.element_b]) * (
                other[frame.element_a] - other[frame.element_b]
            )
            return float(net.siemens @ across + LEAK_SIEMENS * (one @ other))
        if table.is_split[first] == table.is_split[second]:
            return 0.0
        split, other_edit = (first, second) if table.is_split[first] else (second, first)
        a, b = table.ends[other_edit]
        meets = 0.0
        if a is not None and split in table.splits_at.get(a, ()):
            meets += 1.0
        if b is not None and split in table.splits_at.get(b, ()):
            meets -= 1.0
        return meets


def _at(v: Floats, node: int) -> float:
    return float(v[node]) if node >= 0 else 0.0


def _across(v: Floats, a: Ints, b: Ints) -> Floats:
    at_a = np.where(a >= 0, v[np.maximum(a, 0)], 0.0) if len(v) else np.zeros(len(a))
    at_b = np.where(b >= 0, v[np.maximum(b, 0)], 0.0) if len(v) else np.zeros(len(b))
    return np.asarray(at_a - at_b)
