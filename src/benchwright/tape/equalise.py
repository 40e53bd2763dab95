"""What neighbouring half-waves do to each other on a tape, learnt from what was read, and undone.

Heads, tape and amplifiers shift each crossing according to what stands beside it. Once most of a stretch is
read, the wave that should have been there is known; the filter that brings the recording closest to it (least
squares) undoes the shifts and rejects noise as well as any fixed filter can.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .conditioned import Window, convolved
from .kernels import half_sines

FloatArray = npt.NDArray[np.float64]
SMOOTH = 7.0
"""Half-waves over which edges are averaged: well below the period of any flutter that matters."""


@dataclass(frozen=True)
class Equaliser:
    """A filter, and what is left after it.

    Attributes
    ----------
    taps : float32 array (n,)
        At the working rate; n is odd.
    noise : float
        Standard deviation of what remains, against the amplitude of the wave.
    """

    taps: npt.NDArray[np.float32]
    noise: float


def smooth_edges(edges: FloatArray, nominal: FloatArray, shortest: float) -> FloatArray:
    """When half-waves really ended, on a tape whose speed changes slowly.

    Parameters
    ----------
    edges : float64 array (n,)
        When they were seen to end.
    nominal : float64 array (n,)
        Nominal lengths, in the unit of `edges`; the first is not used.
    shortest : float
        Shortest nominal half-wave.
    """
    from scipy.ndimage import gaussian_filter1d

    if len(edges) < 8:
        return edges
    place = np.concatenate(([0.0], np.cumsum(nominal[1:])))
    grid = np.arange(0.0, place[-1] + shortest, shortest)
    seen = np.interp(grid, place, edges)
    slope, start = np.polyfit(grid, seen, 1)
    rest = gaussian_filter1d(seen - (start + slope * grid), SMOOTH, mode="nearest")
    return np.asarray(np.interp(place, grid, rest) + start + slope * place)


def lagged_products(fixed: npt.NDArray[np.float32], moved: npt.NDArray[np.float32], reach: int) -> FloatArray:
    """Mean of the products of two signals, one of them moved.

    Parameters
    ----------
    fixed, moved : float32 arrays (n,)
        Nought stands before and after.
    reach : int

    Returns
    -------
    float64 array (2 reach + 1,)
        Mean of ``fixed[n] * moved[n + k]`` for k from -reach to reach.
    """
    from scipy.fft import irfft, rfft

    size = 4096
    while size < 8 * reach:
        size *= 2
    step = size - 2 * reach
    count = len(fixed)
    total = np.zeros(size // 2 + 1, np.complex128)
    for first in range(0, count, step):
        begin, stop = first - reach, first + step + reach
        beside = np.zeros(size, np.float32)
        found = moved[max(0, begin) : stop]
        beside[max(0, -begin) : max(0, -begin) + len(found)] = found
        # Spectra are added and turned back once.
        total += np.conj(rfft(fixed[first : first + step], size)) * rfft(beside)
    return np.asarray(irfft(total, size)[: 2 * reach + 1] / count, float)


def learn(
    windows: Iterable[Window],
    edges: FloatArray,
    nominal: FloatArray,
    signs: npt.NDArray[np.int8],
    shortest: float,
    longest: float,
) -> Equaliser | None:
    """The filter that brings a signal closest to the wave that was read in it.

    Parameters
    ----------
    windows : iterable of Window
        That follow each other without a gap.
    edges, nominal : float64 arrays (n,)
        Ends of half-waves and their nominal lengths, in working samples.
    signs : int8 array (n,)
        Of the signal after each edge.
    shortest, longest : float
        Nominal half-waves, in working samples.
    """
    from scipy.linalg import LinAlgError, solve_toeplitz

    if len(edges) < 200:
        return None
    true = np.maximum.accumulate(smooth_edges(edges, nominal, shortest))
    parts: list[npt.NDArray[np.float32]] = []
    begin = first = int(true[0]) + 1
    last = int(true[-1])
    for window in windows:
        if not parts:
            begin = first = max(window.start, first)
        here = slice(max(0, first - window.start), max(0, last - window.start))
        part = window.signal[here] / np.maximum(window.amplitude[here], np.float32(1e-9))
        parts.append(np.clip(part, -2.0, 2.0).astype(np.float32))
        first = max(first, min(last, window.stop))
    signal = np.concatenate(parts) if parts else np.empty(0, np.float32)
    if len(signal) < 40 * longest:
        return None
    target = half_sines(true, signs[:-1], begin, len(signal))
    half = int(1.6 * longest)
    column = lagged_products(signal, signal, 2 * half)[2 * half :]
    cross = lagged_products(signal, target, half)
    column[0] *= 1.003
    try:
        taps = solve_toeplitz(column, cross).astype(np.float32)
    except LinAlgError:
        return None
    made = convolved(signal, taps)
    # What is left, judged as a wave of amplitude one would be.
    gain = float(np.dot(made, target) / max(1e-12, float(np.dot(target, target))))
    if not 0.2 < gain < 2:
        return None
    noise = 1.4826 * float(np.median(np.abs(made / np.float32(gain) - target)))
    return Equaliser(taps, noise)
