"""Flutter by IEC 60386 (AES6): weighted and unweighted peak, with all other figures of a test tone."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import lru_cache
from importlib.resources import files
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from .figure import Figure
from .flutter_lines import Line, Sines, find_lines, fit_sines, from_beside, modelled
from .flutter_spectrum import FLUTTER_BOTTOM, Spectrum, mean_density, noise_gain, spectrum_of
from .speed import SpeedCurve, SpeedReport, speed_of
from .tone import Tone, follow_tone
from .track import FLUTTER_TOP, Flags, Floats, Response, Singles, SpeedTrack, from_points, runs

NOT_EXCEEDED = 0.95
"""The two-sigma reading is the deviation that is not exceeded for this share of the time (IEC 60386)."""

MEASURING_TIME = 5.0
"""Seconds the two-sigma reading needs at least (AES6)."""

_FITTED = 20.0
_EDGE = 1.0
_WEIGHTING_DOUBT = 0.01
_SLOWEST_BESIDE = 5.0


@dataclass(frozen=True, slots=True)
class ToneReport:
    """Everything a tone, or the speed curve of data, says about the transport.

    Attributes
    ----------
    speed : Figure
        Mean speed error, %.
    drift : Figure
        Its slope, % per minute.
    ends : Figure
        Speed near the end less speed near the start, %.
    least_30_s, greatest_30_s : Figure or None
        Least and greatest mean over 30 s (DIN 45 500), %; None if the recording is shorter.
    weighted : Figure
        Weighted peak flutter, ± %, two-sigma reading (IEC 60386, AES6).
    weighted_rms : Figure
        Same weighting, root of the mean square, %.
    unweighted : Figure
        Peak flutter from 0.1 Hz to 200 Hz, ± %, two-sigma reading.
    lines : tuple of Line
        Flutter spectrum: each line with `hertz`, `percent`, `uncertainty`.
    spectrum : Spectrum
        The flutter spectrum for drawing.
    curve : SpeedCurve
        Speed error along the recording.
    start_s, duration_s : float
        Where in the recording the figures come from.
    tone : Figure or None
        Mean frequency as played, Hz; None for a speed curve.
    nominal_hz : float or None
        Frequency as recorded.
    noise_ratio : Figure or None
        Tone over noise beside it, within ±200 Hz, dB.
    noise_weighted, noise_unweighted : float
        What noise alone would read, ± %. It has been taken off the figures.
    dropouts : tuple of (float, float)
        Begin and end, s.
    warnings : tuple of str
        What the person should know before relying on the figures.
    """

    speed: Figure
    drift: Figure
    ends: Figure
    least_30_s: Figure | None
    greatest_30_s: Figure | None
    weighted: Figure
    weighted_rms: Figure
    unweighted: Figure
    lines: tuple[Line, ...]
    spectrum: Spectrum
    curve: SpeedCurve
    start_s: float
    duration_s: float
    tone: Figure | None
    nominal_hz: float | None
    noise_ratio: Figure | None
    noise_weighted: float
    noise_unweighted: float
    dropouts: tuple[tuple[float, float], ...]
    warnings: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class WeightingPoint:
    """One row of the weighting table.

    Attributes
    ----------
    hertz, decibels : float
        Frequency of the flutter, and its weight against 4 Hz.
    tolerance : tuple of float
        Least and greatest departure allowed, dB.
    sure : str
        How surely the value is known: ``"high"``, ``"middling"``, ``"low"``; all are from memory.
    """

    hertz: float
    decibels: float
    tolerance: tuple[float, float]
    sure: str


@lru_cache(maxsize=1)
def weighting_table() -> tuple[WeightingPoint, ...]:
    """The rows of IEC 60386 table I, in order of frequency."""
    text = files(__package__).joinpath("flutter_weighting.toml").read_text(encoding="utf-8")
    return tuple(
        WeightingPoint(row["hertz"], row["decibels"], tuple(row["tolerance"]), row["sure"])
        for row in tomllib.loads(text)["point"]
    )


def weighting(hertz: npt.ArrayLike) -> Floats:
    """Weight of flutter at each frequency, 1 at 4 Hz.

    Parameters
    ----------
    hertz : array_like
        Frequencies, 0 or more.

    Returns
    -------
    ndarray
        Between the points of the table a smooth curve without bumps (in dB against the logarithm of
        frequency); beyond its ends the slope of the last two points.
    """
    from scipy.interpolate import PchipInterpolator

    table = weighting_table()
    places = np.log([point.hertz for point in table])
    decibels = np.array([point.decibels for point in table])
    wanted = np.log(np.maximum(np.asarray(hertz, np.float64), 1e-9))
    result = PchipInterpolator(places, decibels)(np.clip(wanted, places[0], places[-1]))
    first = (decibels[1] - decibels[0]) / (places[1] - places[0])
    last = (decibels[-1] - decibels[-2]) / (places[-1] - places[-2])
    result += np.where(wanted < places[0], (wanted - places[0]) * first, 0.0)
    result += np.where(wanted > places[-1], (wanted - places[-1]) * last, 0.0)
    return np.asarray(10.0 ** (result / 20.0))


def measure_tone(
    samples_or_blocks: npt.ArrayLike | Iterable[npt.ArrayLike], rate: float, nominal_hz: float | None = None
) -> ToneReport:
    """Measure speed and flutter from a recording of a test tone or leader.

    Parameters
    ----------
    samples_or_blocks : array_like, shape (n,), or iterable of such blocks
        One channel.
    rate : float
        Samples per second.
    nominal_hz : float, optional
        Frequency of the tone as recorded; the nearest usual one if left out.

    Returns
    -------
    ToneReport

    Raises
    ------
    BadReading
        No steady tone of at least a second, or numbers that make no sense.
    """
    tone = follow_tone(samples_or_blocks, rate, nominal_hz)
    return _report(tone.track, tone)


def from_speed_curve(
    times_s: npt.ArrayLike,
    ratio: npt.ArrayLike,
    noise: npt.ArrayLike | None = None,
    *,
    span_s: float = 0.0,
) -> ToneReport:
    """Measure speed and flutter from a speed curve, such as the decoder of a data tape gives.

    Parameters
    ----------
    times_s : array_like, shape (n,)
        Seconds; need not be evenly spaced.
    ratio : array_like, shape (n,)
        Speed over nominal speed.
    noise : array_like, scalar or shape (n,), optional
        Standard deviation of each ratio from measuring, as if each were independent. Left out, it is
        estimated from the upper frequencies of the curve.
    span_s : float
        Time over which each ratio is a mean, s; 0 for values at an instant.

    Returns
    -------
    ToneReport

    Raises
    ------
    BadReading
        Arrays that do not belong together, or less than a second.
    """
    return _report(from_points(times_s, ratio, noise, span_s=span_s), None)


@dataclass(frozen=True, slots=True)
class Reading:
    """Flutter through one filter, as ratios.

    Attributes
    ----------
    peak, peak_uncertainty : float
        Two-sigma reading.
    rms, rms_uncertainty : float
    noise : float
        Standard deviation of the noise within the filter.
    """

    peak: float
    peak_uncertainty: float
    rms: float
    rms_uncertainty: float
    noise: float


def read_flutter(track: SpeedTrack, response: Response, sines: Sines | None = None) -> Reading:
    """Pass a track through a filter and take the two-sigma reading, noise taken off.

    Parameters
    ----------
    track : SpeedTrack
    response : callable
        Gain of the filter at each of an array of frequencies in Hz.
    sines : Sines, optional
        For a short track: lines fitted to it. They pass the filter by calculation, so its ends stay clean.

    Returns
    -------
    Reading
    """
    hertz = np.linspace(0.0, 0.5 * track.rate, 4000)
    noise_power = float(np.trapezoid(track.noise.density(hertz) * response(hertz) ** 2, hertz))
    if sines is not None:
        values, use = _filtered_short(track, response, sines)
    else:
        gain = noise_gain(track, lines_apart=False)
        values = track.filtered(lambda hertz: response(hertz) * gain(hertz))
        use = track.usable(min(_EDGE, 0.05 * track.duration))
    if use.sum() < 16:
        use = track.valid
    read = values[use]
    del values
    peak = two_sigma(read)
    spread = _percentile_doubt(read, track.rate)
    square = np.square(read, out=read)
    rms = math.sqrt(float(np.mean(square, dtype=np.float64)))
    square_doubt = _mean_doubt(square, track.rate) / (2.0 * max(rms, 1e-12))
    # What may be left of the noise, or taken off too much; and how far noise within the lines moves them.
    left = noise_power * math.hypot(track.noise.doubt, 0.1)
    within = math.sqrt(noise_power / (track.reach * track.duration))
    rms_left = left / (2.0 * max(rms, math.sqrt(left), 1e-12))
    return Reading(
        peak=peak,
        peak_uncertainty=math.hypot(spread, 2.0 * rms_left, within, _WEIGHTING_DOUBT * peak),
        rms=rms,
        rms_uncertainty=math.hypot(square_doubt, rms_left, within, _WEIGHTING_DOUBT * rms),
        noise=math.sqrt(noise_power),
    )


def two_sigma(deviation: npt.ArrayLike) -> float:
    """Deviation, plus or minus, that is not exceeded for 95 % of the time (IEC 60386).

    Parameters
    ----------
    deviation : array_like
        Weighted deviations at even steps of time.

    Returns
    -------
    float
        For a sine 0.997 of its peak, for Gaussian noise 1.96 standard deviations; it is not twice the root of
        the mean square.
    """
    return float(np.quantile(np.abs(np.asarray(deviation)), NOT_EXCEEDED, overwrite_input=True))


def _weighted(reach: float) -> Response:
    return lambda hertz: weighting(hertz) * _upper_edge(hertz, reach)


def _unweighted(reach: float) -> Response:
    def response(hertz: Floats) -> Floats:
        octaves = np.log2(np.maximum(hertz, 1e-9) / FLUTTER_BOTTOM)
        lower = np.sin(0.5 * np.pi * np.clip(octaves / 0.5 + 1.0, 0.0, 1.0)) ** 2
        return np.asarray(lower * _upper_edge(hertz, reach))

    return response


def _upper_edge(hertz: Floats, reach: float) -> Floats:
    """Flat up to `reach`, nought from a quarter above."""
    return np.asarray(np.cos(0.5 * np.pi * np.clip((hertz / reach - 1.0) / 0.25, 0.0, 1.0)) ** 2)


def _filtered_short(track: SpeedTrack, response: Response, sines: Sines) -> tuple[Singles, Flags]:
    times = (np.arange(track.deviation.size) - 0.5 * (track.deviation.size - 1)) / track.rate
    droop = np.maximum(np.sinc(sines.hertz * track.span), 0.3)
    gain = response(sines.hertz) if sines.hertz.size else sines.hertz
    weighed = replace(sines, sine=sines.sine * gain / droop, cosine=sines.cosine * gain / droop)
    count = track.deviation.size
    rest = track.deviation - modelled(sines, count, track.rate) - sines.offset - sines.slope * times
    rest = np.where(track.valid, rest, 0.0)
    gain_of_rest = noise_gain(replace(track, deviation=rest.astype(np.float32)), lines_apart=True)
    passed = track.filtered(lambda hertz: response(hertz) * gain_of_rest(hertz), rest)
    whole = passed + modelled(weighed, count, track.rate)
    return whole.astype(np.float32), track.usable(0.0)


def _percentile_doubt(values: Singles, rate: float) -> float:
    """Standard deviation of the two-sigma reading, from how evenly the exceedances are spread in time."""
    size = np.abs(values)
    level = float(np.quantile(size, NOT_EXCEEDED))
    spread = _mean_doubt(size > level, rate)
    above, below = np.quantile(size, [NOT_EXCEEDED + 0.02, NOT_EXCEEDED - 0.02])
    return float(above - below) / 0.04 * spread


def _mean_doubt(values: Floats | Flags, rate: float) -> float:
    """Standard deviation of the mean of values that hang together over short times."""
    count = int(min(40, max(6, values.size / rate / 1.5)))
    edges = np.linspace(0, values.size, count + 1).astype(int)
    parts = [float(np.mean(values[first:last], dtype=np.float64)) for first, last in pairwise(edges)]
    return float(np.std(parts, ddof=1)) / math.sqrt(count)


def _report(track: SpeedTrack, tone: Tone | None) -> ToneReport:
    sines: Sines | None = None
    if track.duration <= _FITTED:
        sines = fit_sines(track)[1]
    speed: SpeedReport = speed_of(track, sines)
    weighted = read_flutter(track, _weighted(track.reach), sines)
    unweighted = read_flutter(track, _unweighted(track.reach), sines)
    # Flutter is counted in % of the mean speed, whatever that is.
    scale = 100.0 / (1.0 + speed.mean.value / 100.0)
    mean = speed.mean
    known = tone is None or tone.known
    lines = find_lines(track)
    beside = from_beside(lines, tone.loudness, tone.hertz) if tone is not None else ()
    # A sound beside the tone is in the figures and cannot be taken out, so it makes them less certain.
    swing = swing_unweighted = 0.0
    if tone is not None:
        swing = _power_beside(track, tone, _weighted(track.reach))
        swing_unweighted = _power_beside(track, tone, _unweighted(track.reach))
    report = ToneReport(
        speed=mean if known else Figure(math.nan, math.nan, "%"),
        drift=speed.drift,
        ends=speed.ends,
        least_30_s=speed.least_30_s if known else None,
        greatest_30_s=speed.greatest_30_s if known else None,
        weighted=_figure(weighted.peak, weighted.peak_uncertainty, 4.0 * swing, scale),
        weighted_rms=_figure(weighted.rms, weighted.rms_uncertainty, swing, scale),
        unweighted=_figure(unweighted.peak, unweighted.peak_uncertainty, 4.0 * swing_unweighted, scale),
        lines=tuple(line for line in lines if line not in beside),
        spectrum=spectrum_of(track),
        curve=speed.curve,
        start_s=track.start,
        duration_s=track.duration,
        tone=None,
        nominal_hz=None,
        noise_ratio=None,
        noise_weighted=1.96 * weighted.noise * scale,
        noise_unweighted=1.96 * unweighted.noise * scale,
        dropouts=_gaps(track) if tone is None else tone.dropouts,
        warnings=(),
    )
    if tone is not None:
        hertz = Figure(
            tone.nominal_hz * (1.0 + mean.value / 100.0), tone.nominal_hz * mean.uncertainty / 100.0, "Hz"
        )
        report = replace(report, tone=hertz, nominal_hz=tone.nominal_hz, noise_ratio=tone.noise_ratio)
    if beside:
        aside = (
            f"{len(beside)} lines of the spectrum are no flutter but sound beside the tone (crosstalk, hum, "
            "clipping after sampling); the flutter figures hold them too and are less certain for it"
        )
        report = replace(report, warnings=(aside,))
    return replace(report, warnings=(*_warnings(report, track, tone), *report.warnings))


def _figure(value: float, doubt: float, beside: float, scale: float) -> Figure:
    """A flutter figure in %; `beside` is the square of what a sound beside the tone may add to it."""
    # Unlike sizes add as squares; sines of like course add up.
    moved = max(value - math.sqrt(max(value**2 - beside, 0.0)), 0.5 * math.sqrt(beside))
    return Figure(value * scale, math.hypot(doubt, moved) * scale, "%")


def _power_beside(track: SpeedTrack, tone: Tone, response: Response) -> float:
    """Mean square of the flutter that sound beside the tone feigns, more than even noise would.

    It swings the level as much as the phase, so the level tells.
    """
    size = int(min(_EDGE, 0.5 * track.duration) * track.rate)
    hertz, density, _, _ = mean_density(tone.loudness, size)
    feigned = density * (hertz / tone.hertz) ** 2 * (hertz >= _SLOWEST_BESIDE)
    passed = response(hertz) ** 2
    extra = float(np.sum((feigned - track.noise.density(hertz)) * passed)) * float(hertz[1])
    # The rounding of edges repeats, so all of it may fall on the frequency where it counts most.
    rounding = (tone.edge_error / tone.hertz) ** 2 * float(np.max(hertz**2 * passed))
    return max(extra, 0.0) + rounding


def _gaps(track: SpeedTrack) -> tuple[tuple[float, float], ...]:
    return tuple(
        (track.start + int(begin) / track.rate, track.start + int(end) / track.rate)
        for begin, end in runs(~track.valid)
    )


def _warnings(report: ToneReport, track: SpeedTrack, tone: Tone | None) -> list[str]:
    found = []
    if tone is not None and tone.assumed and tone.known:
        found.append(
            f"the tone is taken for one of {tone.nominal_hz:g} Hz, the nearest usual frequency; "
            "if the tape says otherwise, give its frequency"
        )
    if tone is not None and not tone.known:
        found.append(
            f"a tone of {tone.hertz:.1f} Hz is near no usual frequency, so the speed error is not known: "
            "give the frequency as recorded"
        )
    if report.duration_s < 0.98 * MEASURING_TIME:
        found.append(
            f"only {report.duration_s:.1f} s could be measured: AES6 asks for at least {MEASURING_TIME:g} s"
        )
    lowest = 1.0 / report.duration_s
    if lowest > 1.05 * FLUTTER_BOTTOM:
        found.append(f"flutter slower than {lowest:.2g} Hz does not show in {report.duration_s:.1f} s")
    if track.reach < 0.99 * FLUTTER_TOP:
        found.append(f"flutter faster than {track.reach:.0f} Hz does not show at this tone and rate")
    if tone is not None and tone.edge_error > 0.0:
        found.append(
            "this is a square wave with its edges on samples, which rounds every edge: flutter above some "
            "20 Hz is uncertain. A recording before any squaring is better"
        )
    missing = 1.0 - float(track.valid.mean())
    if missing > 0.01:
        found.append(f"{100.0 * missing:.0f} % of the time could not be read and is left out")
    for name, figure, noise in (
        ("weighted", report.weighted, report.noise_weighted),
        ("unweighted", report.unweighted, report.noise_unweighted),
    ):
        if noise > 0.7 * figure.value:
            found.append(
                f"noise alone would read ± {noise:.2g} % {name}; the {name} figure rests on taking it off"
            )
    return found


__all__ = [
    "Line",
    "Reading",
    "ToneReport",
    "WeightingPoint",
    "from_speed_curve",
    "measure_tone",
    "read_flutter",
    "two_sigma",
    "weighting",
    "weighting_table",
]
