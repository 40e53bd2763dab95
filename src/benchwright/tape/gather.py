"""Gathers, piece by piece, what one run of reading says into a row of bytes."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from .blocks import LEAST_LED, ByteRow, bits_to_bytes, cuts
from .encoding import Encoding
from .follower import Piece
from .grammar import BOUNDARY, INSIDE, LEADER, Grammar
from .repair import Rival

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
LATEST = 40.0
"""Seconds of half-waves that are kept where not all are wanted: more than is looked at for any lesson."""
SPEED_STEP = 0.004
"""Seconds between two speeds that are kept."""


@dataclass(frozen=True)
class _Open:
    """Where bytes begin, before it is known which of them are whole."""

    place: IntArray
    time: FloatArray
    cost: FloatArray
    led: npt.NDArray[np.bool_]
    side: npt.NDArray[np.int8]
    since: IntArray

    def before(self, later: _Open) -> _Open:
        return _Open(*(np.concatenate((getattr(self, n), getattr(later, n))) for n in self.__annotations__))

    def at(self, which: Any) -> _Open:
        return _Open(*(getattr(self, name)[which] for name in self.__annotations__))


@dataclass(frozen=True)
class _Told:
    """What a piece says: its bits, its bytes, and what must be known to read on."""

    says: npt.NDArray[np.bool_]
    bits: npt.NDArray[np.int8]
    before: IntArray
    early: int
    opened: bool
    bytes: _Open
    ends: FloatArray
    end_costs: FloatArray
    last: int
    pending: _Open


@dataclass(frozen=True)
class _Rivals:
    """Other readings, in bits of the row; `blank` ones divide the bytes otherwise."""

    first: IntArray
    last: IntArray
    blank: npt.NDArray[np.bool_]
    cost: FloatArray
    begins: FloatArray
    ends: FloatArray
    sizes: IntArray
    bits: npt.NDArray[np.int8]


class Gatherer:
    """The row of bytes of one run of reading, as it grows.

    Parameters
    ----------
    grammar : Grammar
    encoding : Encoding
    rate : float
        Working samples a second.
    amid : bool
        The run began without leader, at any bit of a byte.
    keep_edges : bool
        Keep all half-waves, and not only the latest.
    """

    def __init__(
        self, grammar: Grammar, encoding: Encoding, rate: float, amid: bool = False, keep_edges: bool = True
    ) -> None:
        self.grammar, self.encoding, self.rate = grammar, encoding, rate
        self.amid, self.keep_edges = amid, keep_edges
        kind_from, kind_to = grammar.kind[grammar.origin], grammar.kind[grammar.to]
        opens = ((kind_from == BOUNDARY) | (kind_from == LEADER)) & (kind_to == INSIDE)
        # The last of each stands for the step from the root, which is no half-wave and has the number -1.
        self.says = np.append(grammar.says, -1)
        self.opens, self.closes = np.append(opens, False), np.append(kind_to == BOUNDARY, False)
        self.said = self.places = 0
        self.opened = not amid
        nothing, none = np.empty(0), np.empty(0, np.int64)
        self.pending = _Open(none, nothing, nothing, np.empty(0, bool), np.empty(0, np.int8), none)
        self.bits: list[npt.NDArray[np.int8]] = [np.empty(0, np.int8)]
        self.bytes: list[_Open] = [self.pending]
        self.ends, self.end_costs = [nothing], [nothing]
        self.last_place = 0
        self.rivals: list[_Rivals] = []
        self.speed_times, self.speed = [nothing], [nothing]
        self.halves: deque[tuple[FloatArray, npt.NDArray[np.int16], npt.NDArray[np.int8]]] = deque()
        self.first_edge = self.last_edge = 0.0

    def add(self, piece: Piece) -> None:
        """The next piece of the run."""
        told = self._told(piece)
        rate, edges = self.rate, piece.time[1:] / self.rate
        if not self.places and len(edges):
            self.first_edge = float(edges[0])
        if len(edges):
            self.last_edge = float(edges[-1])
        self._add_rivals(piece, told)
        self.bits.append(told.bits)
        if len(told.ends):
            self.bytes.append(told.bytes)
            self.ends.append(told.ends)
            self.end_costs.append(told.end_costs)
            self.last_place = told.last
        self.said += len(told.bits)
        self.places += len(edges)
        self.opened, self.pending = told.opened, told.pending
        usual = float(piece.time[-1] - piece.time[0]) / max(1, len(edges))
        step = max(1, round(SPEED_STEP * rate / max(1.0, usual)))
        self.speed_times.append(edges[::step])
        self.speed.append(1 / piece.period[::step])
        self.halves.append((edges, piece.edge.astype(np.int16), piece.sign))
        while not self.keep_edges and len(self.halves) > 1 and len(self.halves[1][0]):
            if self.halves[1][0][0] > self.last_edge - LATEST:
                break
            self.halves.popleft()

    def checks_with(self, piece: Piece) -> bool:
        """Whether the check of the last block holds if the run ends with this piece."""
        check, n = self.encoding.check, self.encoding.data_bits
        told = self._told(piece)
        begins = np.concatenate([*(b.time for b in self.bytes), told.bytes.time]) / self.rate
        if check is None or not len(begins):
            return False
        ends = np.concatenate([*self.ends, told.ends]) / self.rate
        first = cuts(begins, ends, self.encoding)[-2]
        # Bits are looked up from the end: a block is short against a run.
        parts, left = [told.bits], self.said + len(told.bits) - first * n
        for part in reversed(self.bits):
            if sum(map(len, parts)) >= left:
                break
            parts.insert(0, part)
        bits = np.concatenate(parts)
        bits = bits[len(bits) - left :][: (len(begins) - first) * n]
        return check.holds(bits_to_bytes(bits, n, self.encoding.least_first))

    def row(self, polarity: int, ended_well: bool = True) -> ByteRow:
        """All that was gathered."""
        n, rate, grammar = self.encoding.data_bits, self.rate, self.grammar
        begun = _Open(*(np.concatenate([getattr(b, f) for b in self.bytes]) for f in _Open.__annotations__))
        count = len(begun.time)
        edges, steps, signs = (
            np.concatenate([half[k] for half in self.halves] or [np.empty(0, np.int16)]) for k in range(3)
        )
        seconds, symbols = np.append(grammar.seconds, np.nan), np.append(grammar.symbol, -1)
        symbol = symbols[steps]
        led = begun.led.copy()
        if self.amid:
            led[:1] = False
        return ByteRow(
            bits=np.concatenate(self.bits)[: count * n],
            tape_bits=symbol[symbol >= 0].astype(np.int8),
            tape_bit_ends=edges[symbol >= 0],
            begins=begun.time / rate,
            ends=np.concatenate(self.ends) / rate,
            costs=np.concatenate(self.end_costs) - begun.cost,
            rivals=self._whole_rivals(count),
            speed_times=np.concatenate(self.speed_times),
            speed=np.concatenate(self.speed),
            polarity=polarity,
            led=led,
            sides=begun.side,
            ended_well=ended_well,
            encoding=self.encoding,
            edges=edges.astype(float),
            nominal=seconds[steps],
            signs=signs.astype(np.int8),
            first_edge=self.first_edge,
            last_edge=self.last_edge,
            halves_in_bytes=int(self.last_place - begun.place[0]) if count else 0,
        )

    def _told(self, piece: Piece) -> _Told:
        """What a piece says after those before it."""
        edge = piece.edge
        opens = np.flatnonzero(self.opens[edge])
        closes = np.flatnonzero(self.closes[edge]) + 1
        says = self.says[edge]
        early, opened = -1, self.opened
        if not opened:
            # What is left of the byte in which reading began says nothing.
            early = int(opens[0]) if len(opens) else len(edge)
            says[:early] = -1
            opened = bool(len(opens))
        speaks = says >= 0
        before = np.empty(len(edge) + 1, np.int64)
        before[0] = self.said
        np.cumsum(speaks, out=before[1:])
        before[1:] += self.said
        here = _Open(
            self.places + opens, piece.time[opens], piece.cost[opens],
            _led_well(piece, opens, earlier=self.places > 0), (-piece.sign[opens]).astype(np.int8),
            before[opens],
        )  # fmt: skip
        begun = self.pending.before(here)
        # A byte that begins where another ends is not ended there.
        which = np.searchsorted(begun.place, self.places + closes) - 1
        whole = which >= 0
        whole[whole] = before[closes[whole]] - begun.since[which[whole]] == self.encoding.data_bits
        which, closes = which[whole], closes[whole]
        which, only = np.unique(which, return_index=True)
        closes = closes[only]
        left = begun.at(slice(len(begun.place) - 1, None)) if len(begun.place) else begun
        if len(which) and which[-1] == len(begun.place) - 1:
            left = begun.at(slice(0, 0))
        return _Told(
            speaks, says[speaks], before, early, opened, begun.at(which), piece.time[closes],
            piece.cost[closes], self.places + int(closes[-1]) if len(closes) else 0, left,
        )  # fmt: skip

    def _add_rivals(self, piece: Piece, told: _Told) -> None:
        leaves, returns = piece.rival_leaves, piece.rival_returns
        if not len(leaves):
            return
        self.rivals.append(
            _Rivals(
                told.before[leaves], told.before[returns], leaves <= told.early, piece.rival_cost,
                piece.time[leaves] / self.rate, piece.time[returns] / self.rate,
                np.diff(piece.rival_begins).astype(np.int64), piece.rival_bits,
            )
        )  # fmt: skip
        self._thin_rivals(told)

    def _thin_rivals(self, told: _Told) -> None:
        """Forget the newest rivals that say what the reading that won says: most do."""
        new = self.rivals[-1]
        low = told.before[0]
        offsets = np.concatenate(([0], np.cumsum(new.sizes)))
        same = ~new.blank & (new.sizes == new.last - new.first)
        owner = np.repeat(np.arange(len(new.sizes)), new.sizes)
        mine = same[owner]
        place = np.arange(len(new.bits))[mine] - offsets[owner[mine]] + new.first[owner[mine]] - low
        differs = np.zeros(len(new.sizes), bool)
        differs[owner[mine][new.bits[mine] != told.bits[place]]] = True
        kept = ~same | differs
        self.rivals[-1] = _Rivals(
            new.first[kept], new.last[kept], new.blank[kept], new.cost[kept], new.begins[kept],
            new.ends[kept], new.sizes[kept], new.bits[kept[owner]],
        )  # fmt: skip

    def _whole_rivals(self, count: int) -> list[Rival]:
        """Rivals in whole bytes; those that change none are left out."""
        n, encoding = self.encoding.data_bits, self.encoding
        bits = np.concatenate(self.bits)[: count * n]
        found = []
        for some in self.rivals:
            first, last = some.first // n, -(-some.last // n)
            total = some.first % n + some.sizes + (last * n - some.last)
            last = np.where(some.blank, np.minimum(last, count), last)
            fits = np.where(some.blank, last > first, (last <= count) & (total % n == 0))
            offsets = np.concatenate(([0], np.cumsum(some.sizes)))
            for k in np.flatnonzero(fits).tolist():
                a, b = int(first[k]), int(last[k])
                data = b""
                if not some.blank[k]:
                    said = some.bits[offsets[k] : offsets[k + 1]]
                    whole = np.concatenate((bits[a * n : some.first[k]], said, bits[some.last[k] : b * n]))
                    data = bits_to_bytes(whole, n, encoding.least_first)
                found.append(
                    Rival(a, b, data, float(some.cost[k]), float(some.begins[k]), float(some.ends[k]))
                )
        return found


def _led_well(piece: Piece, places: IntArray, earlier: bool) -> npt.NDArray[np.bool_]:
    """Whether the half-waves before places are a leader that reads well, or a few of a short one."""
    first = np.maximum(1, places - 200)
    few = places - first < LEAST_LED
    well = piece.cost[places] - piece.cost[np.minimum(first, len(piece.cost) - 1)] < 0.5 * (places - first)
    return np.where(few, earlier, well)
