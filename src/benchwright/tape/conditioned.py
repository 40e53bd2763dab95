"""A recording made ready for reading: at a rate that suits the encoding, in band, with its zero crossings."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt

from .encoding import Encoding
from .kernels import crossings, running_mean, weighted

FloatArray = npt.NDArray[np.float64]
LEAST_SAMPLES = 6
"""Samples that the shortest half-wave gets at least: below that, crossings cannot be placed well."""
MOST_SAMPLES = 24
ROWS_AT_ONCE = 16
"""Pieces transformed together: enough to be quick, few enough to stay in the processor's cache."""


@dataclass(frozen=True)
class Window:
    """A stretch of the recording, in band.

    Times are counted in samples at the working rate from the start of the recording.

    Attributes
    ----------
    start : int
        Time of the first sample.
    signal : float32 array (n,)
        In band, without drift.
    amplitude : float32 array (n,)
        Local amplitude of the wave, the same whatever its frequency.
    wave : float32 array (n,)
        Signal times amplitude, clicks cut off, dropouts discounted.
    above, below : float64 array (n,)
        Running areas of `wave` above and below the middle.
    time, slope : float64 array (m,)
        When the signal crosses the middle, and how steeply, per sample.
    rising : int8 array (m,)
        1 if it goes up there, -1 if it goes down.
    next_crossing : int32 array (n + 1,)
        First crossing at or after each sample.
    """

    start: int
    signal: npt.NDArray[np.float32]
    amplitude: npt.NDArray[np.float32]
    wave: npt.NDArray[np.float32]
    above: FloatArray
    below: FloatArray
    time: FloatArray
    slope: FloatArray
    rising: npt.NDArray[np.int8]
    next_crossing: npt.NDArray[np.int32]

    @property
    def stop(self) -> int:
        """Time just after the last sample."""
        return self.start + len(self.amplitude)

    def level_only(self) -> Window:
        """The same stretch with nothing but its amplitude: all that an end is chosen by."""
        none = np.empty(0)
        return Window(
            self.start, self.signal[:0], self.amplitude, self.wave[:0], none, none, none, none,
            self.rising[:0], self.next_crossing[:0],
        )  # fmt: skip


class Conditioner:
    """Brings samples to the working rate and the band of an encoding.

    Parameters
    ----------
    encoding : Encoding
    rate : float
        Samples a second of the recording.
    slowest, fastest : float
        Range of tape speed to allow for, 1 being nominal.
    equaliser : float32 array, optional
        Filter at the working rate, for the signal in band.
    discount : bool
        Trust what a dropout leaves over less than its level says.
    """

    def __init__(
        self,
        encoding: Encoding,
        rate: float,
        slowest: float = 0.75,
        fastest: float = 1.33,
        equaliser: npt.NDArray[np.float32] | None = None,
        discount: bool = True,
    ) -> None:
        self.discount = discount
        self.equaliser = equaliser
        self.rate_in = rate
        per_half = encoding.shortest / fastest * rate
        self.up = max(1, math.ceil(LEAST_SAMPLES / per_half))
        self.down = max(1, int(per_half / MOST_SAMPLES))
        if self.up > 1:
            self.down = 1
        self.rate = rate * self.up / self.down
        self.low_hertz = 0.22 * slowest / (2 * encoding.longest)
        self.high_hertz = min(1.9 * fastest / (2 * encoding.shortest), 0.48 * rate)
        self.smooth = max(3, round(12 * encoding.longest * self.rate) | 1)

    @cached_property
    def taps(self) -> npt.NDArray[np.float32]:
        """Band-pass at the higher of the two rates; linear phase, so that no crossing moves."""
        high_rate = self.rate_in * self.up
        count = int(3.2 * high_rate / (2 * self.low_hertz)) | 1
        high = min(self.high_hertz, 0.98 * high_rate / 2)
        taps = band_pass(count, self.low_hertz / high_rate, high / high_rate)
        return np.asarray(taps * self.up, np.float32)

    @property
    def margin(self) -> int:
        """Samples of the recording needed before and after a stretch, so that its edges are right."""
        own = 0 if self.equaliser is None else len(self.equaliser) * self.down // self.up
        return own + int(len(self.taps) / self.up) + int(self.smooth * self.down / self.up) + 16

    def window(self, samples: npt.NDArray[np.float32], first: int, before: int, after: int) -> Window:
        """Condition a stretch of samples.

        Parameters
        ----------
        samples : float32 array (n,)
            With its margins.
        first : int
            Place of ``samples[0]`` in the recording; a multiple of `down`.
        before, after : int
            Samples at each end that are margin; `before` is a multiple of `down`.
        """
        signal = self._filtered(np.asarray(samples, np.float32))
        # Mean magnitude of a sine is 2/pi of its amplitude.
        amplitude = running_mean(signal, self.smooth, math.pi / 2)
        usual = running_mean(amplitude, max(3, int(self.rate)) | 1, 1.0) if self.discount else amplitude
        head = before * self.up // self.down
        tail = len(signal) - after * self.up // self.down
        signal, usual = signal[head:tail], usual[head:tail]
        amplitude = amplitude[head:tail].copy()
        start = (first + before) * self.up // self.down
        wave = weighted(signal, amplitude, usual, self.discount)
        above, below, time, slope, rising, following = crossings(signal, wave, float(start))
        return Window(start, signal, amplitude, wave, above, below, time, slope, rising, following)

    def _filtered(self, samples: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
        """In band and at the working rate."""
        taps = self.taps
        if self.equaliser is None:
            return convolved(samples, taps, self.up)[:: self.down].copy()
        if self.down > 1:
            return convolved(convolved(samples, taps, self.up)[:: self.down], self.equaliser)
        return convolved(samples, self._both, self.up)

    @cached_property
    def _both(self) -> npt.NDArray[np.float32]:
        """Band-pass and equaliser in one."""
        assert self.equaliser is not None
        return np.convolve(self.taps, self.equaliser).astype(np.float32)

    def windows(
        self,
        recording: Any,
        channel: Any = "mean",
        first: int = 0,
        last: int | None = None,
        seconds: float = 8.0,
        overlap: float = 0.75,
    ) -> Iterator[Window]:
        """The recording, or samples `first` to `last` of it, in overlapping stretches, in bounded memory."""
        step = max(self.down, int(seconds * self.rate_in) // self.down * self.down)
        lap = int(overlap * self.rate_in) // self.down * self.down
        at = first // self.down * self.down
        while True:
            stop = at + step + lap
            if last is not None and stop >= last:
                yield self.stretch(recording, at, last, channel)[0]
                return
            window, ended = self.stretch(recording, at, stop, channel)
            yield window
            del window  # before the next one is made
            at += step
            if ended or at >= recording.frames:
                return

    def stretch(self, recording: Any, first: int, last: int, channel: Any = "mean") -> tuple[Window, bool]:
        """One stretch of the recording, in its own samples, and whether it ends there."""
        margin = -(-self.margin // self.down) * self.down
        before = min(margin, max(0, first))
        samples = recording.samples(first - before, last + margin, channel)
        got = first - before + len(samples)
        after = max(0, got - last)
        return self.window(np.asarray(samples, np.float32), first - before, before, after), got <= last


def band_pass(count: int, low: float, high: float) -> FloatArray:
    """A band-pass by the window method, with Hamming's window; its gain is 1 in the middle of the band.

    It is made here, because the library's part for signals takes 60 MB of memory.

    Parameters
    ----------
    count : int
        How many taps; odd.
    low, high : float
        Edges of the band, in cycles a sample.

    Returns
    -------
    float64 array (count,)
    """
    at = np.arange(count) - (count - 1) / 2
    taps = (2 * high * np.sinc(2 * high * at) - 2 * low * np.sinc(2 * low * at)) * np.hamming(count)
    return np.asarray(taps / np.dot(taps, np.cos(np.pi * (low + high) * at)))


def convolved(
    samples: npt.NDArray[np.float32], taps: npt.NDArray[np.float32], up: int = 1
) -> npt.NDArray[np.float32]:
    """Samples with zeros put between them, through a filter that shifts nothing.

    It is made piece by piece from Fourier transforms; zeros between samples repeat their spectrum, so they
    never have to be transformed.

    Parameters
    ----------
    samples : float32 array (n,)
    taps : float32 array (m,)
        m is odd.
    up : int
        `up - 1` zeros follow each sample.

    Returns
    -------
    float32 array (n * up,)
        In line with the stuffed samples.
    """
    from scipy.fft import irfft, rfft

    count, half = len(samples), len(taps) // 2
    if not count:
        return np.zeros(0, np.float32)
    lap = -(-len(taps) // up)  # samples that each piece shares with the one before
    size = 4096
    while size < 4 * lap:
        size *= 2
    step = size - lap
    lead = -(-half // up)  # the answer to a sample comes so many samples later
    rows = -(-(count + lead) // step)
    padded = np.zeros(lap + rows * step, np.float32)
    padded[lap : lap + count] = samples
    pieces = np.lib.stride_tricks.sliding_window_view(padded, size)[::step]
    response = rfft(taps, up * size)
    made = np.empty((rows, up * step), np.float32)
    for row in range(0, rows, ROWS_AT_ONCE):
        spectrum = rfft(pieces[row : row + ROWS_AT_ONCE], axis=1)
        if up > 1:
            mirrored = np.conj(spectrum[:, -2:0:-1])
            spectrum = np.concatenate((*(spectrum, mirrored) * (up // 2), spectrum), axis=1)
            spectrum = spectrum[:, : up * size // 2 + 1]
        spectrum *= response
        made[row : row + ROWS_AT_ONCE] = irfft(spectrum, up * size, axis=1, overwrite_x=True)[:, up * lap :]
    return made.reshape(-1)[half : half + count * up].copy()
