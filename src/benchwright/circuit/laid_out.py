"""A board state laid out whole: every node, element, leak and junction after parts are out and faults are in.

Slow and plain on purpose. The export writes it, and the fast rank-one predictions are judged by it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..board import Pin
from .elements import LEAK_SIEMENS
from .network import GROUND, Edit, Frame, Probe

Floats = NDArray[np.float64]


class Branch(NamedTuple):
    """A resistance between two nodes, with what it stands for."""

    a: int
    b: int
    ohms: float
    label: str


@dataclass
class LaidOut:
    """A network with nothing left to work out.

    Attributes
    ----------
    names : list of str
        Name of each node: its net, its pin if it is on no net, or the net with what came off it.
    node_of : dict of Pin to int
        Where each pin is; `GROUND` is -1.
    branches : list of Branch
        Elements, bridges and what is left of a broken contact.
    leaks : list of (int, str)
        Nodes that leak to ground by `LEAK_SIEMENS`, one entry per pin or bare net.
    dead : set of (Pin, Pin)
        Pairs of pins whose element was taken out, and with it any junction between them.
    """

    frame: Frame
    removed: frozenset[str]
    names: list[str]
    node_of: dict[Pin, int]
    branches: list[Branch] = field(default_factory=list)
    leaks: list[tuple[int, str]] = field(default_factory=list)
    dead: set[tuple[Pin, Pin]] = field(default_factory=set)

    def node(self, probe: Probe) -> int:
        """The node a probe stands on."""
        return probe.node if probe.pin is None else self.node_of[probe.pin]

    def conductance(self) -> Floats:
        """Nodal conductance matrix against ground, shape (nodes, nodes), siemens."""
        n = len(self.names)
        matrix = np.zeros((n, n))
        for a, b, ohms, _ in self.branches:
            stamp(matrix, a, b, 1.0 / ohms)
        for node, _ in self.leaks:
            stamp(matrix, node, GROUND, LEAK_SIEMENS)
        return matrix

    def resistance(self, i: Probe, j: Probe) -> float:
        """Resistance between two probes, by a plain solve, ohms."""
        a, b = self.node(i), self.node(j)
        if a == b:
            return 0.0
        current = np.zeros(len(self.names))
        if a >= 0:
            current[a] += 1.0
        if b >= 0:
            current[b] -= 1.0
        v = np.linalg.solve(self.conductance(), current)
        return float((v[a] if a >= 0 else 0.0) - (v[b] if b >= 0 else 0.0))


def stamp(matrix: Floats, a: int, b: int, siemens: float) -> None:
    """Put a conductance between two nodes into a nodal matrix."""
    if a == b:
        return
    if a >= 0:
        matrix[a, a] += siemens
    if b >= 0:
        matrix[b, b] += siemens
    if a >= 0 and b >= 0:
        matrix[a, b] -= siemens
        matrix[b, a] -= siemens


def lay_out(frame: Frame, removed: Iterable[str] = (), edits: Sequence[Edit] = ()) -> LaidOut:
    """Lay out a board with parts out and faults in.

    Parameters
    ----------
    frame : Frame
    removed : iterable of str
        References of parts that are out. Their pads stay.
    edits : sequence of Edit
        Any number of faults at once.
    """
    gone = frozenset(removed)
    names = [""] * frame.node_count
    for net, node in frame.node_of_net.items():
        if node >= 0:
            names[node] = net
    for pin, node in frame.pin_node.items():
        if node >= 0 and not names[node]:
            names[node] = str(pin)
    laid = LaidOut(frame, gone, names, dict(frame.pin_node))
    for edit in edits:
        if edit.action == "split":
            _split(laid, edit)
    target: dict[int, float] = {}
    for edit in edits:
        if edit.action == "change" and edit.a is not None and edit.b is not None:
            index = frame.element_between.get((edit.a, edit.b))
            if index is not None:
                target[index] = edit.ohms
                if math.isinf(edit.ohms):
                    laid.dead |= {(edit.a, edit.b), (edit.b, edit.a)}
    for index, element in enumerate(frame.elements):
        if element.part in gone:
            continue
        ohms = target.get(index, element.ohms)
        a, b = laid.node_of[element.a], laid.node_of[element.b]
        if a != b and math.isfinite(ohms):
            laid.branches.append(Branch(a, b, ohms, f"{element.part}: {element.a} to {element.b}"))
    for edit in edits:
        if edit.action == "add" and edit.part not in gone:
            a = laid.node_of[edit.a] if edit.a is not None else frame.node_of_net[edit.net_a]
            b = laid.node_of[edit.b] if edit.b is not None else frame.node_of_net[edit.net_b]
            if a != b:
                laid.branches.append(
                    Branch(a, b, edit.ohms, f"fault: {edit.a or edit.net_a} joined to {edit.b or edit.net_b}")
                )
    wired = set()
    for pin in frame.pins:
        node = laid.node_of[pin]
        if node >= 0:
            laid.leaks.append((node, str(pin)))
            wired.add(node)
    laid.leaks.extend((node, laid.names[node]) for node in range(frame.node_count) if node not in wired)
    return laid


def _split(laid: LaidOut, edit: Edit) -> None:
    pins = sorted(pin for pin in edit.pins if comes_off(edit, pin, laid.removed))
    if not pins:
        return
    off = len(laid.names)
    where = laid.node_of[pins[0]]
    name = laid.names[where] if where >= 0 else laid.frame.board.ground
    laid.names.append(f"{name} at {' '.join(map(str, pins))}")
    for pin in pins:
        laid.node_of[pin] = off
    if edit.ohms > 0.0:
        laid.branches.append(Branch(where, off, edit.ohms, "fault: what is left of the contact"))


def comes_off(edit: Edit, pin: Pin, removed: frozenset[str]) -> bool:
    """Whether a split takes this pin along in this state: the pads of a pulled part do not count."""
    return pin.ref not in removed
