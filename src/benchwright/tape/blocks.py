"""Rows of bytes as they were read, cut into blocks, each byte with its confidence."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt

from .encoding import Encoding
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
    first_edge, last_edge : float
        When the first and the last half-wave ended, in seconds, whether `edges` is kept or not.
    halves_in_bytes : int
        Half-waves from the beginning of the first byte to the end of the last.
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
    first_edge: float = 0.0
    last_edge: float = 0.0
    halves_in_bytes: int = 0

    @property
    def count(self) -> int:
        return len(self.begins)

    @property
    def data_bits(self) -> int:
        return self.encoding.data_bits

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
            first_edge=self.first_edge * stretch + later,
            last_edge=self.last_edge * stretch + later,
            rivals=[
                replace(r, begins=r.begins * stretch + later, ends=r.ends * stretch + later)
                for r in self.rivals
            ],
        )

    def forget_half_waves(self) -> None:
        """Keep what was read, and drop what takes most of the memory."""
        _ = self.blocks  # they are made from what is dropped
        self.edges = self.nominal = self.tape_bit_ends = np.empty(0)
        self.signs = self.tape_bits = self.bits = np.empty(0, np.int8)
        self.rivals = []
        # The blocks have views of the rest; of the ends only the last is asked for again.
        self.ends = self.ends[-1:].copy()
        self.costs = np.sum(self.costs, keepdims=True)

    def bytes_of(self, bits: npt.NDArray[np.int8]) -> bytes:
        """Bits as they came, as bytes."""
        return bits_to_bytes(bits, self.data_bits, self.encoding.least_first)


def bits_to_bytes(bits: npt.NDArray[np.int8], data_bits: int, least_first: bool) -> bytes:
    """Bits in the order of the tape, as bytes."""
    rows = np.asarray(bits, np.uint8).reshape(-1, data_bits)
    packed = np.packbits(rows, axis=1, bitorder="little" if least_first else "big")[:, 0]
    return (packed if least_first else packed >> (8 - data_bits)).tobytes()


LEAST_LED = 5
"""Half-waves of leader or preamble before a block that has a beginning."""
STRAYS = 4
"""Bytes that may stand alone in a leader: what a dropout there looks like."""


def cuts(begins: FloatArray, ends: FloatArray, encoding: Encoding) -> list[int]:
    """Bytes at which a block begins, and the count of all bytes.

    Parameters
    ----------
    begins, ends : float64 arrays (n,)
        When each byte begins and ends, in seconds; n is at least 1.
    encoding : Encoding
    """
    pause = begins[1:] - ends[:-1]
    found = [0, *(np.flatnonzero(pause > encoding.block_gap) + 1).tolist(), len(begins)]
    if not encoding.idle:
        return found
    # A few bytes apart from a block that has no such gaps itself do not belong to it.
    apart = 3 * encoding.byte_seconds
    more = []
    for first, last in itertools.pairwise(found):
        inside = np.flatnonzero(pause[first : last - 1] > apart) + first + 1
        if not len(inside) or last - first <= 3 * STRAYS:
            continue
        head = inside[inside - first <= STRAYS]
        tail = inside[last - inside <= STRAYS]
        if len(head) + len(tail) == len(inside):
            more += [*head.tolist(), *tail.tolist()]
    return sorted({*found, *more})


def _blocks_of(row: ByteRow) -> list[Block]:
    """Cut a row of bytes into blocks where there is a gap, and judge each."""
    encoding = row.encoding
    if not row.count:
        return []
    edges = cuts(row.begins, row.ends, encoding)
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
            before = float(row.begins[first] - (row.ends[first - 1] if first else row.first_edge))
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
