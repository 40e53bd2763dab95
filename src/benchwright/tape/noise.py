"""Noise in a stated band, signal-to-noise ratio, mains hum, harmonics: drawn from an averaged spectrum."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from typing import Literal

import numpy as np

from .averaged_spectrum import AveragedSpectrum, Spectrum
from .figure import Figure

LOWEST_HZ, HIGHEST_HZ = 31.5, 20_000.0
"""The unweighted band of tape measurements (DIN 45 405, from memory)."""
_TONE_MARGIN_HZ = 200.0
"""Flutter puts sidebands up to 200 Hz away from a tone (end of the weighting of IEC 60386, from memory)."""
_MAINS_WANDER = 0.01
_HUM_HARMONICS = 10
_SIGMAS_FOR_HUM = 5.0
_BINS_BESIDE = 24
_SUREST = 37.0


@dataclass(frozen=True, slots=True)
class Noise:
    """Noise beside a tone, or in a stretch without signal.

    Attributes
    ----------
    level : Figure
        dBFS; a sine that just reaches full scale has 0 dBFS.
    ratio : Figure or None
        Signal over noise in dB; None if there was no signal to compare with.
    band : tuple of float
        Lowest and highest frequency in Hz that the noise was summed over, unweighted.
    """

    level: Figure
    ratio: Figure | None
    band: tuple[float, float]


@dataclass(frozen=True, slots=True)
class Hum:
    """Lines of the mains.

    Attributes
    ----------
    mains : {0, 50, 60}
        Which mains the lines belong to, in Hz; 0 if none stands out.
    frequency : Figure
        The mains frequency measured, in Hz; off its nominal value if the hum is on the tape and the speed
        is off.
    level : Figure
        All lines together, in dBFS; without hum, what could have hidden in the noise.
    lines : tuple of (int, Figure)
        Order (1 is the mains frequency) and level in dBFS of each line that stands out.
    sigmas : float
        How far the strongest evidence stands above the noise's scatter.
    """

    mains: int
    frequency: Figure
    level: Figure
    lines: tuple[tuple[int, Figure], ...]
    sigmas: float


@dataclass(frozen=True, slots=True)
class Harmonics:
    """A tone and its multiples.

    Attributes
    ----------
    fundamental : float
        Hz.
    relative : tuple of (int, Figure)
        Order from 2 and level in dB against the fundamental, of those that stand out of the noise.
    hidden : tuple of (int, float)
        Order of the others, and the level in dB that they do not reach.
    distortion : Figure
        Root of the harmonics' powers over the fundamental, in %.
    """

    fundamental: float
    relative: tuple[tuple[int, Figure], ...]
    hidden: tuple[tuple[int, float], ...]
    distortion: Figure


def strongest_tone(spectrum: AveragedSpectrum, lowest: float = 100.0) -> tuple[float, float]:
    """The frequency of the strongest line in Hz, and the share of all power that it holds, 0 to 1."""
    power = spectrum.power
    first = math.ceil(lowest / spectrum.resolution)
    if first >= len(power) - 2:
        return 0.0, 0.0
    top = first + int(np.argmax(power[first:]))
    # Flutter smears a tone: its middle is the mean over the power around the highest bin.
    near = spectrum.near(
        top * spectrum.resolution, 0.01 * top * spectrum.resolution + 3 * spectrum.resolution
    )
    held = power[near]
    hz = float(np.average(spectrum.frequencies[near], weights=held)) if held.sum() > 0.0 else 0.0
    band = power[first:].sum()
    wide = power[spectrum.near(hz, min(_TONE_MARGIN_HZ, 0.05 * hz))].sum()
    return hz, float(wide / band) if band > 0.0 else 0.0


def noise(
    spectrum: AveragedSpectrum, tone_hz: float | None = None, low: float = LOWEST_HZ, high: float = HIGHEST_HZ
) -> Noise:
    """Noise in a band, unweighted; beside a tone if one is given.

    Parameters
    ----------
    spectrum : AveragedSpectrum
        Of a stretch with one tone, or without any signal.
    tone_hz : float, optional
        The tone; it, its flutter sidebands and its harmonics are taken out, and the noise beside each is
        carried across the gap.
    low, high : float
        The band in Hz, cut at nine tenths of half the sampling rate.
    """
    high = min(high, 0.45 * spectrum.rate)
    band = spectrum.near((low + high) / 2.0, (high - low) / 2.0)
    bins = band.stop - band.start
    if tone_hz is None:
        level = spectrum.figure(lambda power: _level(float(power[band].sum())), "dBFS", bins)
        return Noise(level, None, (low, high))
    gaps = []
    order = 1
    while order * tone_hz < high + _TONE_MARGIN_HZ:
        # A low tone leaves no room for the full margin between its harmonics.
        gaps.append(spectrum.line(order * tone_hz, min(_TONE_MARGIN_HZ, 0.2 * tone_hz)))
        order += 1

    def noise_power(power: Spectrum) -> float:
        return float(_bridged(power, gaps)[band].sum())

    def signal_power(power: Spectrum) -> float:
        return max(0.0, float(power[gaps[0]].sum() - _bridged(power, gaps)[gaps[0]].sum()))

    def ratio(power: Spectrum) -> float:
        return 10.0 * math.log10(max(1e-30, signal_power(power)) / max(1e-30, noise_power(power)))

    return Noise(
        spectrum.figure(lambda power: _level(noise_power(power)), "dBFS", bins),
        spectrum.figure(ratio, "dB", bins, least=0.01),
        (low, high),
    )


def hum(spectrum: AveragedSpectrum, avoid_hz: Sequence[float] = ()) -> Hum:
    """Look for the mains: which one, how strong, at which harmonics.

    Parameters
    ----------
    spectrum : AveragedSpectrum
        With a resolution of 1 Hz or finer; without a single stretch, nothing is found.
    avoid_hz : sequence of float
        Tones of the signal: harmonics of the mains near them are left out.
    """
    if not spectrum.count:
        return Hum(0, Figure(math.nan, math.nan, "Hz"), Figure(math.nan, math.nan, "dBFS"), (), 0.0)
    return max((_hum_at(spectrum, mains, avoid_hz) for mains in (50, 60)), key=lambda found: found.sigmas)


def harmonics(spectrum: AveragedSpectrum, fundamental: float, highest: int = 9) -> Harmonics:
    """Levels of a tone's multiples against it.

    Parameters
    ----------
    spectrum : AveragedSpectrum
        Of a stretch with the tone.
    fundamental : float
        Hz.
    highest : int
        Last order, as far as the sampling rate holds it.
    """
    count = spectrum.count
    last = min(highest, int(0.47 * spectrum.rate / fundamental))
    widths = {order: min(_TONE_MARGIN_HZ, 0.02 * order * fundamental) for order in range(1, last + 1)}

    def above_floor(power: Spectrum, order: int) -> tuple[float, float]:
        """Power of a harmonic, and what the noise's scatter could feign."""
        bins = spectrum.line(order * fundamental, widths[order])
        width = bins.stop - bins.start
        floor = _beside(power, bins, count) * width
        return float(power[bins].sum()) - floor, 3.0 * floor / math.sqrt(max(1.0, count) * width / 1.5)

    def value(order: int, power: Spectrum) -> float:
        return 10.0 * math.log10(max(1e-30, above_floor(power, order)[0]) / fundamental_power(power))

    def fundamental_power(power: Spectrum) -> float:
        return max(1e-30, above_floor(power, 1)[0])

    def distortion(power: Spectrum) -> float:
        summed = sum(above_floor(power, order)[0] for order in range(2, last + 1))
        return 100.0 * math.sqrt(max(0.0, summed) / fundamental_power(power))

    relative: list[tuple[int, Figure]] = []
    hidden: list[tuple[int, float]] = []
    average = spectrum.power
    for order in range(2, last + 1):
        found, feigned = above_floor(average, order)
        if found > feigned:
            width = 2 * round(widths[order] / spectrum.resolution) + 1
            relative.append((order, spectrum.figure(partial(value, order), "dB", width, least=0.01)))
        else:
            most = max(feigned, 1e-30) / fundamental_power(average)
            hidden.append((order, 10.0 * math.log10(most)))
    return Harmonics(
        fundamental, tuple(relative), tuple(hidden), spectrum.figure(distortion, "%", least=0.001)
    )


def _level(mean_square: float) -> float:
    return 10.0 * math.log10(2.0 * mean_square) if mean_square > 0.0 else -math.inf


def _beside(
    power: Spectrum, bins: slice, count: float, sides: Literal["below", "above", "both"] = "both"
) -> float:
    """Noise per bin on both sides of a line; `count` stretches were averaged."""
    width = max(_BINS_BESIDE // 2, bins.stop - bins.start)
    below = power[max(1, bins.start - width) : bins.start]
    above = power[bins.stop : bins.stop + width]
    around = np.concatenate(
        [below if sides != "above" else below[:0], above if sides != "below" else above[:0]]
    )
    if len(around) == 0:
        return 0.0
    # A median is not moved by neighbouring lines. That of averaged noise power lies below the mean
    # by about (1 - 1/9k)^3 (Wilson and Hilferty 1931, from memory).
    return float(np.median(around)) / (1.0 - 1.0 / (9.0 * max(1.0, count))) ** 3


def _bridged(power: Spectrum, gaps: Sequence[slice]) -> Spectrum:
    held = power.copy()
    for gap in gaps:
        width = max(12, (gap.stop - gap.start) // 2)
        below = power[max(0, gap.start - width) : gap.start]
        above = power[gap.stop : gap.stop + width]
        around = np.concatenate([below, above])
        if gap.stop > gap.start and len(around):
            held[gap] = around.mean()
    return held


def _sigmas(power: float, floor: float, bins: int, count: float, places: int) -> float:
    """How surely power in a few bins, the best of many places, is more than noise: in standard deviations."""
    from scipy.special import gammaincc, ndtri

    if floor <= 0.0:
        return _SUREST if power > 0.0 else 0.0
    # Averaged noise power follows a gamma distribution; neighbouring bins share a third of their
    # information under the window, half-overlapping stretches 1 part in 18 (Welch 1967).
    shape = max(1.0, count / 1.06) * bins / 1.5
    # The floor comes from a few bins; 1.25 is what a median scatters more than a mean.
    floor *= 1.0 + 2.0 * 1.25 / math.sqrt(max(1.0, count) * _BINS_BESIDE)
    chance = float(gammaincc(shape, shape * power / (floor * bins))) * places * 2 * _HUM_HARMONICS
    if chance < 1e-300:
        return _SUREST
    return max(0.0, -float(ndtri(min(0.5, chance))))


def _hum_at(spectrum: AveragedSpectrum, mains: int, avoid_hz: Sequence[float]) -> Hum:
    power, step, count = spectrum.power, spectrum.resolution, spectrum.count
    frequencies = spectrum.frequencies
    lines: list[tuple[int, slice, float]] = []
    places: list[tuple[float, float, float]] = []
    evidence = 0.0
    for order in range(1, _HUM_HARMONICS + 1):
        centre = order * mains
        if centre > 0.45 * spectrum.rate or any(abs(centre - hz) < 0.2 * hz for hz in avoid_hz):
            continue
        seek = spectrum.near(centre, max(_MAINS_WANDER * centre, step))
        if seek.stop <= seek.start:
            continue
        top = seek.start + int(np.argmax(power[seek]))
        bins = slice(max(1, top - 2), top + 3)
        wide = slice(max(1, bins.start - 2), bins.stop + 2)
        # At the edge of a sound's band the louder side counts, or the edge would pass for a line.
        floor = max(_beside(power, wide, count, sides) for sides in ("below", "above", "both"))
        excess = float(power[bins].sum()) - floor * (bins.stop - bins.start)
        far = _sigmas(float(power[bins].sum()), floor, bins.stop - bins.start, count, seek.stop - seek.start)
        if far > _SIGMAS_FOR_HUM:
            lines.append((order, bins, excess))
            held = np.maximum(0.0, power[bins] - floor)
            places.append(
                (order, float(np.average(frequencies[bins], weights=held)) / order, excess * order**2)
            )
            if order % (6 if mains == 50 else 5):  # not where the two mains share a harmonic
                evidence = max(evidence, far)
    everything = [spectrum.near(order * mains, _MAINS_WANDER * mains) for order in (1, 2, 3)]
    if not lines or evidence == 0.0:
        scatter = 1.0 / math.sqrt(max(1.0, count))
        hidden = max(_beside(power, bins, count) * 3.0 * (1.0 + 2.0 * scatter) for bins in everything)
        nothing = Figure(math.nan, math.nan, "Hz")
        return Hum(0, nothing, Figure(_level(hidden), math.inf, "dBFS"), (), 0.0)

    def one(order_bins: slice) -> Figure:
        def value(held: Spectrum) -> float:
            floor = _beside(held, slice(max(1, order_bins.start - 2), order_bins.stop + 2), count)
            above = float(held[order_bins].sum()) - floor * (order_bins.stop - order_bins.start)
            return _level(max(1e-30, above))

        return spectrum.figure(value, "dBFS", 3, least=0.05)

    def together(held: Spectrum) -> float:
        summed = 0.0
        for _, bins, _ in lines:
            floor = _beside(held, slice(max(1, bins.start - 2), bins.stop + 2), count)
            summed += max(0.0, float(held[bins].sum()) - floor * (bins.stop - bins.start))
        return _level(max(1e-30, summed))

    weights = np.array([weight for _, _, weight in places])
    measured = float(np.average([hz for _, hz, _ in places], weights=weights))
    highest = max(order for order, _, _ in places)
    return Hum(
        mains,
        Figure(measured, step / (4.0 * highest), "Hz"),
        spectrum.figure(together, "dBFS", 3 * len(lines), least=0.05),
        tuple((order, one(bins)) for order, bins, _ in lines),
        evidence,
    )
