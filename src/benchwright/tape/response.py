"""Frequency response from a recording of several tones or of a sweep, fed piece by piece."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ..errors import BenchwrightError
from .figure import Figure

Samples = npt.NDArray[np.float32]

_WINDOW_S = 0.1
_SPEED_TOLERANCE = 0.06
"""A tone is taken for the listed one within so much, as speed is wrong before it is set."""
_THIRD_OCTAVE = 3.0
_SPREAD_BINS = 4
_SPREAD = 0.05
_STEADY_DB = 3.0
_PURE = 0.5
_BELOW_LOUDEST_DB = 60.0


class NoTones(BenchwrightError, ValueError):
    """A recording without the tones that a response is measured with."""


@dataclass(frozen=True, slots=True)
class ResponsePoint:
    """The level at one frequency.

    Attributes
    ----------
    frequency : float
        Hz, as listed, or the middle of the band.
    measured : float
        Hz, as it was on the recording.
    level : Figure
        dB against the reference frequency and against what was expected.
    seconds : float
        How long it was heard.
    """

    frequency: float
    measured: float
    level: Figure
    seconds: float


@dataclass(frozen=True, slots=True)
class Response:
    """Levels over frequency.

    Attributes
    ----------
    reference : float
        Hz; the frequency that has 0 dB.
    points : tuple of ResponsePoint
        By frequency.
    missing : tuple of float
        Listed frequencies that were not heard.
    """

    reference: float
    points: tuple[ResponsePoint, ...]
    missing: tuple[float, ...]

    def within(self, low: float, high: float) -> Figure:
        """The widest difference between two levels from `low` to `high` Hz: the band they all fit in.

        Returns
        -------
        Figure
            In dB; not-a-number with fewer than two points there.
        """
        inside = [point.level for point in self.points if low <= point.frequency <= high]
        if len(inside) < 2:
            return Figure(math.nan, math.nan, "dB")
        top = max(inside, key=lambda level: level.value)
        bottom = min(inside, key=lambda level: level.value)
        return Figure(top.value - bottom.value, math.hypot(top.uncertainty, bottom.uncertainty), "dB")

    def at_high(self, above: float = 4000.0) -> Figure:
        """The mean level of what lies above a frequency, against the reference: treble loss is negative.

        Returns
        -------
        Figure
            In dB; not-a-number with no point there.
        """
        high = [point.level for point in self.points if point.frequency >= above]
        if not high:
            return Figure(math.nan, math.nan, "dB")
        value = float(np.mean([level.value for level in high]))
        doubt = math.sqrt(sum(level.uncertainty**2 for level in high)) / len(high)
        return Figure(value, doubt, "dB")


class ResponseMeter:
    """Follows the strongest tone of one channel through a recording of any length.

    Parameters
    ----------
    rate : int
        Sampling rate in Hz.
    """

    def __init__(self, rate: int) -> None:
        self.rate = rate
        self._length = max(256, 2 * round(rate * _WINDOW_S / 2))
        # Flat to 0.01 dB wherever the tone lies between bins: its power is summed over the main lobe.
        self._window = np.hanning(self._length + 1)[:-1]
        self._scale = 4.0 / (float(np.sum(self._window**2)) * self._length)
        self._rest = np.zeros(0, np.float32)
        self._tones: list[tuple[float, float, float]] = []

    def add(self, samples: Samples) -> None:
        """Take the next samples, shape (n,)."""
        from scipy.fft import rfft

        joined = np.concatenate([self._rest, samples]) if len(self._rest) else samples
        step, at = self._length // 2, 0
        while at + self._length <= len(joined):
            lines = rfft(self._window * joined[at : at + self._length].astype(np.float64))
            power = (lines.real**2 + lines.imag**2) * self._scale
            self._tones.append(self._strongest(power))
            at += step
        self._rest = joined[at:].copy()

    def _strongest(self, power: npt.NDArray[np.float64]) -> tuple[float, float, float]:
        """Frequency in Hz, level in dBFS, and share of the power of the strongest tone."""
        first = 2
        top = first + int(np.argmax(power[first:]))
        # A sweep moves on within the window, and flutter spreads a high tone.
        spread = max(_SPREAD_BINS, round(_SPREAD * top))
        low, high = max(first, top - spread), top + spread + 1
        near = power[low:high]
        held = float(near.sum())
        if held <= 0.0:
            return 0.0, -math.inf, 0.0
        hz = float(np.average(np.arange(low, low + len(near)), weights=near)) * self.rate / self._length
        return hz, 10.0 * math.log10(held), held / float(power[first:].sum())

    def tones(
        self, frequencies: Sequence[float], expected: Mapping[float, float] | None = None,
        reference: float | None = None,
    ) -> Response:  # fmt: skip
        """Levels of the listed tones.

        Parameters
        ----------
        frequencies : sequence of float
            Hz, in any order, each within 6 % of what is on the recording.
        expected : mapping, optional
            Level in dB by frequency, as it was recorded, against any common level; 0 dB if not named.
        reference : float, optional
            The frequency that gets 0 dB; of those heard, by default the one nearest to 315 Hz.

        Raises
        ------
        NoTones
            None of them was heard.
        """
        expected = expected or {}
        heard: dict[float, list[tuple[float, float]]] = {}
        for hz, level in self._pure():
            nearest = min(frequencies, key=lambda listed: abs(math.log(listed / hz)))
            if abs(hz / nearest - 1.0) <= _SPEED_TOLERANCE:
                heard.setdefault(nearest, []).append((hz, level))
        if not heard:
            listed = ", ".join(f"{hz:g}" for hz in sorted(frequencies))
            raise NoTones(f"none of the tones {listed} Hz was heard: expected one at a time, each for 0.2 s")
        return self._response(heard, expected, reference, tuple(sorted(set(frequencies) - set(heard))))

    def sweep(self, reference: float | None = None) -> Response:
        """Levels in bands of a third of an octave, of a sweep or of tones not listed.

        Parameters
        ----------
        reference : float, optional
            The frequency whose band gets 0 dB; by default the band nearest to 315 Hz.

        Raises
        ------
        NoTones
            No tone was heard.
        """
        heard: dict[float, list[tuple[float, float]]] = {}
        for hz, level in self._pure():
            band = 1000.0 * 2.0 ** (round(_THIRD_OCTAVE * math.log2(hz / 1000.0)) / _THIRD_OCTAVE)
            heard.setdefault(round(band, 1), []).append((hz, level))
        if not heard:
            raise NoTones("no tone was heard: expected a sweep, or several tones one after the other")
        return self._response(heard, {}, reference, ())

    def _pure(self) -> list[tuple[float, float]]:
        """Frequency and level of stretches with one steady tone."""
        loudest = max((level for _, level, _ in self._tones), default=-math.inf)
        found = []
        for at, (hz, level, share) in enumerate(self._tones):
            if share < _PURE or level < loudest - _BELOW_LOUDEST_DB or hz <= 0.0:
                continue
            # A stretch at the change from tone to tone holds part of each.
            beside = [self._tones[k] for k in (at - 1, at + 1) if 0 <= k < len(self._tones)]
            steady = [
                abs(other[1] - level) < _STEADY_DB and abs(other[0] / hz - 1.0) < 2.0 * _SPEED_TOLERANCE
                for other in beside
            ]
            if steady and all(steady):
                found.append((hz, level))
        return found

    def _response(
        self, heard: Mapping[float, list[tuple[float, float]]], expected: Mapping[float, float],
        reference: float | None, missing: tuple[float, ...],
    ) -> Response:  # fmt: skip
        levels: dict[float, tuple[float, float, float, int]] = {}
        for hz, readings in heard.items():
            values = np.array([level for _, level in readings])
            middle = float(np.median(values))
            # Half-overlapping windows: two readings are worth somewhat more than one.
            worth = max(1.0, len(values) / 1.5)
            scatter = 1.4826 * float(np.median(np.abs(values - middle))) if len(values) > 2 else 0.5
            doubt = math.hypot(1.2533 * scatter / math.sqrt(worth), 0.02)  # of a median
            measured = float(np.median([heard_hz for heard_hz, _ in readings]))
            levels[hz] = middle - expected.get(hz, 0.0), doubt, measured, len(values)
        wanted = 315.0 if reference is None else reference
        zero = min(levels, key=lambda hz: abs(math.log(hz / wanted)))
        at_zero = levels[zero]
        points = []
        for hz in sorted(levels):
            level, doubt, measured, count = levels[hz]
            joint = 0.0 if hz == zero else math.hypot(doubt, at_zero[1])
            seconds = (count + 1) * self._length / 2 / self.rate
            points.append(ResponsePoint(hz, measured, Figure(level - at_zero[0], joint, "dB"), seconds))
        return Response(zero, tuple(points), missing)
