"""Several takes brought onto one clock and added, each as much as it is heard: a new recording."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from .alignment import Alignment
from .conditioned import Conditioner
from .likeness import LOOK_SECONDS, find_delays
from .recording import Recording

FloatArray = npt.NDArray[np.float64]
FloatArray32 = npt.NDArray[np.float32]

FAINT = 0.4
"""Share of its usual amplitude below which a take is not listened to where another is heard."""
ALIKE = 0.6
"""Correlation below which two takes are not added."""
AS_ONE = 0.65
"""Correlation below which two takes that are both heard well do not bear each other out."""
HEARD_WELL = 0.7
"""Share of its usual amplitude from which a take is heard well."""
LOST = 0.0025
"""Standard deviation of the place gained in a second in a dropout, whatever was read; see `take_clock`."""
LOST_BESIDE = 0.012
"""Seconds before and after a dropout that may have been read wrongly as well."""
ASTRAY = 0.008
"""Seconds that two takes' clocks may have drifted apart since the nearest tie where both are still used."""
BRIDGED = 0.4
"""Seconds for which one take may stand alone between places where two agree, and the sum be trusted."""


@dataclass(frozen=True)
class Heard:
    """How one take is best listened to.

    Attributes
    ----------
    recording : Recording
    channel : int or "mean"
    conditioner : Conditioner
        With what was learnt of the take.
    amplitude : float
        Usual amplitude of the conditioned signal.
    noise : float
        Against that amplitude.
    """

    recording: Any
    channel: Any
    conditioner: Conditioner
    amplitude: float
    noise: float

    @property
    def seconds(self) -> float:
        return float(self.recording.frames / self.recording.rate)


@dataclass(frozen=True)
class _Signal:
    """A stretch of one take, its usual amplitude being one."""

    first: float
    rate: float
    signal: FloatArray32
    amplitude: FloatArray32


@dataclass(frozen=True)
class _Layer:
    """One take on the clock of the best: signal, amplitude, and likeness to the best."""

    signal: FloatArray32
    amplitude: FloatArray32
    likeness: FloatArray32


@dataclass(frozen=True)
class Sum:
    """Takes added.

    Attributes
    ----------
    recording : Recording
    first : float
        When it begins, in seconds of the take whose clock it has.
    stretch : float
        Seconds of that take to a second of the recording.
    doubtful : float64 array (n,)
        Times of that take at which the takes do not bear each other out.
    """

    recording: Recording
    first: float
    stretch: float
    doubtful: FloatArray

    def trusted(self, since: float, until: float) -> bool:
        """Whether the takes bear each other out all through a stretch."""
        first, last = np.searchsorted(self.doubtful, (since, until))
        return bool(first == last)


def sum_of_takes(
    best: Heard, others: Sequence[tuple[Heard, Alignment]], first: float, last: float
) -> Sum | None:
    """Add to a stretch of one take what others hold of it; None if they hold nothing.

    Parameters
    ----------
    best : Heard
        Whose clock the sum has.
    others : sequence of (Heard, Alignment)
        With how the best take's times map to theirs.
    first, last : float
        Seconds.
    """
    own = _signal(best, max(0.0, first), last)
    if len(own.signal) < 8:
        return None
    layers = [_Layer(own.signal, own.amplitude, np.ones(len(own.signal), np.float32))]
    noises = [best.noise]
    for heard, alignment in others:
        layer = _brought_over(own, heard, alignment)
        if layer is not None:
            layers.append(layer)
            noises.append(heard.noise)
    if len(layers) < 2:
        return None
    mixed = _added(layers, np.array(noises), own.rate)
    mixed *= 0.25 / max(1e-9, float(np.percentile(np.abs(mixed), 99)))
    recording = Recording.from_array(mixed, round(own.rate), name="takes together")
    doubtful = own.first + np.flatnonzero(~_borne_out(layers, own.rate)) / own.rate
    return Sum(recording, own.first, round(own.rate) / own.rate, doubtful)


def _signal(heard: Heard, first: float, last: float) -> _Signal:
    c, rate = heard.conditioner, heard.recording.rate
    a = max(0, int(first * rate)) // c.down * c.down
    b = max(a + c.down, int(last * rate) + 1)
    window, _ = c.stretch(heard.recording, a, b, heard.channel)
    scale = np.float32(1 / heard.amplitude)
    return _Signal(window.start / c.rate, c.rate, window.signal * scale, window.amplitude * scale)


def _brought_over(own: _Signal, heard: Heard, alignment: Alignment) -> _Layer | None:
    """Another take on the clock of the best."""
    from scipy.ndimage import map_coordinates, uniform_filter1d

    times = own.first + np.arange(len(own.signal)) / own.rate
    there = alignment.map(times)
    if there[-1] < 0 or there[0] > heard.seconds:
        return None
    other = _signal(heard, max(0.0, there[0] - 0.1), min(heard.seconds, there[-1] + 0.1))
    if len(other.signal) < 8:
        return None

    def at(values: FloatArray32, place: FloatArray, order: int) -> FloatArray32:
        moved: Any = map_coordinates(values, place[None, :], output=np.float32, order=order, mode="constant")  # type: ignore[call-overload]
        return np.asarray(moved, np.float32)

    place = (there - other.first) * other.rate
    loud = at(other.amplitude, place, 1)
    both = np.asarray(np.clip(np.minimum(own.amplitude, loud) / 0.6, 0, 1) ** 2, np.float32)
    lost = uniform_filter1d((both < 0.5).astype(float), int(2 * LOST_BESIDE * own.rate) | 1) > 0
    doubt = alignment.doubt_at(times)
    loose = doubt + LOST**2 * np.cumsum(lost) / own.rate
    found = find_delays(own.signal, at(other.signal, place, 1), both, loose, own.rate)
    place = np.interp(np.arange(len(times)) + found.samples, np.arange(len(times)), place)
    signal = at(other.signal, place, 3)
    loud = at(other.amplitude, place, 1)
    alike = found.likeness > ALIKE
    agreed = np.flatnonzero(alike & (own.amplitude > FAINT) & (loud > FAINT))
    # Where nothing says how the takes lie to each other, the other one is not listened to.
    loud[(alignment.astray(times, doubt) > ASTRAY) & (_apart(agreed, len(times)) > BRIDGED * own.rate)] = 0.0
    return _Layer(-signal if found.inverted else signal, loud, np.asarray(found.likeness, np.float32))


def _borne_out(layers: Sequence[_Layer], rate: float) -> npt.NDArray[np.bool_]:
    """Where two takes are heard and alike, or one is heard for a while between two such places."""
    from scipy.ndimage import minimum_filter1d

    own = layers[0].amplitude
    heard = np.any([layer.amplitude > FAINT for layer in layers], axis=0)
    agreed, at_odds = np.zeros(len(own), bool), np.zeros(len(own), bool)
    for layer in layers[1:]:
        least = np.minimum(own, layer.amplitude)
        agreed |= (least > FAINT) & (layer.likeness > AS_ONE)
        throughout = minimum_filter1d(least, int(LOOK_SECONDS * rate) | 1) > HEARD_WELL
        at_odds |= throughout & (layer.likeness < AS_ONE)
    apart = _apart(np.flatnonzero(agreed), len(own))
    return np.asarray(heard & ~at_odds & (apart < BRIDGED * rate))


def _apart(marks: npt.NDArray[np.int64], count: int) -> FloatArray:
    """How far the marks on either side of each place lie apart; beyond the last, twice the way back to it."""
    if not len(marks):
        return np.full(count, np.inf)
    at = np.arange(count)
    after = np.searchsorted(marks, at)
    since = (at - marks[np.maximum(after - 1, 0)]).astype(float)
    until = (marks[np.minimum(after, len(marks) - 1)] - at).astype(float)
    since[after == 0] = until[after == 0]
    until[after == len(marks)] = since[after == len(marks)]
    return np.where(until == 0, 0.0, since + until)


def _added(layers: Sequence[_Layer], noises: FloatArray, rate: float) -> FloatArray32:
    """The sum in which signal stands best against noise (maximal ratio combining)."""
    from scipy.ndimage import uniform_filter1d

    signals = np.stack([layer.signal for layer in layers])
    loudness = np.stack([layer.amplitude for layer in layers])
    smooth = uniform_filter1d(loudness, max(3, int(0.004 * rate)) | 1, axis=1)
    loudest = np.argmax(smooth / np.sqrt(noises)[:, None], axis=0)
    weights = np.where(loudness > FAINT, loudness, 0.0) / noises[:, None] ** 2
    every = np.arange(len(layers))[:, None]
    for k, layer in enumerate(layers[1:], start=1):
        alike = layer.likeness > ALIKE
        # A take that is not like the others here counts alone or not at all.
        weights[k, ~alike & (loudest != k)] = 0.0
        alone = ~alike & (loudest == k)
        weights[:, alone] = np.where(every == k, weights[:, alone], 0.0)
    silent = weights.sum(axis=0) <= 0
    weights[0, silent] = loudness[0, silent]
    weights = uniform_filter1d(weights, max(3, int(0.002 * rate)) | 1, axis=1)
    total = np.maximum(1e-9, weights.sum(axis=0))
    amplitude = (weights * loudness).sum(axis=0) / total
    # Even in amplitude: where only the quieter take is left, that is no dropout.
    return np.asarray((weights * signals).sum(axis=0) / total / np.maximum(amplitude, FAINT), np.float32)
