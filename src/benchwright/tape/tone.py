"""Find the tone in a recording and follow its frequency: a test tone, a leader, clipped or square.

The signal is turned down to nought hertz, filtered, and thinned; the phase from one value to the next gives
the frequency. Blocks of any length go in, so a recording of hours is never held in memory, only its speed
track.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from ..errors import BadReading
from .figure import Figure
from .track import FLUTTER_TOP, SHORTEST, Flags, Floats, SpeedTrack, filled, runs, with_noise

KNOWN_TONES = (315.0, 333.0, 400.0, 440.0, 600.0, 1000.0, 1200.0, 2400.0, 3000.0, 3150.0, 4800.0, 6300.0,
               8000.0, 10000.0, 12500.0)  # fmt: skip
"""Hz; test tones (IEC 60386 and calibration tapes) and leaders of data tapes. The list is from memory."""

DROPOUT_SHARE = 0.25
"""A level below this share of the usual one, 12 dB down, is a dropout (as in dictionaries of the trade)."""

_LOWEST_TONE = 250.0
_PIECE = 0.5
_FRAME = 0.25


@dataclass(frozen=True, slots=True)
class Tone:
    """A tone followed through a recording.

    Attributes
    ----------
    track : SpeedTrack
        Speed against the nominal frequency.
    loudness : SpeedTrack
        In place of the speed the level of the tone, over its usual level within some seconds, less one.
    hertz : float
        Mean frequency as played.
    nominal_hz : float
        Frequency as recorded, which speed is measured against.
    assumed : bool
        Whether the nominal frequency was inferred: nobody gave it.
    known : bool
        False if there was nothing to infer it from; the mean frequency then stands for it.
    edge_error : float
        For a square wave whose edges stand on samples: standard deviation of the phase from this rounding,
        radians; else nought.
    level : float
        Usual amplitude, in the unit of the samples.
    noise_ratio : Figure
        Tone over noise beside it, within ±200 Hz, dB.
    dropouts : tuple of (float, float)
        Begin and end of each dropout within the tone, s.
    """

    track: SpeedTrack
    loudness: SpeedTrack
    hertz: float
    nominal_hz: float
    assumed: bool
    known: bool
    edge_error: float
    level: float
    noise_ratio: Figure
    dropouts: tuple[tuple[float, float], ...]


def follow_tone(
    samples: npt.ArrayLike | Iterable[npt.ArrayLike], rate: float, nominal_hz: float | None = None
) -> Tone:
    """Find the steady tone of a recording and measure its frequency along the way.

    Parameters
    ----------
    samples : array_like, shape (n,), or iterable of such blocks
        One channel; any unit.
    rate : float
        Samples per second.
    nominal_hz : float, optional
        Frequency of the tone as recorded. Left out, the strongest steady tone is taken, and the nearest usual
        frequency for its nominal one.

    Returns
    -------
    Tone
        Of the longest stretch of tone; what stands before and after it (silence, voice, data) is left out.

    Raises
    ------
    BadReading
        No steady tone of at least a second, or numbers that make no sense.
    """
    if not (math.isfinite(rate) and rate >= 2000.0):
        raise BadReading(f"sample rate {rate:g} Hz: expected at least 2000 samples per second")
    if nominal_hz is not None and not 0.0 < nominal_hz < 0.47 * rate:
        raise BadReading(
            f"a tone of {nominal_hz:g} Hz cannot be read at {rate:g} samples per second: expected "
            f"one between 0 and {0.47 * rate:g} Hz"
        )
    sections: list[_Section] = []
    strongest = 0.0
    kept: Floats = np.empty(0)
    origin = 0
    for piece in _pieces(samples, int(_PIECE * rate)):
        current = sections[-1] if sections else None
        if current is None or current.lost:
            found, seen = find_tone(piece, rate, nominal_hz)
            if nominal_hz is not None and found is None:
                seen = find_tone(piece, rate)[1]
            strongest = seen or strongest
            if found is not None and (current is None or not 0.9 < found / current.centre < 1.1):
                # The piece before may hold the beginning of the tone.
                current = _Section(rate, found, origin - kept.size)
                sections.append(current)
                current.push(kept)
            elif found is not None and current is not None:
                current.centre = found
        if current is not None:
            current.push(piece)
        kept = piece
        origin += piece.size
    steady = [part for section in sections if (part := section.steady()) is not None]
    if not steady:
        _no_tone(nominal_hz, strongest, origin / rate)
    best = max(steady, key=lambda part: part.valid.sum() / part.rate)
    del steady, sections
    return _finish(best, nominal_hz, rate)


def find_tone(samples: Floats, rate: float, nominal_hz: float | None = None) -> tuple[float | None, float]:
    """Frequency of the one tone that stands out of a short piece of recording.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        A tenth of a second to a second.
    rate : float
        Samples per second.
    nominal_hz : float, optional
        Look within a quarter of this frequency only.

    Returns
    -------
    hertz : float or None
        Of the tone; None if nothing stands out.
    strongest : float
        Frequency with the most power, tone or not.
    """
    if samples.size < 0.05 * rate:
        return None, 0.0
    power = np.abs(np.fft.rfft((samples - samples.mean()) * np.hanning(samples.size))) ** 2
    hertz = np.fft.rfftfreq(samples.size, 1.0 / rate)
    total = np.concatenate([[0.0], np.cumsum(power)])

    def within(low: Floats, high: Floats) -> Floats:
        step = rate / samples.size
        first = np.clip(np.ceil(low / step), 0, power.size).astype(np.intp)
        last = np.clip(np.floor(high / step) + 1, 0, power.size).astype(np.intp)
        return np.asarray(total[np.maximum(last, first)] - total[first])

    half = np.maximum(0.03 * hertz, 3.0 * rate / samples.size)
    near, around = within(hertz - half, hertz + half), within(hertz / 1.6, hertz * 1.6)
    low, high = _LOWEST_TONE, 0.47 * rate
    if nominal_hz is not None:
        low, high = 0.75 * nominal_hz, min(1.3 * nominal_hz, high)
    allowed = (hertz >= low) & (hertz <= high)
    if not allowed.any() or total[-1] <= 0.0:
        return None, 0.0
    at = int(np.argmax(np.where(allowed, near, 0.0)))
    if nominal_hz is None:
        # A row of narrow pulses can have more power in a harmonic than in its fundamental.
        for divisor in (3, 2):
            lower = round(at / divisor)
            if hertz[lower] < _LOWEST_TONE:
                continue
            if near[lower] > 0.1 * near[at] and near[lower] > 0.5 * around[lower]:
                at = lower
                break
    width = slice(max(0, at - int(half[at] / hertz[1])), at + int(half[at] / hertz[1]) + 1)
    centre = float(hertz[width] @ power[width] / max(float(power[width].sum()), 1e-300))
    steady = near[at] > 0.5 * around[at] and near[at] > 0.05 * within(np.array(0.9 * low), np.array(rate))
    return (centre if steady else None), centre


def _pieces(samples: npt.ArrayLike | Iterable[npt.ArrayLike], size: int) -> Iterator[Floats]:
    """Cut an array or a stream of arrays into pieces of one size; the last may be shorter."""
    blocks: Iterable[npt.ArrayLike]
    if isinstance(samples, np.ndarray):
        blocks = [samples]
    elif hasattr(samples, "__array__") or (isinstance(samples, list | tuple) and _plain(samples)):
        blocks = [np.asarray(samples)]
    else:
        blocks = samples  # type: ignore[assignment]  # what is left of the union
    waiting: list[Floats] = []
    count = 0
    for block in blocks:
        array = np.asarray(block)
        if array.ndim == 2 and 1 in array.shape:
            array = array.ravel()
        if array.ndim != 1:
            raise BadReading(
                f"the tone needs one channel: got an array of shape {array.shape}; choose left or right"
            )
        at = 0
        while at < array.size:
            taken = array[at : at + size - count].astype(np.float64)
            at += taken.size
            count += taken.size
            waiting.append(taken)
            if count == size:
                yield _clean(waiting)
                waiting, count = [], 0
    if count:
        yield _clean(waiting)


def _plain(samples: list[object] | tuple[object, ...]) -> bool:
    return bool(samples) and all(isinstance(value, int | float | np.number) for value in samples[:4])


def _clean(parts: list[Floats]) -> Floats:
    piece = np.concatenate(parts)
    return piece if np.isfinite(piece).all() else np.nan_to_num(piece, nan=0.0, posinf=0.0, neginf=0.0)


@dataclass(frozen=True, slots=True)
class _Steady:
    """The steady part of a section: frequency and level at even steps."""

    rate: float
    start: float
    hertz: npt.NDArray[np.float32]
    loudness: npt.NDArray[np.float32]  # amplitude over the usual one near by
    level: float
    valid: Flags
    band: float
    stepped: bool


class _Section:
    """Follows one tone from where it was found."""

    def __init__(self, rate: float, tone_hz: float, origin: int) -> None:
        self.rate, self.centre = rate, tone_hz
        room = min(tone_hz, rate - 2.0 * tone_hz)
        # Sidebands of flutter up to 200 Hz and a wander of 4 % must pass; hum, harmonics and the
        # mirror image must not.
        self.band = min(1.6 * FLUTTER_TOP + 0.04 * tone_hz, 0.4 * room)
        stop = min(self.band + 600.0, 0.85 * room)
        self.thinning = max(1, int(rate / (self.band + stop)))
        self.taps = _low_pass(rate, self.band, stop, self.thinning)
        self.buffer = np.empty(0)
        self.origin = origin
        self.first = origin + self.taps.size // 2
        self.hertz: list[npt.NDArray[np.float32]] = []
        self.amplitude: list[npt.NDArray[np.float32]] = []
        self.usual = 0.0
        self.lost = False
        self.stepped, self.pushed = 0, 0

    def push(self, piece: Floats) -> None:
        """Take the samples that follow."""
        if piece.size == 0:
            return
        self.buffer = np.concatenate([self.buffer, piece])
        top = float(np.abs(piece).max(initial=0.0))
        self.pushed += 1
        self.stepped += bool(np.mean(np.abs(piece) < 0.5 * top) < 0.005)
        count = (self.buffer.size - self.taps.size) // self.thinning + 1
        if count < 2:
            return
        turn = 2j * np.pi * self.centre / self.rate
        middle = self.taps.size // 2
        taps = self.taps * np.exp(-turn * (np.arange(self.taps.size) - middle))
        rows = np.lib.stride_tricks.sliding_window_view(self.buffer, self.taps.size)[:: self.thinning][:count]
        turned = rows @ taps.real + 1j * (rows @ taps.imag)
        advance = turned[1:] * np.conj(turned[:-1]) * np.exp(-turn * self.thinning)
        step = self.rate / self.thinning
        hertz = self.centre + np.angle(advance) * step / (2.0 * np.pi)
        size = np.abs(turned)
        amplitude = size[1:] + size[:-1]
        self.hertz.append(hertz.astype(np.float32))
        self.amplitude.append(amplitude.astype(np.float32))
        # The last value is computed again with the next piece, so that its phase has a partner even if
        # the centre moves.
        self.buffer = self.buffer[(count - 1) * self.thinning :]
        self._look_after(hertz, amplitude)

    def _look_after(self, hertz: Floats, amplitude: Floats) -> None:
        """Keep the centre on the tone, and notice when it is lost."""
        level = float(np.median(amplitude))
        middle = float(np.median(hertz))
        rough = 1.4826 * float(np.median(np.abs(hertz - middle)))
        self.lost = level < DROPOUT_SHARE * self.usual or rough > 0.25 * self.band
        if self.lost:
            return
        self.usual = level if self.usual == 0.0 else 0.9 * self.usual + 0.1 * level
        if abs(middle - self.centre) > 0.01 * self.centre:
            self.centre = middle

    def steady(self) -> _Steady | None:
        """The longest stretch in which the tone stands."""
        if not self.hertz:
            return None
        hertz, amplitude = np.concatenate(self.hertz), np.concatenate(self.amplitude)
        # Of a long tape each of these is tens of megabytes: nothing is kept twice.
        self.hertz, self.amplitude = [], []
        step = self.rate / self.thinning
        size = max(16, int(_FRAME * step))
        frames = hertz.size // size
        if frames < 3:
            return None
        cut_hertz = hertz[: frames * size].reshape(frames, size)
        cut_level = amplitude[: frames * size].reshape(frames, size)
        middle, rough, level = np.empty(frames), np.empty(frames), np.empty(frames)
        for begin in range(0, frames, 500):
            part = slice(begin, begin + 500)
            middle[part] = np.median(cut_hertz[part], axis=1)
            rough[part] = 1.4826 * np.median(np.abs(cut_hertz[part] - middle[part, None]), axis=1)
            level[part] = np.median(cut_level[part], axis=1)
        quiet = rough < 0.25 * self.band
        if not quiet.any():
            return None
        usual = _usual_level(level, quiet)
        limit = (DROPOUT_SHARE * usual).astype(np.float32)
        share = np.mean(cut_level > limit[:, None], axis=1)
        good = quiet & (share > 0.75)
        if not good.any():
            return None
        typical = float(np.median(middle[good]))
        good &= np.abs(middle / typical - 1.0) < 0.12
        begin, end = _longest(good, bridge=int(1.0 / _FRAME))
        begin, end = _trimmed(begin, end, good & (share > 0.95), middle)
        if (end - begin) * size < SHORTEST * step * 0.9:
            return None
        first, last = begin * size, end * size
        # The tone may begin or end inside the frame beside the stretch; half a frame is not worth the risk
        # of a click in the figures, except at the end of the recording.
        if end == frames:
            last = hertz.size
        near = np.repeat(usual.astype(np.float32), size)[first:last]
        loudness = amplitude[first:last].copy()
        loudness[: near.size] /= near
        loudness[near.size :] /= near[-1]
        del near, amplitude, cut_level
        valid = _valid(hertz[first:last], loudness, typical, self.taps.size / self.thinning)
        if valid.sum() < 16 or valid.mean() < 0.6:
            return None
        inside = np.flatnonzero(valid)
        left, right = int(inside[0]), int(inside[-1]) + 1
        del inside
        first += left
        return _Steady(
            rate=step,
            start=(self.first + (first + 0.5) * self.thinning) / self.rate,
            hertz=hertz[first : first + right - left],
            loudness=loudness[left:right],
            level=float(np.median(usual[begin:end])),
            valid=valid[left:right],
            band=self.band,
            stepped=self.stepped > 0.8 * self.pushed,
        )


def _valid(hertz: Floats, loudness: Floats, typical: float, width: float) -> Flags:
    """Where the level and the frequency are those of the tone, clear of the edges of dropouts."""
    bad = loudness < DROPOUT_SHARE
    bad |= (hertz < 0.88 * typical) | (hertz > 1.12 * typical)
    # A jump of phase inside a shallow dropout shows as a spike that no mechanism can make.
    jump = np.diff(hertz)
    np.abs(jump, out=jump)
    far = jump > 12.0 * (1.4826 * float(np.median(jump[:: 1 + jump.size // 1_000_000])) + 1e-6)
    del jump
    shallow = loudness < 0.6
    bad[1:] |= far & shallow[1:]
    bad[:-1] |= far & shallow[:-1]
    reach = math.ceil(width / 2.0)
    for begin, end in runs(bad.copy()):
        bad[max(0, begin - reach) : end + reach] = True
    return np.asarray(~bad)


def _usual_level(level: Floats, quiet: Flags) -> Floats:
    """Median level of the quiet frames within five seconds; the level of a tape wanders."""
    from scipy.ndimage import median_filter

    typical = float(np.median(level[quiet]))
    taken = np.where(quiet & (level > DROPOUT_SHARE * typical), level, typical)
    size = 2 * int(5.0 / _FRAME) + 1
    return np.asarray(median_filter(taken, size=min(size, taken.size), mode="nearest"))


def _longest(good: Flags, bridge: int) -> tuple[int, int]:
    stretches: list[list[int]] = []
    for begin, end in runs(good):
        if stretches and begin - stretches[-1][1] <= bridge:
            stretches[-1][1] = int(end)
        else:
            stretches.append([int(begin), int(end)])
    begin, end = max(stretches, key=lambda pair: int(good[pair[0] : pair[1]].sum()))
    return begin, end


def _trimmed(begin: int, end: int, clean: Flags, middle: Floats) -> tuple[int, int]:
    """Take off the frames at the ends in which the tone is broken or the machine still gathers speed."""
    inside = np.arange(begin, end)
    kept = inside[clean[begin:end]]
    if kept.size < 4:
        return begin, end
    typical = float(np.median(middle[kept]))
    spread = 1.4826 * float(np.median(np.abs(middle[kept] - typical)))
    usual = kept[np.abs(middle[kept] - typical) < 0.005 * typical + 4.0 * spread]
    return int(usual[0]), int(usual[-1]) + 1


def _low_pass(rate: float, band: float, stop: float, thinning: int) -> Floats:
    """Taps of a Kaiser-windowed filter, 80 dB down from `stop`; an odd number of them."""
    from scipy.signal import firwin, kaiserord

    count, beta = kaiserord(80.0, (stop - band) / (0.5 * rate))
    count += 1 - count % 2
    return np.asarray(firwin(count, 0.5 * (band + stop), window=("kaiser", beta), fs=rate), np.float64)


def _finish(part: _Steady, nominal_hz: float | None, rate: float) -> Tone:
    hertz = float(np.mean(part.hertz[part.valid], dtype=np.float64))
    known, assumed = True, False
    nominal = nominal_hz
    if nominal is None:
        assumed = True
        near = min(KNOWN_TONES, key=lambda tone: abs(math.log(hertz / tone)))
        known = abs(hertz / near - 1.0) < 0.06
        nominal = near if known else hertz
    deviation = part.hertz - np.float32(nominal)
    deviation /= np.float32(nominal)
    reach = min(FLUTTER_TOP, part.band - 0.03 * hertz)
    track = SpeedTrack(
        rate=part.rate,
        start=part.start,
        deviation=filled(deviation, part.valid),
        valid=part.valid,
        span=1.0 / part.rate,
        reach=reach,
        top=part.band,
    )
    loudness = replace(track, deviation=filled(part.loudness - np.float32(1.0), part.valid), span=0.0)
    track = with_noise(track)
    gaps = tuple(
        (part.start + int(begin) / part.rate, part.start + int(end) / part.rate)
        for begin, end in runs(~part.valid)
    )
    return Tone(
        track=track,
        loudness=loudness,
        hertz=hertz,
        nominal_hz=nominal,
        assumed=assumed,
        known=known,
        # Each edge is rounded to a sample: a twelfth of its square.
        edge_error=2.0 * math.pi * hertz / rate / math.sqrt(12.0) if part.stepped else 0.0,
        level=part.level,
        noise_ratio=_noise_ratio(track, nominal),
        dropouts=gaps,
    )


def _noise_ratio(track: SpeedTrack, nominal: float) -> Figure:
    """Tone over noise within ±200 Hz, from the noise of its phase."""
    # Phase noise (one-sided, rad²/Hz) is twice the noise density over the square of the amplitude.
    phase = track.noise.rising * nominal**2
    if phase <= 0.0:
        return Figure(math.nan, math.nan, "dB")
    share = phase * 2.0 * FLUTTER_TOP
    return Figure(-10.0 * math.log10(share), 10.0 / math.log(10.0) * track.noise.doubt, "dB")


def _no_tone(nominal_hz: float | None, strongest: float, seconds: float) -> None:
    wanted = f"a tone near {nominal_hz:g} Hz" if nominal_hz is not None else "one steady tone"
    seen = f"; the strongest sound is near {strongest:.0f} Hz" if strongest > 0.0 else "; there is no sound"
    raise BadReading(
        f"no steady tone in {seconds:.1f} s of recording{seen}: expected {wanted} for at least "
        f"{SHORTEST:g} s. Record the test tone or the leader alone, or give its frequency"
    )
