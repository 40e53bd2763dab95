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
from .kernels import crossings

FloatArray = npt.NDArray[np.float64]
LEAST_SAMPLES = 6
"""Samples that the shortest half-wave gets at least: below that, crossings cannot be placed well."""
MOST_SAMPLES = 24


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
        return self.start + len(self.signal)


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
        from scipy.signal import firwin

        high_rate = self.rate_in * self.up
        count = int(3.2 * high_rate / (2 * self.low_hertz)) | 1
        nyquist = high_rate / 2
        taps = firwin(
            count, [self.low_hertz, min(self.high_hertz, 0.98 * nyquist)], pass_zero=False, fs=high_rate
        )
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
        from scipy.ndimage import uniform_filter1d
        from scipy.signal import oaconvolve

        taps = self.taps
        if self.up > 1:
            stuffed = np.zeros(len(samples) * self.up, np.float32)
            stuffed[:: self.up] = samples
            samples = stuffed
        filtered = oaconvolve(samples, taps, mode="same") if len(samples) else samples
        if self.down > 1:
            filtered = filtered[:: self.down]
        signal = np.ascontiguousarray(filtered, np.float32)
        if self.equaliser is not None and len(signal):
            signal = np.asarray(oaconvolve(signal, self.equaliser, mode="same"), np.float32)
        magnitude = np.abs(signal)
        # Mean magnitude of a sine is 2/pi of its amplitude.
        amplitude = uniform_filter1d(magnitude, self.smooth, mode="nearest") * np.float32(math.pi / 2)
        # A dropout takes short waves first and bends what it leaves: that counts for less than its level.
        usual = uniform_filter1d(amplitude, max(3, int(self.rate)) | 1, mode="nearest")
        if self.discount:
            trust = np.minimum(1.0, amplitude / np.maximum(0.5 * usual, 1e-9)) ** 2
        else:
            trust = np.ones_like(amplitude)
        head = before * self.up // self.down
        tail = len(signal) - after * self.up // self.down
        signal, amplitude, trust = signal[head:tail], amplitude[head:tail], trust[head:tail]
        start = (first + before) * self.up // self.down
        signal, amplitude = np.ascontiguousarray(signal), np.ascontiguousarray(amplitude)
        wave = np.empty_like(signal)
        above, below = np.zeros(len(signal) + 1), np.zeros(len(signal) + 1)
        time, slope, rising, following = crossings(
            signal, amplitude, np.ascontiguousarray(trust, np.float32), wave, above, below, float(start)
        )
        return Window(start, signal, amplitude, wave, above, below, time, slope, rising, following)

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
