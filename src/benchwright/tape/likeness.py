"""How much later a signal runs in one take than in another, moment by moment, from their likeness."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .smooth_path import smoothest_path

FloatArray = npt.NDArray[np.float64]
FloatArray32 = npt.NDArray[np.float32]

STEP_SECONDS = 0.008
"""Between two moments at which the delay is found."""
LOOK_SECONDS = 0.030
"""Of signal compared at each."""
REACH_SECONDS = 0.025
"""Greatest delay looked for, either way."""
HELD = 0.97
"""Correlation above which likeness counts no more."""
CLEAR = 0.9
"""How well both must be heard, on the mean over a look, to be heard throughout."""
HEARD_SECONDS = 2e-4
"""Standard deviation of a step of the delay there: 2.5 percent of speed. A judgement, no source."""
NATS = 3.0
"""What half the independent samples of a step are worth: how much evidence a correlation is."""


@dataclass(frozen=True)
class Delays:
    """Where the same signal is in another take.

    Attributes
    ----------
    samples : float64 array (n,)
        ``here[k]`` is like ``there[k + samples[k]]``.
    likeness : float64 array (n,)
        Correlation there, -1 to 1; of the other taken upside down if `inverted`.
    inverted : bool
        The other take is upside down.
    """

    samples: FloatArray
    likeness: FloatArray
    inverted: bool


def find_delays(
    here: FloatArray32,
    there: FloatArray32,
    heard: FloatArray32,
    doubt: FloatArray,
    rate: float,
) -> Delays:
    """Find the delay that makes two takes alike throughout, moving no faster than their clocks allow.

    A tone alone cannot tell one cycle from the next: the path is chosen over the whole stretch, so that the
    data on either side decides it.

    Parameters
    ----------
    here, there : float32 arrays (n,)
        Signals on about the same clock.
    heard : float32 array (n,)
        How well both are heard, 0 to 1.
    doubt : float64 array (n,)
        Variance of the delay gained since the beginning, in seconds squared.
    rate : float
        Samples a second.
    """
    from scipy.ndimage import uniform_filter1d

    step, look, reach = (int(s * rate) for s in (STEP_SECONDS, LOOK_SECONDS, REACH_SECONDS))
    centres = np.arange(0, len(here), step)
    correlation = _correlations(here, there, centres, look, reach)
    around = uniform_filter1d(heard, look | 1)[centres]
    weight = (NATS * around**2)[:, None]
    slack = np.sqrt(np.maximum(np.diff(doubt[centres], prepend=doubt[0]), 1e-12))
    # Where both are heard throughout, a tape changes its speed only so fast, whether it was read or not.
    looseness = np.where(around > CLEAR, np.minimum(slack, HEARD_SECONDS), slack) * rate
    best: tuple[float, bool, npt.NDArray[np.int64]] | None = None
    for inverted in (False, True):
        alike = np.clip(-correlation if inverted else correlation, 0.0, HELD)
        path, total = smoothest_path(-weight * np.log1p(-(alike**2)), looseness)
        if best is None or total > best[0]:
            best = total, inverted, path
    assert best is not None
    _, inverted, path = best
    likeness = correlation[np.arange(len(centres)), path] * (-1.0 if inverted else 1.0)
    at = np.arange(len(here))
    exact = path - float(reach) + _between(correlation, path)
    return Delays(np.interp(at, centres, exact), np.interp(at, centres, likeness), inverted)


def _between(correlation: FloatArray32, path: npt.NDArray[np.int64]) -> FloatArray:
    """Share of a sample by which a peak next to the path lies beside it, by a parabola through three."""
    rows = np.arange(len(path))
    inner = np.clip(path, 1, correlation.shape[1] - 2)
    left, middle, right = (np.abs(correlation[rows, inner + k]).astype(float) for k in (-1, 0, 1))
    curve = left - 2 * middle + right
    peak = (curve < -1e-6) & (middle >= left) & (middle >= right)
    return np.where(peak, 0.5 * (left - right) / np.where(peak, curve, 1.0), 0.0)


def _correlations(
    here: FloatArray32, there: FloatArray32, centres: npt.NDArray[np.int64], look: int, reach: int
) -> FloatArray32:
    """Normalised correlation of short stretches at every delay; shape (centres, 2 * reach + 1)."""
    from scipy.fft import irfft, next_fast_len, rfft

    pad = look // 2 + reach
    a = np.pad(np.asarray(here, np.float32), pad)
    b = np.pad(np.asarray(there, np.float32), pad)
    size = next_fast_len(look + 2 * reach)
    window = np.hanning(look).astype(np.float32)
    weights = rfft(window, size)
    found = np.empty((len(centres), 2 * reach + 1), np.float32)
    for first in range(0, len(centres), 256):
        some = centres[first : first + 256]
        rows_a = a[some[:, None] + reach + np.arange(look)]
        rows_b = b[some[:, None] + np.arange(look + 2 * reach)]
        cross = irfft(rfft(rows_b, size) * np.conj(rfft(rows_a * window, size)), size)[:, : 2 * reach + 1]
        power = irfft(rfft(rows_b**2, size) * np.conj(weights), size)[:, : 2 * reach + 1]
        own = np.sum(rows_a**2 * window, axis=1)[:, None]
        found[first : first + 256] = cross / np.sqrt(np.maximum(power, 1e-9) * np.maximum(own, 1e-9))
    return found
