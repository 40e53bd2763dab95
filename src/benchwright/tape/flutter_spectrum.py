"""The spectrum of flutter: density, its floor, and how the noise of measuring is taken out of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .track import FLUTTER_TOP, Floats, Response, SpeedTrack

FLUTTER_BOTTOM = 0.1
"""Hz; flutter is judged from here (IEC 60386, amendment 1 of 1988)."""

_FALSE_ALARM = 1e-6
_PIECE = 32.0


@dataclass(frozen=True, slots=True)
class Spectrum:
    """Flutter spectrum for drawing.

    Attributes
    ----------
    hertz : ndarray, shape (n,)
        Even steps up to 200 Hz.
    percent : ndarray, shape (n,)
        Zero-to-peak size of the sine that would reach this height, %.
    """

    hertz: Floats
    percent: Floats


def spectrum_of(track: SpeedTrack) -> Spectrum:
    """Average the spectra of pieces of 32 s, or take the whole of a shorter track."""
    size = int(min(_PIECE, track.duration) * track.rate)
    hertz, density, _, _ = mean_density(track, size)
    shown = hertz <= min(FLUTTER_TOP, track.reach)
    # A sine fills one and a half bins behind a Hann window.
    height = np.sqrt(2.0 * 1.5 * float(hertz[1]) * density[shown])
    return Spectrum(hertz[shown], 100.0 * height)


def noise_gain(track: SpeedTrack, lines_apart: bool) -> Response:
    """Filter that leaves of each part of the spectrum the power that is not noise of measuring.

    Parameters
    ----------
    track : SpeedTrack
        With its noise estimated.
    lines_apart : bool
        True if the lines have been taken out of the track, so that all of it is floor.

    Returns
    -------
    callable
        Gain at each of an array of frequencies in Hz. Lines pass almost whole, the floor beside them is
        lowered to the flutter in it.
    """
    size = int(min(_PIECE, track.duration) * track.rate)
    hertz, density, averages, independent = mean_density(track, size)
    floor = local_median(density, 24.0) / median_of_mean(averages)
    noise = track.noise.density(hertz)
    excess = floor - noise
    share = np.clip(excess / np.maximum(floor, 1e-30), 0.0, 1.0)
    # Chance lets the floor stand above the noise here and below it there; only the balance of an octave is
    # flutter.
    octave = np.floor(np.log2(np.maximum(hertz, 1e-6) / FLUTTER_BOTTOM)).astype(int)
    for number in np.unique(octave):
        inside = octave == number
        above = float(np.maximum(excess[inside], 0.0).sum())
        if above > 0.0:
            share[inside] *= np.clip(float(excess[inside].sum()) / above, 0.0, 1.0)
    if not lines_apart:
        line = density > line_threshold(max(1, int(independent))) * floor
        # A filter as narrow as the line would ring for as long as the recording; half a hertz lets in
        # little noise.
        step = float(hertz[1])
        for at in np.flatnonzero(line):
            half = max(3, round(max(0.5, 0.01 * at * step) / step))
            share[max(0, at - half) : at + half + 1] = 1.0
    gain = np.sqrt(share)
    return lambda wanted: np.interp(wanted, hertz, gain)


def mean_density(track: SpeedTrack, size: int) -> tuple[Floats, Floats, int, float]:
    """Mean of the spectra of pieces that overlap by half; gaps are left out of each."""
    window = np.hanning(size + 2)[1:-1]
    hertz = np.fft.rfftfreq(size, 1.0 / track.rate)
    total, averages = np.zeros(hertz.size), 0
    last = track.deviation.size - size
    count = max(1, round(2.0 * last / size) + 1)
    begins = np.unique(np.linspace(0, last, count).astype(int))
    for begin in begins:
        valid = track.valid[begin : begin + size]
        if valid.mean() < 0.7:
            continue
        piece = track.deviation[begin : begin + size].astype(np.float64)
        piece = (piece - np.mean(piece[valid])) * valid * window
        piece -= window * (piece.sum() / window.sum())
        # With gaps a line still keeps its height, as long as its share of the window is made good.
        scale = 2.0 / (track.rate * float(window @ window)) * float(window.sum() / window[valid].sum()) ** 2
        total += np.abs(np.fft.rfft(piece)) ** 2 * scale
        averages += 1
    averages = max(averages, 1)
    independent = min(float(averages), max(1.0, 1.9 * track.deviation.size / size - 0.9))
    droop = np.maximum(np.sinc(hertz * track.span), 0.3) ** 2
    return hertz, total / averages / droop, averages, max(1.0, independent * 0.9 if averages > 1 else 1.0)


def median_of_mean(averages: int) -> float:
    """Median over mean of an average of that many exponential values."""
    from scipy.stats import chi2

    return float(chi2.median(2 * averages)) / (2 * averages)


def local_median(density: Floats, least: float) -> Floats:
    """Median over the surroundings: 15 % of the frequency to either side, and at least `least` values.

    Parameters
    ----------
    density : ndarray, shape (n,)
        At even steps of frequency from nought.
    least : float
        Half width at low frequencies, in values.
    """
    count = density.size
    result = np.empty(count)
    marks: list[int] = []
    at = 0.0
    while at < count:
        marks.append(int(at))
        at += max(least / 2.0, 0.08 * at, 1.0)
    marks.append(count - 1)
    middles = []
    for mark in marks:
        half = int(max(least, 0.15 * mark))
        middles.append(float(np.median(density[max(1, mark - half) : mark + half + 1])))
    result = np.interp(np.arange(count), marks, np.log(np.maximum(middles, 1e-300)))
    return np.asarray(np.exp(result))


def line_threshold(averages: int) -> float:
    """How far above the floor a line must stand; the floor itself is not known exactly."""
    from scipy.stats import chi2

    return 1.15 * float(chi2.isf(_FALSE_ALARM, 2 * averages)) / (2 * averages)
