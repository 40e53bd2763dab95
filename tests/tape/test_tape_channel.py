"""The make-believe cassette obeys the formulas of the trade, and plays at the drawn speed."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from benchwright.demo.tape_channel import (
    TAPE_SPEED,
    TRACK_MONO,
    TRACK_STEREO,
    Channel,
    Dropouts,
    Electronics,
    Head,
    Noise,
    Programme,
    Recording,
    Speed,
    alternating,
    arcminutes,
    azimuth_delay,
    azimuth_loss,
    draw_drive,
    draw_speed,
    flux_law,
    gap_loss,
    play,
    print_response,
    spacing_loss,
    speech,
    thickness_loss,
)

SINE = Recording(shape="sine")


def _db(factor):
    return 20 * np.log10(np.abs(factor))


def _wavelength(hertz):
    return TAPE_SPEED / np.asarray(hertz, float)


def _tone(hertz, seconds=0.6):
    return alternating(np.full(round(2 * hertz * seconds), 0.5 / hertz))


def _level(samples, rate, hertz):
    """Complex amplitude of a tone, away from both ends."""
    middle = samples[len(samples) // 6 : -(len(samples) // 6)]
    window = np.hanning(len(middle))
    at = np.arange(len(samples) // 6, len(samples) // 6 + len(middle)) / rate
    return 2 * np.sum(middle * window * np.exp(-2j * np.pi * hertz * at)) / np.sum(window)


def _play(programme, channel, rate=48_000, seed=1, **more):
    return play(programme, channel, rate, np.random.default_rng(seed), **more)


def _fixed_scale(channel_head, hertz, tracks=1, rate=48_000, **more):
    """Level of a played tone in dB against the same tone through a perfect head.

    A loud low tone before it sets the scale, so that the loss of the tone itself is seen.
    """
    marker = np.full(400, 0.5 / 100.0)
    tone = np.full(round(2 * hertz * 0.5), 0.5 / hertz)
    programme = Programme(
        np.concatenate((marker, tone)),
        np.where(np.arange(len(marker) + len(tone)) % 2, -1.0, 1.0),
    )
    found = []
    for head in (channel_head, Head()):
        played = _play(programme, Channel(recording=SINE, head=head, **more), rate, tracks=tracks)
        samples = played.samples.reshape(len(played.samples), -1)[:, 0].astype(float)
        low = _level(samples[: int(1.8 * rate)], rate, 100.0)
        high = _level(samples[int(2.05 * rate) : int(2.45 * rate)], rate, hertz)
        found.append(abs(high) / abs(low))
    return _db(found[0] / found[1])


# -- formulas ------------------------------------------------------------------------------------------------


def test_spacing_loss_agrees_with_a_published_example():
    """0.3 micrometres at a wavelength of 3.1 cost 5.3 dB (a maker's video training guide)."""
    assert _db(spacing_loss(3.1e-6, 0.3e-6)) == pytest.approx(-5.3, abs=0.05)


def test_spacing_loss_is_54_6_db_a_wavelength():
    """The rule of the handbooks: 54.6 d / wavelength."""
    assert _db(spacing_loss(10e-6, 10e-6)) == pytest.approx(-54.6, abs=0.03)
    assert _db(spacing_loss(_wavelength(2400), 5e-6)) == pytest.approx(-13.75, abs=0.01)


def test_gap_null_and_rule_of_thumb():
    """First null at 112 % of the optical gap; about 4 dB at twice the working gap (R. L. Hess, 2012)."""
    assert abs(gap_loss(1.11 * 2e-6, 2e-6)) < 1e-9
    assert _db(gap_loss(2 * 1.11 * 2e-6, 2e-6)) == pytest.approx(-3.92, abs=0.01)
    assert _db(gap_loss(_wavelength([2400, 4800, 6300, 10_000]), 2e-6)) == pytest.approx(
        [-0.18, -0.73, -1.27, -3.36], abs=0.006
    )


def test_thickness_loss_by_hand():
    """Five micrometres: (1 - exp(-x)) / x with x = 2 pi 5 / 4.7625 at 10 kHz is 0.1513, -16.40 dB."""
    assert _db(thickness_loss(_wavelength([1200, 2400, 4800, 10_000]), 5e-6)) == pytest.approx(
        [-3.21, -5.99, -10.39, -16.40], abs=0.006
    )


@pytest.mark.parametrize(
    ("width", "minutes", "hertz", "db"),
    [
        (TRACK_STEREO, 10, 2400, -0.11),
        (TRACK_STEREO, 20, 6300, -3.29),
        (TRACK_STEREO, 30, 4800, -4.42),
        (TRACK_MONO, 10, 4800, -2.96),
        (TRACK_MONO, 15, 4800, -7.47),
        (TRACK_MONO, 20, 2400, -2.96),
        (TRACK_MONO, 30, 2400, -7.47),
    ],
)
def test_azimuth_loss_by_hand(width, minutes, hertz, db):
    """sin x / x with x = pi w tan(angle) / wavelength, worked out by hand."""
    assert _db(azimuth_loss(_wavelength(hertz), width, arcminutes(minutes))) == pytest.approx(db, abs=0.008)


def test_azimuth_null():
    """The first null lies where w tan(angle) is one wavelength: 7.28 kHz for 1.5 mm and 15 minutes."""
    assert abs(azimuth_loss(_wavelength(7276.0), TRACK_MONO, arcminutes(15))) < 1e-3


def test_delay_between_channels():
    """0.9 mm and 10 minutes of arc: 55.0 microseconds; 19.8 degrees at 1 kHz."""
    assert azimuth_delay(arcminutes(10)) == pytest.approx(55.0e-6, abs=0.05e-6)
    assert 360 * 1000 * azimuth_delay(arcminutes(10)) == pytest.approx(19.8, abs=0.05)


def test_flux_curve():
    """IEC 60094-1, 120 and 3180 microseconds, against 315 Hz: the two formulas of the curve agree."""
    f = np.array([40, 63, 125, 315, 1000, 2400, 3150, 6300, 10_000, 12_500.0])
    w = 2 * np.pi * f
    law = 10 * np.log10(1 + 1 / (w * 3180e-6) ** 2) - 10 * np.log10(1 + (w * 120e-6) ** 2)
    assert _db(flux_law(f)) == pytest.approx(law - law[3], abs=1e-9)
    assert _db(flux_law(f)) == pytest.approx(
        [4.22, 2.25, 0.74, 0, -1.81, -6.18, -8.09, -13.59, -17.49, -19.40], abs=0.006
    )


def test_print_through_is_strongest_at_two_pi_thicknesses():
    """And passes neither steady flux nor short waves."""
    hertz = TAPE_SPEED / (2 * np.pi * 16e-6)
    assert print_response(hertz, 16e-6) == pytest.approx(1.0)
    assert print_response(hertz / 50, 16e-6) < 0.06
    assert print_response(hertz * 10, 16e-6) < 0.01


# -- the head, as played -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("head", "hertz", "db"),
    [
        (Head(spacing=1e-6), 2400, -2.75),
        (Head(spacing=5e-6), 1200, -6.88),
        (Head(gap=2e-6), 6300, -1.27),
        (Head(thickness=5e-6), 4800, -10.39),
        (Head(angle=arcminutes(15)), 4800, -7.47),
        (Head(angle=arcminutes(10)), 2400, -0.70),
    ],
)
def test_a_played_tone_loses_what_the_formula_says(head, hertz, db):
    """The loss seen in the samples is the loss by hand, less what the 100 Hz marker itself loses."""
    marker = {"spacing": head.spacing, "thickness": head.thickness}
    own = _db(
        spacing_loss(_wavelength(100), marker["spacing"])
        * thickness_loss(_wavelength(100), marker["thickness"])
    )
    assert _fixed_scale(head, hertz) == pytest.approx(db - own, abs=0.03)


def test_stereo_head_loses_less_and_delays():
    """A stereo head has narrower tracks, and its channels lie apart by s tan(angle) / v."""
    head = Head(angle=arcminutes(10))
    assert _fixed_scale(head, 4800, tracks=2) == pytest.approx(-0.45, abs=0.03)
    played = _play(_tone(1000.0), Channel(recording=SINE, head=head), tracks=2)
    left, right = (_level(played.samples[:, c].astype(float), played.rate, 1000.0) for c in (0, 1))
    assert np.degrees(np.angle(left / right)) == pytest.approx(19.8, abs=0.05)


def test_losses_follow_the_wavelength_not_the_frequency():
    """Played at half the speed, 4800 Hz sounds at 2400 Hz and still loses what belongs to 4800 Hz."""
    marker, tone = np.full(400, 0.5 / 100.0), np.full(4800, 0.5 / 4800.0)
    signs = np.where(np.arange(len(marker) + len(tone)) % 2, -1.0, 1.0)
    programme = Programme(np.concatenate((marker, tone)), signs)
    channel = Channel(recording=SINE, head=Head(spacing=2e-6), speed=Speed(offset=-0.5))
    samples = _play(programme, channel).samples.astype(float)
    low = abs(_level(samples[: int(3.8 * 48_000)], 48_000, 50.0))
    high = abs(_level(samples[int(4.1 * 48_000) : int(4.9 * 48_000)], 48_000, 2400.0))
    own = _db(spacing_loss(_wavelength(100), 2e-6))
    assert _db(high / low) == pytest.approx(2 * -5.50 - own, abs=0.03)


def test_standard_recording_and_replay_are_flat():
    """Flux curve, head slope and equaliser undo each other from 100 Hz to 12 kHz."""
    channel = Channel(
        recording=Recording(shape="sine", flux_law=True),
        head=Head(derivative=True),
        electronics=Electronics(equaliser=True),
    )
    levels = []
    for hertz in (100, 315, 1000, 3150, 6300, 12_000):
        marker = np.full(300, 0.5 / 315.0)
        tone = np.full(round(2 * hertz * 0.5), 0.5 / hertz)
        signs = np.where(np.arange(len(marker) + len(tone)) % 2, -1.0, 1.0)
        played = _play(Programme(np.concatenate((marker, tone)), signs), channel)
        start = 300 * 0.5 / 315
        first, last = int((start + 0.05) * 48_000), int((start + 0.45) * 48_000)
        high = abs(_level(played.samples[first:last].astype(float), 48_000, hertz))
        low = abs(_level(played.samples[: int(0.95 * start * 48_000)].astype(float), 48_000, 315.0))
        levels.append(_db(high / low))
    assert np.ptp(levels) < 0.15


def test_a_moving_spacing_moves_the_level():
    """With distance that wanders by up to a micrometre, 4800 Hz swings by 5.5 dB for each micrometre."""
    channel = Channel(recording=SINE, head=Head(spacing=1e-6, spacing_wander=1e-6))
    played = _play(_tone(4800.0, 6.0), channel)
    envelope = np.abs(signal.hilbert(played.samples.astype(float)))[4000:-4000]
    assert 5.5 < _db(envelope.max() / envelope.min()) < 11.1


# -- speed ---------------------------------------------------------------------------------------------------


def test_flutter_line_has_the_closed_form():
    """0.1 % at 4 Hz shifts the place by up to 39.8 microseconds (0.001 / (2 pi 4))."""
    curve = draw_speed(Speed(lines=[(4.0, 0.001)]), 5.0, np.random.default_rng(3))
    at = np.linspace(0.1, 4.9, 20_001)
    away = curve.place(at) - at
    assert np.ptp(away) / 2 == pytest.approx(39.79e-6, rel=1e-3)
    assert np.max(np.abs(curve.speed(at) - 1)) == pytest.approx(0.001, rel=1e-3)


@settings(max_examples=15, deadline=None)
@given(
    seed=st.integers(0, 10**6),
    wander=st.floats(0, 0.15),
    flutter=st.floats(0, 0.02),
    scrape=st.floats(0, 0.003),
    offset=st.floats(-0.05, 0.05),
)
def test_place_is_the_integral_of_speed(seed, wander, flutter, scrape, offset):
    """The integral of the speed gives the place, and time undoes place."""
    speed = Speed(offset=offset, wander=wander, flutter=flutter, scrape=scrape, lines=[(7.58, 0.002)])
    curve = draw_speed(speed, 3.0, np.random.default_rng(seed))
    at = np.arange(0, 2.0, 1 / 96_000)
    fast = curve.speed(at)
    whole = np.concatenate(([0.0], np.cumsum((fast[1:] + fast[:-1]) / 2))) / 96_000
    assert np.max(np.abs(curve.place(at) - curve.place(0.0) - whole)) < 2e-8
    assert np.max(np.abs(curve.time(curve.place(at)) - at)) < 1e-10


def test_wander_and_flutter_have_the_stated_size():
    """±10 % is reached and not passed; flutter has its RMS."""
    curve = draw_speed(Speed(wander=0.1), 60.0, np.random.default_rng(5))
    fast = curve.speed(np.arange(0, 60, 0.01)) - 1
    assert 0.095 < np.max(np.abs(fast)) < 0.1005
    curve = draw_speed(Speed(flutter=0.01, flutter_band=(2.0, 60.0)), 60.0, np.random.default_rng(5))
    assert np.std(curve.speed(np.arange(0, 60, 0.001))) == pytest.approx(0.01, rel=0.03)


@pytest.mark.parametrize("rate", [8000, 22_050, 44_100, 192_000])
def test_warped_tone_is_exact(rate):
    """A recorded sine comes out as sin(2 pi f place(t)) within -75 dB at every sample rate."""
    hertz = 1700.0
    played = _play(
        _tone(hertz, 2.0),
        Channel(
            recording=SINE,
            speed=Speed(offset=0.03, wander=0.12, wander_seconds=0.7, flutter=0.01, lines=[(37.0, 0.01)]),
        ),
        rate,
    )
    at = np.arange(len(played.samples)) / rate
    ideal = 0.5 * np.sin(2 * np.pi * hertz * played.speed.place(at))
    inner = slice(len(at) // 20, -len(at) // 20)
    assert np.std(played.samples[inner] - ideal[inner]) < 0.5 * 10 ** (-75 / 20)


def test_steady_undoes_the_speed():
    """Reading the samples again at even steps of tape gives back the even tone."""
    channel = Channel(recording=SINE, speed=Speed(wander=0.15, wander_seconds=0.5, flutter=0.01))
    played = _play(_tone(2400.0, 2.0), channel)
    even = played.steady().astype(float)
    ideal = 0.5 * np.sin(2 * np.pi * 2400.0 * np.arange(len(even)) / played.rate)
    inner = slice(2000, -2000)
    assert np.std(even[inner] - ideal[inner]) < 0.002


def test_square_drive_has_no_aliases():
    """All that a 4321.7 Hz square holds below 22 kHz are its odd harmonics, in the proportion 1 / n."""
    rate = 44_100
    played = _play(_tone(4321.7, 2.0), Channel(), rate)
    middle = played.samples[rate // 4 : rate // 4 + (1 << 16)].astype(float)
    spectrum = np.abs(np.fft.rfft(middle * np.kaiser(len(middle), 16)))
    f = np.fft.rfftfreq(len(middle), 1 / rate)
    line = np.min(np.abs(f[:, None] - 4321.7 * np.arange(1, 6, 2)), axis=1) < 25
    rest = spectrum[~line & (f > 30) & (f < 20_000)]
    assert _db(rest.max() / spectrum.max()) < -90
    first, third = (np.sqrt(np.sum(spectrum[np.abs(f - n * 4321.7) < 25] ** 2)) for n in (1, 3))
    assert third / first == pytest.approx(1 / 3, rel=1e-3)


@given(
    seconds=st.lists(st.floats(50e-6, 2e-3), min_size=5, max_size=60),
    shape=st.sampled_from(["square", "sine"]),
)
@settings(max_examples=30, deadline=None)
def test_drawn_area_is_the_area_of_the_half_waves(seconds, shape):
    """Sampling keeps the integral: each half-wave contributes length x level (x 2 / pi for a sine)."""
    programme = alternating(seconds)
    drawn = draw_drive(programme, shape, 176_400.0, lead=200)
    area = float(np.sum(programme.seconds * programme.levels)) * (1.0 if shape == "square" else 2 / np.pi)
    assert np.sum(drawn) / 176_400.0 == pytest.approx(area, abs=1e-7)  # a fiftieth of a sample


# -- noises and blemishes ------------------------------------------------------------------------------------


@pytest.mark.parametrize(("field", "db"), [("white_db", 20.0), ("tape_db", 15.0), ("hum_db", 25.0)])
def test_noise_has_the_stated_level(field, db):
    """RMS of the data over RMS of what was added is the stated ratio."""
    programme = _tone(1000.0, 2.0)
    clean = _play(programme, Channel(recording=SINE, electronics=Electronics(full_scale=0.1)))
    dirty = _play(
        programme,
        Channel(recording=SINE, electronics=Electronics(full_scale=0.1), noise=Noise(**{field: db})),
    )
    added = dirty.samples.astype(float) - clean.samples
    data = np.std(clean.samples[9600:-9600].astype(float))
    assert 20 * np.log10(data / np.std(added)) == pytest.approx(db, abs=0.15)


def test_noise_differs_between_tracks_but_hum_does_not():
    """Two tracks have their own hiss and one mains."""
    quiet = Channel(recording=SINE, electronics=Electronics(full_scale=0.1))
    base = _play(_tone(1000.0), quiet, tracks=2).samples.astype(float)
    for noise, expected in ((Noise(white_db=20.0), 0.0), (Noise(hum_db=20.0), 1.0)):
        heard = _play(
            _tone(1000.0), Channel(recording=SINE, electronics=quiet.electronics, noise=noise), tracks=2
        ).samples.astype(float)
        added = heard - base
        assert np.corrcoef(added.T)[0, 1] == pytest.approx(expected, abs=0.03)


def test_dropout_has_the_stated_depth_and_takes_short_waves_first():
    """At 2400 Hz a dropout is as deep as stated; at 4800 Hz the part that comes from distance doubles."""
    drops = Dropouts(per_second=1.5, depth_db=(10.0, 10.0), seconds=(0.1, 0.1), by_spacing=0.5)
    falls = []
    for hertz in (2400.0, 4800.0):
        played = _play(_tone(hertz, 4.0), Channel(recording=SINE, dropouts=drops), seed=8)
        assert played.dropouts
        place, seconds, depth = next(d for d in played.dropouts if 0.5 < d[0] < 3.0)
        assert (seconds, depth) == (pytest.approx(0.1), pytest.approx(10.0))
        envelope = np.abs(signal.hilbert(played.samples.astype(float)))
        middle = int((place + seconds / 2) * played.rate)
        falls.append(_db(envelope[middle] / np.median(envelope)))
    assert falls == pytest.approx([-10.0, -15.0], abs=0.2)


def test_a_dropout_can_be_put_somewhere():
    """A known place, on both tracks, found at the time when that place passes the head."""
    channel = Channel(
        recording=SINE,
        speed=Speed(offset=0.1, wander=0.1, wander_seconds=0.5),
        dropouts=Dropouts(at=[(1.2, 0.05, 20.0)], by_spacing=0.0),
    )
    played = _play(_tone(2400.0, 2.0), channel, tracks=2)
    when = int(float(played.speed.time(1.225)) * played.rate)
    for track in played.samples.T:
        envelope = np.abs(signal.hilbert(track.astype(float)))
        assert _db(envelope[when] / np.median(envelope)) == pytest.approx(-20.0, abs=0.3)


def test_bias_makes_uneven_halves():
    """A steady part before saturation leaves even harmonics."""
    even = _play(_tone(1000.0), Channel(recording=Recording(shape="sine", drive=2.0)))
    odd = _play(_tone(1000.0), Channel(recording=Recording(shape="sine", drive=2.0, bias=0.2)))
    second = [
        abs(_level(p.samples.astype(float), p.rate, 2000.0) / _level(p.samples.astype(float), p.rate, 1000.0))
        for p in (even, odd)
    ]
    third = abs(
        _level(even.samples.astype(float), even.rate, 3000.0)
        / _level(even.samples.astype(float), even.rate, 1000.0)
    )
    assert second[0] < 1e-4 < 0.02 < second[1]
    assert third > 0.03


def test_offset_sets_the_asymmetry():
    """A steady part b under a sine A moves the crossings: asymmetry 2 asin(b / A) / pi, 0.064 for 0.1."""
    played = _play(_tone(1003.7, 1.0), Channel(recording=SINE, electronics=Electronics(offset=0.1)), 192_000)
    inner = played.samples[19_200:-19_200]
    high = np.mean(inner > 0)
    assert 2 * high - 1 == pytest.approx(0.0638, abs=0.002)


def test_polarity_clipping_and_resolution():
    """Inverting turns the samples over; clipping leaves no higher value; eight bits leave 256 values."""
    plain = _play(_tone(700.0), Channel(recording=SINE))
    turned = _play(_tone(700.0), Channel(recording=SINE, electronics=Electronics(inverted=True)))
    assert np.max(np.abs(plain.samples + turned.samples)) < 1e-6
    cut = _play(_tone(700.0), Channel(recording=SINE, electronics=Electronics(clip=0.5)))
    assert np.max(np.abs(cut.samples)) == pytest.approx(0.25, abs=0.002)
    coarse = _play(_tone(700.0), Channel(recording=SINE, electronics=Electronics(bits=8)))
    assert np.all(coarse.samples * 128 == np.round(coarse.samples * 128))


def test_print_through_puts_an_echo_one_turn_away():
    """A burst at the wavelength that prints best comes again one turn of the pack later."""
    hertz = 480.0
    burst = np.full(96, 0.5 / hertz)
    programme = Programme(
        np.concatenate(([3.0], burst, [3.0])),
        np.concatenate(([0.0], np.where(np.arange(96) % 2, -1.0, 1.0), [0.0])),
    )
    channel = Channel(recording=Recording(shape="sine", print_through_db=-40.0, radius=15e-3))
    played = _play(programme, channel, 8000)
    turn = 2 * np.pi * 15e-3 / TAPE_SPEED
    for shift, db in ((turn, -40.0), (-turn, -43.1)):
        first, last = int((3.02 + shift) * 8000), int((3.08 + shift) * 8000)
        echo = np.max(np.abs(played.samples[first:last])) / 0.5
        assert _db(echo) == pytest.approx(db, abs=0.5)
    assert np.max(np.abs(played.samples[4000:7600])) < 0.5 * 10 ** (-60 / 20)


def test_same_seed_same_tape():
    """All draws come from the generator handed in."""
    channel = Channel(
        speed=Speed(wander=0.1, flutter=0.01),
        dropouts=Dropouts(per_second=5.0),
        noise=Noise(white_db=20.0, modulation=0.1, clicks=5.0),
        electronics=Electronics(level_steps=30.0, level_wander_db=3.0, drift=0.1),
    )
    first, again, other = (_play(_tone(1000.0), channel, 16_000, seed=s).samples for s in (4, 4, 5))
    assert np.array_equal(first, again)
    assert len(first) != len(other) or not np.array_equal(first, other)


def test_speech_is_loud_now_and_then_and_holds_no_steady_tone():
    """Its level rises and falls, and no line of its spectrum stands out."""
    voice = speech(4.0, np.random.default_rng(2))
    level = np.sqrt(np.mean(voice[: len(voice) // 441 * 441].reshape(-1, 441) ** 2, axis=1))
    assert level.max() > 4 * np.median(level) > 0 or level.min() < 0.05 * level.max()
    _, power = signal.welch(voice, 22_050, nperseg=4096)
    assert np.max(power) < 0.2 * np.sum(power)


def test_what_cannot_be_played_is_refused():
    """A rate or a shape out of range, and lengths that are not above zero."""
    with pytest.raises(ValueError, match="rate=4000"):
        _play(_tone(1000.0), Channel(), 4000)
    with pytest.raises(ValueError, match="tracks=3"):
        _play(_tone(1000.0), Channel(), tracks=3)
    with pytest.raises(ValueError, match="shape='round'"):
        _play(_tone(1000.0), Channel(recording=Recording(shape="round")))
    with pytest.raises(ValueError, match="length above zero"):
        draw_drive(alternating([1e-3, 0.0]), "square", 48_000.0)
