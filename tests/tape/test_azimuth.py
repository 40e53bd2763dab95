"""Azimuth from two channels, from takes of a mono head, and live."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_tones import Samples, cut, kept_within, later, played

from benchwright.errors import BadReading
from benchwright.tape.azimuth import (
    CASSETTE_SPEED,
    TRACK_SPACING,
    AzimuthMeter,
    from_stereo,
    from_takes,
    treble_of,
)
from benchwright.tape.azimuth_takes import azimuth_loss

RATE = 44100


def delay_of(arcminutes: float) -> float:
    """Seconds by which the right channel comes later: s tan(angle) / v."""
    return TRACK_SPACING * math.tan(math.radians(arcminutes / 60.0)) / CASSETTE_SPEED


def data(rng: np.random.Generator, seconds: float) -> Samples:
    """A frequency-shift recording, 1200 Hz and 2400 Hz at 1200 bit/s, rounded by a tape."""
    bits = np.repeat(np.where(rng.integers(0, 2, int(seconds * 1225)), 2400, 1200), 36)
    square = np.sign(np.sin(2 * np.pi * np.cumsum(bits) / RATE))
    spectrum = np.fft.rfft(square)
    spectrum /= 1.0 + (np.fft.rfftfreq(square.size, 1.0 / RATE) / 6000.0) ** 4
    return np.asarray(np.fft.irfft(spectrum, square.size))


@pytest.mark.parametrize(
    ("arcminutes", "microseconds"), [(1.0, 5.50), (5.0, 27.5), (10.0, 55.0), (20.0, 109.9), (30.0, 164.9)]
)
def test_delay_of_an_angle(arcminutes: float, microseconds: float, rng: np.random.Generator) -> None:
    """By hand for 0.9 mm and 47.625 mm/s: 5.50 µs for a minute of arc, and so on; measured from noise."""
    noise = rng.standard_normal(2 * RATE)
    report = from_stereo(noise, later(noise, RATE, microseconds * 1e-6), RATE)
    assert report.delay.value * 1e6 == pytest.approx(microseconds, rel=0.005)
    assert report.angle.value == pytest.approx(arcminutes, rel=0.005)
    assert report.leads == "left"
    assert not report.ambiguous


@settings(max_examples=20)
@given(
    arcminutes=st.floats(-14.0, 14.0),
    hertz=st.sampled_from([315.0, 1000.0, 2400.0, 3150.0]),
    rate=st.sampled_from([22050, 44100, 96000]),
    louder=st.floats(0.3, 3.0),
)
def test_a_clean_tone(arcminutes: float, hertz: float, rate: int, louder: float) -> None:
    """Any clean tone up to 3150 Hz gives the angle within 2 minutes of arc, whatever rate and balance."""
    time = np.arange(2 * rate) / rate
    left = np.sin(2 * np.pi * hertz * time)
    right = louder * np.sin(2 * np.pi * hertz * (time - delay_of(arcminutes)))
    report = from_stereo(left, right, rate)
    assert report.angle.value == pytest.approx(arcminutes, abs=2.0)
    assert report.angle.value == pytest.approx(arcminutes, abs=0.2)
    assert report.leads in {"left" if arcminutes > 0 else "right", ""}


@pytest.mark.parametrize(("hertz", "half"), [(3150.0, 28.9), (6300.0, 14.4), (10000.0, 9.10)])
def test_a_high_tone_alone_is_ambiguous(hertz: float, half: float) -> None:
    """Beyond half a period (by hand 28.9', 14.4', 9.10') a tone cannot say; all that fit are listed."""
    true = half + 2.0
    time = np.arange(2 * RATE) / RATE
    report = from_stereo(
        np.sin(2 * np.pi * hertz * time), np.sin(2 * np.pi * hertz * (time - delay_of(true))), RATE
    )
    assert report.ambiguous
    angles = [figure.value for figure in report.possible]
    assert min(abs(angle - true) for angle in angles) < 0.3
    assert min(abs(angle - (true - 2.0 * half)) for angle in angles) < 0.3
    assert any("several angles fit" in warning for warning in report.warnings)
    assert abs(report.angle.value - true) < 3.0 * report.angle.uncertainty


@pytest.mark.parametrize("arcminutes", [-33.0, -8.0, 0.0, 12.0, 50.0])
def test_a_low_tone_first_settles_it(arcminutes: float, rng: np.random.Generator) -> None:
    """315 Hz and then 10 kHz on one tape: no doubt is left, far beyond the limit of the high tone."""
    low, high = played(2.0, RATE, 315.0), played(2.0, RATE, 10000.0)
    left = np.concatenate([low, high])
    right = later(left, RATE, delay_of(arcminutes))
    noise = 1e-3 * rng.standard_normal((2, left.size))
    report = from_stereo(left + noise[0], right + noise[1], RATE)
    assert not report.ambiguous
    assert report.angle.value == pytest.approx(arcminutes, abs=0.1)


@pytest.mark.parametrize("inverted", [False, True])
@pytest.mark.parametrize("arcminutes", [-20.0, 3.0])
def test_data_with_noise_and_polarity(arcminutes: float, inverted: bool, rng: np.random.Generator) -> None:
    """Data across both tracks gives the angle, and a channel wired the wrong way round is noticed."""
    left = data(rng, 3.0)
    right = later(left, RATE, delay_of(arcminutes)) * (-0.6 if inverted else 0.6)
    noise = 0.05 * rng.standard_normal((2, left.size))
    report = from_stereo(left + noise[0], right + noise[1], RATE)
    assert report.angle.value == pytest.approx(arcminutes, abs=0.2)
    assert report.inverted is inverted
    assert report.leads == ("left" if arcminutes > 0 else "right")
    assert any("polarity" in warning for warning in report.warnings) is inverted


def test_hum_in_both_channels_does_not_bend_the_angle() -> None:
    """Hum comes into both channels without delay, 20 dB below the tone; it bends nothing."""
    time = np.arange(2 * RATE) / RATE
    hum = sum(
        level * np.sin(2 * np.pi * hertz * time)
        for hertz, level in ((50, 0.1), (150, 0.03), (250, 0.01), (350, 0.004), (450, 0.002))
    )
    for hertz, limit in ((3150.0, 0.1), (10000.0, 0.1)):
        left = np.sin(2 * np.pi * hertz * time) + hum
        right = np.sin(2 * np.pi * hertz * (time - delay_of(14.0))) + 0.7 * hum
        report = from_stereo(left, right, RATE)
        assert report.ambiguous
        assert min(abs(figure.value - 14.0) for figure in report.possible) < limit


def test_stated_uncertainty_covers_the_error(rng: np.random.Generator) -> None:
    """With much noise of their own in the channels the error stays within the stated uncertainty."""
    pulls = []
    for _ in range(40):
        left = data(rng, 1.0)
        true = float(rng.uniform(-25.0, 25.0))
        right = later(left, RATE, delay_of(true))
        noise = 0.6 * rng.standard_normal((2, left.size))
        report = from_stereo(left + noise[0], right + noise[1], RATE)
        pulls.append((report.angle.value - true) / report.angle.uncertainty)
    one, two = kept_within(pulls)
    assert one >= 0.55
    assert two >= 0.85


def test_wander_is_told_apart_from_the_mean(rng: np.random.Generator) -> None:
    """A tape that weaves by 2 minutes peak to peak (usual, by a published paper) shows it; the mean stays."""
    left = data(rng, 12.0)
    time = np.arange(left.size) / RATE
    sway = delay_of(1.0) * np.sin(2 * np.pi * 0.31 * time)
    right = np.interp(time - delay_of(6.0) - sway, time, left)
    report = from_stereo(left, right, RATE)
    assert report.angle.value == pytest.approx(6.0, abs=0.3)
    assert 0.4 < report.wander.value < 0.9  # a sine of 1' has 0.71' root mean square
    assert abs(report.angle.value - 6.0) < 3.0 * report.angle.uncertainty


def test_streams_give_the_same_as_arrays(rng: np.random.Generator) -> None:
    """Blocks of different lengths on either side are put side by side."""
    left = rng.standard_normal(3 * RATE)
    right = later(left, RATE, delay_of(7.0))
    whole = from_stereo(left, right, RATE)
    parts = from_stereo(iter(cut(left, [5000, 7])), iter(cut(right, [33_000])), RATE)
    assert parts.angle.value == pytest.approx(whole.angle.value, abs=1e-3)
    with pytest.raises(BadReading, match="differ in length"):
        from_stereo(iter(cut(left, [5000])), iter(cut(right[:-40_000], [5000])), RATE)


def test_the_meter_follows_the_screw(rng: np.random.Generator) -> None:
    """Turned from -15' to +4', the live reading is there within two seconds of sound."""
    meter = AzimuthMeter(RATE)
    assert math.isnan(meter.update(np.zeros((100, 2))).angle.value)
    for arcminutes in (-15.0, 4.0):
        left = data(rng, 2.5)
        right = later(left, RATE, delay_of(arcminutes))
        pair = np.column_stack([left, right]) + 0.02 * rng.standard_normal((left.size, 2))
        for begin in range(0, pair.shape[0], 2048):
            now = meter.update(pair[begin : begin + 2048])
        assert now.angle.value == pytest.approx(arcminutes, abs=0.7)
        assert now.leads == ("left" if arcminutes > 0 else "right")
        assert now.agreement > 0.8
    with pytest.raises(BadReading, match="two channels"):
        meter.update(np.zeros(10))


def test_channels_that_say_nothing_are_refused(rng: np.random.Generator) -> None:
    """Silence, strangers, unequal lengths and too little sound are each named; a mono copy is pointed out."""
    noise = rng.standard_normal(2 * RATE)
    with pytest.raises(BadReading, match="silent"):
        from_stereo(noise, np.zeros(noise.size), RATE)
    with pytest.raises(BadReading, match="nothing in common"):
        from_stereo(noise[:RATE], rng.standard_normal(RATE), RATE)
    with pytest.raises(BadReading, match="differ in length"):
        from_stereo(noise, noise[:-1], RATE)
    with pytest.raises(BadReading, match="shorter"):
        from_stereo(noise[:100], noise[:100], RATE)
    with pytest.raises(BadReading, match="sample rate"):
        from_stereo(noise, noise, 10)
    assert any("mono" in warning for warning in from_stereo(noise, noise, RATE).warnings)


# By hand from 20 lg |sin x / x|, x = pi w tan(angle) / wavelength, at 47.625 mm/s: track width in mm, angle,
# then dB at 1200, 2400, 4800, 6300 and 10000 Hz as far as the first null.
LOSSES = [
    (0.6, 5.0, (-0.01, -0.03, -0.11, -0.19, -0.49)),
    (0.6, 10.0, (-0.03, -0.11, -0.45, -0.78, -2.01)),
    (0.6, 20.0, (-0.11, -0.45, -1.85, -3.29, -9.81)),
    (0.6, 30.0, (-0.25, -1.02, -4.42, -8.45)),
    (1.5, 5.0, (-0.04, -0.17, -0.70, -1.22, -3.24)),
    (1.5, 10.0, (-0.17, -0.70, -2.96, -5.43, -20.87)),
    (1.5, 15.0, (-0.39, -1.61, -7.47, -16.45)),
    (1.5, 20.0, (-0.70, -2.96, -17.48)),
    (1.5, 30.0, (-1.61, -7.47)),
]


@pytest.mark.parametrize(("width", "arcminutes", "losses"), LOSSES)
def test_loss_of_a_tilted_gap(width: float, arcminutes: float, losses: tuple[float, ...]) -> None:
    """The loss equals the worked table."""
    hertz = np.array([1200.0, 2400.0, 4800.0, 6300.0, 10000.0])[: len(losses)]
    found = azimuth_loss(arcminutes, hertz, track_width=width * 1e-3)
    assert found == pytest.approx(np.array(losses), abs=0.011)


@settings(max_examples=12)
@given(best=st.floats(-0.5, 0.5), per_turn=st.floats(12.0, 22.0), count=st.integers(5, 9))
def test_takes_at_several_positions_find_the_best(best: float, per_turn: float, count: int) -> None:
    """Five takes or more over two turns, levels good to a tenth of a decibel: the screw's place is found."""
    places = np.linspace(-1.0, 1.0, count)
    levels = 7.0 + azimuth_loss(per_turn * (places - best), 4800.0)
    report = from_takes(places, levels, 4800.0, level_uncertainty=0.1)
    assert report.best.value == pytest.approx(best, abs=0.06)
    assert report.turn.value == pytest.approx(best - 1.0, abs=0.06)
    assert report.direction == "back"
    assert report.per_unit.value == pytest.approx(per_turn, rel=0.1)
    assert report.angle.value == pytest.approx(per_turn * (1.0 - best), rel=0.1)


def test_uncertainty_of_the_best_position(rng: np.random.Generator) -> None:
    """With levels good to 0.3 dB, the true place lies within the stated uncertainty."""
    pulls = []
    for _ in range(15):
        best, per_turn = float(rng.uniform(-0.5, 0.5)), float(rng.uniform(10.0, 25.0))
        places = np.sort(rng.uniform(-1.0, 1.0, 6))
        levels = np.maximum(azimuth_loss(per_turn * (places - best), 4800.0), -35.0)
        report = from_takes(places, levels + rng.normal(0.0, 0.3, 6), 4800.0)
        pulls.append((report.best.value - best) / report.best.uncertainty)
    one, two = kept_within(pulls)
    assert one >= 0.6
    assert two >= 0.88


def test_takes_of_data(rng: np.random.Generator) -> None:
    """Bands of the same data at five positions, with hiss, find the place and the tilt of a turn."""
    sound = data(rng, 3.0)
    spectrum, hertz = np.fft.rfft(sound), np.fft.rfftfreq(sound.size, 1.0 / RATE)
    places = np.array([-2.0, -1.0, 0.0, 1.0, 2.0])
    takes = []
    for place in places:
        tilted = spectrum * 10.0 ** (azimuth_loss(6.0 * (place - 0.7), hertz) / 20.0)
        played_back = np.fft.irfft(tilted, sound.size) + 0.002 * rng.standard_normal(sound.size)
        takes.append(treble_of(played_back * rng.uniform(0.3, 1.0), RATE))
    report = from_takes(places, takes, level_uncertainty=0.5)
    assert report.best.value == pytest.approx(0.7, abs=0.15)
    assert report.per_unit.value == pytest.approx(6.0, rel=0.1)
    assert report.direction == "back"


def test_treble_of_a_tone() -> None:
    """A sine of full scale reads 0 dB, one of a tenth -20 dB, and a low tone beside it is the reference."""
    time = np.arange(2 * RATE) / RATE
    high = np.sin(2 * np.pi * 8000.0 * time)
    assert treble_of(high, RATE, 8000.0).decibels == pytest.approx(0.0, abs=0.05)
    assert treble_of(iter([0.1 * high]), RATE, [8000.0]).decibels == pytest.approx(-20.0, abs=0.05)
    both = 0.1 * high + 0.5 * np.sin(2 * np.pi * 400.0 * time)
    assert treble_of(both, RATE, 8000.0).decibels == pytest.approx(20.0 * math.log10(0.2), abs=0.05)
    with pytest.raises(BadReading, match="silent"):
        treble_of(np.zeros(RATE), RATE)
    with pytest.raises(BadReading, match="expected frequencies"):
        treble_of(high, RATE, 30000.0)


def test_too_few_takes_are_refused_or_warned_about() -> None:
    """Two positions need the pitch of the screw; a best place outside the tried range is said to be there."""
    with pytest.raises(BadReading, match="expected 3 or more"):
        from_takes([0.0, 1.0], [-3.0, -1.0], 6300.0)
    with pytest.raises(BadReading, match="frequency"):
        from_takes([0.0, 1.0, 2.0], [-3.0, -1.0, 0.0])
    with pytest.raises(BadReading, match="positions"):
        from_takes([0.0, 1.0], [-3.0, -1.0, 0.0], 6300.0)
    places = np.array([0.0, 0.2, 0.4, 0.6, 0.8])
    levels = azimuth_loss(20.0 * (places - 1.3), 4800.0)
    outside = from_takes(places, levels, 4800.0, level_uncertainty=0.05)
    assert outside.direction == "onward"
    assert any("outside" in warning for warning in outside.warnings)
    gentle = azimuth_loss(12.0 * (places - 1.3), 4800.0)[[0, 4]]
    known = from_takes(places[[0, 4]], gentle, 4800.0, arcminutes_per_unit=12.0, level_uncertainty=0.05)
    assert known.turn.value == pytest.approx(0.5, abs=0.05)
