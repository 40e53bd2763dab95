"""Bits of each stretch of signal: where the data begins after the leader, and which symbols follow."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass, replace

import numpy as np

from .bursts import Burst
from .byte_frames import BitArray
from .clusters import LETTERS, Lettered
from .symbols import Code


@dataclass
class BitRows:
    """Bits of each stretch of signal, and where they were found.

    Attributes
    ----------
    lettered : Lettered
    bursts : list of Burst
    usual : float
        Half-wave of the leader in seconds; 0 if there is none.
    sync : int
        Half-waves between leader and data; below nought if the data begin within what was taken for leader.
    share : float
        Of the half-waves, read as bits, 0 to 1.
    bits : list of int8 arrays
    begins, stops : list of int
        First half-wave of each row, and the one after its last.
    """

    lettered: Lettered
    bursts: list[Burst]
    usual: float
    sync: int
    share: float
    bits: list[BitArray]
    begins: list[int]
    stops: list[int]

    @property
    def leader_seconds(self) -> float:
        """Median length of the leaders."""
        return float(np.median([b.leader_seconds for b in self.bursts]))


def _symbols(text: str, code: Code, at: int) -> tuple[list[int], int]:
    """Symbols from a place on (0 the first, 1 the second), and where they end."""
    symbols: list[int] = []
    first, second = code.first, code.second
    if _tolerant(code):
        return _by_runs(text, code, at)
    while True:
        if text.startswith(first, at):
            symbols.append(0)
            at += len(first)
        elif text.startswith(second, at):
            symbols.append(1)
            at += len(second)
        else:
            return symbols, at


def _tolerant(code: Code) -> bool:
    alike = len(set(code.first)) == 1 and len(set(code.second)) == 1
    return alike and not code.marker and max(len(code.first), len(code.second)) >= 4


def _by_runs(text: str, code: Code, at: int) -> tuple[list[int], int]:
    """Symbols of many like half-waves, one or two of which may be missing or too many."""
    symbols: list[int] = []
    words = (code.first, code.second)
    while at < len(text):
        kind = next((k for k, word in enumerate(words) if text[at] == word[0]), -1)
        if kind < 0:
            return symbols, at
        word = words[kind]
        run = _run(text, at)
        many = round(run / len(word))
        slip = abs(run - many * len(word))
        if many == 0 or slip > max(1 if len(word) > 2 else 0, 0.2 * len(word)):
            # The last run of a block is often cut short or followed by rubbish.
            return symbols, at
        symbols += [kind] * many
        at += run
    return symbols, at


def _run(text: str, at: int) -> int:
    """How often the letter at a place is repeated from there."""
    stop = at + 1
    while stop < len(text) and text[stop] == text[at]:
        stop += 1
    return stop - at


def _sync_length(lettered: Lettered, code: Code, leader_letter: str) -> tuple[int, float]:
    """Half-waves between leader and data, and the share of the texts that is read from there."""
    texts = lettered.texts
    whole = sum(min(len(text), 800) for text in texts)
    best, most, best_share = 0, -1, 0.0
    for at in (*range(41), -1, -2, -3):
        if at < 0 and not leader_letter:
            break
        reads = []
        for text in texts:
            own = leader_letter * -at + text if at < 0 else text
            reads.append((_start_of(own, code, max(0, at)), len(own)))
        count = sum(read >= min(150, 0.5 * long) for read, long in reads)
        share = sum(min(read, 800) for read, _ in reads) / max(1, whole)
        if count > most or (count == most and share > 1.5 * best_share):
            best, most, best_share = at, count, share
        # A later place may be read in one burst more, only because it lies behind a fault.
        if most >= 0.6 * len(texts) and best_share > 0.3:
            break
    if code.marker or best < 0:
        return best, best_share
    for _ in range(3):
        word = _word_at(texts, code, best)
        if not word or best + len(word) > 6 or not _strange(lettered, word, best):
            break
        best += len(word)
    return best, best_share


def _word_at(texts: list[str], code: Code, at: int) -> str:
    """The symbol that most texts have at a place, or nothing."""
    for word in (code.first, code.second):
        if sum(text.startswith(word, at) for text in texts) > 0.6 * len(texts):
            return word
    return ""


def _strange(lettered: Lettered, word: str, at: int) -> bool:
    """Whether a word is of another length here than elsewhere: then it is no symbol, but part of a sync."""
    length = {LETTERS[k]: c.seconds for k, c in enumerate(lettered.classes)}
    nominal = sum(length[letter] for letter in word)
    here = [
        float(np.sum(row[at : at + len(word)]))
        for row, text in zip(lettered.scaled, lettered.texts, strict=True)
        if text.startswith(word, at)
    ]
    return _off_length(float(np.median(here)) / nominal, word)


def _off_length(factor: float, word: str) -> bool:
    """Whether the first word of the data may not be this much longer or shorter than its like."""
    off = math.log(factor)
    least = 0.1 if len(word) > 1 else 0.14
    # A long half-wave before makes the first of the data longer, never shorter.
    return off < -least or off > 2 * least


def _start_of(text: str, code: Code, at: int) -> int:
    """How many half-waves are read from a place on."""
    return _bits_from(text, code, at)[1] - at


def read_rows(code: Code, bursts: list[Burst], lettered: Lettered, usual: float) -> BitRows:
    """Bits of each burst with one kind of symbols.

    Parameters
    ----------
    code : Code
    bursts : list of Burst
    lettered : Lettered
    usual : float
        Half-wave of the leader in seconds; 0 if there is none.
    """
    leader_letter = ""
    if usual:
        near = [abs(math.log(c.seconds / usual)) for c in lettered.classes]
        closest = int(np.argmin(near))
        if near[closest] < 0.1 and LETTERS[closest] in code.first + code.second:
            leader_letter = LETTERS[closest]
    sync, share = _sync_length(lettered, code, leader_letter) if usual else (0, 1.0)
    shift = max(0, -sync)
    begin = max(0, sync)
    rows, stops = [], []
    for text in lettered.texts:
        bits, stop = _bits_from(leader_letter * shift + text, code, begin)
        rows.append(np.array(bits, np.int8))
        stops.append(stop - shift)
    return BitRows(lettered, bursts, usual, sync, share, rows, [begin - shift] * len(rows), stops)


def with_bit_from_sync(code: Code, rows: BitRows) -> BitRows | None:
    """The same with a bit more at the front: the end of what was taken for a sync, if it is as long as one.

    A long half-wave in the sync may push the first of the data so far that it has another letter.
    """
    size = len(code.first)
    if code.marker or len(code.second) != size or rows.sync < size:
        return None
    length = {LETTERS[k]: c.seconds for k, c in enumerate(rows.lettered.classes)}
    words = [(word, sum(length[letter] for letter in word)) for word in (code.first, code.second)]
    at = rows.sync - size
    bits = []
    for row, scaled in zip(rows.bits, rows.lettered.scaled, strict=False):
        here = float(np.sum(scaled[at : rows.sync]))
        value = int(abs(math.log(here / words[1][1])) < abs(math.log(here / words[0][1])))
        word, nominal = words[value]
        if _off_length(here / nominal, word):
            return None
        bits.append(np.concatenate((np.array([value], np.int8), row)))
    return replace(rows, sync=at, bits=bits, begins=[begin - size for begin in rows.begins])


def _bits_from(text: str, code: Code, at: int) -> tuple[list[int], int]:
    """Bits from a place on, and where they end."""
    if not code.marker:
        return _symbols(text, code, at)
    bits: list[int] = []
    plain = replace(code, marker="")
    while text.startswith(code.marker, at):
        symbols, stop = _symbols(text, plain, at + len(code.marker))
        if len(symbols) != code.per_byte:
            break
        bits += symbols
        at = stop
    return bits, at


def directions(code: Code, rows: BitRows) -> list[BitArray]:
    """Phase encoding: the direction of the transition in the middle of each cell; 1 is rising."""
    change = 1 if len(code.second) == 1 else 0
    made = []
    for row, burst, begin in zip(rows.bits, rows.bursts, rows.begins, strict=False):
        place = burst.leader[1] + begin
        rises = burst.first_high == (place % 2 == 0)
        changes = np.concatenate(([int(rises)], (row == change).astype(int)))
        made.append((np.cumsum(changes) % 2).astype(np.int8))
    return made


def evened(rows: list[BitArray]) -> list[BitArray]:
    """Rows of phase encoding, where the first one or two transitions after silence were lost in some."""
    rests = Counter(len(row) % 8 for row in rows).most_common(1)
    if not rests or rests[0][1] < 2:
        return rows
    usual = rests[0][0]
    made = []
    for row in rows:
        missing = (usual - len(row)) % 8
        if 0 < missing <= 2 and len(row) > 8 and np.all(row[1:5] != row[:4]):
            head = [(int(row[0]) + missing - k) % 2 for k in range(missing)]
            row = np.concatenate((np.array(head, np.int8), row))
        made.append(row)
    return made
