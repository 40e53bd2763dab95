"""All figures of one channel of a recording, in bounded memory."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from itertools import tee

import numpy as np
import numpy.typing as npt

from ..errors import BadReading
from .averaged_spectrum import AveragedSpectrum
from .azimuth import TRACK_SPACING, AzimuthReport, from_stereo
from .dropouts import DropoutFinder, DropoutReport
from .encoding import Encoding, encoding_named
from .figure import Figure
from .flutter import ToneReport, measure_tone
from .level import LevelMeter, LevelReport
from .noise import Harmonics, Hum, Noise, harmonics, hum, noise
from .recording import Channel, Recording
from .response import Response, ResponseMeter
from .verdict import Verdict, judge

Samples = npt.NDArray[np.float32]
Progress = Callable[[int], None]

_RESOLUTION = 0.5
_HIGHEST_TONE = 0.47
_LONGEST_FOR_NOISE = 300.0
_DROPOUT_MARGIN = 0.02
_SHORTEST_CLEAR = 0.25
_QUIET_DB = 20.0
_SHORTEST_PAUSE = 0.3
_ENOUGH_PAUSES = 30.0
_PAUSE_RESOLUTION = 5.0
_LINE_WORTH_NAMING = 0.03
"""Per cent; a fifth of what DIN 45 500 allows in all, so that five such lines may still matter (by hand)."""
_MOST_LINES = 8


@dataclass(frozen=True, slots=True)
class ChannelReport:
    """What one channel says about the deck and the tape.

    Attributes
    ----------
    channel : str
        ``"left"``, ``"right"``, ``"mono"``, ``"mean"`` or ``"channel 3"``.
    level : LevelReport
    tone : ToneReport or None
        Speed and flutter; None without a steady tone.
    why_no_tone : str
        What was seen instead.
    noise : Noise or None
        Beside the tone.
    pauses : Noise or None
        In stretches without signal.
    hum : Hum
    harmonics : Harmonics or None
        Of the tone.
    dropouts : DropoutReport
    response : Response or None
        If tones or a sweep were asked for.
    figures : mapping of str to Figure
        All that have a limit, and some more, by key.
    """

    channel: str
    level: LevelReport
    tone: ToneReport | None
    why_no_tone: str
    noise: Noise | None
    pauses: Noise | None
    hum: Hum
    harmonics: Harmonics | None
    dropouts: DropoutReport
    response: Response | None
    figures: Mapping[str, Figure] = field(default_factory=dict)

    def lines(self) -> list[tuple[float, float, float, float]]:
        """Lines of the flutter spectrum worth naming, largest first: Hz, its sigma, per cent, its sigma."""
        if self.tone is None:
            return []
        worth = [
            (line.hertz, line.hertz_uncertainty, line.percent, line.uncertainty)
            for line in self.tone.lines
            if line.percent >= _LINE_WORTH_NAMING
        ]
        return sorted(worth, key=lambda line: -line[2])[:_MOST_LINES]

    def verdicts(self, more: Mapping[str, Figure] | None = None) -> list[Verdict]:
        """Grade the figures, together with those of the whole recording such as the balance."""
        known: dict[str, frozenset[str]] = {}
        if self.lines():
            known["lines"] = frozenset({"named"})
        level = self.level
        if abs(level.asymmetry_centred.value) < 0.5 * abs(level.asymmetry.value):
            known["offset"] = frozenset({"explains"})
        return judge({**self.figures, **(more or {})}, known)


def channel_name(recording: Recording, channel: Channel) -> str:
    """What a channel is called at the bench."""
    if channel == "mean":
        return "mean"
    if recording.channels == 1:
        return "mono"
    if recording.channels == 2:
        return ("left", "right")[int(channel or 0)]
    return f"channel {int(channel or 0) + 1}"


def measure(
    recording: Recording, channel: Channel = 0, nominal_hz: float | None = None,
    tones: Mapping[float, float] | None = None, sweep: bool = False, encoding: str | None = None,
    progress: Progress | None = None,
) -> ChannelReport:  # fmt: skip
    """Measure one channel of a recording.

    Parameters
    ----------
    recording : Recording
    channel : int or "mean"
        Counted from 0.
    nominal_hz : float, optional
        Frequency of the test tone or leader as it was recorded; found if left out.
    tones : mapping, optional
        For the frequency response: level in dB, as recorded, by frequency in Hz.
    sweep : bool
        Whether the recording holds a sweep for the frequency response.
    encoding : str, optional
        How the data on the tape is written: speed and flutter then come from the data itself.
    progress : callable, optional
        Called with the number of frames done since the last call; in all twice the frames of the recording.

    Raises
    ------
    BadReading
        The recording has no samples, or `nominal_hz` makes no sense.
    UnknownName
        There is no encoding of that name.
    NoTones
        A response was asked for and no tone was heard.
    """

    def blocks(counted: bool = True, start: int = 0, stop: int | None = None) -> Iterator[Samples]:
        for block in recording.blocks(start=start, stop=stop):
            wave = np.asarray(block.mean(axis=1) if channel == "mean" else block[:, channel], np.float32)
            yield wave
            if counted and progress is not None:
                progress(len(wave))

    rate = recording.rate
    # What cannot work is told before a long tape is read.
    if nominal_hz is not None and not 0.0 < nominal_hz < _HIGHEST_TONE * rate:
        raise BadReading(
            f"a tone of {nominal_hz:g} Hz cannot be read at {rate} samples per second: expected a frequency "
            f"between 0 and {_HIGHEST_TONE * rate:g} Hz"
        )
    known = None if encoding is None else encoding_named(encoding)
    meter, dropouts = LevelMeter(rate), DropoutFinder(rate)
    spectrum = AveragedSpectrum(rate, max(_RESOLUTION, rate / max(64, recording.frames)))
    heard = ResponseMeter(rate) if tones or sweep else None
    for wave in blocks():
        meter.add(wave)
        dropouts.add(wave)
        spectrum.add(wave)
        if heard is not None:
            heard.add(wave)
    try:
        level = meter.report()
    except ValueError:
        raise BadReading(f"{recording.path}: there is nothing to measure: no samples") from None
    tone, why = None, ""
    try:
        if known is None:
            tone = measure_tone(blocks(), rate, nominal_hz)
        else:
            tone = _tone_of_data(recording, channel, known)
    except BadReading as problem:
        why = str(problem)
    beside, overtones = None, None
    lost = dropouts.report()
    if tone is not None and tone.tone is not None:
        hertz = tone.tone.value
        around = _spectrum_of_stretch(blocks, rate, tone.start_s, tone.duration_s, lost)
        if around.count:
            beside, overtones = noise(around, hertz), harmonics(around, hertz)
    pauses = _pauses(meter, blocks, level, rate)
    mains = hum(spectrum, [] if tone is None or tone.tone is None else [tone.tone.value])
    response = None
    if heard is not None:
        response = heard.tones(list(tones), tones) if tones else heard.sweep()
    report = ChannelReport(
        channel_name(recording, channel), level, tone, why, beside, pauses, mains, overtones,
        lost, response,
    )  # fmt: skip
    return replace(report, figures=_figures(report))


def _tone_of_data(recording: Recording, channel: Channel, encoding: Encoding) -> ToneReport:
    from .decode import decode
    from .flutter import from_speed_curve

    tape = decode(recording, encoding, channel=channel)
    return from_speed_curve(tape.speed_times, tape.speed)


Blocks = Callable[[bool, int, int | None], Iterator[Samples]]


def _spectrum_of_stretch(
    blocks: Blocks, rate: int, start_s: float, duration_s: float, lost: DropoutReport
) -> AveragedSpectrum:
    """The spectrum of a tone between its dropouts, whose edges would pass for noise."""
    stop_s = start_s + min(duration_s, _LONGEST_FOR_NOISE)
    edges = [start_s]
    for dropout in lost.dropouts:
        if start_s < dropout.start < stop_s:
            edges += [dropout.start - _DROPOUT_MARGIN, dropout.start + dropout.length + _DROPOUT_MARGIN]
    edges.append(stop_s)
    clear = [(a, b) for a, b in zip(edges[::2], edges[1::2], strict=True) if b - a > _SHORTEST_CLEAR]
    if not clear:
        clear = [(start_s, stop_s)]
    longest = max(b - a for a, b in clear)
    spectrum = AveragedSpectrum(rate, max(1.0, 2.0 / longest))
    for a, b in clear:
        spectrum.fresh_start()
        for wave in blocks(False, round(a * rate), round(b * rate)):
            spectrum.add(wave)
    return spectrum


def _pauses(meter: LevelMeter, blocks: Blocks, level: LevelReport, rate: int) -> Noise | None:
    """Noise where there is no signal, if there are such stretches."""
    levels, piece = meter.levels, meter.piece
    loud = float(np.percentile(levels, 90.0))
    # Digital silence is no noise: the equipment was not recording.
    quiet = (levels < loud * 10.0 ** (-_QUIET_DB / 20.0)) & (levels > 1e-6)
    edges = np.diff(quiet.astype(np.int8), prepend=0, append=0)
    starts, stops = np.flatnonzero(edges > 0), np.flatnonzero(edges < 0)
    spectrum = AveragedSpectrum(rate, _PAUSE_RESOLUTION)
    taken = 0.0
    for start, stop in zip(starts, stops, strict=True):
        # The pieces at both ends may hold some of the signal.
        first, last = (int(start) + 1) * piece, (int(stop) - 1) * piece
        if last - first < _SHORTEST_PAUSE * rate:
            continue
        last = min(last, first + round((_ENOUGH_PAUSES - taken) * rate))
        spectrum.fresh_start()
        for wave in blocks(False, first, last):
            spectrum.add(wave)
        taken += (last - first) / rate
        if taken >= _ENOUGH_PAUSES:
            break
    if not spectrum.count:
        return None
    found = noise(spectrum)
    signal = levels[levels > loud * 10.0 ** (-_QUIET_DB / 20.0)]
    signal_level = 10.0 * math.log10(2.0 * float(np.mean(signal**2)))
    ratio = Figure(signal_level - found.level.value, found.level.uncertainty, "dB")
    return Noise(found.level, ratio, found.band)


@dataclass(frozen=True, slots=True)
class PairReport:
    """What two channels say together.

    Attributes
    ----------
    figures : mapping of str to Figure
        ``balance`` (left less right, dB) and ``azimuth`` (arc-minutes), as far as they can be told.
    azimuth : AzimuthReport or None
    why_no_azimuth : str
    """

    figures: Mapping[str, Figure]
    azimuth: AzimuthReport | None
    why_no_azimuth: str


def measure_pair(
    recording: Recording, left: ChannelReport, right: ChannelReport, progress: Progress | None = None
) -> PairReport:
    """Compare the two channels of a stereo recording.

    Parameters
    ----------
    recording : Recording
        Of two channels.
    left, right : ChannelReport
        Measured already.
    progress : callable, optional
        Called with the number of frames done since the last call; in all those of the recording.
    """
    figures: dict[str, Figure] = {}
    one, other = left.level.rms, right.level.rms
    if math.isfinite(one.value) and math.isfinite(other.value):
        doubt = math.hypot(one.uncertainty, other.uncertainty)
        figures["balance"] = Figure(one.value - other.value, doubt, "dB")
    azimuth, why = stereo_azimuth(recording, progress)
    if azimuth is not None:
        figures["azimuth"] = azimuth.angle
    return PairReport(figures, azimuth, why)


def stereo_azimuth(
    recording: Recording, progress: Progress | None = None, track_spacing: float = TRACK_SPACING
) -> tuple[AzimuthReport | None, str]:
    """The azimuth of a stereo recording, or why it cannot be told.

    Parameters
    ----------
    recording : Recording
        Of two channels.
    progress : callable, optional
        Called with the number of frames done since the last call.
    track_spacing : float
        Between the middles of the tracks, m.
    """
    same = True

    def counted() -> Iterator[Samples]:
        nonlocal same
        for block in recording.blocks():
            same = same and bool(np.array_equal(block[:, 0], block[:, 1]))
            yield block
            if progress is not None:
                progress(len(block))

    for_left, for_right = tee(counted())
    try:
        found = from_stereo(
            (block[:, 0] for block in for_left), (block[:, 1] for block in for_right), recording.rate,
            track_spacing=track_spacing,
        )  # fmt: skip
    except BadReading as problem:
        return None, str(problem)
    if same:
        return None, (
            "both channels hold the very same samples: a mono recording says nothing about azimuth; record "
            "in stereo, or make several mono takes with the screw at known positions"
        )
    return found, ""


def _figures(report: ChannelReport) -> dict[str, Figure]:
    """The figures by the keys of the limits."""
    level, tone = report.level, report.tone
    found: dict[str, Figure] = {}
    if tone is not None:
        if tone.nominal_hz is not None or tone.tone is None:
            found["speed"] = tone.speed
        found["ends"] = tone.ends
        found["flutter"] = tone.weighted
    found["level"] = level.rms
    # Without signal is how standards measure noise; beside a tone there is what the tape adds to it.
    ratio = report.pauses.ratio if report.pauses is not None else None
    if ratio is None and report.noise is not None:
        ratio = report.noise.ratio
    if ratio is not None:
        found["noise"] = ratio
    if report.hum.mains and math.isfinite(level.rms.value):
        against = report.hum.level.value - level.rms.value
        doubt = math.hypot(report.hum.level.uncertainty, level.rms.uncertainty)
        found["hum"] = Figure(against, doubt, "dB")
    found["clipping"] = level.clipping.share
    found["asymmetry"] = level.asymmetry
    found["offset"] = level.offset
    found["dropouts"] = report.dropouts.per_minute
    if report.response is not None:
        found["response"] = report.response.within(250.0, 6300.0)
        found["treble"] = report.response.at_high()
    return found
