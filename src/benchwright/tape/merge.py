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
from .alignment import Alignment, align, delays
from .blocks import Block, ByteRow
from .conditioned import Conditioner
from .decode import Progress, Reader, Tape, channel_to_read, lesson_of, read_again, read_rows, without_doubles
from .encoding import Encoding, encoding_named
from .recording import Recording
from .repair import FEWEST, SURE, UNCHECKED

FloatArray = npt.NDArray[np.float64]
FAINT = 0.4
"""Share of its usual amplitude below which a take is not listened to where another is heard."""


FAR = 0.5
"""Seconds from the nearest tie beyond which another take is not used."""
LONGEST_UNTIED = 10.0
"""Seconds between two ties across which another take is still used."""
SURE_ENOUGH = 0.98
"""Confidence in a byte that is used to tie takes together."""
FEWEST_TIED = 12
"""Bytes of a block that is used to tie takes together."""


class CannotMerge(BenchwrightError, ValueError):
    """Takes that have nothing in common."""


@dataclass
class _Take:
    """One take, read."""

    recording: Any
    rows: list[ByteRow]
    conditioner: Conditioner
    amplitude: float
    noise: float
    channel: Any

    @property
    def worth(self) -> float:
        return sum(row.worth for row in self.rows)

    def stream(self) -> tuple[npt.NDArray[np.int8], FloatArray, npt.NDArray[np.int64]]:
        """Bits of all blocks worth the name, when they end, and where a block begins."""
        bits, ends = [], []
        for row in self.rows:
            for block in row.blocks:
                if len(block.data) < FEWEST_TIED:
                    continue
                # Only bytes that were read with certainty tie; guesses in a dropout would mislead.
                sure = block.confidence > SURE_ENOUGH
                edges = np.flatnonzero(np.diff(np.concatenate(([0], sure.astype(np.int8), [0]))))
                for begin, stop in edges.reshape(-1, 2):
                    since = block.byte_times[begin]
                    until = block.byte_times[stop] if stop < len(block.byte_times) else block.end
                    first, last = np.searchsorted(row.tape_bit_ends, (since + 1e-6, until + 1e-6))
                    bits.append(row.tape_bits[first:last])
                    ends.append(row.tape_bit_ends[first:last])
        if not bits:
            return np.empty(0, np.int8), np.empty(0), np.empty(0, np.int64)
        breaks = np.cumsum([len(b) for b in bits])[:-1]
        return np.concatenate(bits), np.concatenate(ends), breaks.astype(np.int64)


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
    told: Progress = progress or _nothing
    share = 0.6 / len(recordings)
    takes = []
    for k, recording in enumerate(recordings):
        rows = read_rows(recording, encoding, channel, _part(told, share * k, share), discount=False)
        own = channel_to_read(recording, encoding, channel)
        takes.append(_take(recording, [row for row in rows if row.count], encoding, own))
    takes.sort(key=lambda take: -take.worth)
    best, others = takes[0], takes[1:]
    here = best.stream()
    alignments = [align(*here, *take.stream()) for take in others]
    warnings = [w for take in takes for w in take.recording.warnings]
    warnings += [
        f"{take.recording.path} shares nothing with {best.recording.path} that could tie them together"
        for take, alignment in zip(others, alignments, strict=True)
        if len(alignment.here) < 2
    ]
    tied = [(t, a) for t, a in zip(others, alignments, strict=True) if len(a.here) >= 2]
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
            joined = _together(best, tied, rows, first, last, encoding)
            summed = [b for row in joined for b in row.blocks]
            if unchecked:
                summed = [_confirmed(b, [*own, *elsewhere], encoding) for b in summed]
            voted = [v for b in own if (v := _voted(b, elsewhere, encoding)) is not None]
            blocks += _better(voted, [*summed, *own])
            rows = joined or rows
        else:
            blocks += own
        rows_out += rows
        told(0.6 + 0.4 * (k + 1) / max(1, len(best.rows)))
    blocks = _fill(blocks, others, alignments, encoding)
    times = [row.speed_times for row in rows_out if len(row.speed_times)]
    speeds = [row.speed for row in rows_out if len(row.speed)]
    return Tape(
        encoding=encoding,
        blocks=tuple(blocks),
        speed_times=np.concatenate(times) if times else np.empty(0),
        speed=np.concatenate(speeds) if speeds else np.empty(0),
        polarity=0,
        asymmetry=0.0,
        duration=best.recording.frames / best.recording.rate,
        warnings=tuple(warnings),
    )


def _nothing(done: float) -> None:
    """Tell nobody."""


def _part(told: Progress, first: float, share: float) -> Progress:
    return lambda done: told(first + share * done)


def _take(recording: Any, rows: list[ByteRow], encoding: Encoding, channel: Any) -> _Take:
    """A take with its own equaliser, its usual amplitude and its noise."""
    plain = Conditioner(encoding, recording.rate)
    equaliser = None
    if rows:
        equaliser = lesson_of(recording, max(rows, key=lambda row: len(row.edges)), channel)
    conditioner = plain
    noise = 0.3
    if equaliser is not None:
        conditioner = Conditioner(encoding, recording.rate, equaliser=equaliser.taps)
        noise = max(0.05, equaliser.noise)
    amplitude = 1.0
    if rows:
        longest = max(rows, key=lambda row: len(row.edges))
        middle = float(np.median(longest.edges)) * recording.rate
        span = int(2 * recording.rate)
        at = max(0, int(middle) - span // 2) // conditioner.down * conditioner.down
        window, _ = conditioner.stretch(recording, at, at + span, channel)
        if len(window.amplitude):
            amplitude = max(1e-9, float(np.median(window.amplitude)))
    return _Take(recording, rows, conditioner, amplitude, noise, channel)


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


def _signal(
    take: _Take, first: float, last: float
) -> tuple[FloatArray, npt.NDArray[np.float32], npt.NDArray[np.float32]]:
    """Times, signal and amplitude of a stretch of one take, its usual amplitude being one."""
    c, rate = take.conditioner, take.recording.rate
    a = max(0, int(first * rate)) // c.down * c.down
    b = max(a + c.down, int(last * rate) + 1)
    window, _ = c.stretch(take.recording, a, b, take.channel)
    times = (window.start + np.arange(len(window.signal))) / c.rate
    scale = np.float32(1 / take.amplitude)
    return times, window.signal * scale, window.amplitude * scale


def _together(
    best: _Take,
    tied: Sequence[tuple[_Take, Alignment]],
    rows: list[ByteRow],
    first: float,
    last: float,
    encoding: Encoding,
) -> list[ByteRow]:
    """Read a stretch of the best take with the help of the others."""
    from scipy.ndimage import map_coordinates, uniform_filter1d

    since, until = max(0.0, first - 0.4), last + 0.8
    times, signal, amplitude = _signal(best, since, until)
    if not len(times):
        return []
    heard = [amplitude]
    signals = [signal]
    sures: list[npt.NDArray[np.bool_]] = []
    noises = [best.noise]
    rate = best.conditioner.rate
    for take, alignment in tied:
        there = alignment.map(times)
        low, high = float(there[0]), float(there[-1])
        limit = take.recording.frames / take.recording.rate
        if high < 0 or low > limit:
            continue
        t, x, amp = _signal(take, max(0.0, low - 0.05), min(limit, high + 0.05))
        if len(t) < 8:
            continue
        place = (there - t[0]) * take.conditioner.rate
        moved = map_coordinates(x, [place], order=1, mode="constant").astype(np.float32)
        loud = map_coordinates(amp, [place], order=1, mode="constant").astype(np.float32)
        tied_here = alignment.sure_at(times)
        both = (amplitude > 0.5) & (loud > 0.5) & tied_here
        if np.any(both) and float(np.sum(signal[both] * moved[both])) < 0:
            x, moved = -x, -moved
        # What ties leave open, in repeated bytes and in the leader, likeness settles.
        delay, alike = delays(signal, moved, amplitude, loud, tied_here, rate)
        place = np.interp(np.arange(len(times)) + delay, np.arange(len(times)), place)
        moved = map_coordinates(x, [place], order=3, mode="constant").astype(np.float32)
        loud = map_coordinates(amp, [place], order=1, mode="constant").astype(np.float32)
        sure = alike > 0.6
        # Far from any tie, in a leader or a pause, nothing says how the takes lie to each other.
        tie = np.searchsorted(alignment.here, times)
        before = times - alignment.here[np.clip(tie - 1, 0, len(alignment.here) - 1)]
        after = alignment.here[np.clip(tie, 0, len(alignment.here) - 1)] - times
        before[tie == 0] = after[tie == len(alignment.here)] = np.inf
        loud[(np.minimum(np.abs(before), np.abs(after)) > FAR) & (before + after > LONGEST_UNTIED)] = 0.0
        signals.append(moved)
        heard.append(loud)
        sures.append(sure)
        noises.append(take.noise)
    if len(signals) < 2:
        return []
    loudness = np.stack(heard)
    loudest = np.argmax(
        uniform_filter1d(loudness, max(3, int(0.004 * rate)) | 1, axis=1) / np.array(noises)[:, None] ** 0.5,
        axis=0,
    )
    weights = np.where(loudness > FAINT, loudness, 0.0) / np.array(noises)[:, None] ** 2
    for k, sure in enumerate(sures, start=1):
        # A take that is not tied here counts alone or not at all.
        weights[k, ~sure & (loudest != k)] = 0.0
        alone = ~sure & (loudest == k)
        weights[:, alone] = np.where(np.arange(len(weights))[:, None] == k, weights[:, alone], 0.0)
    silent = weights.sum(axis=0) <= 0
    weights[0, silent] = loudness[0, silent]
    weights = uniform_filter1d(weights, max(3, int(0.002 * rate)) | 1, axis=1)
    power = np.sqrt(np.maximum(1e-9, (weights * loudness).sum(axis=0)))
    mixed = (weights * np.stack(signals)).sum(axis=0) / power
    mixed *= 0.25 / max(1e-9, float(np.percentile(np.abs(mixed), 99)))
    joined = Recording.from_array(np.asarray(mixed, np.float32), round(rate), name="takes together")
    polarities = {row.polarity for row in rows} or {1}
    found: list[ByteRow] = []
    for polarity in polarities:
        read = [r for r in Reader(joined, encoding, 0, polarity=polarity, discount=False).read() if r.count]
        better: list[ByteRow] = []
        for row in read:
            better += [row] if all(b.good for b in row.blocks) else read_again(joined, row, 0, discount=False)
        better = without_doubles(better)
        if sum(r.worth for r in better) > sum(r.worth for r in found):
            found = better
    stretch = round(rate) / rate
    return [row.moved(stretch, float(times[0])) for row in found]


def _moved(block: Block, alignment: Alignment) -> Block:
    """A block of another take on the time of the best."""
    back = Alignment(alignment.there, alignment.here, alignment.sure)
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


def _better(one: list[Block], other: list[Block]) -> list[Block]:
    """Of blocks that overlap, the one that is good, or else the one that is surer."""
    kept: list[Block] = []
    for block in sorted(
        [*one, *other], key=lambda b: (not b.good, -len(b.data) * float(np.mean(b.confidence)))
    ):
        span = block.end - block.start
        if all(min(block.end, b.end) - max(block.start, b.start) < 0.3 * span for b in kept):
            kept.append(block)
    return sorted(kept, key=lambda b: b.start)


def _fill(
    blocks: list[Block], others: Sequence[_Take], alignments: Sequence[Alignment], encoding: Encoding
) -> list[Block]:
    """Blocks that another take holds and the answer does not, or not as well."""
    for take, alignment in zip(others, alignments, strict=True):
        if len(alignment.here) < 2:
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
