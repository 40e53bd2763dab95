"""Several takes of one damaged side, combined into one answer.

Takes are tied together by the bits that they share, brought onto the time of the best of them and added, each
weighted by how well it is heard at that moment; the sum is then read like any recording. Where takes cannot
be tied, the one that is heard best stands alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from ..errors import BenchwrightError
from .alignment import Alignment, BitStream, align
from .asymmetry import Asymmetries, median_asymmetry
from .blocks import Block, ByteRow
from .conditioned import Conditioner
from .decode import (
    Progress,
    Reader,
    Tape,
    channel_to_read,
    lesson_of,
    polarity_of,
    read_again,
    read_rows,
    tell_nobody,
    without_doubles,
)
from .encoding import Encoding, encoding_named
from .repair import FEWEST, SURE, UNCHECKED
from .sum_of_takes import Heard, Sum, sum_of_takes
from .take_clock import TakeClock, clock_of

FloatArray = npt.NDArray[np.float64]
SURE_ENOUGH = 0.95
"""Confidence in a byte that is used to tie takes together."""
FEWEST_TIED = 12
"""Bytes of a block that is used to tie takes together."""


class CannotMerge(BenchwrightError, ValueError):
    """Takes that have nothing in common."""


@dataclass
class _Take:
    """One take, read."""

    encoding: Encoding
    rows: list[ByteRow]
    heard: Heard
    clock: TakeClock

    @property
    def worth(self) -> float:
        return sum(row.worth for row in self.rows)

    def stream(self) -> BitStream:
        """The bits of all blocks worth the name: only those of bytes that were read with certainty."""
        bits, ends = [np.empty(0, np.int8)], [np.empty(0)]
        for row in self.rows:
            for block in row.blocks:
                if len(block.data) < FEWEST_TIED:
                    continue
                # Guesses in a dropout would mislead.
                sure = block.confidence > SURE_ENOUGH
                edges = np.flatnonzero(np.diff(np.concatenate(([0], sure.astype(np.int8), [0]))))
                for begin, stop in edges.reshape(-1, 2):
                    since = block.byte_times[begin]
                    until = block.byte_times[stop] if stop < len(block.byte_times) else block.end
                    first, last = np.searchsorted(row.tape_bit_ends, (since + 1e-6, until + 1e-6))
                    bits.append(row.tape_bits[first:last])
                    ends.append(row.tape_bit_ends[first:last])
        breaks = np.cumsum([len(b) for b in bits])[:-1]
        return BitStream(np.concatenate(bits), np.concatenate(ends), breaks.astype(np.int64))


def merge(
    recordings: Sequence[Any],
    encoding: Encoding | str,
    *,
    channel: Any = "mean",
    progress: Progress | None = None,
) -> Tape:
    """Read several takes of one side as one.

    Parameters
    ----------
    recordings : sequence of Recording
        At any speeds, levels and rates.
    encoding : Encoding or str
    channel : int or "mean", optional
    progress : callable, optional
        Called with the share done, 0 to 1.

    Returns
    -------
    Tape
        Times are those of the take that reads best.

    Raises
    ------
    CannotMerge
        There is no recording.
    UnknownName
        There is no encoding of that name.
    """
    if isinstance(encoding, str):
        encoding = encoding_named(encoding)
    if not recordings:
        raise CannotMerge("expected at least one recording to merge")
    told: Progress = progress or tell_nobody
    share = 0.6 / len(recordings)
    takes = []
    for k, recording in enumerate(recordings):
        own = channel_to_read(recording, encoding, channel)
        rows = read_rows(recording, encoding, own, _part(told, share * k, share), discount=False)
        takes.append(_take(recording, [row for row in rows if row.count], encoding, own))
    takes.sort(key=lambda take: -take.worth)
    best, others = takes[0], takes[1:]
    alignments = [_aligned(best, take) for take in others]
    warnings = [w for take in takes for w in take.heard.recording.warnings]
    warnings += [
        f"{take.heard.recording.path} shares nothing with {best.heard.recording.path}"
        " that could tie them together"
        for take, alignment in zip(others, alignments, strict=True)
        if not alignment.holds
    ]
    tied = [(t, a) for t, a in zip(others, alignments, strict=True) if a.holds]
    elsewhere = [_moved(b, a) for t, a in tied for row in t.rows for b in row.blocks]
    unchecked = encoding.check is None
    blocks: list[Block] = []
    rows_out: list[ByteRow] = []
    for k, (first, last) in enumerate(_spans(best.rows)):
        rows = [row for row in best.rows if first <= row.edges[0] <= last]
        own = [b for row in rows for b in row.blocks]
        if unchecked and tied:
            own = [_confirmed(b, elsewhere, encoding) for b in own]
        if tied and not all(b.good for b in own):
            joined, added = _together(best, tied, rows, first, last)
            summed = [b for row in joined for b in row.blocks]
            trusted = [added is not None and added.trusted(b.start, b.end) for b in summed]
            if unchecked:
                summed = [
                    b
                    if borne_out and len(b.data) >= FEWEST_TIED
                    else _confirmed(b, [*own, *elsewhere], encoding)
                    for b, borne_out in zip(summed, trusted, strict=True)
                ]
            if added is not None:
                # What a dropout in a leader looks like, and is not there in the sum.
                own = [b for b in own if len(b.data) >= FEWEST_TIED or not added.trusted(b.start, b.end)]
            voted = [v for b in own if (v := _voted(b, elsewhere, encoding)) is not None]
            surest = [b for b, borne_out in zip(summed, trusted, strict=True) if borne_out]
            blocks += _best_of(surest, [*voted, *summed, *own])
            rows = joined or rows
        else:
            blocks += own
        rows_out += rows
        told(0.6 + 0.4 * (k + 1) / max(1, len(best.rows)))
    blocks = _fill(blocks, others, alignments, encoding)
    times = [row.speed_times for row in rows_out if len(row.speed_times)]
    looks = Asymmetries(best.heard.recording, best.heard.channel)
    for row in best.rows:
        looks.look(row)
    speeds = [row.speed for row in rows_out if len(row.speed)]
    return Tape(
        encoding=encoding,
        blocks=tuple(blocks),
        speed_times=np.concatenate(times) if times else np.empty(0),
        speed=np.concatenate(speeds) if speeds else np.empty(0),
        polarity=polarity_of(best.rows),
        asymmetry=median_asymmetry(best.rows),
        duration=best.heard.seconds,
        warnings=tuple(warnings),
    )


def _part(told: Progress, first: float, share: float) -> Progress:
    return lambda done: told(first + share * done)


def _take(recording: Any, rows: list[ByteRow], encoding: Encoding, channel: Any) -> _Take:
    """A take with its own equaliser, its usual amplitude and its noise."""
    conditioner = Conditioner(encoding, recording.rate)
    noise, amplitude = 0.3, 1.0
    if rows:
        longest = max(rows, key=lambda row: len(row.edges))
        equaliser = lesson_of(recording, longest, channel)
        if equaliser is not None:
            conditioner = Conditioner(encoding, recording.rate, equaliser=equaliser.taps)
            noise = max(0.05, equaliser.noise)
        middle = float(np.median(longest.edges)) * recording.rate
        span = int(2 * recording.rate)
        at = max(0, int(middle) - span // 2) // conditioner.down * conditioner.down
        window, _ = conditioner.stretch(recording, at, at + span, channel)
        if len(window.amplitude):
            amplitude = max(1e-9, float(np.median(window.amplitude)))
    heard = Heard(recording, channel, conditioner, amplitude, noise)
    return _Take(encoding, rows, heard, clock_of(rows, heard.seconds))


def _spans(rows: Sequence[ByteRow]) -> list[tuple[float, float]]:
    """Stretches of the best take to read together; runs that nearly touch are one."""
    spans: list[tuple[float, float]] = []
    for row in sorted(rows, key=lambda r: float(r.edges[0])):
        first, last = float(row.edges[0]), float(row.edges[-1])
        if spans and first - spans[-1][1] < 1.0:
            spans[-1] = (spans[-1][0], max(last, spans[-1][1]))
        else:
            spans.append((first, last))
    return spans


def _together(
    best: _Take, tied: Sequence[tuple[_Take, Alignment]], rows: list[ByteRow], first: float, last: float
) -> tuple[list[ByteRow], Sum | None]:
    """Read a stretch of the best take with the help of the others; with the sum that was read."""
    joined = sum_of_takes(
        best.heard, [(take.heard, alignment) for take, alignment in tied], first - 0.4, last + 0.8
    )
    if joined is None:
        return [], None
    found: list[ByteRow] = []
    polarities = {row.polarity for row in rows} or {1}
    if best.encoding.is_phase and not any(b.good for row in best.rows for b in row.blocks):
        polarities = {1, -1}
    for polarity in polarities:
        reader = Reader(joined.recording, best.encoding, 0, polarity=polarity, discount=False)
        better: list[ByteRow] = []
        for row in reader.read():
            if row.count and not all(b.good for b in row.blocks):
                better += read_again(joined.recording, row, 0, discount=False)
            elif row.count:
                better.append(row)
        better = without_doubles(better)
        if sum(r.worth for r in better) > sum(r.worth for r in found):
            found = better
    return [row.moved(joined.stretch, joined.first) for row in found], joined


def _aligned(best: _Take, other: _Take) -> Alignment:
    """Ties between two takes; upside down if need be where only good blocks tell which way up a take is."""
    here, there = best.stream(), other.stream()
    found = align(here, there, best.clock, other.clock)
    if best.encoding.is_phase and not found.holds:
        turned = replace(there, bits=(1 - there.bits).astype(np.int8))
        found = align(here, turned, best.clock, other.clock)
    return found


def _moved(block: Block, alignment: Alignment) -> Block:
    """A block of another take on the time of the best."""
    back = alignment.back()
    start, end = back.map(np.array([block.start, block.end]))
    return replace(block, start=float(start), end=float(end), byte_times=back.map(block.byte_times))


def _same_place(one: Block, other: Block, encoding: Encoding) -> bool:
    """Whether two readings begin and end together and hold as many bytes."""
    near = 0.6 * encoding.byte_seconds
    return (
        len(one.data) == len(other.data)
        and abs(one.start - other.start) < near
        and abs(one.end - other.end) < near
    )


def _confirmed(block: Block, others: Sequence[Block], encoding: Encoding) -> Block:
    """Without a check a block is good only if another take is as long and nowhere sure of something else."""
    if not block.good:
        return block
    alike = [other for other in others if _same_place(block, other, encoding)]
    mine = np.frombuffer(block.data, np.uint8)
    for other in alike:
        differs = mine != np.frombuffer(other.data, np.uint8)
        if np.any(differs & (other.confidence > SURE_ENOUGH)):
            return replace(block, good=False)
    return block if alike else replace(block, good=False)


def _voted(block: Block, others: Sequence[Block], encoding: Encoding) -> Block | None:
    """Byte by byte the surest of readings that are equally long; None if there is no second one."""
    votes = [block, *(other for other in others if _same_place(block, other, encoding))]
    if len(votes) < 2:
        return None
    confidence = np.stack([vote.confidence for vote in votes])
    surest = np.argmax(confidence, axis=0)
    data = bytes(votes[int(k)].data[n] for n, k in enumerate(surest))
    sure = confidence.max(axis=0)
    # Two readings that are both certain and differ leave neither certain.
    for n in range(len(data)):
        against = [v.confidence[n] for v in votes if v.data[n] != data[n]]
        if against and max(against) > 0.9:
            sure[n] = min(sure[n], 0.5)
    doubt = float(np.sum(1 / np.maximum(sure, 1e-9) - 1))
    whole = any(vote.whole for vote in votes)
    check = encoding.check
    holds = check is not None and check.holds(data)
    if check is None:
        good = whole and doubt < UNCHECKED and len(data) >= FEWEST
    else:
        good = holds and doubt / 2**check.width < 1 - SURE and (whole or check.width > 8)
    state = "none" if check is None else "holds" if holds else "fails"
    told = [n for n in range(len(data)) if data[n] != block.data[n]]
    repaired = (f"{len(told)} bytes taken from other takes",) if told else ()
    return replace(
        block, data=data, confidence=sure, good=good, check=state, repaired=repaired, whole=whole, rivals=()
    )


def _best_of(surest: list[Block], rest: list[Block]) -> list[Block]:
    """Of blocks that overlap, the one that is good, or else the one that the takes bear out, or is surer."""
    ranked = [
        ((not b.good, b.check != "holds", rank, -len(b.data) * float(np.mean(b.confidence))), b)
        for rank, group in enumerate((surest, rest))
        for b in group
    ]
    kept: list[Block] = []
    for _, block in sorted(ranked, key=lambda r: r[0]):
        span = block.end - block.start
        if all(min(block.end, b.end) - max(block.start, b.start) < 0.3 * span for b in kept):
            kept.append(block)
    return sorted(kept, key=lambda b: b.start)


def _fill(
    blocks: list[Block], others: Sequence[_Take], alignments: Sequence[Alignment], encoding: Encoding
) -> list[Block]:
    """Blocks that another take holds and the answer does not, or not as well."""
    for take, alignment in zip(others, alignments, strict=True):
        if not alignment.holds:
            continue
        for block in (b for row in take.rows for b in row.blocks):
            moved = _moved(block, alignment)
            if encoding.check is None:
                moved = replace(moved, good=False)  # no second take says the same
            start, end = moved.start, moved.end
            over = [
                b
                for b in blocks
                if min(b.end, end) - max(b.start, start) > 0.3 * min(b.end - b.start, end - start)
            ]
            if not over and (block.good or len(block.data) >= FEWEST_TIED):
                blocks.append(moved)
            elif over and moved.good and not any(b.good for b in over):
                blocks = [b for b in blocks if b not in over] + [moved]
    return sorted(blocks, key=lambda b: b.start)
