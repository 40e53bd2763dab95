"""What may follow what on a tape of one encoding, as a graph whose edges are half-waves.

A path through the graph is one possible tape: leader, sync, bytes with their start, stop and parity bits. The
decoder looks for the path that explains the recording best, so that framing is used while reading.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from .encoding import Encoding, Halves

NOTHING = -1
"""What an edge says that completes no bit."""
LEADER, INSIDE, BOUNDARY, ENDED = 0, 1, 2, 3
"""Kinds of node: in the leader, inside a byte or a sync, between two bytes, after the last byte."""


@dataclass
class Grammar:
    """The graph, as arrays.

    Attributes
    ----------
    kind : int8 array (nodes,)
        `LEADER`, `INSIDE`, `BOUNDARY` or `ENDED`.
    first_edge : int32 array (nodes + 1,)
        Edges of node n are ``first_edge[n]:first_edge[n + 1]``.
    to : int32 array (edges,)
        Node that the edge leads to.
    seconds : float64 array (edges,)
        Nominal length of the half-wave.
    says : int8 array (edges,)
        Data bit that is complete at the end of this half-wave, or `NOTHING`.
    symbol : int8 array (edges,)
        Bit of the tape, be it data, start, parity or stop, that is complete at the end, or `NOTHING`.
    cost : float64 array (edges,)
        Minus the logarithm of the chance to go this way.
    sign : int8 array (edges,)
        Sign the half-wave must have, 0 for either.
    origin : int32 array (edges,)
        Node that the edge comes from.
    starts : tuple of int
        Nodes in which reading may begin.
    data_bits : int
        Bits in a byte.
    """

    kind: npt.NDArray[np.int8]
    first_edge: npt.NDArray[np.int32]
    to: npt.NDArray[np.int32]
    seconds: npt.NDArray[np.float64]
    says: npt.NDArray[np.int8]
    symbol: npt.NDArray[np.int8]
    cost: npt.NDArray[np.float64]
    sign: npt.NDArray[np.int8]
    origin: npt.NDArray[np.int32]
    length_class: npt.NDArray[np.int32]
    starts: tuple[int, ...]
    data_bits: int


@dataclass
class _Edge:
    origin: int
    to: int
    seconds: float
    says: int = NOTHING
    cost: float = 0.0
    sign: int = 0
    symbol: int = NOTHING


@dataclass
class _Maker:
    kinds: list[int] = field(default_factory=list)
    edges: list[_Edge] = field(default_factory=list)

    def node(self, kind: int = INSIDE) -> int:
        self.kinds.append(kind)
        return len(self.kinds) - 1

    def row(
        self,
        origin: int,
        halves: Halves,
        to: int,
        says: int = NOTHING,
        cost: float = 0.0,
        sign: int = 0,
        symbol: int = NOTHING,
    ) -> None:
        """Lay a row of half-waves from one node to another."""
        at = origin
        for number, seconds in enumerate(halves):
            last = number == len(halves) - 1
            following = to if last else self.node()
            self.edges.append(
                _Edge(
                    at, following, seconds, says if last else NOTHING,
                    cost if number == 0 else 0.0, sign, symbol if last else NOTHING,
                )
            )  # fmt: skip
            at = following
            sign = -sign


LEAVE_LEADER = 6.0
IDLE = 5.0
STOP_EARLY = 3.0


def grammar_of(encoding: Encoding) -> Grammar:
    """Make the graph of an encoding."""
    maker = _Maker()
    starts = _phase(maker, encoding) if encoding.is_phase else _waves(maker, encoding)
    edges = sorted(range(len(maker.edges)), key=lambda e: maker.edges[e].origin)
    rows = [maker.edges[e] for e in edges]
    counts = np.bincount([r.origin for r in rows], minlength=len(maker.kinds))
    lengths = encoding.lengths
    return Grammar(
        kind=np.array(maker.kinds, np.int8),
        first_edge=np.concatenate(([0], np.cumsum(counts))).astype(np.int32),
        to=np.array([r.to for r in rows], np.int32),
        seconds=np.array([r.seconds for r in rows]),
        says=np.array([r.says for r in rows], np.int8),
        symbol=np.array([r.symbol for r in rows], np.int8),
        cost=np.array([r.cost for r in rows]),
        sign=np.array([r.sign for r in rows], np.int8),
        origin=np.array([r.origin for r in rows], np.int32),
        length_class=np.array(
            [min(range(len(lengths)), key=lambda k: abs(lengths[k] - r.seconds)) for r in rows], np.int32
        ),
        starts=tuple(starts),
        data_bits=encoding.data_bits,
    )


def _waves(maker: _Maker, encoding: Encoding) -> list[int]:
    """Encodings in which a bit is a row of half-waves whatever stands beside it."""
    symbol = {"0": encoding.zero, "1": encoding.one}
    boundary = maker.node(BOUNDARY)
    first = boundary  # where the first byte begins
    # Decks turn the signal over: which half comes first is found, not demanded.

    def bits(origin: int, text: str, to: int, cost: float = 0.0) -> None:
        at = origin
        for number, bit in enumerate(text):
            following = to if number == len(text) - 1 else maker.node()
            maker.row(at, symbol[bit], following, cost=cost if number == 0 else 0.0, symbol=int(bit))
            at = following

    if encoding.preamble:
        first = maker.node()
        bits(first, encoding.preamble, boundary)

    leader = maker.node(LEADER)
    if encoding.leader:
        if max(encoding.leader) < 1.001 * min(encoding.leader):
            maker.edges.append(_Edge(leader, leader, encoding.leader[0]))
        else:
            maker.row(leader, encoding.leader, leader)
        if encoding.sync:
            maker.row(leader, encoding.sync, first, cost=LEAVE_LEADER)
    tail = encoding.stop

    def byte_from(origin: int, cost: float, to: int) -> None:
        at = origin
        if encoding.marker:
            data = maker.node()
            maker.row(at, encoding.marker, data, cost=cost)
            at, cost = data, 0.0
        if encoding.start:
            data = maker.node()
            bits(at, encoding.start, data, cost=cost)
            at, cost = data, 0.0
        # One row of nodes a parity of the bits so far.
        now = {0: at}
        for number in range(encoding.data_bits):
            last = number == encoding.data_bits - 1
            done = last and encoding.parity == "none" and not tail
            parities = {0} if encoding.parity == "none" else {p ^ b for p in now for b in (0, 1)}
            following = {p: to if done else maker.node() for p in parities}
            for parity, node in now.items():
                for bit in (0, 1):
                    target = following[0 if encoding.parity == "none" else parity ^ bit]
                    maker.row(node, symbol[str(bit)], target, says=bit, cost=cost, symbol=bit)
            cost = 0.0
            now = following
        if encoding.parity != "none":
            after = maker.node() if tail else to
            for parity, node in now.items():
                bit = parity if encoding.parity == "even" else 1 - parity
                maker.row(node, symbol[str(bit)], after, symbol=bit)
            now = {0: after}
        if tail:
            bits(now[0], tail, to)

    byte_from(boundary, 0.0, boundary)
    if encoding.leader and not encoding.sync:
        # Ways out of the leader are those out of the first byte's place, which is not in a leader.
        for edge in [e for e in maker.edges if e.origin == first]:
            maker.edges.append(replace(edge, origin=leader, cost=edge.cost + LEAVE_LEADER))
    if encoding.idle and encoding.leader:
        edges = [e for e in maker.edges if e.origin == leader and e.to == leader]
        for edge in edges:
            maker.edges.append(_Edge(boundary, leader, edge.seconds, cost=IDLE, sign=edge.sign))
    if encoding.trailer or encoding.postamble:
        ended = maker.node(ENDED)
        at = boundary
        if encoding.postamble:
            after = maker.node() if encoding.trailer else ended
            bits(at, encoding.postamble, after, cost=STOP_EARLY)
            at = after
        if encoding.trailer:
            maker.row(at, encoding.trailer, ended, cost=STOP_EARLY if at == boundary else 0.0)
    return [leader] if encoding.leader else [first]


def _phase(maker: _Maker, encoding: Encoding) -> list[int]:
    """Phase encoding: from the transition in the middle of a cell to that of the next.

    A node stands just after a mid-cell transition, knows the bit that it carried and its place in the frame.
    An equal bit follows after two half-waves of half a cell, another bit after one of a whole cell. The sign
    of the signal after the transition is the bit itself.
    """
    cell, half = encoding.cell, encoding.cell / 2

    def sign_after(bit: int) -> int:
        return 1 if (bit == 1) == encoding.one_rises else -1

    def step(origin: int, bit: int, following: int, next_bit: int, says: int, cost: float = 0.0) -> None:
        halves = (half, half) if bit == next_bit else (cell,)
        maker.row(origin, halves, following, says=says, cost=cost, sign=sign_after(bit), symbol=next_bit)

    boundary = [maker.node(BOUNDARY), maker.node(BOUNDARY)]  # after the last bit of a byte, by that bit
    starts: list[int] = []
    preamble = [int(bit) for bit in encoding.preamble]
    place = [maker.node() for _ in preamble[:-1]] + [boundary[preamble[-1]]] if preamble else []
    for at in range(len(preamble) - 1):
        step(place[at], preamble[at], place[at + 1], preamble[at + 1], NOTHING)
    # Reading may begin a few bits into the preamble: the first transitions after silence are often lost.
    starts = place[: max(1, len(preamble) // 2)]
    now = [(boundary[b], b) for b in (0, 1)]
    frame: list[tuple[str, int]] = [("start", int(b)) for b in encoding.start]
    frame += [("data", -1)] * encoding.data_bits
    frame += [("stop", int(b)) for b in encoding.stop]
    for number, (what, fixed) in enumerate(frame):
        last = number == len(frame) - 1
        options = (0, 1) if what == "data" else (fixed,)
        following = {b: boundary[b] if last else maker.node() for b in options}
        for node, bit in now:
            for next_bit in options:
                step(node, bit, following[next_bit], next_bit, next_bit if what == "data" else NOTHING)
        now = [(following[b], b) for b in options]
    if encoding.postamble:
        ended = maker.node(ENDED)
        bits = [int(b) for b in encoding.postamble]
        rows = [maker.node() for _ in bits[:-1]] + [ended]
        for b in (0, 1):
            step(boundary[b], b, rows[0], bits[0], NOTHING, cost=STOP_EARLY)
        for at in range(len(bits) - 1):
            step(rows[at], bits[at], rows[at + 1], bits[at + 1], NOTHING)
    return starts
