"""A plain reader of data tapes, to measure others by: zero crossings, fixed thresholds, the leader's speed.

It does what a simple machine or script does: mark the crossings, take the mean speed from the leader, and
from then on trust nominal lengths times that speed. No tracking, no second guesses. `filtered` puts a
band-pass before it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from tape_encoders import WAYS, crc16, xor_of

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class PlainBlock:
    """A block as read: bytes, whether it is claimed to be right, and seconds into the recording."""

    data: bytes
    good: bool
    start: float


def filtered(samples: Floats, rate: float, name: str) -> Floats:
    """Band-pass, linear phase, around the signal of an encoding."""
    way = WAYS[name]
    low, high = 0.4 * way.low_hz, min(1.5 * way.high_hz, 0.45 * rate)
    taps = int(2.2 * rate / low) | 1
    kernel = signal.firwin(taps, [low, high], pass_zero=False, fs=rate, window="hamming")
    return np.asarray(signal.oaconvolve(samples, kernel, mode="same"))


def crossings(samples: Floats, rate: float, share: float = 0.05) -> Floats:
    """Times of zero crossings, in seconds; a swing counts once it passes `share` of the typical peak."""
    samples = samples - np.mean(samples)
    level = share * float(np.quantile(np.abs(samples), 0.95))
    state = np.where(samples > level, 1, np.where(samples < -level, -1, 0))
    known = np.flatnonzero(state)
    if not len(known):
        return np.empty(0)
    turns = known[1:][np.diff(state[known]) != 0]
    # The crossing is the last change of sign before the far side is sure.
    changes = np.flatnonzero(np.signbit(samples[1:]) != np.signbit(samples[:-1]))
    last = changes[np.searchsorted(changes, turns, side="left") - 1]
    before, after = samples[last], samples[last + 1]
    return (last + before / (before - after)) / rate


def _runs(times: Floats, samples: Floats, rate: float) -> Iterator[Floats]:
    """Stretches of crossings where the signal is loud, without a pause."""
    size = max(1, int(4e-3 * rate))
    usable = len(samples) // size * size
    loud = np.mean(np.abs(samples[:usable].reshape(-1, size)), axis=1)
    loud = loud > 0.2 * np.quantile(loud, 0.9)
    # A dropout is no silence: quiet windows between loud ones, up to 50 ms.
    edges = np.flatnonzero(np.diff(np.concatenate(([1], loud.astype(int), [1]))))
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        if last - first <= 12 and first > 0 and last < len(loud):
            loud[first:last] = True
    # The last half-waves of a block may share a window with the silence after it.
    loud = np.convolve(loud, [1, 1, 1], mode="same") > 0
    edges = np.flatnonzero(np.diff(np.concatenate(([0], loud.astype(int), [0]))))
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        begin, end = first * size / rate, last * size / rate
        run = times[np.searchsorted(times, begin) : np.searchsorted(times, end)]
        if len(run) > 50:
            yield run


class _Leaders:
    """Finds leaders, and tells how slow the tape is: by the first leader, by each, or as it was told.

    Parameters
    ----------
    trust : str
        ``first``, ``each`` or ``even``: the recording has been brought to an even, nominal speed.
    """

    def __init__(self, trust: str) -> None:
        self.trust = trust
        self.slow: float | None = 1.0 if trust == "even" else None

    def ends(self, lengths: Floats, nominal: float, least: int) -> Iterator[tuple[int, float]]:
        """Where a run of equal half-waves ends, and the length to expect against nominal."""
        near = np.abs(lengths / nominal - 1) < (0.15 if self.trust == "even" else 0.35)
        edges = np.flatnonzero(np.diff(np.concatenate(([0], near.astype(int), [0]))))
        for first, last in zip(edges[::2], edges[1::2], strict=True):
            if last - first >= least:
                if self.slow is None or self.trust == "each":
                    self.slow = float(np.mean(lengths[first:last]) / nominal)
                yield int(last), self.slow


def _framed_tones(runs: Iterable[Floats], leaders: _Leaders, short: float, bit: float) -> list[PlainBlock]:
    """Start bit, eight bits, two stop bits, by a clock that a start bit starts; short half-waves are ones."""
    blocks = []
    for run in runs:
        lengths = np.diff(run)
        found = next(leaders.ends(lengths, short, 500), None)
        if found is None:
            continue
        place, slow = found
        rows: list[tuple[float, int, bool]] = []
        last = 0.0
        is_short = lengths < 1.5 * short * slow
        ones = np.concatenate(([0.0], np.cumsum(lengths * is_short)))
        starts = np.flatnonzero(~is_short)
        at = int(np.searchsorted(starts, place))
        while at < len(starts):
            begin = float(run[starts[at]])
            if rows and begin - last > 0.25:
                blocks += _block_of_rows(rows)
                rows = []
            last = begin + 11 * bit * slow
            if last > run[-1] + 2 * bit:
                break
            bits = np.diff(np.interp(np.linspace(begin, last, 12), run, ones)) > 0.5 * bit * slow
            sound = not bits[0] and bool(bits[9]) and bool(bits[10])
            rows.append((begin, int(np.packbits(bits[1:9], bitorder="little")[0]), sound))
            # Half a bit early, so that the next start bit is met even if it comes soon.
            at = max(at + 1, int(np.searchsorted(run[starts], last - 0.5 * bit * slow)))
        blocks += _block_of_rows(rows)
    return blocks


def _block_of_rows(rows: list[tuple[float, int, bool]]) -> list[PlainBlock]:
    """Bytes of a block; what comes last and has no frame is taken for the noise after the block."""
    while rows and not rows[-1][2]:
        rows = rows[:-1]
    if not rows:
        return []
    return [PlainBlock(bytes(row[1] for row in rows), all(row[2] for row in rows), rows[0][0])]


def _pulse_width(runs: Iterable[Floats], leaders: _Leaders) -> list[PlainBlock]:
    blocks = []
    for run in runs:
        lengths = np.diff(run)
        for end, slow in leaders.ends(lengths, 560e-6, 300):
            pairs = lengths[end + 2 :]
            pairs = pairs[: len(pairs) // 2 * 2].reshape(-1, 2).sum(axis=1)
            strange = np.flatnonzero((pairs > 1400e-6 * slow) | (pairs < 250e-6 * slow))
            if len(strange):
                pairs = pairs[: strange[0]]
            bits = pairs > 690e-6 * slow
            data = np.packbits(bits[: len(bits) // 8 * 8]).tobytes()
            if len(data) > 2:
                # Noise after the block may look like one more byte.
                data = data if xor_of(data) == 0 or xor_of(data[:-1]) else data[:-1]
                blocks.append(PlainBlock(data, xor_of(data) == 0, float(run[end])))
    return blocks


def _pulse_length(runs: Iterable[Floats], leaders: _Leaders) -> list[PlainBlock]:
    blocks = []
    for run in runs:
        lengths = np.diff(run)
        for end, slow in list(leaders.ends(lengths, 180e-6, 500))[:1]:
            long = np.flatnonzero(lengths[end - 4 :] > 300e-6 * slow)
            if not len(long):
                continue
            place = end - 4 + int(long[0])
            cycles = lengths[place : place + (len(lengths) - place) // 2 * 2].reshape(-1, 2).sum(axis=1)
            kinds = np.digitize(cycles, [440e-6 * slow, 600e-6 * slow])
            at, data, good = 0, bytearray(), True
            while at + 20 <= len(kinds) and kinds[at] == 2 and kinds[at + 1] == 1:
                pairs = kinds[at + 2 : at + 20].reshape(9, 2)
                ones = (pairs[:, 0] == 1) & (pairs[:, 1] == 0)
                zeros = (pairs[:, 0] == 0) & (pairs[:, 1] == 1)
                good &= bool(np.all(ones | zeros)) and int(ones.sum()) % 2 == 1
                data.append(int(np.packbits(ones[:8], bitorder="little")[0]))
                at += 20
            if len(data) > 1:
                blocks.append(PlainBlock(bytes(data), good and xor_of(bytes(data)) == 0, float(run[place])))
    return blocks


def _phase(runs: Iterable[Floats], leaders: _Leaders, samples: Floats, rate: float) -> list[PlainBlock]:
    """Half-waves of one or two half cells; the speed is that of the preamble."""
    blocks = []
    for run in runs:
        lengths = np.diff(run)
        # The preamble 10101010 has one transition a cell: six like lengths in a row, near a cell's.
        six = np.lib.stride_tricks.sliding_window_view(lengths, 6)
        like = (six.max(axis=1) < 1.35 * six.min(axis=1)) & (np.abs(six.mean(axis=1) * 1500 - 1) < 0.3)
        if not np.any(like):
            continue
        first = int(np.argmax(like))
        if leaders.trust == "even":
            slow = 1.0
        elif leaders.trust == "first" and leaders.slow is not None:
            slow = leaders.slow
        else:
            slow = leaders.slow = float(six[first].mean()) * 1500
        halves = np.where(lengths > 500e-6 * slow, 2, 1)
        at = np.concatenate(([0], np.cumsum(halves)))
        middles = np.flatnonzero((at - at[first]) % 2 == 0)
        middles = middles[middles >= first]
        missing = np.flatnonzero(np.diff(at[middles]) != 2)
        if len(missing):
            middles = middles[: missing[0] + 1]
        later = np.minimum((run[middles] * rate).astype(int) + 3, len(samples) - 1)
        blocks += _phase_block(samples[later] > 0, float(run[first]))
    return blocks


def _phase_block(rising: NDArray[np.bool_], start: float) -> list[PlainBlock]:
    """The bytes after the preamble, up to a check that holds and a postamble; either polarity."""
    found = None
    for turned in (False, True):
        for skip in (8, 7, 9, 6):
            data = np.packbits(rising[skip:] ^ turned, bitorder="little").tobytes()
            for end in range(3, len(data)):
                if data[end] == 0x55 and crc16(data[: end - 2]) == int.from_bytes(
                    data[end - 2 : end], "little"
                ):
                    return [PlainBlock(data[:end], True, start)]
            found = found or PlainBlock(data[:-1], False, start)
    return [found] if found and found.data else []


def read_plain(samples: Floats, rate: float, name: str, trust: str = "first") -> list[PlainBlock]:
    """Blocks of a recording.

    Parameters
    ----------
    samples : array, shape (n,) or (n, channels)
        Of two channels the first is read: a tilted head would spoil their sum.
    rate : float
        Hertz.
    name : str
        A key of `WAYS`.
    trust : str
        Where the speed comes from: the ``first`` leader, ``each`` block's leader, or ``even``: it is nominal.

    Returns
    -------
    list of PlainBlock
        Without a check in the encoding a block is claimed good if every byte had its start and stop bits.
    """
    mono = np.asarray(samples, float)
    if mono.ndim == 2:
        mono = mono[:, 0]
    runs, leaders = _runs(crossings(mono, rate), mono, rate), _Leaders(trust)
    if name == "kansas-city-300":
        return _framed_tones(runs, leaders, 1 / 4800, 8 / 2400)
    if name in ("cuts-1200", "msx-1200"):
        return _framed_tones(runs, leaders, 1 / 4800, 1 / 1200)
    if name == "msx-2400":
        return _framed_tones(runs, leaders, 1 / 9600, 1 / 2400)
    if name == "pulse-width":
        return _pulse_width(runs, leaders)
    if name == "pulse-length":
        return _pulse_length(runs, leaders)
    return _phase(runs, leaders, mono, rate)
