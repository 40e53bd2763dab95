"""Follows all readings of a stretch of tape at once, each with its own idea of the speed.

A hypothesis stands at the end of a half-wave. It knows its place in the grammar, its estimate of when that
half-wave ended and of the tape's speed (a Kalman filter of its own), and what it cost to get there. Of two
that stand at the same place in the grammar at the same time the better one goes on; the other is remembered
as its rival.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .conditioned import Window
from .grammar import BOUNDARY, ENDED, LEADER, Grammar
from .kernels import common_ancestor, follow, path_to, rivals, shift_arena

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int32]

USED_UP, NOTHING_LEFT, FULL = 0, 1, 2


@dataclass(frozen=True)
class Seed:
    """Where reading may begin: a node, a crossing, the sign after it, and the speed.

    `period` is the length of a half-wave against its nominal length: 1.1 on a slow tape.
    """

    node: int
    time: float
    sign: int
    period: float
    uncertain: float = 0.02
    cost: float = 0.0


@dataclass(frozen=True)
class Settings:
    """How to follow.

    Attributes
    ----------
    noise : float
        Standard deviation of the noise in the conditioned signal.
    amplitude : float
        Usual amplitude of the wave there.
    jitter : float
        Standard deviation of a crossing in shares of the shortest half-wave, apart from noise.
    drift : float
        Variance of the speed's random walk, per second.
    beam : float
        Hypotheses that cost this much more than the best are dropped, in nats.
    coast : float
        Cost of a half-wave that ends without a crossing.
    worst : float
        Most that one half-wave may cost.
    slowest, fastest : float
        Range of speeds.
    polarity : int
        1, or -1 when the signal is upside down; matters where the direction carries the bit.
    """

    noise: float
    amplitude: float
    jitter: float = 0.07
    drift: float = 0.025
    beam: float = 18.0
    coast: float = 2.5
    worst: float = 10.0
    slowest: float = 0.78
    fastest: float = 1.28
    polarity: int = 1


@dataclass(frozen=True)
class Rival:
    """Another reading of a stretch: bits `first` to `last` of the run would be `bits`, for `cost` more."""

    first: int
    last: int
    bits: bytes
    cost: float


class Follower:
    """Hypotheses about one stretch of tape, followed through its windows.

    Parameters
    ----------
    grammar : Grammar
    rate : float
        Working samples a second.
    shortest, longest : float
        Half-waves in seconds.
    settings : Settings
    high_hertz : float
        Upper edge of the band, for the correlation of the noise.
    offsets : float64 array (edges, 2)
        Where crossings are seen, in samples, by edge and sign; zeros if nothing is known.
    """

    CAPACITY = 300_000
    DEEP = 40
    KEEP = 15.0
    MOST_BITS = 512

    def __init__(
        self,
        grammar: Grammar,
        rate: float,
        shortest: float,
        longest: float,
        settings: Settings,
        high_hertz: float,
        offsets: FloatArray | None = None,
    ) -> None:
        self.grammar, self.rate, self.settings = grammar, rate, settings
        self.short = shortest * rate
        self.samples = grammar.seconds * rate
        self.offsets = np.zeros((len(grammar.to), 2)) if offsets is None else offsets
        self.bin_width = 0.25 * self.short
        reach = 1.6 * longest * rate / settings.fastest * 1.4 / self.bin_width
        ring = 8
        while ring < reach + 8:
            ring *= 2
        n, keys = self.CAPACITY, 2 * len(grammar.kind)
        self.node = np.empty(n, np.int32)
        self.at, self.edge_at, self.period, self.cost = (np.empty(n) for _ in range(4))
        self.v_tt, self.v_tp, self.v_pp = (np.empty(n) for _ in range(3))
        self.parent, self.edge = np.empty(n, np.int32), np.empty(n, np.int32)
        self.sign = np.empty(n, np.int8)
        self.heir = np.full(n, -1, np.int32)
        self.size = 0
        self.table = np.full((ring, keys), -1, np.int32)
        self.members = np.zeros((ring, self.DEEP), np.int32)
        self.counts = np.zeros(ring, np.int32)
        self.next_bin = 0
        self.m_slot, self.m_parent, self.m_edge = (np.empty(n, np.int32) for _ in range(3))
        self.m_cost = np.empty(n)
        self.m_size = 0
        correlated = rate / (2 * high_hertz)
        self.sign_weight = 1.0 / (settings.noise**2 * correlated)

    def begin(self, seeds: list[Seed]) -> None:
        """Start from these; all stand at about the same time."""
        if not seeds:
            return
        root = self.size
        earliest = min(s.time for s in seeds)
        self._put(root, -1, earliest, 1, 1.0, 0.0, -1)
        self.size += 1
        for seed in seeds:
            h = self.size
            self._put(h, seed.node, seed.time, seed.sign, seed.period, seed.uncertain, root)
            self.cost[h] = seed.cost
            row = int(seed.time / self.bin_width) % len(self.counts)
            key = seed.node * 2 + (1 if seed.sign > 0 else 0)
            if self.counts[row] >= self.DEEP:
                continue
            self.size += 1
            # Seeds of one node at one time with different speeds live side by side.
            self.table[row, key] = h
            self.members[row, self.counts[row]] = h
            self.counts[row] += 1
        self.next_bin = int(earliest / self.bin_width)

    def _put(
        self, h: int, node: int, time: float, sign: int, period: float, uncertain: float, parent: int
    ) -> None:
        self.node[h], self.at[h], self.edge_at[h], self.sign[h] = node, time, time, sign
        self.period[h], self.cost[h] = period, 0.0
        self.v_tt[h] = (0.1 * self.short) ** 2
        self.v_tp[h], self.v_pp[h] = 0.0, uncertain**2
        self.parent[h], self.edge[h] = parent, -1

    def run(self, window: Window, until: float) -> int:
        """Follow up to a time within the window."""
        g, s = self.grammar, self.settings
        self.size, self.m_size, self.next_bin, state = follow(
            g.kind, g.first_edge, g.to, self.samples, g.says, g.cost, g.sign,
            float(window.start), window.wave, window.amplitude, window.above, window.below, window.time,
            window.slope, window.rising, window.next_crossing,
            self.node, self.at, self.edge_at, self.period, self.v_tt, self.v_tp, self.v_pp,
            self.cost, self.parent, self.edge, self.sign, self.heir, self.size,
            self.table, self.members, self.counts, self.bin_width, self.next_bin,
            self.m_slot, self.m_parent, self.m_edge, self.m_cost, self.m_size,
            until, self.offsets, s.noise, (s.jitter * self.short) ** 2, s.drift / self.rate, s.beam, s.coast,
            1 / s.fastest, 1 / s.slowest, self.short, s.polarity, self.sign_weight, self.KEEP,
            s.amplitude, s.worst,
        )  # fmt: skip
        return int(state)

    def living(self) -> IntArray:
        """The hypotheses that are still followed."""
        return np.concatenate(
            [self.members[row, : self.counts[row]] for row in range(len(self.counts))]
        ).astype(np.int32)

    def commit(self, lag: float) -> Piece | None:
        """Give out, and forget, what all living hypotheses agree on, up to `lag` samples before the end."""
        living = self.living()
        if not len(living):
            return None
        ancestor = common_ancestor(self.parent, living, self.size)
        if ancestor <= 0:
            return None
        path = path_to(self.parent, ancestor)
        last = int(np.searchsorted(self.edge_at[path], self.edge_at[ancestor] - lag))
        if last < 2:
            return None
        piece = self._piece(path[:last])
        self.size, self.m_size = shift_arena(
            int(path[last - 1]), self.size, self.node, self.at, self.edge_at, self.period, self.v_tt,
            self.v_tp, self.v_pp, self.cost, self.parent, self.edge, self.sign, self.heir, self.table,
            self.members, self.counts, self.m_slot, self.m_parent, self.m_edge, self.m_cost, self.m_size,
        )  # fmt: skip
        return piece

    def final(self, last: int) -> Piece:
        """The whole path to one hypothesis."""
        return self._piece(path_to(self.parent, last))

    def ends(self) -> IntArray:
        """Hypotheses at which a block may end: between two bytes, after the last, or in the leader."""
        kinds = self.grammar.kind[self.node[: self.size]]
        usable = (kinds == BOUNDARY) | (kinds == ENDED) | (kinds == LEADER)
        return np.flatnonzero(usable & (self.node[: self.size] >= 0)).astype(np.int32)

    def _piece(self, path: IntArray) -> Piece:
        leaves, returns, more, begins, bits = rivals(
            path, self.parent, self.edge, self.grammar.says, self.cost, self.heir, self.size,
            self.m_slot, self.m_parent, self.m_edge, self.m_cost, self.m_size, self.MOST_BITS,
        )  # fmt: skip
        return Piece(
            edge=self.edge[path[1:]].copy(),
            time=self.edge_at[path].copy(),
            period=self.period[path[1:]].copy(),
            cost=self.cost[path].copy(),
            sign=self.sign[path[1:]].copy(),
            rival_leaves=leaves,
            rival_returns=returns,
            rival_cost=more,
            rival_begins=begins,
            rival_bits=bits,
        )


@dataclass(frozen=True)
class Piece:
    """A stretch of the path that won.

    Attributes
    ----------
    edge : int32 array (n,)
        Half-waves, as edges of the grammar; -1 for the step from the root to a seed.
    time : float64 array (n + 1,)
        When each ended; the first is where the piece begins.
    period : float64 array (n,)
        Length against nominal length, as estimated there.
    cost : float64 array (n + 1,)
        Cost up to there.
    sign : int8 array (n,)
        Sign of the signal after each half-wave.
    rival_leaves, rival_returns : int32 array (m,)
        Places in `time` where rivals leave the path and come back.
    rival_cost : float64 array (m,)
        What they cost more.
    rival_begins, rival_bits : int arrays
        Their bits: rival k says ``rival_bits[rival_begins[k]:rival_begins[k + 1]]``.
    """

    edge: IntArray
    time: FloatArray
    period: FloatArray
    cost: FloatArray
    sign: npt.NDArray[np.int8]
    rival_leaves: IntArray
    rival_returns: IntArray
    rival_cost: FloatArray
    rival_begins: IntArray
    rival_bits: npt.NDArray[np.int8]
