"""Which moment of one take is which moment of another: found from the bits that both hold."""

from __future__ import annotations

import bisect
import itertools
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .take_clock import TakeClock

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
WORD = 28
"""Bits that must agree, and occur once in each take, to tie two places together."""
FEWEST_TIES = 2
TOGETHER = 1.5
"""Seconds of ties that are gathered into one."""


OFF = 0.01
"""Seconds by which a tie may lie off those around it, besides what the takes' clocks leave open."""
DRIFT = 0.03
"""Share by which two clocks may drift apart where they do not know their speeds."""


@dataclass(frozen=True)
class Alignment:
    """Which moment of one take is which moment of another, to a few milliseconds.

    Attributes
    ----------
    here, there : float64 arrays (n,)
        Ties: seconds in the one take and in the other, both rising.
    clock_here, clock_there : TakeClock
        What carries from one tie to the next.
    """

    here: FloatArray
    there: FloatArray
    clock_here: TakeClock
    clock_there: TakeClock

    @property
    def holds(self) -> bool:
        """Whether the takes have anything in common."""
        return len(self.here) >= FEWEST_TIES

    def map(self, seconds: FloatArray) -> FloatArray:
        """Times in the other take of times in this one.

        Between two ties the clocks' difference changes where they are in doubt, in dropouts and pauses.
        """
        here, there = self.clock_here, self.clock_there
        if not self.holds:
            return np.full(len(seconds), np.nan)
        apart = there.place(self.there) - here.place(self.here)
        doubt = here.doubt_at(self.here) + there.doubt_at(self.there)
        about = np.interp(seconds, self.here, self.there)
        doubt_now = here.doubt_at(seconds) + there.doubt_at(about)
        before = np.clip(np.searchsorted(self.here, seconds, side="right") - 1, 0, len(self.here) - 2)
        gained = np.maximum(doubt[before + 1] - doubt[before], 1e-15)
        share = np.clip((doubt_now - doubt[before]) / gained, 0.0, 1.0)
        moved = here.place(seconds) + apart[before] + share * (apart[before + 1] - apart[before])
        return there.time(moved)

    def astray(self, seconds: FloatArray, doubt: FloatArray) -> FloatArray:
        """Standard deviation of what the clocks may have drifted apart since the nearest tie, in seconds.

        `doubt` is what `doubt_at` tells of the same times.
        """
        at_ties = self.doubt_at(self.here)
        after = np.searchsorted(self.here, seconds)
        until = np.abs(at_ties[np.clip(after, 0, len(at_ties) - 1)] - doubt)
        since = np.abs(doubt - at_ties[np.maximum(after - 1, 0)])
        return np.asarray(np.sqrt(np.minimum(since, until)))

    def back(self) -> Alignment:
        """The same from the other take to this one."""
        return Alignment(self.there, self.here, self.clock_there, self.clock_here)

    def doubt_at(self, seconds: FloatArray) -> FloatArray:
        """Variance that the takes' clocks gain against each other up to these times, in seconds squared."""
        return self.clock_here.doubt_at(seconds) + self.clock_there.doubt_at(self.map(seconds))


def _words(bits: npt.NDArray[np.int8], breaks: IntArray, word: int) -> tuple[IntArray, IntArray]:
    """Words that occur once, and where they begin; none runs over a break."""
    if len(bits) < word:
        return np.empty(0, np.int64), np.empty(0, np.int64)
    weights = 1 << np.arange(word, dtype=np.int64)
    codes = np.lib.stride_tricks.sliding_window_view(bits.astype(np.int64), word) @ weights
    place = np.arange(len(codes))
    whole = np.searchsorted(breaks, place, side="right") == np.searchsorted(
        breaks, place + word - 1, side="right"
    )
    codes, place = codes[whole], place[whole]
    values, first, counts = np.unique(codes, return_index=True, return_counts=True)
    once = counts == 1
    return values[once], place[first[once]]


def _ties(
    bits_a: npt.NDArray[np.int8],
    breaks_a: IntArray,
    bits_b: npt.NDArray[np.int8],
    breaks_b: IntArray,
    word: int,
) -> tuple[IntArray, IntArray]:
    """Beginnings of words that occur once in each, in the same order in both."""
    words_a, place_a = _words(bits_a, breaks_a, word)
    words_b, place_b = _words(bits_b, breaks_b, word)
    _, at_a, at_b = np.intersect1d(words_a, words_b, assume_unique=True, return_indices=True)
    a, b = place_a[at_a], place_b[at_b]
    order = np.argsort(a)
    a, b = a[order], b[order]
    keep = _rising(b)
    return a[keep], b[keep]


@dataclass(frozen=True)
class BitStream:
    """The bits of a take that were read with certainty.

    Attributes
    ----------
    bits : int8 array (n,)
    ends : float64 array (n,)
        When each ends, in seconds.
    breaks : int64 array (m,)
        Bits at which a new run of reading begins.
    """

    bits: npt.NDArray[np.int8]
    ends: FloatArray
    breaks: IntArray


def align(here: BitStream, there: BitStream, clock_here: TakeClock, clock_there: TakeClock) -> Alignment:
    """Tie two takes together by words of bits that occur once in each."""
    a, b = _ties(here.bits, here.breaks, there.bits, there.breaks, WORD)
    ends_a, ends_b = here.ends[a], there.ends[b]
    if len(a):
        keep = _plausible(clock_here.place(ends_a), clock_there.place(ends_b))
        ends_a, ends_b = _gathered(ends_a[keep], ends_b[keep], clock_here, clock_there)
    return Alignment(ends_a, ends_b, clock_here, clock_there)


def _gathered(
    here: FloatArray, there: FloatArray, clock_here: TakeClock, clock_there: TakeClock
) -> tuple[FloatArray, FloatArray]:
    """One tie for many that lie close together, at their median: a slip of a few bits is outvoted."""
    cuts = [0]
    for k in range(1, len(here)):
        if here[k] - here[cuts[-1]] > TOGETHER or here[k] - here[k - 1] > TOGETHER / 3:
            cuts.append(k)
    pairs = []
    for first, last in itertools.pairwise([*cuts, len(here)]):
        middle = here[(first + last) // 2]
        places = clock_there.place(there[first:last]), clock_here.place(here[first:last])
        apart = np.median(places[0] - places[1])
        at = clock_there.time(clock_here.place(np.array([middle])) + apart)
        pairs.append((float(middle), float(at[0])))
    gathered = np.array(pairs)
    rising = np.concatenate(([True], np.diff(np.maximum.accumulate(gathered[:, 1])) > 0))
    return gathered[rising, 0], gathered[rising, 1]


def _plausible(here: FloatArray, there: FloatArray) -> npt.NDArray[np.bool_]:
    """Ties that lie as far apart as those around them: one by chance stands alone."""
    from scipy.ndimage import median_filter

    if len(here) < 8:
        return np.ones(len(here), bool)
    apart = there - here
    around = median_filter(apart, 51, mode="nearest")
    reach = np.abs(here - median_filter(here, 51, mode="nearest"))
    return np.abs(apart - around) < OFF + DRIFT * reach


def _rising(values: IntArray) -> IntArray:
    """Places of a longest rising row."""
    tails: list[int] = []
    at: list[int] = []
    before = np.full(len(values), -1)
    for k, value in enumerate(values.tolist()):
        place = bisect.bisect_left(tails, value)
        before[k] = at[place - 1] if place else -1
        if place == len(tails):
            tails.append(value)
            at.append(k)
        else:
            tails[place] = value
            at[place] = k
    row: list[int] = []
    k = at[-1] if at else -1
    while k >= 0:
        row.append(k)
        k = int(before[k])
    return np.array(row[::-1], np.int64)
