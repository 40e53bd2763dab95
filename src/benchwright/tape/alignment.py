"""Which moment of one take is which moment of another: found from the bits that both hold."""

from __future__ import annotations

import bisect
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
WORD = 28
"""Bits that must agree, and occur once in each take, to tie two places together."""


@dataclass(frozen=True)
class Alignment:
    """Moments that belong together.

    Attributes
    ----------
    here, there : float64 arrays (n,)
        Seconds in the one take and in the other, both rising.
    sure : bool array (n - 1,)
        Whether both takes hold the same number of bits between one pair and the next.
    """

    here: FloatArray
    there: FloatArray
    sure: npt.NDArray[np.bool_]

    def map(self, seconds: FloatArray) -> FloatArray:
        """Times in the other take; straight on beyond the ends."""
        if len(self.here) < 2:
            return np.full(len(seconds), np.nan)
        found = np.interp(seconds, self.here, self.there)
        reach = min(len(self.here) - 1, 200)
        for outside, a, b in (
            (seconds < self.here[0], 0, reach),
            (seconds > self.here[-1], -1 - reach, -1),
        ):
            slope = (self.there[b] - self.there[a]) / max(1e-9, self.here[b] - self.here[a])
            anchor = a if a == 0 else b
            found[outside] = self.there[anchor] + slope * (seconds[outside] - self.here[anchor])
        return np.asarray(found)

    def sure_at(self, seconds: FloatArray) -> npt.NDArray[np.bool_]:
        """Whether the takes agree bit by bit at these times of the one take."""
        k = np.searchsorted(self.here, seconds, side="right") - 1
        inside = (k >= 0) & (k < len(self.sure))
        return inside & self.sure[np.clip(k, 0, max(0, len(self.sure) - 1))] if len(self.sure) else inside


def _words(bits: npt.NDArray[np.int8], breaks: IntArray) -> tuple[IntArray, IntArray]:
    """Words that occur once, and where they begin; none runs over a break."""
    if len(bits) < WORD:
        return np.empty(0, np.int64), np.empty(0, np.int64)
    weights = 1 << np.arange(WORD, dtype=np.int64)
    views = np.lib.stride_tricks.sliding_window_view(bits.astype(np.int64), WORD)
    codes = views @ weights
    place = np.arange(len(codes))
    whole = np.searchsorted(breaks, place, side="right") == np.searchsorted(
        breaks, place + WORD - 1, side="right"
    )
    codes, place = codes[whole], place[whole]
    values, first, counts = np.unique(codes, return_index=True, return_counts=True)
    once = counts == 1
    return values[once], place[first[once]]


def align(
    bits_here: npt.NDArray[np.int8],
    ends_here: FloatArray,
    breaks_here: IntArray,
    bits_there: npt.NDArray[np.int8],
    ends_there: FloatArray,
    breaks_there: IntArray,
) -> Alignment:
    """Tie two takes together by their bits.

    Parameters
    ----------
    bits_here, bits_there : int8 arrays
    ends_here, ends_there : float64 arrays
        When each bit ends, in seconds.
    breaks_here, breaks_there : int arrays
        Bits at which a new run of reading begins.
    """
    words_a, place_a = _words(bits_here, breaks_here)
    words_b, place_b = _words(bits_there, breaks_there)
    _, at_a, at_b = np.intersect1d(words_a, words_b, assume_unique=True, return_indices=True)
    a, b = place_a[at_a], place_b[at_b]
    order = np.argsort(a)
    a, b = a[order], b[order]
    keep = _rising(b)
    a, b = a[keep], b[keep]
    if len(a):
        keep = _plausible(ends_here[a], ends_there[b])
        a, b = a[keep], b[keep]
    if not len(a):
        return Alignment(np.empty(0), np.empty(0), np.empty(0, bool))
    # Every bit of a word that is tied is tied; so is what lies between, if there is as much of it in both.
    pairs_a: list[IntArray] = []
    pairs_b: list[IntArray] = []
    sure: list[npt.NDArray[np.bool_]] = []
    reached = -1
    for k in range(len(a)):
        first = max(0, reached + 1 - a[k])
        if first < WORD and b[k] + first > (pairs_b[-1][-1] if pairs_b else -1):
            count = WORD - first
            pairs_a.append(a[k] + first + np.arange(count))
            pairs_b.append(b[k] + first + np.arange(count))
            reached = int(a[k] + WORD - 1)
    index_a, index_b = np.concatenate(pairs_a), np.concatenate(pairs_b)
    step_a, step_b = np.diff(index_a), np.diff(index_b)
    filled_a, filled_b = [index_a[:1]], [index_b[:1]]
    for k in range(len(step_a)):
        same = step_a[k] == step_b[k] and not _crosses(breaks_here, index_a[k], index_a[k + 1])
        if same:
            filled_a.append(index_a[k] + 1 + np.arange(step_a[k]))
            filled_b.append(index_b[k] + 1 + np.arange(step_b[k]))
        else:
            filled_a.append(index_a[k + 1 : k + 2])
            filled_b.append(index_b[k + 1 : k + 2])
        sure.append(np.full(len(filled_a[-1]), same))
    index_a, index_b = np.concatenate(filled_a), np.concatenate(filled_b)
    return Alignment(
        ends_here[index_a], ends_there[index_b], np.concatenate(sure) if sure else np.empty(0, bool)
    )


def _plausible(here: FloatArray, there: FloatArray) -> npt.NDArray[np.bool_]:
    """Ties whose neighbours say that the takes ran at about the same speed."""
    keep = np.ones(len(here), bool)
    if len(here) < 8:
        return keep
    ratio = np.median(np.diff(there)) / max(1e-9, float(np.median(np.diff(here))))
    apart = there - here * ratio
    # Takes drift apart slowly; a tie by chance stands far from those around it.
    reach = 25
    for k in range(len(here)):
        around = apart[max(0, k - reach) : k + reach + 1]
        near = here[max(0, k - reach) : k + reach + 1]
        allowed = 0.05 + 0.3 * float(np.median(np.abs(near - here[k])))
        keep[k] = abs(apart[k] - float(np.median(around))) < allowed
    return keep


def _crosses(breaks: IntArray, first: int, last: int) -> bool:
    return bool(np.searchsorted(breaks, first, side="right") != np.searchsorted(breaks, last, side="right"))


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
