"""What neighbouring half-waves do to each other on a tape, learnt from what was read, and undone.

Heads, tape and amplifiers shift each crossing according to what stands beside it. Once most of a stretch is
read, the wave that should have been there is known; the filter that brings the recording closest to it (least
squares) undoes the shifts and rejects noise as well as any fixed filter can.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .conditioned import Window

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


def ideal_wave(edges: FloatArray, signs: npt.NDArray[np.int8], start: int, count: int) -> FloatArray:
    """Half sines between edges, in samples; 0 outside.

    Parameters
    ----------
    edges : float64 array (n,)
    signs : int8 array (n - 1,)
        Of the half-wave after each edge but the last.
    start, count : int
        First sample and how many.
    """
    at = start + np.arange(count, dtype=float)
    k = np.searchsorted(edges, at, side="right") - 1
    inside = (k >= 0) & (k < len(edges) - 1)
    k = np.clip(k, 0, len(edges) - 2)
    span = np.maximum(edges[k + 1] - edges[k], 1e-9)
    wave = signs[k] * np.sin(np.pi * (at - edges[k]) / span)
    return np.where(inside, wave, 0.0)


def learn(
    window: Window,
    edges: FloatArray,
    nominal: FloatArray,
    signs: npt.NDArray[np.int8],
    shortest: float,
    longest: float,
) -> Equaliser | None:
    """The filter that brings a window closest to the wave that was read in it.

    Parameters
    ----------
    window : Window
    edges, nominal : float64 arrays (n,)
        Ends of half-waves and their nominal lengths, in working samples.
    signs : int8 array (n,)
        Of the signal after each edge.
    shortest, longest : float
        Nominal half-waves, in working samples.
    """
    from scipy.linalg import LinAlgError, solve_toeplitz
    from scipy.signal import correlate

    if len(edges) < 200:
        return None
    true = smooth_edges(edges, nominal, shortest)
    true = np.maximum.accumulate(true)
    first = max(window.start, int(true[0]) + 1)
    last = min(window.stop, int(true[-1]))
    if last - first < 40 * longest:
        return None
    here = slice(first - window.start, last - window.start)
    amplitude = np.maximum(window.amplitude[here], 1e-9).astype(float)
    signal = window.signal[here] / amplitude
    np.clip(signal, -2.0, 2.0, out=signal)
    target = ideal_wave(true, signs[:-1], first, last - first)
    half = int(1.6 * longest)
    count = len(signal)
    own = correlate(signal, signal, mode="full", method="fft")[count - 1 : count + 2 * half] / count
    cross_all = correlate(target, signal, mode="full", method="fft") / count
    cross = cross_all[count - 1 - half : count + half]
    column = own[: 2 * half + 1].copy()
    column[0] *= 1.003
    try:
        taps = solve_toeplitz(column, cross)
    except LinAlgError:
        return None
    made = np.convolve(signal, taps, mode="same")
    # What is left, judged as a wave of amplitude one would be.
    gain = float(np.dot(made, target) / max(1e-12, np.dot(target, target)))
    if not 0.2 < gain < 2:
        return None
    left = made / gain - target
    noise = 1.4826 * float(np.median(np.abs(left)))
    return Equaliser(np.asarray(taps, np.float32), noise)
