"""A make-believe cassette and its machine: from half-waves to the samples a bench would record.

The path is followed in the order of nature. A drive of half-waves magnetises the tape (pre-shaping,
saturation); what lies on the tape is a function of place, so the losses of the head work on wavelengths; the
machine pulls the tape past the head at a speed that wanders, so place becomes time; then come the replay
amplifier, the noises, and the sampling. Every effect can be left out: ``Channel()`` hands back the drive.

Symbols used in the formulas: v tape speed, f frequency, wavelength = v / f, k = 2 pi / wavelength.

References
----------
.. [1] IEC 60094-1: 1 7/8 in/s, time constants 120 and 3180 microseconds.
.. [2] J. M. Eargle, Electroacoustical Reference Data (1994): gap loss with 1.11 times the optical gap.
.. [3] Azimuth, thickness, print-through and noise formulas: from memory, as tape handbooks give them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import fft, interpolate, signal

Floats = NDArray[np.float64]

TAPE_SPEED = 0.047625
"""Metres a second: 1 7/8 in/s (IEC 60094-1)."""
TRACK_MONO, TRACK_STEREO, TRACK_PITCH = 1.5e-3, 0.6e-3, 0.9e-3
"""Track widths, and the distance of the centres of a stereo pair, metres (from memory)."""
GAP_FACTOR = 1.11
"""A gap works as if it were this much longer than it looks (Eargle, 1994)."""

_LEAST_WORKING_RATE = 160e3
_KERNEL = 12
_PHASES = 8192
_CONTROL_RATE = 8000.0


# -- the losses, as factors ------------------------------------------------------------------------------


def spacing_loss(wavelength: ArrayLike, spacing: float) -> Floats:
    """Factor by which a gap of `spacing` between tape and head weakens a wavelength (both metres).

    exp(-2 pi d / wavelength): 54.6 dB a wavelength.
    """
    return np.exp(-2 * np.pi * spacing / np.asarray(wavelength, float))


def gap_loss(wavelength: ArrayLike, gap: float) -> Floats:
    """Factor of a head gap of optical length `gap` (metres): sin x / x, x = 1.11 pi g / wavelength [2]_."""
    return np.sinc(GAP_FACTOR * gap / np.asarray(wavelength, float))


def thickness_loss(wavelength: ArrayLike, thickness: float) -> Floats:
    """Factor of a coating magnetised evenly to a depth `thickness` (metres): (1 - exp(-x)) / x, x = k d."""
    x = 2 * np.pi * thickness / np.asarray(wavelength, float)
    return np.where(x < 1e-9, 1.0, -np.expm1(-x) / np.maximum(x, 1e-9))


def azimuth_loss(wavelength: ArrayLike, width: float, angle: float) -> Floats:
    """Factor of a head tilted by `angle` (radians) over a track `width` (metres); negative past a null."""
    return np.sinc(width * math.tan(angle) / np.asarray(wavelength, float))


def azimuth_delay(angle: float, pitch: float = TRACK_PITCH, speed: float = TAPE_SPEED) -> float:
    """Seconds by which one channel of a tilted stereo head lags the other: s tan(angle) / v."""
    return pitch * math.tan(angle) / speed


def arcminutes(count: float) -> float:
    """Minutes of arc as radians."""
    return math.radians(count / 60.0)


# -- what goes onto the tape -------------------------------------------------------------------------------


@dataclass(frozen=True)
class Sound:
    """Something else on the tape: `samples` at `rate` in hertz, from `start` seconds, drive units."""

    start: float
    samples: Floats
    rate: float


@dataclass(frozen=True)
class Programme:
    """What the recording machine is fed.

    Attributes
    ----------
    seconds : array, shape (n,)
        Length of each half-wave or rest; above zero.
    levels : array, shape (n,)
        Its height and sign; a rest has the level 0 (or, two-level, the level the tape rests at).
    sounds : sequence of Sound
        Speech and the like, added to the drive.
    """

    seconds: Floats
    levels: Floats
    sounds: Sequence[Sound] = ()

    @property
    def duration(self) -> float:
        """Length in seconds of undisturbed tape."""
        return float(np.sum(self.seconds))


def alternating(seconds: ArrayLike, first: float = 1.0) -> Programme:
    """Half-waves whose sign changes from each to the next."""
    lengths = np.asarray(seconds, float)
    signs = np.where(np.arange(len(lengths)) % 2, -1.0, 1.0)
    return Programme(lengths, first * signs)


@dataclass(frozen=True)
class Recording:
    """How the drive becomes magnetisation.

    Attributes
    ----------
    shape : str
        ``square``: each half-wave is a level; ``sine``: half a sine.
    highpass_hz, lowpass_hz : float or None
        First-order pre-shaping between computer and record head.
    drive : float or None
        Saturation: the tape keeps tanh(drive x) / tanh(drive); None leaves it linear.
    bias : float
        Steady part added before saturation (a magnetised head): even harmonics, uneven halves.
    flux_law : bool
        The machine records to the standard flux curve (120 and 3180 microseconds [1]_).
    print_through_db : float or None
        Level of the echoes from the neighbouring turns at the wavelength that prints best.
    radius : float
        Of the pack where the recording begins, metres; one turn apart lie the echoes.
    tape_thickness : float
        Metres, coating and base.
    """

    shape: str = "square"
    highpass_hz: float | None = None
    lowpass_hz: float | None = None
    drive: float | None = None
    bias: float = 0.0
    flux_law: bool = False
    print_through_db: float | None = None
    radius: float = 15e-3
    tape_thickness: float = 16e-6


@dataclass(frozen=True)
class Speed:
    """How the transport departs from its speed.

    Attributes
    ----------
    offset : float
        Steady error, 0.02 = 2 % fast.
    wander : float
        Peak of the slow part, 0.1 = ±10 %.
    wander_seconds : float
        About how long the slow part takes from one extreme to the next.
    lines : sequence of (hertz, peak deviation)
        Turning parts.
    flutter : float
        RMS deviation of the broadband part between the frequencies of `flutter_band`; its spectrum falls by
        3 dB an octave.
    flutter_band : tuple of float
        Hertz.
    scrape, scrape_band : float, tuple of float
        The same for scrape flutter, with a flat spectrum.
    """

    offset: float = 0.0
    wander: float = 0.0
    wander_seconds: float = 4.0
    lines: Sequence[tuple[float, float]] = ()
    flutter: float = 0.0
    flutter_band: tuple[float, float] = (1.0, 60.0)
    scrape: float = 0.0
    scrape_band: tuple[float, float] = (150.0, 1500.0)


@dataclass(frozen=True)
class Head:
    """The replay head and how the tape lies on it; metres and radians.

    Attributes
    ----------
    gap, thickness : float
        Optical gap; depth of the coating that adds to the standard flux curve.
    angle : float
        Azimuth error against the recording.
    angle_wander : float
        Peak of its slow wander; it moves the stereo delay. The loss is that of the mean angle.
    spacing, spacing_wander : float
        Distance to the tape, and the peak by which it slowly grows and shrinks (never below zero).
    derivative : bool
        The head gives the rate of change of the flux, so output grows with frequency and speed.
    """

    gap: float = 0.0
    thickness: float = 0.0
    angle: float = 0.0
    angle_wander: float = 0.0
    spacing: float = 0.0
    spacing_wander: float = 0.0
    derivative: bool = False


@dataclass(frozen=True)
class Dropouts:
    """Short losses of contact or coating.

    Attributes
    ----------
    per_second : float
        Mean number; they fall at random.
    depth_db : tuple of float
        Least and most fall at 2400 Hz.
    seconds : tuple of float
        Least and most length (between half depths); drawn evenly in the logarithm.
    by_spacing : float
        Share of the depth that comes from distance, and so takes short waves first.
    edge : float
        Share of the length taken by the two flanks: 0 steep, 1 a raised cosine.
    both_tracks : float
        Chance that one reaches both tracks of a stereo pair.
    at : sequence of (start, seconds, dB)
        Further ones at known places of the programme (seconds of undisturbed tape), on every track.
    """

    per_second: float = 0.0
    depth_db: tuple[float, float] = (8.0, 12.0)
    seconds: tuple[float, float] = (2e-3, 10e-3)
    by_spacing: float = 0.5
    edge: float = 0.6
    both_tracks: float = 0.5
    at: Sequence[tuple[float, float, float]] = ()


@dataclass(frozen=True)
class Electronics:
    """The replay amplifier: first-order sections.

    Attributes
    ----------
    equaliser : bool
        The inverse of the flux curve and of the head's slope [1]_.
    highpass_hz, lowpass_hz, allpass_hz : sequences of float
        Corner frequencies, one section each.
    inverted : bool
        Polarity.
    clip : float or None
        Everything beyond this, relative to the peak of the played data, is cut.
    offset, drift : float
        Steady part, and the peak of a slow random one, relative to the peak of the data.
    level_steps : float
        Sudden changes of level a minute (bad contact, hand on the knob).
    level_step_db : float
        Their largest size.
    level_wander_db : float
        Peak of the slow wander of level.
    full_scale : float
        Peak of the data in the samples handed out.
    bits : int or None
        Sample resolution.
    """

    equaliser: bool = False
    highpass_hz: Sequence[float] = ()
    lowpass_hz: Sequence[float] = ()
    allpass_hz: Sequence[float] = ()
    inverted: bool = False
    clip: float | None = None
    offset: float = 0.0
    drift: float = 0.0
    level_steps: float = 0.0
    level_step_db: float = 6.0
    level_wander_db: float = 0.0
    full_scale: float = 0.5
    bits: int | None = None


@dataclass(frozen=True)
class Noise:
    """What is heard besides; all in dB against the RMS of the data unless said.

    Attributes
    ----------
    white_db : float or None
        Signal to white noise, over the whole band of the samples.
    tape_db : float or None
        Signal to tape hiss, over the whole band; shaped by coating, head and equaliser.
    modulation : float
        RMS of the random part of the tape's output, as a share of it.
    hum_db, hum_hz, hum_harmonics : float or None, float, int
        Signal to hum with that many harmonics, falling as 1 / n.
    clicks : float
        A second; heights up to twice the peak of the data.
    """

    white_db: float | None = None
    tape_db: float | None = None
    modulation: float = 0.0
    hum_db: float | None = None
    hum_hz: float = 50.0
    hum_harmonics: int = 5
    clicks: float = 0.0


@dataclass(frozen=True)
class Channel:
    """All of the above; the default is a perfect wire."""

    recording: Recording = field(default_factory=Recording)
    speed: Speed = field(default_factory=Speed)
    head: Head = field(default_factory=Head)
    dropouts: Dropouts = field(default_factory=Dropouts)
    electronics: Electronics = field(default_factory=Electronics)
    noise: Noise = field(default_factory=Noise)


# -- the speed ---------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class SpeedCurve:
    """How far the tape has come: place in seconds of undisturbed tape against time.

    Attributes
    ----------
    rate : float
        Of the table, hertz.
    places, speeds : arrays, shape (n,)
        Place and relative speed at 0, 1 / rate, ...; between them the place is the cubic through both.
    """

    rate: float
    places: Floats
    speeds: Floats

    def _cell(self, at: Floats) -> tuple[NDArray[np.int64], Floats]:
        where = np.clip(at * self.rate, 0.0, len(self.places) - 1.000001)
        index = where.astype(np.int64)
        return index, where - index

    def place(self, at: ArrayLike) -> Floats:
        """Place (seconds of undisturbed tape) at the times `at` (seconds)."""
        index, u = self._cell(np.asarray(at, float))
        step = 1.0 / self.rate
        start, rise = self.places[index], self.places[index + 1] - self.places[index]
        left, right = self.speeds[index] * step, self.speeds[index + 1] * step
        return start + u * (left + u * (3 * rise - 2 * left - right + u * (left + right - 2 * rise)))

    def speed(self, at: ArrayLike) -> Floats:
        """Relative speed, 1.0 = nominal: the derivative of `place`."""
        index, u = self._cell(np.asarray(at, float))
        step = 1.0 / self.rate
        rise = self.places[index + 1] - self.places[index]
        left, right = self.speeds[index] * step, self.speeds[index + 1] * step
        slope = left + u * (2 * (3 * rise - 2 * left - right) + 3 * u * (left + right - 2 * rise))
        return slope * self.rate

    def time(self, place: ArrayLike) -> Floats:
        """Times at which the places pass the head: the inverse of `place`, to 1e-12 s."""
        wanted = np.asarray(place, float)
        at: Floats = np.interp(wanted, self.places, np.arange(len(self.places)) / self.rate)
        for _ in range(3):
            at = at - (self.place(at) - wanted) / self.speed(at)
        return at


def _slow(rng: np.random.Generator, duration: float, step: float, peak: float) -> interpolate.CubicSpline:
    """A smooth random curve from -peak to peak, with a knot every `step` seconds or so."""
    count = max(4, math.ceil(duration / step) + 3)
    knots = (np.arange(count) - 1.0) * step + rng.uniform(-0.25, 0.25, count) * step
    heights = (
        rng.uniform(0.35, 1.0, count) * np.where(np.arange(count) % 2, 1.0, -1.0) * rng.choice([-1.0, 1.0])
    )
    # Now and then the curve stays on one side: real belts do not swing like a pendulum.
    heights = heights * np.where(rng.random(count) < 0.25, -0.5, 1.0)
    spline = interpolate.CubicSpline(knots, heights)
    top = float(np.max(np.abs(spline(np.linspace(0.0, duration, 64 * count)))))
    return interpolate.CubicSpline(knots, heights * (peak / top))


def _band_noise(
    rng: np.random.Generator, count: int, rate: float, band: tuple[float, float], slope: float
) -> tuple[Floats, Floats]:
    """Unit-RMS noise in a band, power ~ f^-slope, and its integral over time, both of zero mean."""
    length = fft.next_fast_len(count, real=True)
    f = fft.rfftfreq(length, 1.0 / rate)
    inside = (f >= band[0]) & (f <= band[1])
    shape = np.where(inside, np.maximum(f, 1e-9) ** (-slope / 2), 0.0)
    spectrum = shape * (rng.normal(size=len(f)) + 1j * rng.normal(size=len(f)))
    noise = fft.irfft(spectrum, length)
    rms = math.sqrt(float(np.mean(noise**2))) or 1.0
    integral = fft.irfft(spectrum / (2j * np.pi * np.maximum(f, 1e-9)), length)
    return noise[:count] / rms, integral[:count] / rms


def draw_speed(speed: Speed, duration: float, rng: np.random.Generator) -> SpeedCurve:
    """Draw one run of a transport, long enough for `duration` seconds of tape.

    Sines and the spline of the slow part are integrated in closed form, noise through its spectrum, so that
    place and speed belong together to rounding.
    """
    needed = duration / max(0.2, 1.0 + speed.offset - abs(speed.wander) - 0.05) + 1.0
    count = math.ceil(needed * _CONTROL_RATE) + 2
    at = np.arange(count) / _CONTROL_RATE
    speeds = np.full(count, 1.0 + speed.offset)
    places = at * (1.0 + speed.offset)
    if speed.wander:
        slow = _slow(rng, needed, speed.wander_seconds, speed.wander)
        whole = slow.antiderivative()
        speeds += slow(at)
        places += whole(at) - whole(0.0)
    for hertz, peak in speed.lines:
        phase = rng.uniform(0.0, 2 * np.pi)
        omega = 2 * np.pi * hertz
        speeds += peak * np.sin(omega * at + phase)
        places += peak / omega * (np.cos(phase) - np.cos(omega * at + phase))
    for size, band, slope in (
        (speed.flutter, speed.flutter_band, 1.0),
        (speed.scrape, speed.scrape_band, 0.0),
    ):
        if size:
            noise, integral = _band_noise(rng, count, _CONTROL_RATE, band, slope)
            speeds += size * noise
            places += size * (integral - integral[0])
    return SpeedCurve(_CONTROL_RATE, places, speeds)


# -- band-limited drawing ----------------------------------------------------------------------------------


@lru_cache(maxsize=1)
def _step_tables() -> tuple[Floats, Floats]:
    """What to add to a sampled unit step, and to a sampled unit ramp, so that they hold no aliases.

    Rows: fractions of a sample, 0 to 1; columns: 2 * 32 samples around the event. The step is the integral of
    a Kaiser-windowed sinc that passes up to 0.35 and stops from 0.5 of the rate; the ramp is the integral of
    the step.
    """
    half, fine = 32, 512
    x = np.arange(-half * fine, half * fine + 1) / fine
    impulse = 0.85 * np.sinc(0.85 * x) * np.kaiser(len(x), 9.0)
    impulse /= np.trapezoid(impulse, dx=1 / fine)
    step = np.concatenate(([0.0], np.cumsum((impulse[1:] + impulse[:-1]) / 2) / fine))
    edge = step - (x >= 0)
    # Around the event the jump itself is not part of the integrand: integrate the two sides apart.
    ramp = np.concatenate(([0.0], np.cumsum((step[1:] + step[:-1]) / 2) / fine)) - np.maximum(x, 0.0)
    ramp -= np.linspace(0.0, ramp[-1], len(ramp))
    columns = np.arange(2 * half) - half + 1
    at = (columns[None, :] - np.linspace(0.0, 1.0, fine + 1)[:, None]) * fine + half * fine
    index = np.clip(np.rint(at).astype(int), 0, len(x) - 1)
    edges = edge[index]
    # The sample at the instant of the event counts as before the step in row 0, as after it in the last.
    edges[0, half - 1] += 1.0
    return edges, ramp[index]


def _add_events(out: Floats, where: Floats, sizes: Floats, table: Floats) -> None:
    """Add size x table around each event; `where` in samples."""
    half = table.shape[1] // 2
    whole = np.floor(where).astype(np.int64)
    part = (where - whole) * (table.shape[0] - 1)
    row = np.minimum(part.astype(np.int64), table.shape[0] - 2)
    share = (part - row)[:, None]
    for start in range(0, len(where), 50_000):
        cut = slice(start, start + 50_000)
        values = table[row[cut]] * (1.0 - share[cut]) + table[row[cut] + 1] * share[cut]
        index = whole[cut, None] + np.arange(1 - half, half + 1)
        inside = (index >= 0) & (index < len(out))
        low, high = int(max(index[0, 0], 0)), int(min(index[-1, -1] + 1, len(out)))
        if high > low:
            values = (values * sizes[cut, None])[inside]
            out[low:high] += np.bincount(index[inside] - low, values, minlength=high - low)


def draw_drive(programme: Programme, shape: str, rate: float, lead: int = 0) -> Floats:
    """Sample the drive without aliases.

    Parameters
    ----------
    programme : Programme
    shape : str
        ``square`` or ``sine``.
    rate : float
        Hertz.
    lead : int
        Samples of rest before and after.

    Returns
    -------
    array, shape (duration * rate + 2 * lead,)

    Raises
    ------
    ValueError
        An unknown shape, or lengths that are not above zero.
    """
    if shape not in ("square", "sine"):
        raise ValueError(f"shape={shape!r}: expected square or sine")
    seconds, levels = np.asarray(programme.seconds, float), np.asarray(programme.levels, float)
    if len(seconds) != len(levels) or not np.all(seconds > 0):
        raise ValueError("each half-wave needs a level and a length above zero")
    count = math.ceil(programme.duration * rate) + 2 * lead
    edges = np.concatenate(([0.0], np.cumsum(seconds))) * rate + lead
    grid = np.arange(count, dtype=float)
    first = np.searchsorted(edges, grid, side="left") - 1
    inside = (first >= 0) & (first < len(seconds))
    cell = np.clip(first, 0, max(len(seconds) - 1, 0))
    out = np.zeros(count)
    if not len(seconds):
        return out
    steps, ramps = _step_tables()
    bounds = np.concatenate(([0.0], levels, [0.0]))
    if shape == "square":
        out[inside] = levels[cell[inside]]
        jumps = np.diff(bounds)
        _add_events(out, edges[jumps != 0], jumps[jumps != 0], steps)
    else:
        lengths = seconds * rate
        phase = (grid[inside] - edges[cell[inside]]) / lengths[cell[inside]]
        out[inside] = levels[cell[inside]] * np.sin(np.pi * phase)
        slopes = np.pi * levels / lengths
        # Half a sine leaves with the slope opposite to the one it came with.
        kinks = np.concatenate((slopes, [0.0])) + np.concatenate(([0.0], slopes))
        _add_events(out, edges, kinks, ramps)
    return out


@lru_cache(maxsize=1)
def _interpolator() -> Floats:
    """Windowed-sinc weights, one row a tap, one column a fraction of a sample."""
    offsets = np.arange(_KERNEL) - _KERNEL // 2 + 1
    x = offsets[:, None] - (np.arange(_PHASES + 1) / _PHASES)[None, :]
    window = np.i0(9.0 * np.sqrt(np.maximum(0.0, 1.0 - (x / (_KERNEL / 2)) ** 2))) / np.i0(9.0)
    weights = np.sinc(x) * window
    return np.ascontiguousarray(weights / np.sum(weights, axis=0))


def read_at(samples: Floats, where: Floats) -> Floats:
    """Values of a band-limited signal between its samples.

    Parameters
    ----------
    samples : array, shape (n,)
        Should hold little above a quarter of the rate; there the error is below -80 dB.
    where : array, shape (m,)
        Places in samples; beyond the ends the signal is taken as zero.

    Returns
    -------
    array, shape (m,)
    """
    weights = _interpolator()
    pad = _KERNEL
    padded = np.concatenate((np.zeros(pad), samples, np.zeros(pad)))
    out = np.empty(len(where))
    for start in range(0, len(where), 1 << 16):
        cell = np.clip(where[start : start + (1 << 16)], -_KERNEL / 2, len(samples) + _KERNEL / 2 - 1)
        whole = np.floor(cell)
        phase = np.rint((cell - whole) * _PHASES).astype(np.intp)
        first = whole.astype(np.intp) + (pad - _KERNEL // 2 + 1)
        total = np.zeros(len(cell))
        for tap in range(_KERNEL):
            total += padded.take(first + tap) * weights[tap].take(phase)
        out[start : start + len(cell)] = total
    return out


# -- filters -----------------------------------------------------------------------------------------------


def _first_order(kind: str, hertz: float, rate: float) -> tuple[Floats, Floats]:
    warped = 2 * rate * math.tan(math.pi * min(hertz, 0.49 * rate) / rate)
    top = {"high": [1.0, 0.0], "low": [0.0, warped], "all": [1.0, -warped]}[kind]
    b, a = signal.bilinear(top, [1.0, warped], rate)
    return np.asarray(b), np.asarray(a)


def _sections(kind: str, corners: Sequence[float], samples: Floats, rate: float) -> Floats:
    for hertz in corners:
        samples = np.asarray(signal.lfilter(*_first_order(kind, hertz, rate), samples))
    return samples


T1, T2 = 120e-6, 3180e-6


def flux_law(hertz: ArrayLike) -> NDArray[np.complex128]:
    """The standard flux curve with its phase, 1 at 315 Hz: (1 + 1 / j w T2) / (1 + j w T1) [1]_.

    In dB that is 10 lg(1 + 1 / (w T2)^2) - 10 lg(1 + (w T1)^2).
    """

    def raw(f: ArrayLike) -> NDArray[np.complex128]:
        s = 2j * np.pi * np.asarray(f, float)
        return (1 + 1 / (s * T2)) / (1 + s * T1)

    return raw(hertz) / np.abs(raw(315.0))


def _place_response(hertz: Floats, recording: Recording, head: Head, width: float) -> NDArray[np.complex128]:
    """Everything between magnetisation and head voltage that depends on the wavelength alone, but spacing."""
    wavelength = TAPE_SPEED / np.maximum(hertz, 1e-3)
    response = np.ones(len(hertz), np.complex128)
    s = 2j * np.pi * hertz
    if recording.flux_law and head.derivative:
        # The pole at zero of the curve and the zero of the head cancel; 1 in the middle of the band.
        response *= (
            (1 + s * T2) / (1 + s * T1) / abs((1 + 2j * np.pi * 315 * T2) / (1 + 2j * np.pi * 315 * T1))
        )
    elif recording.flux_law:
        response *= np.where(hertz > 5.0, flux_law(np.maximum(hertz, 5.0)), 0.0)
    elif head.derivative:
        response *= s / (2 * np.pi * 1000.0)
    response *= gap_loss(wavelength, head.gap) * thickness_loss(wavelength, head.thickness)
    return response * azimuth_loss(wavelength, width, head.angle)


def _through_head(
    flux: Floats, rate: float, response_of: Recording, head: Head, width: float, spacing: Floats | None
) -> Floats:
    """Filter in place, block by block, with a spacing that may change from sample to sample.

    Between neighbouring spacings half a micrometre apart the output is interpolated (exp(-k d) is nearly
    straight over that).
    """
    margin, block = 4096, 1 << 15
    length = block + 2 * margin
    f = fft.rfftfreq(length, 1.0 / rate)
    response = _place_response(f, response_of, head, width)
    k = 2 * np.pi * f / TAPE_SPEED
    # Single precision halves the time of the transforms; its rounding lies 120 dB below the signal.
    response, k = response.astype(np.complex64), k.astype(np.float32)
    padded = np.concatenate((np.zeros(margin), flux, np.zeros(margin + block))).astype(np.float32)
    out = np.empty(len(flux))
    for start in range(0, len(flux), block):
        stop = min(start + block, len(flux))
        spectrum = fft.rfft(padded[start : start + length]) * response
        if spacing is None:
            out[start:stop] = fft.irfft(spectrum, length)[margin : margin + stop - start]
            continue
        here = spacing[start:stop]
        low, high = float(np.min(here)), float(np.max(here))
        steps = max(1, math.ceil((high - low) / 0.5e-6))
        if high - low < 1e-9:
            out[start:stop] = fft.irfft(spectrum * np.exp(-k * low), length)[margin : margin + stop - start]
            continue
        total = np.zeros(stop - start)
        share = (here - low) / (high - low) * steps
        for step in range(steps + 1):
            weight = np.maximum(0.0, 1.0 - np.abs(share - step))
            if not np.any(weight):
                continue
            at = low + (high - low) * step / steps
            total += weight * fft.irfft(spectrum * np.exp(-k * at), length)[margin : margin + stop - start]
        out[start:stop] = total
    return out


def _lowpass_kernel(pass_hz: float, stop_hz: float, rate: float) -> Floats:
    taps, beta = signal.kaiserord(90.0, (stop_hz - pass_hz) / (rate / 2))
    return np.asarray(signal.firwin(taps | 1, (pass_hz + stop_hz) / 2, window=("kaiser", beta), fs=rate))


def print_response(hertz: ArrayLike, thickness: float) -> Floats:
    """How strongly a wavelength prints through a tape of `thickness` metres: k t exp(1 - k t).

    Strongest, 1, at a wavelength of 2 pi t (from memory).
    """
    x = 2 * np.pi * np.asarray(hertz, float) / TAPE_SPEED * thickness
    return x * np.exp(1 - x)


def _print_through(flux: Floats, recording: Recording, rate: float) -> Floats:
    """Add the echoes of the two neighbouring turns."""
    if recording.print_through_db is None:
        return flux
    size = 1025
    f = np.linspace(0.0, rate / 2, size)
    kernel = np.fft.fftshift(np.fft.irfft(print_response(f, recording.tape_thickness)))
    kernel = kernel * np.hanning(len(kernel))
    echo = np.asarray(signal.oaconvolve(flux, kernel, mode="same")) * 10 ** (recording.print_through_db / 20)
    # Only long waves print, so straight lines between samples do.
    at = np.arange(len(flux)) / rate
    # A turn adds its thickness to the radius, so pi R^2 grows with the length of tape wound.
    radius = np.sqrt(recording.radius**2 + at * TAPE_SPEED * recording.tape_thickness / np.pi)
    turn = 2 * np.pi * radius / TAPE_SPEED * rate
    here = np.arange(len(flux), dtype=float)
    after = np.interp(here - turn, here, echo, left=0.0, right=0.0)
    before = np.interp(here + turn, here, echo, left=0.0, right=0.0)
    return flux + after + 0.7 * before


def _bumps(
    dropouts: Dropouts, count: int, rate: float, lead: int, rng: np.random.Generator, tracks: int
) -> tuple[list[Floats] | None, list[tuple[float, float, float]]]:
    """Depth in dB along the tape for each track, and the list of (start, seconds, dB)."""
    number = int(rng.poisson(dropouts.per_second * count / rate)) if dropouts.per_second else 0
    drawn: list[tuple[float, float, float, int]] = []
    for _ in range(number):
        length = math.exp(rng.uniform(math.log(dropouts.seconds[0]), math.log(dropouts.seconds[1])))
        middle, depth = rng.uniform(0.0, count / rate), rng.uniform(*dropouts.depth_db)
        both, one = rng.random() < dropouts.both_tracks, int(rng.integers(tracks))
        drawn.append((middle - length / 2 - lead / rate, length, depth, -1 if both else one))
    drawn += [(*known, -1) for known in dropouts.at]
    if not drawn:
        return None, []
    curves = [np.zeros(count) for _ in range(tracks)]
    for start, length, depth, only in drawn:
        middle = start + length / 2 + lead / rate
        flank = dropouts.edge * length
        reach = (length + flank) / 2
        first, last = max(0, int((middle - reach) * rate)), min(count, int((middle + reach) * rate) + 1)
        away = np.abs(np.arange(first, last) / rate - middle)
        u = np.clip((away - (length - flank) / 2) / max(flank, 1e-9), 0.0, 1.0)
        shape = depth * (0.5 + 0.5 * np.cos(np.pi * u))
        for track, curve in enumerate(curves):
            if only in (-1, track):
                curve[first:last] = np.maximum(curve[first:last], shape)
    return curves, sorted(row[:3] for row in drawn)


# -- playing -----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Played:
    """A recording and the truth about it.

    Attributes
    ----------
    samples : array of float32, shape (n,) or (n, 2)
    rate : float
        Hertz.
    speed : SpeedCurve
        Place on the tape against time in the recording.
    dropouts : list of (place, seconds, dB)
        Place in seconds of undisturbed tape.
    """

    samples: NDArray[np.float32]
    rate: float
    speed: SpeedCurve
    dropouts: list[tuple[float, float, float]]

    def steady(self) -> NDArray[np.float32]:
        """The samples read again at even steps along the tape: as if the speed had been right."""
        last = float(self.speed.place(len(self.samples) / self.rate))
        where = self.speed.time(np.arange(int(last * self.rate)) / self.rate) * self.rate
        columns = self.samples.reshape(len(self.samples), -1).T
        # Twice the rate first, so that the short interpolator has room above the band.
        doubled = [
            np.asarray(signal.resample_poly(c.astype(float), 2, 1, window=("kaiser", 10.0))) for c in columns
        ]
        out = np.stack([read_at(c, 2 * where) for c in doubled], axis=1).astype(np.float32)
        return out[:, 0] if self.samples.ndim == 1 else out


def magnetise(programme: Programme, recording: Recording, rate: float, lead: int = 0) -> Floats:
    """What the record head leaves on the tape, sampled at `rate` along undisturbed tape."""
    drive = draw_drive(programme, recording.shape, rate, lead)
    for sound in programme.sounds:
        count = int(len(sound.samples) / sound.rate * rate)
        first = lead + int(sound.start * rate)
        stop = min(first + count, len(drive))
        at = np.arange(stop - first) / rate * sound.rate
        drive[first:stop] += np.interp(at, np.arange(len(sound.samples)), sound.samples)
    if recording.highpass_hz:
        drive = _sections("high", [recording.highpass_hz], drive, rate)
    if recording.lowpass_hz:
        drive = _sections("low", [recording.lowpass_hz], drive, rate)
    drive = drive + recording.bias
    if recording.drive is not None:
        drive = np.tanh(recording.drive * drive) / math.tanh(recording.drive)
    return _print_through(drive, recording, rate)


def play(
    programme: Programme,
    channel: Channel,
    rate: float,
    rng: np.random.Generator,
    tracks: int = 1,
    speed: SpeedCurve | None = None,
) -> Played:
    """Record a programme on a tape and play it.

    Parameters
    ----------
    programme : Programme
    channel : Channel
    rate : float
        Of the samples handed out, 8000 to 192000 Hz.
    rng : numpy Generator
        All draws come from it.
    tracks : int
        1: a mono head over 1.5 mm; 2: a stereo head.
    speed : SpeedCurve, optional
        Given: used in place of a drawn one.

    Returns
    -------
    Played

    Raises
    ------
    ValueError
        A rate, a number of tracks or a programme out of range.

    Notes
    -----
    The tape is drawn at four or more times `rate`, read at the warped places at twice `rate` with a
    windowed sinc (stop band below -90 dB) and then halved, so that a speed of up to 1.5 leaves no aliases.
    """
    if not 8000 <= rate <= 192_000:
        raise ValueError(f"rate={rate}: expected 8000 to 192000 Hz")
    if tracks not in (1, 2):
        raise ValueError(f"tracks={tracks}: expected 1 or 2")
    working = rate * max(2, math.ceil(_LEAST_WORKING_RATE / rate))
    lead = int(0.05 * working)
    flux = magnetise(programme, channel.recording, working, lead)
    head, drops = channel.head, channel.dropouts
    if speed is None:
        speed = draw_speed(channel.speed, len(flux) / working + 0.1, rng)
    curves, told = _bumps(drops, len(flux), working, lead, rng, tracks)
    spacing = None
    if head.spacing or head.spacing_wander:
        spacing = np.full(len(flux), head.spacing)
        if head.spacing_wander:
            slow = _slow(rng, len(flux) / working, 0.7, head.spacing_wander)
            spacing = np.maximum(0.0, spacing + slow(np.arange(len(flux)) / working))

    # Output samples: the head is at the drive's first instant at time 0.
    end = float(speed.time(len(flux) / working - 2 * lead / working))
    double = 2 * rate
    count = math.ceil(end * double) + 2
    at = np.arange(count) / double
    fast = speed.speed(at)
    place = speed.place(at) * working + lead
    tilt = np.full(count, math.tan(head.angle))
    if head.angle_wander:
        tilt += _slow(rng, end, 1.5, head.angle_wander)(at)
    antialias = _lowpass_kernel(min(0.58 * rate, 60e3), min(0.9 * rate, 90e3), working)
    halving = _lowpass_kernel(0.46 * rate, 0.5 * rate, double)
    k_mid = 2 * np.pi * 2400.0 / TAPE_SPEED
    outputs = []
    for track in range(tracks):
        lift, fade = spacing, None
        if curves is not None:
            in_nepers = curves[track] * (math.log(10) / 20)
            lift = (0.0 if spacing is None else spacing) + drops.by_spacing * in_nepers / k_mid
            fade = np.exp(-(1.0 - drops.by_spacing) * in_nepers)
        width = TRACK_MONO if tracks == 1 else TRACK_STEREO
        voltage = _through_head(flux, working, channel.recording, head, width, lift)
        if fade is not None:
            voltage *= fade
        if channel.noise.modulation:
            grain, _ = _band_noise(rng, int(len(voltage) / working * 24e3) + 2, 24e3, (2.0, 3000.0), 0.7)
            at_grain = np.arange(len(voltage)) * (24e3 / working)
            voltage *= 1.0 + channel.noise.modulation * np.interp(at_grain, np.arange(len(grain)), grain)
        voltage = np.asarray(signal.oaconvolve(voltage, antialias, mode="same"))
        side = 0.0 if tracks == 1 else TRACK_PITCH / TAPE_SPEED * working * (0.5 - track)
        heard = read_at(voltage, place + side * tilt)
        if head.derivative:
            heard *= fast
        heard = _amplifier(heard, channel.electronics, double)
        outputs.append(np.asarray(signal.oaconvolve(heard, halving, mode="same"))[::2])
    samples = np.stack(outputs, axis=1)
    spoilt = _blemishes(samples, channel, rate, rng)
    return Played(spoilt[:, 0] if tracks == 1 else spoilt, rate, speed, told)


def _amplifier(voltage: Floats, electronics: Electronics, rate: float) -> Floats:
    if electronics.equaliser:
        # (1 + s T1) / (1 + s T2), with a far pole so that the sampled filter stays stable at the top.
        b, a = signal.bilinear([T1, 1.0], [T2, 1.0], rate)
        voltage = np.asarray(signal.lfilter(b, a, voltage))
        voltage /= abs((1 + 2j * np.pi * 315 * T1) / (1 + 2j * np.pi * 315 * T2))
    voltage = _sections("high", electronics.highpass_hz, voltage, rate)
    voltage = _sections("low", electronics.lowpass_hz, voltage, rate)
    return _sections("all", electronics.allpass_hz, voltage, rate)


def _hiss(rng: np.random.Generator, count: int, rate: float, channel: Channel) -> Floats:
    """Unit-RMS tape noise: power k (1 - exp(-2 k d)) at the head, then the equaliser (form from memory)."""
    length = fft.next_fast_len(count, real=True)
    f = fft.rfftfreq(length, 1.0 / rate)
    k = 2 * np.pi * f / TAPE_SPEED
    shape = np.sqrt(k * -np.expm1(-2 * k * 5e-6))
    shape *= np.abs(gap_loss(TAPE_SPEED / np.maximum(f, 1e-3), channel.head.gap))
    s = 2j * np.pi * f
    shape *= np.abs((1 + s * T1) / (1 + s * T2))
    for hertz in channel.electronics.highpass_hz:
        shape *= np.abs(s / (s + 2 * np.pi * hertz))
    for hertz in channel.electronics.lowpass_hz:
        shape *= np.abs(1 / (1 + s / (2 * np.pi * hertz)))
    noise = fft.irfft(shape * (rng.normal(size=len(f)) + 1j * rng.normal(size=len(f))), length)[:count]
    return noise / math.sqrt(float(np.mean(noise**2)))


def _typical(samples: Floats, rate: float) -> tuple[float, float]:
    """RMS and peak of the parts that hold a signal (the median of the louder half of 20 ms windows)."""
    size = max(1, int(0.02 * rate))
    usable = len(samples) // size * size
    windows = samples[:usable].reshape(-1, size)
    rms = np.sqrt(np.mean(windows**2, axis=1))
    loud = rms >= 0.3 * np.max(rms, initial=0.0)
    if not len(rms) or not np.any(rms[loud] > 0):
        return 1.0, 1.0
    return float(np.median(rms[loud])), float(np.median(np.max(np.abs(windows[loud]), axis=1)))


def _blemishes(
    samples: Floats, channel: Channel, rate: float, rng: np.random.Generator
) -> NDArray[np.float32]:
    """What happens after the head: level, hum, noise, clicks, offset, clipping, resolution."""
    electronics, noise = channel.electronics, channel.noise
    count = len(samples)
    at = np.arange(count) / rate
    rms, peak = zip(*(_typical(column, rate) for column in samples.T), strict=True)
    loud, top = float(np.mean(rms)), float(np.mean(peak))
    gain = np.ones(count)
    if electronics.level_wander_db:
        gain *= 10 ** (_slow(rng, count / rate, 3.0, electronics.level_wander_db)(at) / 20)
    if electronics.level_steps:
        for _ in range(int(rng.poisson(electronics.level_steps * count / rate / 60))):
            first, held = rng.uniform(0, count / rate), rng.exponential(2.0)
            change = 10 ** (rng.uniform(-1, 1) * electronics.level_step_db / 20)
            gain[(at >= first) & (at < first + held)] *= change
    samples = samples * gain[:, None]
    common = np.full(count, electronics.offset * top)
    if noise.hum_db is not None:
        hum = np.zeros(count)
        for n in range(1, noise.hum_harmonics + 1):
            hum += np.sin(2 * np.pi * noise.hum_hz * n * at + rng.uniform(0, 2 * np.pi)) / n
        hum /= math.sqrt(float(np.mean(hum**2))) or 1.0
        common += hum * loud * 10 ** (-noise.hum_db / 20)
    if electronics.drift:
        common += _slow(rng, count / rate, 0.3, electronics.drift * top)(at)
    if noise.clicks:
        for _ in range(int(rng.poisson(noise.clicks * count / rate))):
            first = int(rng.integers(count))
            tail = np.arange(min(count - first, int(2e-3 * rate) + 1)) / rate
            ring = np.exp(-tail / rng.uniform(5e-5, 3e-4)) * np.cos(2 * np.pi * rng.uniform(0, 6000) * tail)
            common[first : first + len(tail)] += rng.uniform(-2, 2) * top * ring
    for track in range(samples.shape[1]):
        samples[:, track] += common
        if noise.white_db is not None:
            samples[:, track] += rng.normal(0.0, loud * 10 ** (-noise.white_db / 20), count)
        if noise.tape_db is not None:
            samples[:, track] += _hiss(rng, count, rate, channel) * loud * 10 ** (-noise.tape_db / 20)
    if electronics.clip is not None:
        samples = np.clip(samples, -electronics.clip * top, electronics.clip * top)
    samples = samples * ((-1.0 if electronics.inverted else 1.0) * electronics.full_scale / top)
    samples = np.clip(samples, -1.0, 1.0)
    if electronics.bits:
        levels = 2.0 ** (electronics.bits - 1)
        samples = np.clip(np.round(samples * levels), -levels, levels - 1) / levels
    return samples.astype(np.float32)


# -- a voice -----------------------------------------------------------------------------------------------

_VOWELS = ((730, 1090, 2440), (270, 2290, 3010), (300, 870, 2240), (530, 1840, 2480), (570, 840, 2410))
"""Formants in hertz (Peterson and Barney 1952, men; from memory)."""


def speech(seconds: float, rng: np.random.Generator, rate: float = 22_050.0) -> Floats:
    """Something like a voice: syllables of a buzz through three resonances, with bursts of hiss between.

    Returns
    -------
    array, shape (seconds * rate,)
        Peak 1.
    """
    count = int(seconds * rate)
    out = np.zeros(count)
    position = 0
    while position < count:
        length = int(rng.uniform(0.12, 0.3) * rate)
        at = np.arange(length) / rate
        pitch = rng.uniform(90, 140) * (1 + 0.1 * np.sin(2 * np.pi * rng.uniform(1, 3) * at))
        phase = np.cumsum(pitch) / rate
        buzz = np.diff(np.floor(phase), prepend=0.0) - np.mean(pitch) / rate
        voice = buzz
        for formant in _VOWELS[int(rng.integers(len(_VOWELS)))]:
            radius = math.exp(-math.pi * 80.0 / rate)
            angle = 2 * math.pi * formant / rate
            voice = np.asarray(
                signal.lfilter([1 - radius], [1, -2 * radius * math.cos(angle), radius**2], voice)
            )
        voice = voice / (np.max(np.abs(voice)) or 1.0) * np.sin(np.pi * np.arange(length) / length) ** 0.5
        stop = min(position + length, count)
        out[position:stop] += voice[: stop - position]
        position += length
        burst = int(rng.uniform(0.02, 0.1) * rate)
        if rng.random() < 0.6 and position + burst < count:
            hiss = np.asarray(
                signal.lfilter(*signal.butter(2, [2500, 6000], "bandpass", fs=rate), rng.normal(size=burst))
            )
            out[position : position + burst] += 0.4 * hiss / np.max(np.abs(hiss)) * np.hanning(burst)
            position += burst
        if rng.random() < 0.3:
            position += int(rng.uniform(0.05, 0.3) * rate)
    return out / (np.max(np.abs(out)) or 1.0)
