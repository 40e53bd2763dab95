"""Mean speed, drift and the speed curve, each with what flutter and noise leave uncertain."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from .figure import Figure
from .flutter_lines import Sines, fit_sines, thinned
from .track import Floats, SpeedTrack, from_points

CLOCK_DOUBT = 0.005
"""%, standard deviation of a recorder's sampling rate from what it says; common practice, no source."""

THIRTY_SECONDS = 30.0
"""DIN 45 500 judges the mean speed over this time."""

_FITTED = 240.0
_LEAST_CHANGE = 5e-6


@dataclass(frozen=True, slots=True)
class SpeedCurve:
    """Speed error along the recording, in steps.

    Attributes
    ----------
    times_s : ndarray, shape (n,)
        Middle of each step.
    percent : ndarray, shape (n,)
        Mean speed error within the step; not-a-number where most of it could not be read.
    step_s : float
        Length of a step.
    """

    times_s: Floats
    percent: Floats
    step_s: float


@dataclass(frozen=True, slots=True)
class SpeedReport:
    """What a recording says about speed.

    Attributes
    ----------
    mean : Figure
        Mean speed error, (played - nominal) / nominal, %.
    drift : Figure
        Slope of the speed error, % per minute.
    ends : Figure
        Speed near the end less speed near the start, %.
    least_30_s, greatest_30_s : Figure or None
        Least and greatest speed error averaged over 30 s (DIN 45 500); None if the recording is shorter.
    curve : SpeedCurve
    """

    mean: Figure
    drift: Figure
    ends: Figure
    least_30_s: Figure | None
    greatest_30_s: Figure | None
    curve: SpeedCurve


def speed_of(track: SpeedTrack, sines: Sines | None = None) -> SpeedReport:
    """Work out the speed figures of a track.

    Parameters
    ----------
    track : SpeedTrack
    sines : Sines, optional
        The fit of the same track, if it has been made: `fit_sines` for up to 20 s, or of the thinned track.

    Returns
    -------
    SpeedReport

    Notes
    -----
    Up to four minutes the mean stands beside the fitted flutter lines, so that an unfinished turn of a slow
    part does not pull it; the rest of the flutter counts with its density near nought hertz. Longer ones are
    judged by the means of 24 parts. A deviation of the recorder's own clock is part of the uncertainty.
    """
    if track.duration <= _FITTED:
        fit = sines if sines is not None else fit_sines(thinned(track, 16.0))[1]
        mean, slope = fit.offset, fit.slope
        doubt, slope_doubt = fit.offset_uncertainty, fit.slope_uncertainty
        spread = float(np.std(track.deviation[track.valid], dtype=np.float64))
        if doubt > 0.5 * spread:
            # A slow swing and a slope that cannot be told apart say nothing; the plain mean still does.
            mean = float(np.mean(track.deviation[track.valid], dtype=np.float64))
            doubt, slope_doubt = 0.5 * spread, min(slope_doubt, 4.0 * spread / track.duration)
    else:
        mean, slope, doubt, slope_doubt = _by_parts(track)
    noise = math.sqrt(track.noise.white / (2.0 * track.duration))
    doubt = math.hypot(doubt, noise) * 100.0
    total = math.hypot(doubt, CLOCK_DOUBT)
    slope_doubt = math.hypot(slope_doubt, _LEAST_CHANGE / track.duration)
    least, greatest = _thirty_seconds(track, doubt)
    return SpeedReport(
        mean=Figure(mean * 100.0, total, "%"),
        drift=Figure(slope * 6000.0, slope_doubt * 6000.0, "% per minute"),
        ends=_ends(track, doubt),
        least_30_s=least,
        greatest_30_s=greatest,
        curve=curve_of(track),
    )


def from_speed_curve(
    times_s: npt.ArrayLike, ratio: npt.ArrayLike, noise: npt.ArrayLike | None = None
) -> SpeedReport:
    """Speed figures from a speed curve, such as a data decoder gives.

    Parameters
    ----------
    times_s : array_like, shape (n,)
        Seconds; need not be evenly spaced.
    ratio : array_like, shape (n,)
        Speed over nominal speed.
    noise : array_like, optional
        Standard deviation of each ratio.

    Returns
    -------
    SpeedReport

    Raises
    ------
    BadReading
        Arrays that do not belong together, or less than a second.
    """
    return speed_of(from_points(times_s, ratio, noise))


def curve_of(track: SpeedTrack, most: int = 2000) -> SpeedCurve:
    """Average the track in steps of at least a tenth of a second, at most `most` of them."""
    size = max(1, round(max(0.1, track.duration / most) * track.rate))
    count = track.deviation.size // size
    total, read = _sums(track, size)
    mean = total / np.maximum(read, 1)
    percent = np.where(read >= 0.5 * size, 100.0 * mean, np.nan)
    times = track.start + (np.arange(count) + 0.5) * size / track.rate - 0.5 / track.rate
    return SpeedCurve(times, percent, size / track.rate)


def _sums(track: SpeedTrack, size: int) -> tuple[Floats, Floats]:
    """Sum of the deviation, and number of values read, in each `size` values."""
    count = track.deviation.size // size
    cut = track.deviation[: count * size].reshape(count, size)
    valid = track.valid[: count * size].reshape(count, size)
    return np.sum(cut, axis=1, where=valid, dtype=np.float64), valid.sum(axis=1).astype(np.float64)


def _by_parts(track: SpeedTrack) -> tuple[float, float, float, float]:
    """Mean and slope of a long track and their standard deviations, from the means of parts."""
    count = 24
    edges = np.linspace(0, track.deviation.size, count + 1).astype(int)
    parts = [slice(int(first), int(last)) for first, last in pairwise(edges)]
    kept = [part for part in parts if track.valid[part].mean() > 0.3]
    middles = np.array([0.5 * (part.start + part.stop - 1) for part in kept]) / track.rate
    means = np.array([np.mean(track.deviation[part][track.valid[part]], dtype=np.float64) for part in kept])
    weights = np.array([track.valid[part].sum() for part in kept], float)
    mean = float(means @ weights / weights.sum())
    centred = middles - float(middles @ weights / weights.sum())
    slope = float((weights * centred) @ (means - mean) / ((weights * centred) @ centred))
    rest = means - mean - slope * centred
    spread = float(np.sqrt(rest @ rest / max(len(kept) - 2, 1)))
    # Parts that follow one another are alike when the speed wanders slowly.
    alike = float(rest[1:] @ rest[:-1]) / max(float(rest @ rest), 1e-300)
    spread *= math.sqrt((1.0 + max(alike, 0.0)) / (1.0 - min(max(alike, 0.0), 0.9)))
    return mean, slope, spread / math.sqrt(len(kept)), spread / math.sqrt(float(centred @ centred))


def _ends(track: SpeedTrack, doubt: float) -> Figure:
    window = min(max(0.1 * track.duration, 2.0), 30.0, 0.5 * track.duration)
    size = int(window * track.rate)
    means = []
    for part in (slice(0, size), slice(-size, None)):
        valid = track.valid[part]
        if valid.sum() < 0.2 * size:
            return Figure(math.nan, math.nan, "%")
        means.append(float(np.mean(track.deviation[part][valid], dtype=np.float64)))
    sigma = doubt * math.sqrt(2.0 * track.duration / window)
    # Slow flutter has no time to average out at the ends: its size over its number of turns, at most.
    slow = thinned(track, 16.0)
    swing = float(np.std(slow.deviation[slow.valid], dtype=np.float64)) * 100.0
    return Figure((means[1] - means[0]) * 100.0, math.hypot(sigma, 0.1 * swing), "%")


def _thirty_seconds(track: SpeedTrack, doubt: float) -> tuple[Figure | None, Figure | None]:
    # Half a second is a fine enough step for a mean over sixty of them.
    size = round(0.5 * track.rate)
    number = round(THIRTY_SECONDS * track.rate / size)
    total, read = _sums(track, size)
    if total.size < number:
        return None, None
    whole = np.convolve(total, np.ones(number), "valid")
    count = np.convolve(read, np.ones(number), "valid")
    means = whole / np.maximum(count, 1.0) * 100.0
    size *= number
    means = means[count > 0.8 * size]
    if means.size == 0:
        return None, None
    sigma = math.hypot(doubt * math.sqrt(track.duration / THIRTY_SECONDS), CLOCK_DOUBT)
    return Figure(float(means.min()), sigma, "%"), Figure(float(means.max()), sigma, "%")
