"""How a row of bits is divided into bytes: start and stop bits, parity, where the first byte begins."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .likely_bytes import bits_by_habit, bits_of_kind, mirrored

BitArray = npt.NDArray[np.int8]
NO_FRAME = 20.0
"""Bits that it costs to leave one bit out of all frames."""


@dataclass(frozen=True)
class Frame:
    """A way of dividing bits into bytes.

    Attributes
    ----------
    start, stop : str
        Bits before and after each byte, as symbols (``"0"`` is the first symbol).
    data_bits : int
    parity : str
        ``"none"``, ``"odd"`` or ``"even"``.
    preamble : str
        Bits before the first byte.
    free : bool
        Stop bits may go on for any time.
    bits : float
        Bits that it takes to tell all, against one for each bit read.
    blocks : tuple of bytes
        Most significant bit first, as far as they can be read by this frame.
    left : tuple of int
        Bits after the last byte, for each block.
    told : int
        Bits that were told.
    """

    start: str
    stop: str
    data_bits: int
    parity: str
    preamble: str
    free: bool
    bits: float
    blocks: tuple[bytes, ...]
    left: tuple[int, ...]
    told: int

    @property
    def gain(self) -> float:
        """Bits saved."""
        return self.told - self.bits

    @property
    def left_everywhere(self) -> int:
        """Bits left over after the last byte of most blocks, the same number each time; else 0."""
        bits, times = Counter(self.left).most_common(1)[0] if self.left else (0, 0)
        return 0 if self.free or len(self.left) < 2 or times < 0.6 * len(self.left) else bits

    @property
    def says_where_bytes_begin(self) -> bool:
        """Whether some of its bits would be wrong if bytes began elsewhere."""
        return bool(self.start and self.stop) or self.parity != "none"

    @property
    def fixed_bits(self) -> int:
        """Bits of each byte that carry nothing new."""
        return len(self.start) + len(self.stop) + (self.parity != "none")


def find_frames(rows: Sequence[BitArray], fixed: int = 0, long_preamble: bool = False) -> list[Frame]:
    """Ways of dividing rows of bits into bytes, best first.

    Parameters
    ----------
    rows : sequence of int8 arrays
        A row of bits for each block, from its first bit on.
    fixed : int
        Symbols between two markers, where there are markers; else 0.
    long_preamble : bool
        What stands before the first byte may be as long as a byte or longer.
    """
    rows = [row for row in rows if len(row) >= 16]
    if not rows:
        return []
    found = list(_marked(rows, fixed)) if fixed else [*_started(rows), *_periodic(rows, long_preamble)]
    found.sort(key=lambda frame: frame.bits)
    return found[:8]


def _bytes_bits(blocks: Sequence[bytes], data_bits: int) -> float:
    """Bits to tell the bytes, by whatever shortens them most; the order of their bits is open."""
    count = sum(map(len, blocks))
    plain = sum(bits_of_kind(block) for block in blocks)
    turned = sum(bits_of_kind(mirrored(block, data_bits)) for block in blocks)
    return 2.0 + min(plain + 1, turned + 1, bits_by_habit(blocks), float(data_bits * count))


def _values(bits: BitArray) -> bytes:
    weights = 1 << np.arange(bits.shape[1])[::-1]
    return bytes((bits.astype(np.int64) @ weights).astype(np.uint8))


_USUAL = {8: 0.3, 7: 4.0, 6: 7.0, 5: 7.0}
"""Bits that it costs to say how many data bits there are; by hand."""


def _parity_of(data: BitArray, after: BitArray) -> tuple[str, int]:
    """Which parity the bit after the data has, and how often it is wrong."""
    odd = data.sum(axis=1) % 2
    wrong_even = int(np.count_nonzero(odd != after))
    wrong_odd = len(after) - wrong_even
    return ("even", wrong_even) if wrong_even <= wrong_odd else ("odd", wrong_odd)


def _marked(rows: Sequence[BitArray], fixed: int) -> Iterator[Frame]:
    """Frames of a known number of bits, each after a marker."""
    whole = [row[: len(row) // fixed * fixed].reshape(-1, fixed) for row in rows]
    table = np.concatenate(whole)
    told = table.size
    for start in range(max(0, fixed - 9) + 1):
        for stop in range(fixed - start):
            for with_parity in (False, True):
                data_bits = fixed - start - stop - with_parity
                if not 5 <= data_bits <= 8:
                    continue
                frame = _of_table(whole, table, start, stop, data_bits, with_parity)
                if frame is None:
                    continue
                words, bits, blocks = frame
                yield Frame(
                    words[0], words[1], data_bits, words[2], "", False, bits, blocks, (0,) * len(rows), told
                )


def _of_table(
    whole: Sequence[BitArray], table: BitArray, start: int, stop: int, data_bits: int, with_parity: bool
) -> tuple[tuple[str, str, str], float, tuple[bytes, ...]] | None:
    """Bits that a frame takes on rows of a period, or None if its fixed bits are not fixed."""
    size = len(table)
    wrong = 0
    words = []
    width = table.shape[1]
    for columns in (range(start), range(width - stop, width)):
        word = ""
        for column in columns:
            ones = int(table[:, column].sum())
            bit = 1 if 2 * ones > size else 0
            wrong += size - ones if bit else ones
            word += str(bit)
        words.append(word)
    if (not start and len(set(words[1])) > 1) or (not stop and len(set(words[0])) > 1):
        # The same as start and stop bits, begun at another place.
        return None
    parity = "none"
    if with_parity:
        at = start + data_bits
        parity, errors = _parity_of(table[:, start:at], table[:, at])
        wrong += errors
    if wrong > 0.08 * size + 1:
        return None
    blocks = tuple(_values(part[:, start : start + data_bits]) for part in whole)
    bits = _bytes_bits(blocks, data_bits) + _USUAL[data_bits] + 2.5 * (start + stop) + 4 * with_parity
    bits += wrong * 9.0 + _odd_words(words[0], words[1])
    return (words[0], words[1], parity), bits, blocks


def _odd_words(start: str, stop: str) -> float:
    """Bits that it costs to say start and stop bits that no sender uses; by hand."""
    bits = 0.0
    if len(set(start)) > 1 or len(set(stop)) > 1:
        bits += 16.0
    if bool(start) != bool(stop):
        # Seven-bit text has a bit that never changes, too.
        bits += 40.0
    elif start and start[-1] == stop[0]:
        bits += 12.0
    return bits + 3.0 * max(0, len(start) - 1) + 2.0 * max(0, len(stop) - 2)


def _periodic(rows: Sequence[BitArray], long_preamble: bool) -> Iterator[Frame]:
    """Frames that follow each other without a gap, from a fixed number of bits after the start."""
    longest = min(len(row) for row in rows)
    for period in range(5, 13):
        for offset in range(min(longest - 2 * period, 36 if long_preamble else period)):
            heads = {row[:offset].tobytes() for row in rows}
            if len(heads) > max(1, len(rows) // 3):
                continue
            whole = [
                row[offset : offset + (len(row) - offset) // period * period].reshape(-1, period)
                for row in rows
            ]
            left = tuple(int((len(row) - offset) % period) for row in rows)
            table = np.concatenate(whole)
            told = sum(map(len, rows))
            # A row ends with a byte; bits left over are the start of rubbish, or a sign of the wrong place.
            loose = sum(min(rest, 3) for rest in left)
            # A start bit needs no preamble to say where the bytes begin.
            for start in range(1 if offset else period - 4):
                for stop in range(period - start - 4):
                    for with_parity in (False, True):
                        data_bits = period - start - stop - with_parity
                        if not 5 <= data_bits <= 8 or (start == 0 and stop == 0 and data_bits < 7):
                            continue
                        frame = _of_table(whole, table, start, stop, data_bits, with_parity)
                        if frame is None:
                            continue
                        words, bits, blocks = frame
                        preamble = "".join(map(str, rows[0][:offset]))
                        bits += 1.5 * offset + loose + (15.0 if offset and not long_preamble else 0.0)
                        yield Frame(
                            words[0], words[1], data_bits, words[2], preamble, False, bits, blocks, left, told
                        )


def _started(rows: Sequence[BitArray]) -> Iterator[Frame]:
    """Frames that begin with a start bit and end with the opposite, which may go on."""
    told = sum(map(len, rows))
    for begin in (0, 1):
        for data_bits, with_parity, stops in (
            (8, False, 1), (8, False, 2), (8, False, 3), (8, True, 1), (8, True, 2), (7, True, 1),
            (7, True, 2), (7, False, 1), (7, False, 2), (6, False, 1), (6, False, 2), (5, False, 1),
            (5, False, 2),
        ):  # fmt: skip
            frame = _start_stop(rows, begin, data_bits, with_parity, stops)
            if frame is None:
                continue
            parity, bits, blocks, left = frame
            bits += _USUAL[data_bits] + 2.5 * (1 + stops) + 4 * with_parity
            yield Frame(
                str(begin), str(1 - begin) * stops, data_bits, parity, "", True, bits, blocks, left, told
            )


def _start_stop(
    rows: Sequence[BitArray], begin: int, data_bits: int, with_parity: bool, stops: int
) -> tuple[str, float, tuple[bytes, ...], tuple[int, ...]] | None:
    size = 1 + data_bits + with_parity + stops
    frames: list[list[BitArray]] = []
    lost = idle = 0
    left = []
    for row in rows:
        own: list[BitArray] = []
        at = waiting = 0
        # What stands after the last good frame may be rubbish.
        pending = 0
        while at < len(row):
            if row[at] != begin:
                at += 1
                waiting += 1
                continue
            piece = row[at : at + size]
            if len(piece) < size - stops:
                break
            if np.all(piece[size - stops :] == 1 - begin) and len(piece) >= size - stops:
                if len(piece) < size:
                    piece = np.concatenate((piece, np.full(size - len(piece), 1 - begin, np.int8)))
                idle += waiting if own else 0
                own.append(piece)
                lost += pending
                pending = waiting = 0
                at += size
            else:
                pending += 1
                at += 1
        lost += min(pending, 4)
        left.append(pending)
        frames.append(own)
    count = sum(map(len, frames))
    if count < 3 or lost > 0.25 * count + 2:
        return None
    tables = [np.array(own, np.int8).reshape(-1, size) for own in frames]
    table = np.concatenate(tables)
    parity, wrong = "none", 0
    if with_parity:
        parity, wrong = _parity_of(table[:, 1 : 1 + data_bits], table[:, 1 + data_bits])
        if wrong > 0.08 * count + 1:
            return None
    blocks = tuple(_values(part[:, 1 : 1 + data_bits]) for part in tables)
    bits = _bytes_bits(blocks, data_bits) + lost * NO_FRAME + wrong * 9.0
    # Idle bits between frames that might have been stop bits are cheap, but not free of charge.
    bits += 0.8 * min(idle, 2 * count)
    return parity, bits, blocks, tuple(left)
