"""Rows of bytes as they were read, cut into blocks, each byte with its confidence."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt

from .encoding import Encoding
from .follower import Piece
from .grammar import BOUNDARY, INSIDE, LEADER, Grammar
from .repair import FEWEST, Judged, Rival, judge

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]


BESIDE = 0.02
"""Seconds beside a block in which another reading still concerns it."""


@dataclass(frozen=True)
class Block:
    """A block of bytes.

    Attributes
    ----------
    data : bytes
        All bytes, a flag and the check among them.
    good : bool
        There is evidence that every byte is right: the check holds and no reading that comes near it does,
        or, without a check, every other reading is far off.
    confidence : float64 array (n,)
        Chance that each byte is right.
    check : str
        ``"holds"``, ``"fails"`` or ``"none"``.
    start, end : float
        Seconds into the recording.
    byte_times : float64 array (n,)
        When each byte begins, in seconds.
    repaired : tuple of str
        What was mended with the help of the check, in words.
    speed : float
        Mean tape speed over the block, 1 being nominal.
    whole : bool
        Its beginning and its end were seen.
    rivals : tuple of Rival
        Other readings that come near.
    """

    data: bytes
    good: bool
    confidence: FloatArray
    check: str
    start: float
    end: float
    byte_times: FloatArray
    repaired: tuple[str, ...] = ()
    speed: float = 1.0
    whole: bool = True
    rivals: tuple[Rival, ...] = field(default=(), repr=False)

    @property
    def chance(self) -> float:
        """Chance that the whole block is right."""
        return float(np.exp(np.sum(np.log(np.maximum(self.confidence, 1e-9)))))


@dataclass
class ByteRow:
    """The bytes of one run of reading, before they are cut into blocks.

    Attributes
    ----------
    bits : int8 array (count * data_bits,)
    begins, ends : float64 arrays (count,)
        When each byte begins and ends, in seconds.
    costs : float64 array (count,)
        What reading each byte cost, in nats.
    rivals : list of Rival
        In bytes of this row.
    edges, nominal : float64 arrays (m,)
        When each half-wave ended, in seconds, and how long it should have been. For each run the first has no
        nominal length (NaN): it is where the run begins.
    signs : int8 array (m,)
        Of the signal after each.
    tape_bits, tape_bit_ends : arrays (k,)
        All bits, start, parity and stop among them, whatever frame they were read in, and when each ends.
    ended_well : bool
        Leader or silence follows, and not more signal that could not be read.
    led : bool array (count,)
        Whether what stands before each byte reads well.
    sides : int8 array (count,)
        Side on which the first half-wave of each byte lies: 1 above the middle, -1 below.
    asymmetry : float
        See `asymmetry.asymmetry_of`; NaN until it was looked at.
    """

    bits: npt.NDArray[np.int8]
    begins: FloatArray
    ends: FloatArray
    costs: FloatArray
    rivals: list[Rival]
    speed_times: FloatArray
    speed: FloatArray
    polarity: int
    encoding: Encoding
    edges: FloatArray
    nominal: FloatArray
    signs: npt.NDArray[np.int8]
    tape_bits: npt.NDArray[np.int8] = field(default_factory=lambda: np.empty(0, np.int8))
    tape_bit_ends: FloatArray = field(default_factory=lambda: np.empty(0))
    ended_well: bool = False
    led: npt.NDArray[np.bool_] = field(default_factory=lambda: np.empty(0, bool))
    sides: npt.NDArray[np.int8] = field(default_factory=lambda: np.empty(0, np.int8))
    asymmetry: float = math.nan

    @property
    def count(self) -> int:
        return len(self.begins)

    @property
    def data_bits(self) -> int:
        return self.encoding.data_bits

    def last_checks(self) -> bool:
        """Whether the check of the last block holds."""
        check = self.encoding.check
        first = _cuts(self)[-2]
        data = self.bytes_of(self.bits[first * self.data_bits :])
        return check is not None and check.holds(data)

    @cached_property
    def blocks(self) -> list[Block]:
        """The blocks, judged."""
        return _blocks_of(self)

    @property
    def worth(self) -> float:
        """How much was read, and how well."""
        return sum(len(b.data) * (1.0 if b.good else 0.5 * float(np.mean(b.confidence))) for b in self.blocks)

    def moved(self, stretch: float, later: float) -> ByteRow:
        """The same row on another clock: times `stretch`, then `later` seconds."""

        def put(times: FloatArray) -> FloatArray:
            return times * stretch + later

        return replace(
            self,
            begins=put(self.begins),
            ends=put(self.ends),
            tape_bit_ends=put(self.tape_bit_ends),
            edges=put(self.edges),
            speed_times=put(self.speed_times),
            rivals=[
                replace(r, begins=r.begins * stretch + later, ends=r.ends * stretch + later)
                for r in self.rivals
            ],
        )

    def bytes_of(self, bits: npt.NDArray[np.int8]) -> bytes:
        """Bits as they came, as bytes."""
        return bits_to_bytes(bits, self.data_bits, self.encoding.least_first)

    @classmethod
    def of(
        cls,
        pieces: list[Piece],
        grammar: Grammar,
        encoding: Encoding,
        rate: float,
        polarity: int,
        ended_well: bool = True,
        amid: bool = False,
    ) -> ByteRow:
        """Gather what the pieces of one run say; `amid` if it began without leader, at any bit of a byte."""
        bits, begins, ends, starts_cost, ends_cost = [], [], [], [], []
        tape_bits, tape_bit_ends = [], []
        rivals: list[tuple[int, int, npt.NDArray[np.int8] | None, float, float, float]] = []
        said = 0
        pending: tuple[float, float, bool, int] | None = None
        led: list[bool] = []
        sides: list[int] = []
        since = 0
        opened = not amid
        speed_times: list[FloatArray] = []
        speed: list[FloatArray] = []
        edges, nominal, signs = [], [], []
        for piece in pieces:
            edge = piece.edge
            real = edge >= 0
            says = np.where(real, grammar.says[edge], -1)
            edges.append(piece.time[1:] / rate)
            nominal.append(np.where(real, grammar.seconds[edge], np.nan))
            signs.append(piece.sign)
            kind_from = np.where(real, grammar.kind[grammar.origin[edge]], INSIDE)
            kind_to = np.where(real, grammar.kind[grammar.to[edge]], INSIDE)
            opens = np.flatnonzero(real & np.isin(kind_from, (BOUNDARY, LEADER)) & (kind_to == INSIDE))
            early = -1
            if not opened:
                # What is left of the byte in which reading began says nothing.
                early = int(opens[0]) if len(opens) else len(edge)
                says[:early] = -1
                opened = bool(len(opens))
            before = said + np.concatenate(([0], np.cumsum(says >= 0)))
            closes = np.flatnonzero(real & (kind_to == BOUNDARY))
            for k in range(len(piece.rival_leaves)):
                a, b = piece.rival_begins[k], piece.rival_begins[k + 1]
                leaves, returns = piece.rival_leaves[k], piece.rival_returns[k]
                rivals.append(
                    (
                        int(before[leaves]), int(before[returns]),
                        piece.rival_bits[a:b] if leaves > early else None,
                        float(piece.rival_cost[k]), piece.time[leaves] / rate, piece.time[returns] / rate,
                    )
                )  # fmt: skip
            marks = sorted([(int(k), 0) for k in opens] + [(int(k) + 1, -1) for k in closes])
            for place, what in marks:
                if what == 0:
                    pending = (
                        float(piece.time[place]), float(piece.cost[place]),
                        _led_well(piece, place, earlier=bool(speed)), -int(piece.sign[place]),
                    )  # fmt: skip
                    since = int(before[place])
                elif pending is not None and before[place] - since == encoding.data_bits:
                    begins.append(pending[0])
                    starts_cost.append(pending[1])
                    led.append(pending[2])
                    sides.append(pending[3])
                    ends.append(float(piece.time[place]))
                    ends_cost.append(float(piece.cost[place]))
                    pending = None
            bits.append(says[says >= 0].astype(np.int8))
            symbol = np.where(real, grammar.symbol[edge], -1)
            tape_bits.append(symbol[symbol >= 0].astype(np.int8))
            tape_bit_ends.append(piece.time[1:][symbol >= 0] / rate)
            said = int(before[-1])
            step = max(
                1,
                round(
                    0.004 * rate / max(1.0, float(np.median(np.diff(piece.time))) if len(edge) > 1 else 1.0)
                ),
            )
            speed_times.append(piece.time[1:][::step])
            speed.append(1 / piece.period[::step])
        row_bits = np.concatenate(bits) if bits else np.empty(0, np.int8)
        count = len(begins)
        row = cls(
            bits=row_bits[: count * encoding.data_bits],
            tape_bits=np.concatenate(tape_bits) if tape_bits else np.empty(0, np.int8),
            tape_bit_ends=np.concatenate(tape_bit_ends) if tape_bit_ends else np.empty(0),
            begins=np.array(begins) / rate,
            ends=np.array(ends) / rate,
            costs=np.array(ends_cost) - np.array(starts_cost),
            rivals=[],
            speed_times=np.concatenate(speed_times) / rate if speed_times else np.empty(0),
            speed=np.concatenate(speed) if speed else np.empty(0),
            polarity=polarity,
            led=np.array([False, *led[1:]] if amid and led else led, bool),
            sides=np.array(sides, np.int8),
            ended_well=ended_well,
            encoding=encoding,
            edges=np.concatenate(edges) if edges else np.empty(0),
            nominal=np.concatenate(nominal) if nominal else np.empty(0),
            signs=np.concatenate(signs) if signs else np.empty(0, np.int8),
        )
        row.rivals = [r for r in (row._rival(*found) for found in rivals) if r is not None]
        return row

    def _rival(
        self,
        first: int,
        last: int,
        said: npt.NDArray[np.int8] | None,
        cost: float,
        begins: float,
        ends: float,
    ) -> Rival | None:
        """A rival in whole bytes, or None if it changes none.

        One that says nothing divides the bytes otherwise.
        """
        n = self.data_bits
        byte_first, byte_last = first // n, -(-last // n)
        if said is None:
            byte_last = min(byte_last, self.count)
            return Rival(byte_first, byte_last, b"", cost, begins, ends) if byte_last > byte_first else None
        if byte_last > self.count or (
            len(said) == last - first and bool(np.all(said == self.bits[first:last]))
        ):
            return None
        bits = np.concatenate((self.bits[byte_first * n : first], said, self.bits[last : byte_last * n]))
        if len(bits) % n:
            return None
        return Rival(byte_first, byte_last, self.bytes_of(bits), cost, begins, ends)


def _led_well(piece: Piece, place: int, earlier: bool) -> bool:
    """Whether the half-waves before a place are a leader that reads well, or a few of a short one."""
    first = max(1, place - 200)
    if place - first < LEAST_LED:
        return earlier
    return bool(piece.cost[place] - piece.cost[first] < 0.5 * (place - first))


def bits_to_bytes(bits: npt.NDArray[np.int8], data_bits: int, least_first: bool) -> bytes:
    """Bits in the order of the tape, as bytes."""
    rows = np.asarray(bits, np.int64).reshape(-1, data_bits)
    weights = 1 << np.arange(data_bits)
    if not least_first:
        weights = weights[::-1]
    return bytes((rows @ weights).astype(np.uint8))


LEAST_LED = 5
"""Half-waves of leader or preamble before a block that has a beginning."""
STRAYS = 4
"""Bytes that may stand alone in a leader: what a dropout there looks like."""


def _cuts(row: ByteRow) -> list[int]:
    """Bytes at which a block begins, and the count of all bytes."""
    pause = row.begins[1:] - row.ends[:-1]
    cuts = [0, *(np.flatnonzero(pause > row.encoding.block_gap) + 1).tolist(), row.count]
    if not row.encoding.idle:
        return cuts
    # A few bytes apart from a block that has no such gaps itself do not belong to it.
    apart = 3 * row.encoding.byte_seconds
    more = []
    for first, last in itertools.pairwise(cuts):
        inside = np.flatnonzero(pause[first : last - 1] > apart) + first + 1
        if not len(inside) or last - first <= 3 * STRAYS:
            continue
        head = inside[inside - first <= STRAYS]
        tail = inside[last - inside <= STRAYS]
        if len(head) + len(tail) == len(inside):
            more += [*head.tolist(), *tail.tolist()]
    return sorted({*cuts, *more})


def _blocks_of(row: ByteRow) -> list[Block]:
    """Cut a row of bytes into blocks where there is a gap, and judge each."""
    encoding = row.encoding
    if not row.count:
        return []
    edges = _cuts(row)
    blocks = []
    for first, last in itertools.pairwise(edges):
        data = row.bytes_of(row.bits[first * row.data_bits : last * row.data_bits])
        # A rival that adds a byte somewhere out in the leader says nothing about this block.
        since, until = row.begins[first] - BESIDE, row.ends[last - 1] + BESIDE
        rivals = [
            replace(r, first=r.first - first, last=r.last - first)
            for r in row.rivals
            if r.first >= first and r.last <= last and r.ends > since and r.begins < until
        ]
        # A block cut off at either end may look right all the same.
        whole = bool(row.led[first]) and (row.ended_well or last < row.count)
        if encoding.idle:
            # Ones in the middle of a block look like a leader, but not for long.
            before = float(row.begins[first] - (row.ends[first - 1] if first else row.edges[0]))
            whole = whole and before > 1.5 * encoding.byte_seconds
        judged: Judged = judge(data, rivals, whole, encoding)
        if encoding.check is None and len(data) < FEWEST and not (whole and np.all(judged.confidence > 0.99)):
            continue  # what a knock in a leader looks like
        inside = (row.speed_times >= row.begins[first]) & (row.speed_times <= row.ends[last - 1])
        blocks.append(
            Block(
                data=judged.data,
                good=judged.good,
                confidence=judged.confidence,
                check=judged.check,
                start=float(row.begins[first]),
                end=float(row.ends[last - 1]),
                byte_times=row.begins[first:last][: len(judged.data)],
                repaired=judged.repaired,
                speed=float(np.mean(row.speed[inside])) if np.any(inside) else 1.0,
                whole=whole,
                rivals=tuple(rivals),
            )
        )
    return blocks
