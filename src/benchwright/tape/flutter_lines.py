"""Lines of the flutter spectrum: how often, how much, how surely, and which are harmonics of which.

Few cycles need a fit of sines, many need a spectrum: over minutes no part of a tape machine turns evenly
enough for one sine. So a short stretch is fitted, and a long one is averaged and the power of each line
summed; slow flutter, of which there are few cycles anyway, is taken from longer stretches than fast flutter.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from .flutter_spectrum import (
    FLUTTER_BOTTOM,
    line_threshold,
    local_median,
    mean_density,
    median_of_mean,
)
from .track import FLUTTER_TOP, Floats, SpeedTrack

SLOW_TOP = 2.0
"""Hz; below it lines come from longer stretches."""

_FITTED_FAST, _FITTED_SLOW = 20.0, 240.0
_PIECE_FAST, _PIECE_SLOW = 32.0, 200.0
_MOST_LINES = 24
_MODEL_DOUBT = 0.01
_LEAST = 3e-6
_LEAST_WANDER = 0.003


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the flutter spectrum.

    Attributes
    ----------
    hertz : float
        Frequency of the flutter.
    percent : float
        Zero-to-peak, in % of the mean speed.
    uncertainty : float
        Standard deviation of `percent`.
    hertz_uncertainty : float
        Standard deviation of `hertz`; where a line wanders, how far.
    order : int
        1 for a line of its own, 2 and more for a harmonic.
    family : float
        Frequency of the line it is a harmonic of; its own for order 1.
    """

    hertz: float
    percent: float
    uncertainty: float
    hertz_uncertainty: float
    order: int = 1
    family: float = 0.0


@dataclass(frozen=True, slots=True)
class Sines:
    """Sines fitted to a short stretch, with a constant and a slope.

    Attributes
    ----------
    hertz, sine, cosine : ndarray, shape (k,)
        Each line is ``sine * sin(2 pi hertz t) + cosine * cos(2 pi hertz t)``, t from the middle in s.
    offset, slope : float
        Speed deviation in the middle, and its change per second.
    offset_uncertainty, slope_uncertainty : float
        Standard deviations, flutter taken into account.
    """

    hertz: Floats
    sine: Floats
    cosine: Floats
    offset: float
    slope: float
    offset_uncertainty: float
    slope_uncertainty: float


def find_lines(track: SpeedTrack) -> tuple[Line, ...]:
    """List the lines of the flutter spectrum from 0.1 Hz to 200 Hz.

    Parameters
    ----------
    track : SpeedTrack
        Five seconds or more for lines from 0.2 Hz; ten for lines from 0.1 Hz.

    Returns
    -------
    tuple of Line
        In order of frequency, at most 24 slow ones and 24 fast ones.
    """
    scale = 100.0 / (1.0 + float(np.mean(track.deviation, dtype=np.float64)))
    if track.duration <= _FITTED_FAST:
        lines = fit_sines(track)[0]
    else:
        slow = thinned(track, 8.0 * SLOW_TOP)
        if track.duration <= _FITTED_SLOW:
            low = [line for line in fit_sines(slow)[0] if line.hertz < SLOW_TOP]
        else:
            low = _averaged(slow, _PIECE_SLOW, FLUTTER_BOTTOM, SLOW_TOP)
        lines = low + _averaged(track, _PIECE_FAST, SLOW_TOP, min(FLUTTER_TOP, track.reach))
    scaled = [
        replace(line, percent=line.percent * scale, uncertainty=line.uncertainty * scale) for line in lines
    ]
    return _families(_without_skirts(scaled, min(track.duration, _PIECE_FAST)))


def thinned(track: SpeedTrack, rate: float) -> SpeedTrack:
    """The same track with its upper frequencies taken off and fewer values."""
    step = int(track.rate / rate)
    if step < 2:
        return track
    top = 0.3 * track.rate / step

    def response(hertz: Floats) -> Floats:
        return np.asarray(np.clip((1.6 * top - hertz) / (0.6 * top), 0.0, 1.0) ** 0.5)

    values = track.filtered(response)
    return replace(
        track,
        rate=track.rate / step,
        deviation=values[step // 2 :: step],
        valid=track.valid[step // 2 :: step],
        start=track.start + (step // 2) / track.rate,
        span=0.0,
        reach=min(track.reach, top),
        top=top,
    )


def fit_sines(track: SpeedTrack) -> tuple[list[Line], Sines]:
    """Fit sines, a constant and a slope to a short stretch, one line after another.

    Returns
    -------
    lines : list of Line
        `percent` and `uncertainty` still as a ratio.
    sines : Sines
    """
    work = thinned(track, 3.5 * FLUTTER_TOP)
    use = np.flatnonzero(work.valid)
    times = (use - 0.5 * (work.deviation.size - 1)) / work.rate
    values = work.deviation[use].astype(np.float64)
    duration = work.deviation.size / work.rate
    low, high = max(FLUTTER_BOTTOM, 0.9 / duration), min(FLUTTER_TOP, work.reach)
    fit = _Fit(times, values, low, high)
    spectrum = _ResidualSpectrum(work, use, low, high)
    for _ in range(_MOST_LINES):
        found = spectrum.strongest(fit.residual, fit.hertz, max(_LEAST, 0.003 * fit.largest()))
        if found is None or not fit.add(found):
            break
    floor = spectrum.floor(fit.residual)
    lines = fit.lines(floor, spectrum.hertz[: floor.size], work)
    offset_doubt, slope_doubt = _trend_doubt(spectrum, fit, duration)
    sines = Sines(
        hertz=fit.hertz,
        sine=fit.weights[2::2],
        cosine=fit.weights[3::2],
        offset=float(fit.weights[0]),
        slope=float(fit.weights[1]),
        offset_uncertainty=offset_doubt,
        slope_uncertainty=slope_doubt,
    )
    return lines, sines


def _trend_doubt(spectrum: _ResidualSpectrum, fit: _Fit, duration: float) -> tuple[float, float]:
    """Standard deviations of constant and slope, from the flutter that no line accounts for."""
    from scipy.special import spherical_jn

    density = spectrum.density(fit.residual)
    hertz = spectrum.hertz
    # The fit has taken away what turns less than twice; what turns a few times tells how much that was.
    few = (hertz > 1.0 / duration) & (hertz < 5.0 / duration)
    slow = hertz < 2.0 / duration
    density[slow] = np.maximum(density[slow], density[few].mean())
    turns = hertz * duration
    step = float(hertz[1])
    offset = float(density @ np.sinc(turns) ** 2) * step
    slope = float(density @ (6.0 / duration * spherical_jn(1, np.pi * turns)) ** 2) * step
    # Lines of few turns and the trend are hard to tell apart; the fit knows how hard.
    covariance = fit.covariance()
    plain = np.array([1.0 / fit.times.size, 1.0 / float(np.sum((fit.times - fit.times.mean()) ** 2))])
    worse = np.maximum(np.diag(covariance)[:2] / plain, 1.0)
    return float(np.sqrt(offset * worse[0])), float(np.sqrt(slope * worse[1]))


class _Fit:
    """Least squares for a growing number of sines, frequencies included."""

    def __init__(self, times: Floats, values: Floats, low: float, high: float) -> None:
        self.times, self.values, self.low, self.high = times, values, low, high
        self.span = float(times.max() - times.min())
        self.hertz = np.empty(0)
        self._solve()

    def _design(self) -> Floats:
        columns = [np.ones(self.times.size), self.times]
        for hertz in self.hertz:
            angle = 2.0 * np.pi * hertz * self.times
            columns += [np.sin(angle), np.cos(angle)]
        return np.column_stack(columns)

    def _slopes(self) -> Floats:
        """Change of the model with each frequency."""
        columns = []
        for hertz, sine, cosine in zip(self.hertz, self.weights[2::2], self.weights[3::2], strict=True):
            angle = 2.0 * np.pi * hertz * self.times
            columns.append(2.0 * np.pi * self.times * (sine * np.cos(angle) - cosine * np.sin(angle)))
        return np.column_stack(columns)

    def _solve(self) -> None:
        self.design = self._design()
        self.weights = np.linalg.lstsq(self.design, self.values, rcond=1e-10)[0]
        self.residual = self.values - self.design @ self.weights

    def add(self, hertz: float) -> bool:
        """Add a line and settle all frequencies; false if the line does not hold."""
        before = self.hertz.copy()
        self.hertz = np.append(self.hertz, hertz)
        self._solve()
        best = float(self.residual @ self.residual)
        for _ in range(12):
            kept, scale = self.hertz.copy(), 1.0
            full = np.column_stack([self.design, self._slopes()])
            size = np.linalg.norm(full, axis=0) + 1e-300
            step = (np.linalg.lstsq(full / size, self.residual, rcond=1e-8)[0] / size)[-kept.size :]
            step = np.clip(step, -0.2 / self.span, 0.2 / self.span)
            gained = 0.0
            for _ in range(4):
                self.hertz = np.clip(kept + scale * step, 0.8 * self.low, self.high)
                self._solve()
                now = float(self.residual @ self.residual)
                if now < best:
                    gained = best - now
                    best = now
                    break
                scale *= 0.4
            else:
                self.hertz = kept
                self._solve()
            if gained < 1e-4 * best:
                break
        if self.hertz.size > 1:
            gaps = np.abs(self.hertz[:, None] - self.hertz[None, :]) + np.eye(self.hertz.size)
            if gaps.min() < 0.5 / self.span:
                # Two sines this close are one that does not hold still.
                self.hertz = before
                self._solve()
                return False
        return True

    def largest(self) -> float:
        """Amplitude of the strongest line so far."""
        return float(np.hypot(self.weights[2::2], self.weights[3::2]).max(initial=0.0))

    def covariance(self) -> Floats:
        """Of all weights, then frequencies, for unit noise on each value."""
        full = np.column_stack([self.design, self._slopes()]) if self.hertz.size else self.design
        return np.asarray(np.linalg.pinv(full.T @ full))

    def lines(self, floor: Floats, grid: Floats, track: SpeedTrack) -> list[Line]:
        """Amplitude and uncertainty of each line; what does not stand clear of its noise is dropped."""
        covariance = self.covariance()
        count = self.hertz.size
        result = []
        for index in range(count):
            hertz = float(self.hertz[index])
            sine, cosine = self.weights[2 + 2 * index], self.weights[3 + 2 * index]
            size = float(np.hypot(sine, cosine))
            noise = float(np.interp(hertz, grid, floor)) * 0.5 * track.rate
            along = np.array([sine, cosine]) / max(size, 1e-300)
            part = covariance[2 + 2 * index : 4 + 2 * index, 2 + 2 * index : 4 + 2 * index]
            sigma = float(np.sqrt(max(float(along @ part @ along), 0.0) * noise))
            place = 2 + 2 * count + index
            wander = float(
                np.hypot(np.sqrt(max(covariance[place, place], 0.0) * noise), _LEAST_WANDER / self.span)
            )
            droop = max(float(np.sinc(hertz * track.span)), 0.3)
            if size > 3.5 * sigma:
                doubt = float(np.hypot(sigma, _MODEL_DOUBT * size)) / droop
                result.append(Line(hertz, size / droop, doubt, wander))
        return result


class _ResidualSpectrum:
    """Spectrum of what the fit leaves, to find the next line and the floor it stands on."""

    def __init__(self, track: SpeedTrack, use: npt.NDArray[np.intp], low: float, high: float) -> None:
        from scipy.fft import next_fast_len

        self.use, self.rate, self.count = use, track.rate, track.deviation.size
        self.size = next_fast_len(4 * self.count, real=True)
        self.hertz = np.fft.rfftfreq(self.size, 1.0 / track.rate)
        self.window = np.hanning(self.count + 2)[1:-1]
        self.allowed = (self.hertz >= low) & (self.hertz <= high)
        self.top = high

    def density(self, residual: Floats) -> Floats:
        whole = np.zeros(self.count)
        whole[self.use] = residual * self.window[self.use]
        power = np.abs(np.fft.rfft(whole, self.size)) ** 2
        return np.asarray(power * 2.0 / (self.rate * float(np.sum(self.window[self.use] ** 2))))

    def floor(self, residual: Floats) -> Floats:
        # The median of an exponential distribution is ln 2 of its mean.
        return np.asarray(local_median(self.density(residual)[: self._top()], 40.0) / np.log(2.0))

    def _top(self) -> int:
        return min(self.hertz.size, int(1.3 * self.top / self.hertz[1]))

    def strongest(self, residual: Floats, taken: Floats, least: float) -> float | None:
        """Frequency that stands highest above its surroundings; None if none stands out."""
        density = self.density(residual)[: self._top()]
        floor = local_median(density, 40.0) / np.log(2.0) + 1e-22
        ratio = np.where(self.allowed[: density.size], density / floor, 0.0)
        # A sine of the least size that counts, spread by the window over one and a half bins.
        seconds = self.count / self.rate
        ratio[density < least**2 * seconds / 3.0] = 0.0
        for hertz in taken:
            ratio[np.abs(self.hertz[: density.size] - hertz) < 0.7 * self.rate / self.count] = 0.0
        at = int(np.argmax(np.where(ratio > line_threshold(1), density, 0.0)))
        if ratio[at] <= line_threshold(1):
            return None
        return float(self.hertz[at])


def _averaged(track: SpeedTrack, seconds: float, low: float, high: float) -> list[Line]:
    """Lines of a long stretch from the mean of many spectra; `percent` still as a ratio."""
    size = int(min(seconds, track.duration) * track.rate)
    hertz, density, averages, independent = mean_density(track, size)
    floor = local_median(density, 24.0)
    floor /= median_of_mean(averages)
    allowed = (hertz >= low) & (hertz < high)
    limit = line_threshold(max(1, int(independent)))
    ratio = np.where(allowed, density / np.maximum(floor, 1e-22), 0.0)
    step = float(hertz[1])
    lines: list[Line] = []
    taken = np.zeros(hertz.size, bool)
    for at in np.argsort(-density * (ratio > limit)):
        if ratio[at] <= limit or len(lines) == _MOST_LINES:
            break
        if taken[at]:
            continue
        # With few averages chance alone reaches well above the floor.
        clear = 1.0 + 4.0 / float(np.sqrt(independent))
        left, right = _extent(density, clear * floor, int(at), max(3, int(0.02 * at)))
        free = ~taken[left:right]
        power = (density[left:right] - floor[left:right]) * free
        total = float(power.sum()) * step
        taken[max(0, left - 1) : right + 1] = True
        if total <= 0.0:
            continue
        positive = np.maximum(power, 0.0)
        centre = float(hertz[left:right] @ positive / positive.sum())
        spread = float(np.sqrt((hertz[left:right] - centre) ** 2 @ positive / positive.sum()))
        size_ = float(np.sqrt(2.0 * total))
        width = (right - left) * step
        noise = float(floor[at])
        long = size / track.rate * max(1.0, independent)
        # A sine against noise of this density; and the noise summed with it, which matters for wide lines.
        sigma = float(np.sqrt(noise / long + (noise * np.sqrt(width / long) / max(size_, 1e-300)) ** 2))
        if size_ < 3.5 * sigma:
            continue
        own = max(spread**2 - (0.7 * step) ** 2, 0.0)
        wander = float(np.sqrt(own + (0.6 * step * sigma / size_) ** 2 + (_LEAST_WANDER * step) ** 2))
        lines.append(Line(centre, size_, float(np.hypot(sigma, _MODEL_DOUBT * size_)), wander))
    return lines


def _extent(density: Floats, clear: Floats, at: int, most: int) -> tuple[int, int]:
    """How far a line reaches: until it is not clear of the floor, or rises again, or for `most` bins."""

    def walk(direction: int) -> int:
        place = at
        for step in range(1, most + 1):
            following = at + direction * step
            if not 0 < following < density.size:
                break
            own_width = step <= 2
            fallen = density[following] < clear[following] or density[following] < 1e-4 * density[at]
            risen = density[following] > 1.5 * density[place] and density[place] < 0.05 * density[at]
            if risen or (fallen and not own_width):
                break
            place = following
        return place

    return walk(-1), walk(1) + 1


def _without_skirts(lines: list[Line], seconds: float) -> list[Line]:
    """Drop what is only the foot of a strong line, or too small for any machine; sort by frequency."""
    largest = max((line.percent for line in lines), default=0.0)
    kept = []
    for line in lines:
        near = max(3.0 / seconds, 0.05 * line.hertz)
        foot = any(
            abs(other.hertz - line.hertz) < near and other.percent > 30.0 * line.percent for other in lines
        )
        if not foot and line.percent > max(0.003 * largest, 100.0 * _LEAST):
            kept.append(line)
    return sorted(kept, key=lambda line: line.hertz)


def from_beside(lines: tuple[Line, ...], loudness: SpeedTrack, tone_hz: float) -> tuple[Line, ...]:
    """Those lines that are no flutter but a sound beside the tone.

    Parameters
    ----------
    lines : tuple of Line
    loudness : SpeedTrack
        Level of the tone over its usual level, less one, in place of the speed.
    tone_hz : float
        Frequency of the tone.

    Returns
    -------
    tuple of Line

    Notes
    -----
    A weak sound next to a strong one swings its level by as much as its phase (in radians); flutter swings
    the phase alone. Crosstalk, hum mixed in by an overdriven stage, and harmonics folded back by clipping
    after sampling are found so. Slower lines than 5 Hz are not tested: their swing of phase is far too large.
    """
    size = int(min(_PIECE_FAST, loudness.duration) * loudness.rate)
    hertz, density, averages, _ = mean_density(loudness, size)
    floor = local_median(density, 24.0) / median_of_mean(averages)
    step = float(hertz[1])
    found = []
    for line in lines:
        if line.hertz < 5.0:
            continue
        half = max(2.5 * step, 2.0 * line.hertz_uncertainty)
        inside = np.abs(hertz - line.hertz) <= half
        power = float(np.maximum(density[inside] - floor[inside], 0.0).sum()) * step
        swing = line.percent / 100.0 * tone_hz / line.hertz
        if np.sqrt(2.0 * power) > 0.5 * swing:
            found.append(line)
    return tuple(found)


def _families(lines: list[Line]) -> tuple[Line, ...]:
    """Mark the lines that stand at a multiple of a lower one."""
    result: list[Line] = []
    for line in lines:
        best = replace(line, family=line.hertz)
        for lower in result:
            if lower.order != 1 or lower.percent < 0.3 * line.percent:
                continue
            order = round(line.hertz / lower.hertz)
            if not 2 <= order <= 10:
                continue
            doubt = float(np.hypot(line.hertz_uncertainty, order * lower.hertz_uncertainty))
            if abs(line.hertz - order * lower.hertz) < 3.0 * doubt + 0.002 * line.hertz:
                best = replace(line, order=order, family=lower.hertz)
                break
        result.append(best)
    return tuple(result)


def modelled(sines: Sines, count: int, rate: float) -> Floats:
    """The fitted sines at each of `count` values, without constant and slope."""
    times = (np.arange(count) - 0.5 * (count - 1)) / rate
    total = np.zeros(count)
    for hertz, sine, cosine in zip(sines.hertz, sines.sine, sines.cosine, strict=True):
        angle = 2.0 * np.pi * hertz * times
        total += sine * np.sin(angle) + cosine * np.cos(angle)
    return total
