"""Azimuth of a stereo head from the delay between its channels, and the live meter for turning the screw.

The two channels of a stereo pair lie side by side, so a tilted gap reads one of them later. The delay is the
slope of phase against frequency of their cross-spectrum, each frequency counted by how well the channels
agree there. A pure tone repeats, so its delay is only known up to whole periods: then every possible angle is
given.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from ..errors import BadReading
from .azimuth_takes import ScrewReport, TakeLevels, from_takes, treble_of
from .figure import Figure
from .track import Floats

CASSETTE_SPEED = 0.047625
"""m/s; 1 7/8 inches a second."""

TRACK_SPACING = 0.9e-3
"""m between the middles of the two tracks of a pair: 0.6 mm wide, 0.3 mm between them (from memory)."""

GREATEST_ANGLE = 60.0
"""Arc-minutes; a head is not further out than this. Common practice, no source."""

USUAL_ANGLE = 10.0
"""Arc-minutes, standard deviation of how far heads are out; common practice, no source."""

_PHASE_DOUBT = 0.01
_INVERTED_PRIOR = 0.002
_FOREIGN = 3e-6
_LOWEST = 150.0
_MOST_GROUPS = 64
_WINDOW_BINS = 2.0

Complexes = npt.NDArray[np.complex128]


@dataclass(frozen=True, slots=True)
class AzimuthReport:
    """How far the head is out, from the two channels of a recording.

    Attributes
    ----------
    delay : Figure
        How much later the right channel comes, s.
    angle : Figure
        Angle between the gap and the recording, arc-minutes; positive when the left channel leads.
    leads : str
        ``"left"``, ``"right"``, or empty if neither leads clearly.
    possible : tuple of Figure
        Every angle that fits the recording within a degree, the most likely first. One, unless ambiguous.
    ambiguous : bool
        Whether the recording cannot tell between several angles.
    inverted : bool
        Whether one channel has the wrong polarity.
    wander : Figure
        Standard deviation of the angle from one part of the recording to another, arc-minutes.
    agreement : float
        Coherence between the channels where they carry sound, 0 to 1.
    warnings : tuple of str
    """

    delay: Figure
    angle: Figure
    leads: str
    possible: tuple[Figure, ...]
    ambiguous: bool
    inverted: bool
    wander: Figure
    agreement: float
    warnings: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class AzimuthNow:
    """What the live meter shows.

    Attributes
    ----------
    delay, angle : Figure
        As in `AzimuthReport`; not-a-number while there is nothing to measure.
    leads : str
    ambiguous : bool
        Whether a lower tone, data or music is needed to be sure.
    inverted : bool
    agreement : float
        Coherence between the channels, 0 to 1.
    """

    delay: Figure
    angle: Figure
    leads: str
    ambiguous: bool
    inverted: bool
    agreement: float


def from_stereo(
    left: npt.ArrayLike | Iterable[npt.ArrayLike],
    right: npt.ArrayLike | Iterable[npt.ArrayLike],
    rate: float,
    *,
    track_spacing: float = TRACK_SPACING,
    speed: float = CASSETTE_SPEED,
) -> AzimuthReport:
    """Measure the azimuth from a stereo recording of a tape whose tracks were recorded together.

    Parameters
    ----------
    left, right : array_like, shape (n,), or iterables of such blocks
        The channels; tone, noise, music or data.
    rate : float
        Samples per second.
    track_spacing : float
        Between the middles of the tracks, m.
    speed : float
        Of the tape, m/s.

    Returns
    -------
    AzimuthReport

    Raises
    ------
    BadReading
        Channels of different length, too short, silent, or with nothing in common.
    """
    meter = AzimuthMeter(rate, track_spacing=track_spacing, speed=speed, memory_s=math.inf)
    for one, other in _side_by_side(left, right):
        meter._take(one, other)
    return meter._report()


class AzimuthMeter:
    """Running estimate of the azimuth while somebody turns the screw.

    Parameters
    ----------
    rate : float
        Samples per second.
    track_spacing, speed : float
        m, m/s.
    memory_s : float
        How long a sound counts, s; infinite to average over everything.
    """

    def __init__(
        self,
        rate: float,
        *,
        track_spacing: float = TRACK_SPACING,
        speed: float = CASSETTE_SPEED,
        memory_s: float = 0.7,
    ) -> None:
        if not (math.isfinite(rate) and rate >= 4000.0):
            raise BadReading(f"sample rate {rate:g} Hz: expected at least 4000 samples per second")
        if not (track_spacing > 0.0 and speed > 0.0):
            raise BadReading(
                f"track spacing {track_spacing:g} m and speed {speed:g} m/s: expected both above nought"
            )
        self.rate = rate
        self.track_spacing, self.speed, self.memory_s = track_spacing, speed, memory_s
        self._size = 1 << max(8, round(math.log2(0.09 * rate)))
        self._window = _blackman_harris(self._size)
        self._hertz = np.fft.rfftfreq(self._size, 1.0 / rate)
        self._waiting = np.empty((0, 2))
        self._groups: list[_Spectra] = []
        self._per_group = max(4.0, 0.5 * rate / self._size * 2.0)
        self._same = True

    def update(self, block: npt.ArrayLike) -> AzimuthNow:
        """Take the next samples and say where the head stands now.

        Parameters
        ----------
        block : array_like, shape (n, 2)
            Left and right; any n.

        Returns
        -------
        AzimuthNow
        """
        array = np.asarray(block, np.float64)
        if array.ndim != 2 or array.shape[1] != 2:
            raise BadReading(f"the azimuth meter needs two channels: got an array of shape {array.shape}")
        self._take(array[:, 0], array[:, 1])
        nothing = Figure(math.nan, math.nan, "s"), Figure(math.nan, math.nan, "arc-minutes")
        if not self._groups:
            return AzimuthNow(*nothing, "", False, False, 0.0)
        try:
            found = _estimate(self._hertz, _total(self._groups), self._greatest_delay(), self._usual_delay())
        except BadReading:
            return AzimuthNow(*nothing, "", False, False, 0.0)
        delay, angle = self._figures(found.delay, found.spread)
        return AzimuthNow(
            delay, angle, _leader(delay), len(found.others) > 0, found.inverted, found.agreement
        )

    def _take(self, left: Floats, right: Floats) -> None:
        block = np.nan_to_num(np.column_stack([left, right]), nan=0.0, posinf=0.0, neginf=0.0)
        self._same = self._same and bool(np.array_equal(block[:, 0], block[:, 1]))
        self._waiting = np.concatenate([self._waiting, block])
        hop = self._size // 2
        count = (self._waiting.shape[0] - self._size) // hop + 1
        keep = 1.0 if math.isinf(self.memory_s) else math.exp(-hop / (self.rate * self.memory_s))
        for index in range(max(0, count)):
            part = self._waiting[index * hop : index * hop + self._size]
            transformed = np.fft.rfft((part - part.mean(axis=0)) * self._window[:, None], axis=0)
            self._add(transformed, keep)
        if count > 0:
            self._waiting = self._waiting[count * hop :]

    def _add(self, transformed: Complexes, keep: float) -> None:
        one, other = transformed[:, 0], transformed[:, 1]
        if math.isinf(self.memory_s):
            if not self._groups or self._groups[-1].count >= self._per_group:
                self._groups.append(_Spectra.empty(self._hertz.size))
            if len(self._groups) > _MOST_GROUPS:
                # Groups twice as long keep the memory of a long tape in bounds.
                self._groups = [_total(self._groups[at : at + 2]) for at in range(0, len(self._groups), 2)]
                self._per_group *= 2.0
        elif not self._groups:
            self._groups.append(_Spectra.empty(self._hertz.size))
        self._groups[-1].add(one, other, keep)

    def _greatest_delay(self) -> float:
        return self.track_spacing * math.tan(math.radians(GREATEST_ANGLE / 60.0)) / self.speed

    def _usual_delay(self) -> float:
        return self.track_spacing * math.tan(math.radians(USUAL_ANGLE / 60.0)) / self.speed

    def _figures(self, delay: float, doubt: float) -> tuple[Figure, Figure]:
        per_second = self.speed / self.track_spacing
        angle = math.degrees(math.atan(delay * per_second)) * 60.0
        return Figure(delay, doubt, "s"), Figure(
            angle, math.degrees(doubt * per_second) * 60.0, "arc-minutes"
        )

    def _report(self) -> AzimuthReport:
        if not self._groups:
            raise BadReading(
                f"the recording is shorter than {self._size / self.rate:.2f} s: expected a second or more"
            )
        total = _total(self._groups)
        found = _estimate(self._hertz, total, self._greatest_delay(), self._usual_delay())
        wander, doubt = self._wander(found)
        sigma = math.hypot(found.sigma, doubt)
        spread = math.hypot(found.spread, doubt)
        delay, angle = self._figures(found.delay, spread)
        possible = [self._figures(value, sigma)[1] for value in (found.delay, *found.others)]
        warnings = []
        if found.others:
            listed = ", ".join(figure.text(signed=True) for figure in possible)
            warnings.append(
                f"the sound repeats, so several angles fit: {listed}. Play a lower tone, data or music "
                "to tell them apart; the usual size of the error makes the first the most likely"
            )
        if found.inverted:
            warnings.append("one channel has the wrong polarity: check the leads of the head")
        if self._same:
            warnings.append(
                "both channels hold the very same samples: a mono recording says nothing about azimuth"
            )
        if found.agreement < 0.5:
            warnings.append("the channels have little in common; a tape recorded in mono or a tone is better")
        return AzimuthReport(
            delay=delay,
            angle=angle,
            leads=_leader(delay),
            possible=tuple(possible),
            ambiguous=bool(found.others),
            inverted=found.inverted,
            wander=Figure(*wander, "arc-minutes"),
            agreement=found.agreement,
            warnings=tuple(warnings),
        )

    def _wander(self, found: _Estimate) -> tuple[tuple[float, float], float]:
        """Spread of the angle between parts of the recording, and what doubt it leaves in the mean delay."""
        delays, sigmas = [], []
        for group in self._groups:
            if group.count < 3.0:
                continue
            bins = _bins(self._hertz, group)
            if bins.hertz.size == 0:
                continue
            delay, sigma = _refine(bins, found.delay, found.inverted)
            if abs(delay - found.delay) < 0.25 / float(bins.hertz.max()):
                delays.append(delay)
                sigmas.append(sigma)
        if len(delays) < 3:
            return (math.nan, math.nan), 0.0
        spread = float(np.std(delays, ddof=1))
        per_second = math.degrees(self.speed / self.track_spacing) * 60.0
        figure = spread * per_second, spread * per_second / math.sqrt(2.0 * (len(delays) - 1))
        return figure, spread / math.sqrt(len(delays))


@dataclass(slots=True)
class _Spectra:
    """Sums of the power of each channel and of the cross-spectrum."""

    left: Floats
    right: Floats
    cross: Complexes
    count: float = 0.0

    @classmethod
    def empty(cls, size: int) -> _Spectra:
        return cls(np.zeros(size), np.zeros(size), np.zeros(size, np.complex128))

    def add(self, one: Complexes, other: Complexes, keep: float) -> None:
        for total, value in (
            (self.left, np.abs(one) ** 2),
            (self.right, np.abs(other) ** 2),
            (self.cross, np.conj(one) * other),
        ):
            total *= keep
            total += value
        self.count = self.count * keep + 1.0


def _total(groups: list[_Spectra]) -> _Spectra:
    return _Spectra(
        np.sum([group.left for group in groups], axis=0),
        np.sum([group.right for group in groups], axis=0),
        np.sum([group.cross for group in groups], axis=0),
        sum(group.count for group in groups),
    )


@dataclass(frozen=True, slots=True)
class _Bins:
    """Frequencies at which the channels have something in common."""

    hertz: Floats
    phase: Floats
    weight: Floats  # one over the variance of the phase
    coherence: Floats


@dataclass(frozen=True, slots=True)
class _Estimate:
    delay: float
    sigma: float  # of this delay, if it is the right one of several
    spread: float  # with the chance that another is the right one
    inverted: bool
    others: tuple[float, ...] = field(default=())
    agreement: float = 0.0


def _bins(hertz: Floats, spectra: _Spectra) -> _Bins:
    power = np.sqrt(spectra.left * spectra.right)
    usable = (hertz > _LOWEST) & (hertz < 0.94 * hertz[-1])
    loudest = float(power[usable].max(initial=0.0))
    # Feet of the window's lobe carry the phase of the tone at the wrong frequency.
    usable &= (power > 1e-6 * loudest) & (power > 0.0)
    if loudest <= 0.0 or not usable.any():
        empty = np.empty(0)
        return _Bins(empty, empty, empty, empty)
    number = max(spectra.count * 0.9, 1.01)
    coherence = np.zeros(hertz.size)
    coherence[usable] = np.abs(spectra.cross[usable]) ** 2 / (spectra.left * spectra.right)[usable]
    coherence = np.clip((coherence - 1.0 / number) / (1.0 - 1.0 / number), 0.0, 1.0)
    usable &= coherence > min(6.0 / number, 0.9)
    # Within the lobe of a tone the phase belongs to the tone, not to the middle of the bin.
    lobe = np.arange(-4, 5)
    padded = np.pad(power, 4)
    around = np.stack([padded[4 + step : 4 + step + power.size] for step in lobe])
    centre = hertz + hertz[1] * (lobe @ around) / np.maximum(around.sum(axis=0), 1e-300)
    chosen = np.flatnonzero(usable)
    good = np.minimum(coherence[chosen], 1.0 - 1e-12)
    variance = (1.0 - good) / (2.0 * number * good)
    # The filters of two channels are never quite alike. Hum gets into both without any delay, and what is
    # faint beside the tape's own sound may be that. A lobe gives one value, not several.
    foreign = _FOREIGN * loudest / power[chosen]
    weight = 1.0 / ((variance + _PHASE_DOUBT**2 + foreign) * _WINDOW_BINS)
    return _Bins(centre[chosen], np.angle(spectra.cross[chosen]), weight, coherence[chosen])


def _refine(bins: _Bins, delay: float, inverted: bool) -> tuple[float, float]:
    """Least squares of the phase near a delay, and its standard deviation."""
    turn = 2.0 * np.pi * bins.hertz
    for _ in range(6):
        rest = _wrapped(bins.phase + turn * delay - (np.pi if inverted else 0.0))
        weight = bins.weight / (1.0 + (rest / 0.7) ** 4)
        step = float((weight * turn) @ rest / ((weight * turn) @ turn))
        delay -= step
        if abs(step) < 1e-12:
            break
    rest = _wrapped(bins.phase + turn * delay - (np.pi if inverted else 0.0))
    misfit = float(bins.weight @ (rest**2) / max(bins.weight.size, 1)) * _WINDOW_BINS
    sigma = math.sqrt(max(misfit, 1.0) / float((bins.weight * turn) @ turn))
    return delay, sigma


def _wrapped(phase: Floats) -> Floats:
    return np.asarray(np.remainder(phase + np.pi, 2.0 * np.pi) - np.pi)


def _estimate(hertz: Floats, spectra: _Spectra, greatest: float, usual: float) -> _Estimate:
    bins = _bins(hertz, spectra)
    if bins.hertz.size == 0:
        silent = float(np.sum(spectra.left) * np.sum(spectra.right)) <= 0.0
        raise BadReading(
            "one of the channels is silent: expected the same sound in both"
            if silent
            else "the channels have nothing in common: expected a tape recorded across both tracks"
        )
    turn = 2.0 * np.pi * bins.hertz
    step = 1.0 / (16.0 * float(bins.hertz.max()))
    reach = greatest + 2.0 * step
    grid = np.arange(-math.ceil(reach / step), math.ceil(reach / step) + 1) * step
    match = np.zeros(grid.size)
    for begin in range(0, turn.size, 512):
        part = slice(begin, begin + 512)
        match += np.cos(bins.phase[part] + np.outer(grid, turn[part])) @ bins.weight[part]
    total = float(bins.weight.sum())
    candidates: list[tuple[float, float, float, bool]] = []
    for inverted in (False, True):
        value = -match if inverted else match
        inner = value[1:-1]
        peaks = np.flatnonzero((inner >= value[:-2]) & (inner >= value[2:])) + 1
        best = peaks[np.argsort(-value[peaks])][:40]
        for peak in best:
            delay, sigma = _refine(bins, float(grid[peak]), inverted)
            if abs(delay) > greatest or abs(delay - grid[peak]) > 4.0 * step:
                continue
            sign = -1.0 if inverted else 1.0
            fit = float(sign * np.cos(bins.phase + turn * delay) @ bins.weight) - total
            candidates.append((fit, delay, sigma, inverted))
    if not candidates:
        raise BadReading(
            "the delay between the channels fits no angle within a degree: are these the two tracks of one "
            "recording?"
        )
    # What no candidate explains (music that differs, filters) must not decide between them.
    misfit = max(1.0, -2.0 * max(fit for fit, *_ in candidates) * _WINDOW_BINS / bins.hertz.size)
    scored = []
    for fit, delay, sigma, inverted in candidates:
        prior = -0.5 * (delay / usual) ** 2 + math.log(_INVERTED_PRIOR if inverted else 1.0 - _INVERTED_PRIOR)
        scored.append((fit / misfit + prior, fit / misfit, delay, sigma, inverted))
    scored.sort(key=lambda row: -row[0])
    top = max(row[1] for row in scored)
    # Whatever the recording itself cannot exclude by five standard deviations stays possible.
    left = [row for row in scored if row[1] > top - 12.5]
    score, _, delay, sigma, inverted = left[0]
    # With the other polarity a tone fits half a period aside; nobody needs to be told unless it may be so.
    others = [row for row in left[1:] if row[4] == inverted]
    chances = np.exp([row[0] - score for row in left])
    away = np.array([row[2] - delay for row in left])
    spread = math.sqrt(sigma**2 + float(chances @ away**2 / chances.sum()))
    shown = np.minimum(bins.coherence, 1.0)
    return _Estimate(
        delay=delay,
        sigma=sigma,
        spread=spread,
        inverted=inverted,
        others=tuple(row[2] for row in others),
        agreement=float(np.sqrt(np.mean(shown))),
    )


def _leader(delay: Figure) -> str:
    if abs(delay.value) < 2.0 * delay.uncertainty:
        return ""
    return "left" if delay.value > 0.0 else "right"


def _blackman_harris(size: int) -> Floats:
    angle = 2.0 * np.pi * np.arange(size) / size
    return np.asarray(
        0.35875 - 0.48829 * np.cos(angle) + 0.14128 * np.cos(2 * angle) - 0.01168 * np.cos(3 * angle)
    )


def _side_by_side(
    left: npt.ArrayLike | Iterable[npt.ArrayLike], right: npt.ArrayLike | Iterable[npt.ArrayLike]
) -> Iterator[tuple[Floats, Floats]]:
    """Blocks of equal length from two arrays or two streams of arrays."""
    if _is_array(left) and _is_array(right):
        one, other = np.asarray(left).ravel(), np.asarray(right).ravel()
        if one.size != other.size:
            raise BadReading(f"the channels differ in length: left {one.size} samples, right {other.size}")
        for begin in range(0, one.size, 1 << 18):
            part = slice(begin, begin + (1 << 18))
            yield one[part].astype(np.float64), other[part].astype(np.float64)
        return
    streams = [iter(left), iter(right)]  # type: ignore[arg-type]  # what is left of the union
    waiting = [np.empty(0), np.empty(0)]
    while True:
        for index, stream in enumerate(streams):
            while waiting[index].size < 1 << 16:
                following = next(stream, None)
                if following is None:
                    break
                waiting[index] = np.concatenate([waiting[index], np.asarray(following, np.float64).ravel()])
        count = min(waiting[0].size, waiting[1].size)
        if count == 0:
            break
        yield waiting[0][:count], waiting[1][:count]
        waiting = [waiting[0][count:], waiting[1][count:]]
    if waiting[0].size or waiting[1].size:
        raise BadReading(
            f"the channels differ in length by {max(waiting[0].size, waiting[1].size)} samples or more"
        )


def _is_array(value: object) -> bool:
    if hasattr(value, "__array__"):
        return True
    return isinstance(value, list | tuple) and (not value or isinstance(value[0], int | float | np.number))


__all__ = [
    "CASSETTE_SPEED",
    "GREATEST_ANGLE",
    "TRACK_SPACING",
    "AzimuthMeter",
    "AzimuthNow",
    "AzimuthReport",
    "ScrewReport",
    "TakeLevels",
    "from_stereo",
    "from_takes",
    "treble_of",
]
