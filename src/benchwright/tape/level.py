"""Level, offset, clipping and the shape of the half-waves of one channel, fed piece by piece."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from .batches import Batches, Sums
from .figure import Figure
from .half_waves import half_wave_times

Samples = npt.NDArray[np.float32]

PIECES_PER_SECOND = 10
_SILENCE = 1e-6
"""Amplitude below which a piece is digital silence: a hundredth of the step of a 16-bit file and less."""
_HYSTERESIS = 0.2
"""Part of a piece's RMS that a half-wave must reach, so that noise around zero makes no half-waves."""
_CLASS_DB = 3.0
_QUIETER_DB = 15.0
_FLATNESS = 1e-4
_FINEST_STEP = 2e-5
_SHORTEST_RUN = 3
_SHARPER = 1.3


def decibels(amplitude: float) -> float:
    """20 lg of an amplitude; minus infinity for zero."""
    return 20.0 * math.log10(amplitude) if amplitude > 0.0 else -math.inf


@dataclass(frozen=True, slots=True)
class Clipping:
    """Samples that lie on the rails of the equipment that made the recording.

    Attributes
    ----------
    share : Figure
        Part of all samples, in %.
    runs : int
        Number of flat tops and bottoms.
    rail : float
        Their amplitude, of full scale; not-a-number without runs.
    """

    share: Figure
    runs: int
    rail: float


@dataclass(frozen=True, slots=True)
class Polarity:
    """Which half-waves stand taller.

    Attributes
    ----------
    skew : Figure
        Third moment over the cube of the standard deviation; positive if the positive half-waves are the
        taller and narrower ones.
    taller : {"positive", "negative", "neither"}
        The answer, if it is surer than 95 %.
    sure : float
        Probability that the sign of the skew is right, 0.5 to 1.
    """

    skew: Figure
    taller: Literal["positive", "negative", "neither"]
    sure: float


@dataclass(frozen=True, slots=True)
class LevelReport:
    """What `LevelMeter` measured.

    Attributes
    ----------
    rms : Figure
        In dBFS; a sine that just reaches full scale has 0 dBFS (AES17, from memory).
    peak : Figure
        Largest sample, in dB of full scale; the uncertainty is what may lie between samples.
    offset : Figure
        Mean, in % of full scale.
    asymmetry : Figure
        (time high - time low) / (time high + time low) of the half-waves.
    asymmetry_centred : Figure
        The same with the offset of each stretch taken away: what the offset does not explain.
    half_waves : int
        How many half-waves were timed.
    clipping : Clipping
    polarity : Polarity
    silent : float
        Part of the recording that is digital silence, 0 to 1.
    """

    rms: Figure
    peak: Figure
    offset: Figure
    asymmetry: Figure
    asymmetry_centred: Figure
    half_waves: int
    clipping: Clipping
    polarity: Polarity
    silent: float


class LevelMeter:
    """Accumulates one channel of a recording of any length, in constant memory but for one number per 100 ms.

    Parameters
    ----------
    rate : int
        Sampling rate in Hz.
    """

    def __init__(self, rate: int) -> None:
        self.rate = rate
        self._length = max(32, rate // PIECES_PER_SECOND)
        self._rest = np.zeros(0, np.float32)
        self._moments = Batches()
        self._timed: dict[int, _Timed] = {}
        self._levels: list[float] = []
        self._peak, self._between = 0.0, 0.0
        self._clipped: dict[tuple[int, int], tuple[int, int]] = {}
        self._samples = 0
        self._silent = 0

    @property
    def piece(self) -> int:
        """Samples in each of the pieces that `levels` speaks of."""
        return self._length

    @property
    def levels(self) -> npt.NDArray[np.float64]:
        """RMS of each piece after its offset is taken away, of full scale."""
        return np.array(self._levels)

    def add(self, samples: Samples) -> None:
        """Take the next samples, shape (n,)."""
        joined = np.concatenate([self._rest, samples]) if len(self._rest) else samples
        whole = len(joined) // self._length * self._length
        for at in range(0, whole, self._length):
            self._take(joined[at : at + self._length])
        self._rest = joined[whole:].copy()

    def report(self) -> LevelReport:
        """What has been measured so far.

        Raises
        ------
        ValueError
            Nothing was added.
        """
        if len(self._rest) and (self._samples == 0 or len(self._rest) > self._length // 2):
            self._take(self._rest)
            self._rest = self._rest[:0]
        moments = self._moments
        worth = self._worth_timing()
        return LevelReport(
            rms=moments.figure(_rms_level, "dBFS", least=0.001),
            peak=Figure(decibels(self._peak), self._between, "dBFS"),
            offset=moments.figure(lambda sums: 100.0 * sums[1] / sums[0], "%", least=0.001),
            asymmetry=_asymmetry([timed.as_it_is for timed in worth]),
            asymmetry_centred=_asymmetry([timed.centred for timed in worth]),
            half_waves=sum(timed.half_waves for timed in worth),
            clipping=self._clipping(),
            polarity=_polarity(moments),
            silent=self._silent / self._samples,
        )

    def _take(self, piece: Samples) -> None:
        wave = piece.astype(np.float64)
        count = len(wave)
        self._samples += count
        mean = float(wave.mean())
        centred = wave - mean
        squares = centred * centred
        power = float(squares.mean())
        level = math.sqrt(power)
        self._levels.append(level)
        self._moments.add([count, wave.sum(), float(wave @ wave), float((wave * wave) @ wave)])
        self._note_peak(wave)
        if level < _SILENCE:
            self._silent += count
            return
        self._note_clipping(piece)
        timed = self._timed.setdefault(round(decibels(level) / _CLASS_DB), _Timed())
        high, low, waves = half_wave_times(wave, _HYSTERESIS * level, self.rate)
        if waves:
            timed.as_it_is.add([high, low])
            timed.half_waves += waves
        high, low, waves = half_wave_times(centred, _HYSTERESIS * level, self.rate)
        if waves:
            timed.centred.add([high, low])
        timed.energy += power

    def _worth_timing(self) -> list[_Timed]:
        """Half-waves of pieces about as loud as those that hold most of the energy: no hiss of pauses."""
        if not self._timed:
            return []
        main = max(self._timed, key=lambda key: self._timed[key].energy)
        return [timed for key, timed in self._timed.items() if key >= main - _QUIETER_DB / _CLASS_DB]

    def _note_peak(self, wave: npt.NDArray[np.float64]) -> None:
        size = np.abs(wave)
        at = int(np.argmax(size))
        if size[at] <= self._peak:
            return
        self._peak = float(size[at])
        self._between = 0.0
        if 0 < at < len(wave) - 1:
            left, top, right = size[at - 1 : at + 2]
            bend = 2.0 * top - left - right
            if bend > 0.0:
                # The crest of the parabola through the three samples around the largest.
                crest = top + (right - left) ** 2 / (8.0 * bend)
                self._between = decibels(crest / top)

    def _note_clipping(self, piece: Samples) -> None:
        """Find flat tops with sharp edges at this piece's extremes."""
        size = float(np.max(np.abs(piece)))
        # The crest of a smooth wave may stay within one step of a coarse converter, but it bends down softly.
        step = converter_step(piece)
        flat = max(_FLATNESS * size, 0.6 * step)
        for side in (1, -1):
            wave = side * piece
            rail = float(wave.max())
            if rail <= 0.0:
                continue
            on = wave >= rail - flat
            edges = np.flatnonzero(np.diff(on.astype(np.int8)))
            starts = edges[~on[edges]] + 1
            ends = edges[on[edges]] + 1
            if len(starts) and len(ends):
                ends = ends[ends > starts[0]]
                starts = starts[: len(ends)]
            else:
                continue
            long = ends - starts >= _SHORTEST_RUN
            starts, ends = starts[long], ends[long]
            # The next but one: the sample before a rail may lie just below it.
            before_it = rail - wave[np.maximum(starts - 2, 0)]
            after_it = rail - wave[np.minimum(ends + 1, len(wave) - 1)]
            # A parabola that stays within the flatness for the run has fallen by no more than this there.
            half = (ends - starts - 1) / 2.0
            crest = max(flat, step) * ((half + 2.0) / half) ** 2
            sharp = np.minimum(before_it, after_it) > _SHARPER * crest + 0.5 * step
            runs = int(np.count_nonzero(sharp))
            if runs:
                key = side, round(100.0 * math.log(rail))
                before = self._clipped.get(key, (0, 0))
                inside = int(np.sum((ends - starts)[sharp]))
                self._clipped[key] = before[0] + runs, before[1] + inside

    def _clipping(self) -> Clipping:
        found = {"runs": 0, "samples": 0}
        highest = -math.inf
        for side in (1, -1):
            rails = [key[1] for key in self._clipped if key[0] == side]
            if not rails:
                continue
            top = max(rails)
            highest = max(highest, top)
            for rail in rails:
                if top - rail <= 2:  # within 2 %: the same rail
                    runs, samples = self._clipped[side, rail]
                    found["runs"] += runs
                    found["samples"] += samples
        runs, share = found["runs"], 100.0 * found["samples"] / self._samples
        # Each run's ends may be missed or gained by one sample.
        doubt = 100.0 * math.sqrt(2.0 * runs) / self._samples
        return Clipping(
            Figure(share, doubt, "%"), runs, math.exp(highest / 100.0) if math.isfinite(highest) else math.nan
        )


class _Timed:
    """Half-waves of the pieces of about one level."""

    def __init__(self) -> None:
        self.as_it_is, self.centred = Batches(), Batches()
        self.half_waves = 0
        self.energy = 0.0


def _asymmetry(parts: list[Batches]) -> Figure:
    times = Batches.joined(parts)
    if not len(times):
        return Figure(math.nan, math.nan, "")
    return times.figure(lambda sums: float((sums[0] - sums[1]) / (sums[0] + sums[1])), "", least=1e-4)


def converter_step(piece: Samples) -> float:
    """The step of the grid that all samples lie on; 0 if it is finer than can be seen here."""
    steps = np.abs(np.diff(piece))
    moving = steps[steps > 0.0]
    if len(moving) == 0:
        return 0.0
    step = float(moving.min())
    if step < _FINEST_STEP:
        return 0.0
    places = (piece - piece[0]) / step
    off = np.abs(places - np.round(places))
    return step if float(off.max()) < 0.05 else 0.0


def _rms_level(sums: Sums) -> float:
    return 10.0 * math.log10(2.0 * sums[2] / sums[0]) if sums[2] > 0.0 else -math.inf


def _skew(sums: Sums) -> float:
    count, first, second, third = sums
    mean = first / count
    variance = second / count - mean**2
    if variance <= 0.0:
        return 0.0
    return float((third / count - 3.0 * mean * second / count + 2.0 * mean**3) / variance**1.5)


def _polarity(moments: Batches) -> Polarity:
    skew = moments.figure(_skew, "", least=1e-3)
    if not math.isfinite(skew.uncertainty):
        sure = 0.5
    else:
        sure = 0.5 * (1.0 + math.erf(abs(skew.value) / skew.uncertainty / math.sqrt(2.0)))
    taller: Literal["positive", "negative", "neither"] = "neither"
    if sure > 0.95:
        taller = "positive" if skew.value > 0.0 else "negative"
    return Polarity(skew, taller, sure)
