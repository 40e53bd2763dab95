"""Which lengths the half-waves of an unknown recording have: classes, and a letter for each half-wave.

Nothing is known of the encoding here. Lengths are compared in the logarithm, since a tape that runs
slow makes all of them longer by the same factor.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

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
    centres = length_peaks(np.concatenate(logs)) if logs else np.empty(0)
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
            again = length_peaks(np.concatenate(steady))
            if len(again):
                centres = again
        centres = _settled(np.concatenate(steady), centres)
        drift = [_drift(row, now, centres, sign) for row, now, sign in zip(logs, steady, signs, strict=True)]
    steady = [row - d for row, d in zip(logs, drift, strict=True)]
    steady = _without_neighbours(steady, centres)
    together = np.concatenate(steady)
    nearest, residual = nearest_class(together, centres)
    good = np.abs(residual) < _reach(centres)[nearest]
    classes = []
    for k, centre in enumerate(centres):
        mine = residual[(nearest == k) & good]
        spread = 1.4826 * float(np.median(np.abs(mine))) if len(mine) else 0.0
        classes.append(HalfWaveClass(float(np.exp(centre)), len(mine) / len(together), spread))
    texts = []
    for row in steady:
        near, far = nearest_class(row, centres)
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


def nearest_class(values: FloatArray, centres: FloatArray) -> tuple[IntArray, FloatArray]:
    between = (centres[1:] + centres[:-1]) / 2
    near = np.searchsorted(between, values)
    return near, values - centres[near]


def length_peaks(logs: FloatArray, step: float = 0.01, smooth: float = 3.2) -> FloatArray:
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
        near, _ = nearest_class(logs, centres)
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
        near, far = nearest_class(values, moved)
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

    near, _ = nearest_class(now, centres)
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
        near, far = nearest_class(row, centres)
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
