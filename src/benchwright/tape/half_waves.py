"""Where a wave passes zero, and how long it stays on each side."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

_LONGEST_HALF_WAVE = 0.02


def half_wave_times(wave: npt.NDArray[np.float64], hysteresis: float, rate: int) -> tuple[float, float, int]:
    """Time that a wave spends above and below zero, over its whole cycles.

    Parameters
    ----------
    wave : array, shape (n,)
        Samples.
    hysteresis : float
        A half-wave counts if it reaches this far from zero.
    rate : int
        Sampling rate in Hz.

    Returns
    -------
    high, low : float
        Seconds; half-waves longer than 20 ms are pauses and left out together with the one before.
    half_waves : int
        How many were timed.
    """
    crossings, rising = zero_crossings(wave, hysteresis)
    lengths = np.diff(crossings) / rate
    up = rising[:-1]
    pairs = len(lengths) // 2
    first, second = lengths[: 2 * pairs : 2], lengths[1 : 2 * pairs : 2]
    good = (first < _LONGEST_HALF_WAVE) & (second < _LONGEST_HALF_WAVE)
    count = int(np.count_nonzero(good))
    if count == 0:
        return 0.0, 0.0, 0
    one, other = float(first[good].sum()), float(second[good].sum())
    return (one, other, 2 * count) if up[0] else (other, one, 2 * count)


def zero_crossings(
    wave: npt.NDArray[np.float64], hysteresis: float
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.bool_]]:
    """Places where a wave passes zero on its way from one side's threshold to the other's.

    Returns
    -------
    places : array, shape (m,)
        In samples, on the cubic through the four samples around; of several passes on one way, the last.
    rising : array, shape (m,), bool
        The direction of each; they alternate.
    """
    beyond = np.flatnonzero(np.abs(wave) > hysteresis)
    if len(beyond) < 2:
        return np.zeros(0), np.zeros(0, np.bool_)
    side = wave[beyond] > 0.0
    turns = np.flatnonzero(side[1:] != side[:-1])
    after = beyond[turns + 1]
    rising = side[turns + 1]
    # The last sample on the old side: mostly the one before, else walk back.
    positive = wave > 0.0
    changes = np.flatnonzero(positive[1:] != positive[:-1])
    last = changes[np.searchsorted(changes, after, side="left") - 1]
    return last + _root(wave, last), rising


def _root(wave: npt.NDArray[np.float64], last: npt.NDArray[np.int64]) -> npt.NDArray[np.float64]:
    """Where between samples `last` and the next the wave passes zero, 0 to 1."""
    padded = np.concatenate([2.0 * wave[:1] - wave[1:2], wave, 2.0 * wave[-1:] - wave[-2:-1]])
    a, b, c, d = padded[last], padded[last + 1], padded[last + 2], padded[last + 3]
    linear = b / (b - c)
    # A straight line through a bent wave is late on one side of a wave with an offset and early on the
    # other, which would look like asymmetry.
    first = c - a / 3.0 - b / 2.0 - d / 6.0
    second = (a + c) / 2.0 - b
    third = (d - a) / 6.0 + (b - c) / 2.0
    at = linear
    for _ in range(2):
        slope = first + at * (2.0 * second + 3.0 * third * at)
        height = b + at * (first + at * (second + third * at))
        at = at - np.divide(height, slope, out=np.zeros_like(slope), where=slope != 0.0)
    found: npt.NDArray[np.float64] = np.where((at >= 0.0) & (at <= 1.0), at, linear)
    return found
