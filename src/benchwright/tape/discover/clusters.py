"""Half-waves of an unknown recording: stretches of signal, leaders, and the lengths that occur.

Nothing is known of the encoding here. Lengths are compared in the logarithm, since a tape that runs
slow makes all of them longer by the same factor.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from ..half_waves import zero_crossings

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

FAINTEST = 0.14
"""Against the loudest: below that, nothing is taken for signal."""
LONGEST_HALF = 0.012
"""Seconds between two crossings after which a stretch of signal has ended."""
LEAST_HALVES = 60
LEAST_HALF = 1e-6
"""Seconds: crossings moved for asymmetry may fall upon each other in noise."""
NEAR_CLASSES = 0.24
"""Of the logarithm: classes nearer than that may be one."""
LETTERS = "abcdefghij"
STRANGE = "z"
"""The letter of a half-wave that belongs to no class."""


@dataclass(frozen=True)
class HalfWaveClass:
    """Half-waves of about one length.

    Attributes
    ----------
    seconds : float
        Mean length, in the logarithm.
    share : float
        Of all half-waves of the data, 0 to 1.
    spread : float
        Standard deviation against the length.
    """

    seconds: float
    share: float
    spread: float


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
    centres = _peaks(np.log(np.maximum(longest.lengths, LEAST_HALF)))
    if not len(centres):
        return [_without_onset(longest)]
    kept = []
    for burst in bursts:
        _, far = _nearest(np.log(np.maximum(burst.lengths, LEAST_HALF)), centres)
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


@dataclass(frozen=True)
class Lettered:
    """Half-waves sorted into classes.

    Attributes
    ----------
    classes : list of HalfWaveClass
        Shortest first; class k has the letter ``LETTERS[k]``.
    texts : list of str
        One letter a half-wave, a text for each burst.
    scaled : list of float64 arrays
        The half-waves, in seconds, local speed taken out.
    """

    classes: list[HalfWaveClass]
    texts: list[str]
    scaled: list[FloatArray]


def letters_of(rows: list[FloatArray], factors: list[float], highs: list[bool]) -> Lettered | None:
    """Sort half-waves into classes of length.

    Parameters
    ----------
    rows : list of float64 arrays
        Half-waves of each burst, in seconds.
    factors : list of float
        How much longer than usual the half-waves of each burst are, by its leader.
    highs : list of bool
        Whether the first of each lies above the middle.
    """
    scaled = [row / factor for row, factor in zip(rows, factors, strict=True)]
    logs = [np.log(np.maximum(row, LEAST_HALF)) for row in scaled]
    centres = _peaks(np.concatenate(logs)) if logs else np.empty(0)
    if not len(centres):
        return None
    signs = [
        np.where((np.arange(len(row)) % 2 == 0) == high, 1.0, -1.0)
        for row, high in zip(rows, highs, strict=True)
    ]
    drift = [np.zeros(len(row)) for row in logs]
    for turn in range(4):
        steady = [row - d for row, d in zip(logs, drift, strict=True)]
        if turn in (1, 2):
            again = _peaks(np.concatenate(steady))
            if len(again):
                centres = again
        centres = _settled(np.concatenate(steady), centres)
        drift = [_drift(row, now, centres, sign) for row, now, sign in zip(logs, steady, signs, strict=True)]
    steady = [row - d for row, d in zip(logs, drift, strict=True)]
    steady = _without_neighbours(steady, centres)
    together = np.concatenate(steady)
    nearest, residual = _nearest(together, centres)
    good = np.abs(residual) < _reach(centres)[nearest]
    classes = []
    for k, centre in enumerate(centres):
        mine = residual[(nearest == k) & good]
        spread = 1.4826 * float(np.median(np.abs(mine))) if len(mine) else 0.0
        classes.append(HalfWaveClass(float(np.exp(centre)), len(mine) / len(together), spread))
    texts = []
    for row in steady:
        near, far = _nearest(row, centres)
        letters = np.array(list(LETTERS))[near]
        letters[np.abs(far) > _reach(centres)[near]] = STRANGE
        texts.append("".join(letters))
    plain = [np.exp(row - d) for row, d in zip(logs, drift, strict=True)]
    return Lettered(classes, texts, plain)


def with_near_merged(lettered: Lettered) -> Lettered | None:
    """The same half-waves with classes that differ by less than a quarter taken for one; None if none do.

    A half-wave next to a long one comes out longer or shorter than its like, always by the same.
    """
    classes = lettered.classes
    letter_of, merged = {STRANGE: STRANGE}, list[list[HalfWaveClass]]()
    for old, own in zip(LETTERS, classes, strict=False):
        if not merged or math.log(own.seconds / merged[-1][-1].seconds) > NEAR_CLASSES:
            merged.append([])
        merged[-1].append(own)
        letter_of[old] = LETTERS[len(merged) - 1]
    if len(merged) == len(classes):
        return None
    made = []
    for members in merged:
        share = sum(c.share for c in members)
        weights = [c.share / share if share else 1 / len(members) for c in members]
        mean = sum(w * math.log(c.seconds) for w, c in zip(weights, members, strict=True))
        square = sum(
            w * (c.spread**2 + (math.log(c.seconds) - mean) ** 2)
            for w, c in zip(weights, members, strict=True)
        )
        made.append(HalfWaveClass(math.exp(mean), share, math.sqrt(square)))
    table = str.maketrans(letter_of)
    return Lettered(made, [text.translate(table) for text in lettered.texts], lettered.scaled)


def _reach(centres: FloatArray) -> FloatArray:
    """How far from its centre a half-wave may lie."""
    if len(centres) < 2:
        return np.full(len(centres), 0.3)
    gaps = np.diff(centres)
    left = np.concatenate(([0.4], gaps / 2))
    right = np.concatenate((gaps / 2, [0.4]))
    return np.minimum(0.35, np.maximum(left, right))


def _nearest(values: FloatArray, centres: FloatArray) -> tuple[IntArray, FloatArray]:
    between = (centres[1:] + centres[:-1]) / 2
    near = np.searchsorted(between, values)
    return near, values - centres[near]


def _peaks(logs: FloatArray, step: float = 0.01, smooth: float = 3.2) -> FloatArray:
    """Modes of the density of logarithms."""
    from scipy.ndimage import gaussian_filter1d
    from scipy.signal import find_peaks

    logs = logs[(logs > math.log(35e-6)) & (logs < math.log(6e-3))]
    if len(logs) < 40:
        return np.empty(0)
    low, high = float(np.min(logs)) - 0.3, float(np.max(logs)) + 0.3
    counts, edges = np.histogram(logs, bins=max(8, int((high - low) / step)), range=(low, high))
    density = gaussian_filter1d(counts.astype(float), smooth)
    # A class has at least half a per cent, and a valley of a third of its height on either side.
    least = max(2.0, 0.005 * len(logs)) / (smooth * math.sqrt(2 * math.pi))
    found, kept = find_peaks(density, height=least, prominence=least / 2)
    found = found[kept["prominences"] > 0.35 * density[found]]
    found = found[np.argsort(density[found])[::-1][: len(LETTERS)]]
    middles = (edges[1:] + edges[:-1]) / 2
    return _merged(np.sort(middles[found]), logs)


def _merged(centres: FloatArray, logs: FloatArray) -> FloatArray:
    """Without small classes close to a large one: half-waves that their neighbours have pushed about."""
    while len(centres) > 1:
        near, _ = _nearest(logs, centres)
        share = np.bincount(near, minlength=len(centres)).astype(float)
        gaps = np.diff(centres)
        small = [
            (float(min(share[k], share[k + 1]) / max(share[k], share[k + 1], 1.0)), k)
            for k in np.flatnonzero(gaps < NEAR_CLASSES)
        ]
        # No sender tells lengths apart that differ by a seventh.
        small = [(part, k) for part, k in small if part < 0.4 or gaps[k] < 0.15]
        if not small:
            break
        k = min(small)[1]
        centres = np.delete(centres, k if share[k] < share[k + 1] else k + 1)
    return centres


def _settled(values: FloatArray, centres: FloatArray) -> FloatArray:
    """Centres moved to the mean of what lies near them."""
    moved = centres.copy()
    for _ in range(3):
        near, far = _nearest(values, moved)
        close = np.abs(far) < np.minimum(0.18, _reach(moved)[near])
        for k in range(len(moved)):
            mine = values[(near == k) & close]
            if len(mine) >= 3:
                moved[k] = float(np.mean(mine))
        moved = np.sort(moved)
    return moved


def _drift(row: FloatArray, now: FloatArray, centres: FloatArray, sign: FloatArray) -> FloatArray:
    """Local speed, and local asymmetry, as what is to be taken from the logarithms of half-waves."""
    from scipy.ndimage import uniform_filter1d

    near, _ = _nearest(now, centres)
    residual = np.clip(row - centres[near], -0.3, 0.3)
    usual = np.abs(now - centres[near]) < 0.15
    width = 61
    weight = uniform_filter1d(usual.astype(float), width, mode="nearest") + 1e-3
    speed = uniform_filter1d(np.where(usual, residual, 0.0), width, mode="nearest") / weight
    # Asymmetry adds the same time to each half-wave, so it counts more in short ones.
    size = np.exp(centres[near] - np.max(centres))
    push = np.where(usual, (residual - speed) * size * sign, 0.0)
    uneven = uniform_filter1d(push, 4 * width + 1, mode="nearest") / weight
    return np.asarray(speed + uneven * sign / size)


def _without_neighbours(rows: list[FloatArray], centres: FloatArray) -> list[FloatArray]:
    """What the lengths before and after do to a half-wave, taken out where it is the same each time."""
    if len(centres) < 2 or not rows:
        return rows
    count = len(centres)
    keys, residuals = [], []
    for row in rows:
        near, far = _nearest(row, centres)
        padded = np.concatenate(([near[0]], near, [near[-1]])) if len(near) else near
        key = (padded[:-2] * count + padded[1:-1]) * count + padded[2:] if len(near) else near
        keys.append(key)
        residuals.append(far)
    key, residual = np.concatenate(keys), np.concatenate(residuals)
    usual = np.abs(residual) < 0.2
    number = np.bincount(key[usual], minlength=count**3)
    total = np.bincount(key[usual], residual[usual], minlength=count**3)
    shift = np.where(number >= 25, total / np.maximum(number, 1), 0.0)
    return [row - shift[k] for row, k in zip(rows, keys, strict=True)]
