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


ASIDE = 0.006
"""Seconds by which a tie may lie off the straight line between two others close by."""


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


def _whole_words(a: IntArray, b: IntArray, word: int) -> tuple[IntArray, IntArray]:
    """Every bit of every tied word, once."""
    pairs_a: list[IntArray] = []
    pairs_b: list[IntArray] = []
    reached_a = reached_b = -1
    for at_a, at_b in zip(a.tolist(), b.tolist(), strict=True):
        first = max(0, reached_a + 1 - at_a, reached_b + 1 - at_b)
        if first < word:
            pairs_a.append(np.arange(at_a + first, at_a + word))
            pairs_b.append(np.arange(at_b + first, at_b + word))
            reached_a, reached_b = at_a + word - 1, at_b + word - 1
    if not pairs_a:
        return np.empty(0, np.int64), np.empty(0, np.int64)
    return np.concatenate(pairs_a), np.concatenate(pairs_b)


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
    a, b = _ties(bits_here, breaks_here, bits_there, breaks_there, WORD)
    if len(a):
        keep = _plausible(ends_here[a], ends_there[b])
        a, b = a[keep], b[keep]
    if not len(a):
        return Alignment(np.empty(0), np.empty(0), np.empty(0, bool))
    index_a, index_b = _whole_words(a, b, WORD)
    # Between two ties, shorter words are enough, since they need to be unique only there.
    nothing = np.empty(0, np.int64)
    for word in (20, 12):
        more_a, more_b = [index_a], [index_b]
        for gap in np.flatnonzero(np.diff(index_a) != np.diff(index_b)).tolist():
            a0, a1, b0, b1 = index_a[gap] + 1, index_a[gap + 1], index_b[gap] + 1, index_b[gap + 1]
            if min(a1 - a0, b1 - b0) < word or max(a1 - a0, b1 - b0) > 4000:
                continue
            if _crosses(breaks_here, a0, a1) or _crosses(breaks_there, b0, b1):
                continue
            at_a, at_b = _ties(bits_here[a0:a1], nothing, bits_there[b0:b1], nothing, word)
            # Takes run evenly for so short a time: a tie by chance lies off the straight line.
            straight = np.interp(ends_here[at_a + a0], ends_here[[a0 - 1, a1]], ends_there[[b0 - 1, b1]])
            near = np.abs(ends_there[at_b + b0] - straight) < ASIDE
            a, b = _whole_words(at_a[near], at_b[near], word)
            more_a.append(a + a0)
            more_b.append(b + b0)
        index_a, index_b = np.sort(np.concatenate(more_a)), np.sort(np.concatenate(more_b))
    # What lies between two ties is tied as well if there is as much of it in both.
    step_a, step_b = np.diff(index_a), np.diff(index_b)
    filled_a, filled_b = [index_a[:1]], [index_b[:1]]
    sure: list[npt.NDArray[np.bool_]] = []
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


STEP_SECONDS = 0.008
LOOK_SECONDS = 0.030
ASTRAY_SECONDS = 0.0045
TIED_SECONDS = 1e-4


def delays(
    here: npt.NDArray[np.float32],
    there: npt.NDArray[np.float32],
    loud_here: npt.NDArray[np.float32],
    loud_there: npt.NDArray[np.float32],
    tied: npt.NDArray[np.bool_],
    rate: float,
) -> tuple[FloatArray, FloatArray]:
    """How much later a signal runs in one take than in the other, moment by moment.

    The two are close already; this takes out what is left, by their likeness in short stretches, and moves
    evenly where one of them is faint.

    Parameters
    ----------
    here, there : float32 arrays (n,)
        Signals on the same clock.
    loud_here, loud_there : float32 arrays (n,)
        Their amplitudes against the usual.
    tied : bool array (n,)
        Where ties say that nothing is left to take out; a tone alone cannot tell one cycle from the next.
    rate : float
        Samples a second.

    Returns
    -------
    delay, likeness : float64 arrays (n,)
        In samples (``here[k]`` is like ``there[k + delay[k]]``), and correlation there, -1 to 1.
    """
    from scipy.fft import irfft, next_fast_len, rfft

    from .kernels import smoothest

    step, look, reach = (int(s * rate) for s in (STEP_SECONDS, LOOK_SECONDS, ASTRAY_SECONDS))
    count = len(here)
    centres = np.arange(0, count, step)
    pad = look // 2 + reach
    a = np.pad(np.asarray(here, np.float32), pad)
    b = np.pad(np.asarray(there, np.float32), pad)
    size = next_fast_len(look + 2 * reach)
    window = np.hanning(look).astype(np.float32)
    score = np.empty((len(centres), 2 * reach + 1), np.float32)
    for first in range(0, len(centres), 256):
        some = centres[first : first + 256]
        rows_a = a[some[:, None] + reach + np.arange(look)] * window
        rows_b = b[some[:, None] + np.arange(look + 2 * reach)]
        cross = irfft(rfft(rows_b, size) * np.conj(rfft(rows_a, size)), size)[:, : 2 * reach + 1]
        own = np.sqrt(np.sum(rows_a**2 / np.maximum(window, 1e-6), axis=1))
        running = np.concatenate(
            (np.zeros((len(some), 1)), np.cumsum(rows_b.astype(float) ** 2, axis=1)), axis=1
        )
        power = running[:, look : look + 2 * reach + 1] - running[:, : 2 * reach + 1]
        other = np.sqrt(np.maximum(power * np.mean(window), 1e-12))
        score[first : first + 256] = cross / np.maximum(own[:, None] * other, 1e-9)
    heard = np.clip(np.minimum(loud_here, loud_there)[centres] / 0.6, 0, 1) ** 2
    aside = (np.arange(2 * reach + 1) - reach) / (TIED_SECONDS * rate)
    pinned = np.where(tied[centres, None], np.minimum(aside**2, 9.0)[None, :], 0.0)
    path = smoothest(np.asarray(score * heard[:, None] * 6.0 - pinned, float), 12, 0.03)
    likeness = score[np.arange(len(centres)), path]
    at = np.arange(count)
    return (
        np.asarray(np.interp(at, centres, path - float(reach))),
        np.asarray(np.interp(at, centres, likeness)),
    )
