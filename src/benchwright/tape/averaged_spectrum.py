"""The power spectrum of a recording of any length, averaged, with the scatter that gives uncertainties."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from .batches import Batches
from .figure import Figure

Spectrum = npt.NDArray[np.float64]
_BATCHES = 32
_LINE_BINS = 3
"""Bins on each side that hold a line's power through the window used here, and one to spare."""


class AveragedSpectrum:
    """Welch's average of overlapping windowed stretches of one channel, fed piece by piece.

    Parameters
    ----------
    rate : int
        Sampling rate in Hz.
    resolution : float
        Distance of the frequencies in Hz.

    Notes
    -----
    P. D. Welch, "The use of fast Fourier transform for the estimation of power spectra", IEEE Trans. Audio
    Electroacoust. 15 (1967), from memory. Hann window, half overlap.
    """

    def __init__(self, rate: int, resolution: float = 1.0) -> None:
        self.rate = rate
        self.length = max(64, 2 * round(rate / resolution / 2.0))
        self.resolution = rate / self.length
        self._window = 0.5 - 0.5 * np.cos(2.0 * np.pi * np.arange(self.length) / self.length)
        self._scale = 2.0 / (float(np.sum(self._window**2)) * self.length)
        self._rest = np.zeros(0, np.float32)
        self._batches = Batches(_BATCHES)

    @property
    def count(self) -> float:
        """Stretches averaged."""
        return float(self._batches.total[-1]) if len(self._batches) else 0.0

    @property
    def frequencies(self) -> Spectrum:
        """Hz, shape (m,)."""
        return np.arange(self.length // 2 + 1, dtype=np.float64) * self.resolution

    @property
    def power(self) -> Spectrum:
        """Mean square in each bin, shape (m,): the sum over a band is the mean square of that band.

        Raises
        ------
        ValueError
            Less was added than one stretch.
        """
        return _mean(self._batches.total)

    def add(self, samples: npt.NDArray[np.float32]) -> None:
        """Take the next samples, shape (n,)."""
        from scipy.fft import rfft

        joined = np.concatenate([self._rest, samples]) if len(self._rest) else samples
        step, at = self.length // 2, 0
        while at + self.length <= len(joined):
            stretch = joined[at : at + self.length].astype(np.float64)
            lines = rfft(self._window * (stretch - stretch.mean()))
            power = (lines.real**2 + lines.imag**2) * self._scale
            self._batches.add(np.append(power, 1.0))
            at += step
        self._rest = joined[at:].copy()

    def fresh_start(self) -> None:
        """Forget the samples that do not fill a stretch yet: what comes next does not follow them."""
        self._rest = np.zeros(0, np.float32)

    def figure(self, of: Callable[[Spectrum], float], unit: str, bins: int = 1, least: float = 0.0) -> Figure:
        """A figure drawn from the spectrum, with its uncertainty.

        Parameters
        ----------
        of : callable
            From the power in each bin to the value.
        unit : str
            Unit of the value; levels in dB get a floor from the theory if there are few stretches.
        bins : int
            How many bins make the figure, for that floor.
        least : float
            Lowest uncertainty.
        """
        found = self._batches.figure(lambda sums: of(_mean(sums)), unit, least)
        if math.isfinite(found.uncertainty):
            return found
        if unit.startswith("dB"):
            # Power of noise in k independent estimates scatters by 1/sqrt(k); neighbouring bins share a
            # third of their information under this window.
            scatter = 10.0 / math.log(10.0) / math.sqrt(max(1.0, self.count * bins / 1.5))
            return Figure(found.value, math.hypot(scatter, least), unit)
        return found

    def near(self, hz: float, half_width: float) -> slice:
        """Bins within `half_width` Hz of a frequency."""
        top = self.length // 2 + 1
        first = max(0, min(top, math.ceil((hz - half_width) / self.resolution)))
        last = max(first, min(top, math.floor((hz + half_width) / self.resolution) + 1))
        return slice(first, last)

    def line(self, hz: float, half_width: float = 0.0) -> slice:
        """Bins that hold the power of a line at `hz`, which may wander by `half_width` Hz."""
        return self.near(hz, half_width + _LINE_BINS * self.resolution)


def _mean(sums: Spectrum) -> Spectrum:
    # Leaving out the only stretch leaves nothing to average.
    average: Spectrum = sums[:-1] / sums[-1] if sums[-1] > 0.0 else np.full(len(sums) - 1, np.nan)
    return average
