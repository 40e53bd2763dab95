"""Stretches of signal on an unknown recording, the half-waves of each, and the leader before its data."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from ..half_waves import zero_crossings
from .clusters import LEAST_HALF, length_peaks, nearest_class

FloatArray = npt.NDArray[np.float64]

FAINTEST = 0.14
"""Against the loudest: below that, nothing is taken for signal."""
LONGEST_HALF = 0.012
"""Seconds between two crossings after which a stretch of signal has ended."""
LEAST_HALVES = 60


@dataclass(frozen=True)
class Burst:
    """A stretch of signal between two silences, or between two leaders.

    Attributes
    ----------
    edges : float64 array (n + 1,)
        Crossings, in seconds, the asymmetry of the two sides taken out.
    first_high : bool
        Whether the first half-wave lies above the middle.
    leader : (int, int)
        First half-wave of the leader, and the one after its last; both nought if there is none.
    leader_half : float
        Mean half-wave of the leader, in seconds.
    """

    edges: FloatArray
    first_high: bool
    leader: tuple[int, int] = (0, 0)
    leader_half: float = 0.0

    @property
    def lengths(self) -> FloatArray:
        """Half-waves in seconds."""
        return np.diff(self.edges)

    @property
    def leader_seconds(self) -> float:
        return float(self.edges[self.leader[1]] - self.edges[self.leader[0]])

    @property
    def body(self) -> FloatArray:
        """Half-waves after the leader."""
        return self.lengths[self.leader[1] :]


def find_bursts(samples: FloatArray, rate: float) -> list[Burst]:
    """Stretches of signal with their half-waves and leaders.

    Parameters
    ----------
    samples : float64 array (n,)
    rate : float
        Samples a second.
    """
    if len(samples) < 0.05 * rate:
        return []
    bursts = _crossed(_in_band(samples, rate, 90.0, 12e3), rate)
    lengths = [b.lengths for b in bursts]
    if not lengths:
        return []
    together = np.concatenate(lengths)
    # By time, not by number, so that hiss between two data does not decide.
    order = np.argsort(together)
    through = np.cumsum(together[order]) / np.sum(together)
    short, long = (float(together[order[np.searchsorted(through, part)]]) for part in (0.04, 0.985))
    low = max(60.0, 0.15 / (2 * min(long, 2.5e-3)))
    high = min(12e3, 2.6 / (2 * max(short, 60e-6)))
    found: list[Burst] = []
    for burst in _crossed(_in_band(samples, rate, low, high), rate):
        found += _with_leaders(burst)
    return found


def _in_band(samples: FloatArray, rate: float, low: float, high: float) -> FloatArray:
    from scipy.signal import butter, sosfiltfilt

    edges: float | list[float] = [low, high] if high < 0.45 * rate else low
    sections = butter(2, edges, "bandpass" if high < 0.45 * rate else "highpass", fs=rate, output="sos")
    return np.asarray(sosfiltfilt(sections, samples), float)


def _crossed(signal: FloatArray, rate: float) -> list[Burst]:
    """Cut a signal into stretches and find its crossings."""
    from scipy.ndimage import uniform_filter1d

    amplitude = uniform_filter1d(np.abs(signal), max(3, int(0.008 * rate))) * (math.pi / 2)
    loudest = float(np.percentile(amplitude, 97))
    if loudest <= 0:
        return []
    wave = signal / np.maximum(amplitude, FAINTEST * loudest)
    places, rising = zero_crossings(wave, 0.22)
    loud = amplitude[np.clip(places.astype(int), 0, len(amplitude) - 1)] > FAINTEST * loudest
    places, rising = places[loud] / rate, rising[loud]
    if len(places) < LEAST_HALVES:
        return []
    cuts = np.flatnonzero((np.diff(places) > LONGEST_HALF) | (rising[1:] == rising[:-1])) + 1
    limits = [0, *cuts.tolist(), len(places)]
    return [
        Burst(places[a:b], bool(rising[a])) for a, b in itertools.pairwise(limits) if b - a > LEAST_HALVES
    ]


def _runs(flags: npt.NDArray[np.bool_]) -> list[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.concatenate(([0], flags.astype(np.int8), [0]))))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _with_leaders(burst: Burst) -> list[Burst]:
    """Find the leaders of a stretch, cut it where a new one begins, and take the asymmetry out."""
    from scipy.ndimage import median_filter, uniform_filter1d

    lengths = burst.lengths
    cycles = lengths[1:] + lengths[:-1]
    middle = median_filter(cycles, 31, mode="nearest")
    near = np.abs(cycles / middle - 1) < 0.13
    steady = np.abs(np.roll(middle, -15) / np.roll(middle, 15) - 1) < 0.06
    dense = uniform_filter1d((near & steady).astype(float), 31, mode="nearest") > 0.8
    leaders: list[tuple[int, int, float]] = []
    for first, last in _runs(dense):
        seconds = float(np.sum(lengths[first:last]))
        opening = not leaders and (first < 60 or burst.edges[first] - burst.edges[0] < 0.1)
        if last - first >= (60 if opening else 300) and seconds >= (0.03 if opening else 0.3):
            half = float(np.median(cycles[first:last])) / 2
            if leaders and abs(leaders[-1][2] / half - 1) > 0.1:
                continue
            leaders.append((first, last, half))
    if not leaders:
        return [replace(burst)]
    made = []
    starts = [0] + [first for first, _, _ in leaders[1:]] + [len(lengths)]
    for number, (first, last, half) in enumerate(leaders):
        begin, stop = starts[number], starts[number + 1]
        edges = burst.edges[begin : stop + 1]
        high = burst.first_high == (begin % 2 == 0)
        edges = _even(edges, high, slice(first - begin, last - begin))
        own = np.diff(edges)
        at = _end_of_leader(own, first - begin, last - begin, half)
        if at < 0:
            continue
        near_end = own[max(first - begin, at - 200) : at]
        made.append(Burst(edges, high, (first - begin, at), float(np.mean(near_end))))
    return made


def _even(edges: FloatArray, first_high: bool, part: slice) -> FloatArray:
    """Edges moved so that both sides of a leader last equally long."""
    lengths = np.diff(edges)
    high = (np.arange(len(lengths)) % 2 == 0) == first_high
    inside = np.zeros(len(lengths), bool)
    inside[part] = True
    if np.count_nonzero(inside & high) < 10 or np.count_nonzero(inside & ~high) < 10:
        return edges
    more = float(np.median(lengths[inside & high]) - np.median(lengths[inside & ~high])) / 2
    rises = (np.arange(len(edges)) % 2 == 0) == first_high
    return edges + np.where(rises, more / 2, -more / 2)


def _end_of_leader(lengths: FloatArray, first: int, last: int, half: float) -> int:
    """The first half-wave that is not of the leader, or -1."""
    at = min(len(lengths), first + 20)
    speed = half
    while at < len(lengths):
        now = lengths[at]
        pair = lengths[at] + lengths[at - 1]
        if abs(now / speed - 1) > 0.16 or abs(pair / speed / 2 - 1) > 0.13:
            ahead = lengths[at : at + 40]
            other = np.abs(ahead / speed - 1) > 0.16
            # A click disturbs a half-wave or three, and leaves the sum of what it splits.
            if at > last - 40 or np.count_nonzero(other) > 6:
                return at
        else:
            speed += 0.04 * (now - speed)
        at += 1
    return -1


def like_the_longest(bursts: list[Burst]) -> list[Burst]:
    """Bursts with half-waves of the same lengths as the one that has most: speech before data has others."""
    longest = max(bursts, key=lambda burst: len(burst.lengths))
    centres = length_peaks(np.log(np.maximum(longest.lengths, LEAST_HALF)))
    if not len(centres):
        return [_without_onset(longest)]
    kept = []
    for burst in bursts:
        _, far = nearest_class(np.log(np.maximum(burst.lengths, LEAST_HALF)), centres)
        if float(np.mean(np.abs(far) < 0.1)) > 0.72 or burst is longest:
            kept.append(_without_onset(burst))
    return kept


def _without_onset(burst: Burst) -> Burst:
    """A burst from its first four like half-waves on: what comes out of silence is cut short."""
    lengths = burst.lengths
    for first in range(6):
        four = lengths[first : first + 4]
        if len(four) == 4 and float(np.max(four)) < 1.15 * float(np.min(four)):
            return replace(burst, edges=burst.edges[first:], first_high=burst.first_high == (first % 2 == 0))
    return burst
