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
from .kernels import (
    HYPOTHESIS,
    LINK,
    MERGE,
    NEVER,
    RULES,
    STEP,
    common_ancestor,
    follow,
    living_in,
    path_to,
    rivals,
    shift_arena,
)

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
    calm_beam : float
        The same while the best keeps earning: what is so far behind then is not the truth.
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
    calm_beam: float = 12.0
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


class Memory:
    """Room for so many hypotheses and runners-up; one follower after another may use it."""

    def __init__(self, capacity: int) -> None:
        self.arena = np.empty(capacity, HYPOTHESIS)
        self.links = np.empty(capacity, LINK)
        self.merges = np.empty(capacity, MERGE)


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
    memory : Memory, optional
        Of a follower that is no longer used.
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
        memory: Memory | None = None,
    ) -> None:
        self.grammar, self.rate, self.settings = grammar, rate, settings
        self.short = shortest * rate
        self.bin_width = 0.25 * self.short
        reach = 1.6 * longest * rate / settings.fastest * 1.4 / self.bin_width
        ring = 8
        while ring < reach + 8:
            ring *= 2
        memory = memory or Memory(self.CAPACITY)
        self.arena, self.links, self.merges = memory.arena, memory.links, memory.merges
        self.cost, self.edge_at, self.period = (self.arena[name] for name in ("cost", "edge_at", "period"))
        self.sign, self.at = self.arena["sign"], self.arena["at"]
        self.node, self.parent, self.edge = (self.links[name] for name in ("node", "parent", "edge"))
        self.size = 0
        self.m_size = 0
        self.table = np.full((ring, 2 * len(grammar.kind)), -1, np.int32)
        self.members = np.zeros((ring, self.DEEP), np.int32)
        self.counts = np.zeros(ring, np.int32)
        self.cheapest = np.full(ring, NEVER)
        self.next_bin = 0
        self.best = np.full(1, settings.calm_beam - settings.beam)
        self.steps = np.empty(len(grammar.to), STEP)
        self.steps["samples"], self.steps["cost"] = grammar.seconds * rate, grammar.cost
        self.steps["to"], self.steps["sign"] = grammar.to, grammar.sign
        self.steps["below"], self.steps["above"] = (0.0, 0.0) if offsets is None else offsets.T
        jitter2 = (settings.jitter * self.short) ** 2
        usual = jitter2 + (settings.noise * self.steps["samples"] / (np.pi * settings.amplitude)) ** 2
        self.steps["reference"] = 1 / usual
        self.steps["coast"] = settings.coast * self.steps["samples"] / self.short
        correlated = rate / (2 * high_hertz)
        weight = 1.0 / (settings.noise**2 * correlated)
        self.rules = np.array(
            [
                (
                    settings.noise, jitter2, settings.drift / rate, settings.beam, settings.calm_beam,
                    1 / settings.fastest, 1 / settings.slowest, self.short, settings.polarity, weight,
                    self.KEEP, settings.amplitude, settings.worst, self.bin_width,
                )
            ],
            RULES,
        )  # fmt: skip

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
            self.cheapest[row] = min(self.cheapest[row], seed.cost)
        self.next_bin = int(earliest / self.bin_width)

    def _put(
        self, h: int, node: int, time: float, sign: int, period: float, uncertain: float, parent: int
    ) -> None:
        self.arena[h] = (
            0.0, time, time, period, (0.1 * self.short) ** 2, 0.0, uncertain**2, node, sign
        )  # fmt: skip
        self.links[h] = (parent, -1, -1, node)

    def run(self, window: Window, until: float) -> int:
        """Follow up to a time within the window."""
        self.size, self.m_size, self.next_bin, state = follow(
            self.grammar.first_edge, self.steps,
            float(window.start), window.wave, window.amplitude, window.above, window.below, window.time,
            window.slope, window.rising, window.next_crossing,
            self.arena, self.links, self.size, self.merges, self.m_size,
            self.table, self.members, self.counts, self.cheapest, self.next_bin, self.best,
            until, self.rules,
        )  # fmt: skip
        return int(state)

    def living(self) -> IntArray:
        """The hypotheses that are still followed."""
        found: IntArray = living_in(self.members, self.counts)
        return found

    def commit(self, lag: float) -> Piece | None:
        """Give out, and forget, what all living hypotheses agree on, up to `lag` samples before the end."""
        living = self.living()
        if not len(living):
            return None
        ancestor = common_ancestor(self.links, living, self.size)
        if ancestor <= 0:
            return None
        path = path_to(self.parent, ancestor)
        last = int(np.searchsorted(self.edge_at[path], self.edge_at[ancestor] - lag))
        if last < 2:
            return None
        piece = self._piece(path[:last])
        self.size, self.m_size = shift_arena(
            int(path[last - 1]), self.arena, self.links, self.size, self.table, self.members, self.counts,
            self.merges, self.m_size,
        )  # fmt: skip
        return piece

    def final(self, last: int, with_rivals: bool = True) -> Piece:
        """The whole path to one hypothesis."""
        return self._piece(path_to(self.parent, last), with_rivals)

    def ends(self) -> IntArray:
        """Hypotheses at which a block may end: between two bytes, after the last, or in the leader."""
        kinds = self.grammar.kind
        # The last stands for the root, whose node is -1.
        usable = np.append((kinds == BOUNDARY) | (kinds == ENDED) | (kinds == LEADER), False)
        return np.flatnonzero(usable[self.node[: self.size]]).astype(np.int32)

    def _piece(self, path: IntArray, with_rivals: bool = True) -> Piece:
        leaves, returns, more, begins, bits = rivals(
            path, self.arena, self.links, self.grammar.says, self.size, self.merges,
            self.m_size if with_rivals else 0, self.MOST_BITS,
        )  # fmt: skip
        return Piece(
            edge=self.edge[path[1:]],
            time=self.edge_at[path],
            period=self.period[path[1:]],
            cost=self.cost[path],
            sign=self.sign[path[1:]].astype(np.int8),
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
